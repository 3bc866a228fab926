"""The truth lies within the stated interval as often as the interval says, whatever was calibrated."""

from __future__ import annotations

import numpy as np
import pytest
from calibration_sessions import KINDS

from cabcanary.calibration.fit import Unfit
from cabcanary.calibration.refusals import calibrated
from cabcanary.calibration.sensor import Sensor


def campaign(number: int, kinds: list[str]) -> dict[str, tuple[int, int, list[str], float]]:
    """Of each kind: sessions within, sessions fitted, reasons of the refused, mean interval over the range."""
    told = {}
    for kind in kinds:
        within = fitted = 0
        widths, refused = [], []
        for n in range(number):
            simulated = KINDS[kind](np.random.default_rng([n, list(KINDS).index(kind)]))
            try:
                result = calibrated(simulated.session, simulated.sensor)
            except Unfit as error:
                refused.append(str(error))
                continue
            new = Sensor(simulated.sensor.name, result.channel, simulated.sensor.source_unit)
            fitted += 1
            within += simulated.furthest(new) <= result.within
            widths.append(result.within / simulated.sensor.range)
        told[kind] = within, fitted, refused, float(np.mean(widths))
    return told


def shown(told: dict[str, tuple[int, int, list[str], float]]) -> None:
    print(f"\n{'kind':12} {'sessions':>8} {'within':>7} {'share':>7} {'refused':>8} {'interval, % of range':>21}")
    for kind, (within, fitted, refused, width) in told.items():
        share = 100 * within / fitted
        print(f"{kind:12} {fitted:8} {within:7} {share:6.1f}% {len(refused):8} {100 * width:21.2f}")
        for reason in sorted(set(refused))[:3]:
            print(f"    {reason}")


@pytest.mark.long
def test_of_a_thousand_sessions_of_each_kind_93_to_97_in_a_hundred_hold() -> None:
    told = campaign(1000, list(KINDS))
    shown(told)
    for kind, (within, fitted, refused, _) in told.items():
        assert 0.93 <= within / fitted <= 0.97, kind
        assert len(refused) <= 20, kind


def test_a_sample_of_each_kind_holds() -> None:
    # Of 25 sessions with a chance of 95 % each, fewer than 19 hold once in some thousand times (binomial distribution).
    told = campaign(25, list(KINDS))
    shown(told)
    for kind, (within, fitted, _, _) in told.items():
        assert fitted >= 24, kind
        assert within >= 19, kind
