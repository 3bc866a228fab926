"""Trials of what is learnt of a wideband's timing: many vehicles of `gas_engines`, each with a truth nobody is told."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from gas_engines import BELIEVED, GasVehicle

from cabcanary.review.witness.lifts import GasSignals, Lifts, lifts_of
from cabcanary.review.witness.timing_fit import learnt, points_of

#: The estimator was tuned on seeds from 0 to 100, its last width after a look at those from 10,000 on; it is graded
#: on those from here on.
FRESH = 20_000


class Held(NamedTuple):
    """Of so many trials how many intervals held the truth: delay, response, exhaust volume; usual widths; no answer."""

    trials: int
    delay: int
    response: int
    volume: int
    widths: tuple[float, float, float]
    silent: int


def lifts(signals: GasSignals, *, full: bool) -> Lifts:
    """With engine speed and the engine's flow, or by the wideband and manifold pressure alone."""
    if full:
        return lifts_of(signals, BELIEVED)
    return lifts_of(signals._replace(rpm=np.full(len(signals.rpm), np.nan)))


def timed(engine: type[GasVehicle], trials: int, *, full: bool, first: int = FRESH) -> Held:
    """Three to eleven drives with three to seven cuts each."""
    rows, silent = [], 0
    for n in range(first, first + trials):
        rng = np.random.default_rng((31, n))
        van, drives, cuts, ways, found = engine(rng), int(rng.integers(3, 12)), int(rng.integers(3, 8)), [], []
        for _ in range(drives):
            signals, delays = van.drive(cuts)
            ways += delays
            found.append(lifts(signals, full=full))
        told = learnt(points_of(found))
        if told is None:
            silent += 1
            continue
        volume = told.volume if told.volume is not None else np.zeros(1)
        draws = (told.delay, told.response, volume)
        truths = (float(np.mean(ways)), van.response_s(), van.volume_m3)
        ends = [np.percentile(d, (2.5, 97.5)) for d in draws]
        rows.append([(low <= t <= high, high - low) for (low, high), t in zip(ends, truths, strict=True)])
    held = [sum(bool(r[k][0]) for r in rows) for k in range(3)]
    widths = tuple(float(np.median([r[k][1] for r in rows])) for k in range(3))
    return Held(len(rows), *held, widths, silent)  # type: ignore[arg-type]
