"""From the converter to the value: arithmetic by hand, uncertainty against Monte Carlo (JCGM 101:2008)."""

import math
from itertools import pairwise

import numpy as np
import pytest

from cabcanary import units
from cabcanary.channels.chain import Chain, Known, Surroundings
from cabcanary.channels.shapes import CurveError
from cabcanary.channels.temperature import type_k_millivolts
from cabcanary.model import Quality
from cabcanary.settings.sensors import MeasuredChannel

NOMINAL = Surroundings(Known(5.0), Known(0.0), Known(25.0))
MV = units.unit("mV")


def channel(**more: object) -> MeasuredChannel:
    return MeasuredChannel.model_validate({"source": "adc", "item": "voltage0", "unit": "psi"} | more)


def ratiometric(**more: object) -> MeasuredChannel:
    """0.5 to 4.5 V of 5 V for 0 to 50 psi, the common form (common practice)."""
    return channel(
        wire_unit="V",
        curve={"kind": "linear", "points": [[0.5, 0.0], [4.5, 50.0]]},
        ratiometric={"nominal": "5 V"},
        **more,
    )


# P = (V/Vs - 0.1)/0.8 x 50, by hand.
@pytest.mark.parametrize(("volts", "psi"), [(1.0, 6.25), (2.5, 25.0), (4.0, 43.75)])
def test_a_ratiometric_sensor_reads_its_share(volts: float, psi: float) -> None:
    assert Chain(ratiometric(), MV).convert(volts * 1000, NOMINAL).value == pytest.approx(psi)


# A supply of 4.80 V taken for 5.00 V: true 0, 25, 50 psi read -0.25, 23.75, 47.75 (by hand): over-boost hides.
@pytest.mark.parametrize(("true_psi", "share"), [(25.0, 0.5), (40.0, 0.74)])
def test_a_measured_supply_undoes_its_sag(true_psi: float, share: float) -> None:
    raw = share * 4.80 * 1000
    sagging = Surroundings(Known(4.80), Known(0.0), Known(25.0))
    assert Chain(ratiometric(), MV).convert(raw, sagging).value == pytest.approx(true_psi)
    assert Chain(ratiometric(), MV).convert(raw, NOMINAL).value < true_psi - 1.0


# 100 mV between the grounds are 1.25 psi on a 50 psi, 4 V sensor (by hand); either sign occurs.
@pytest.mark.parametrize(("offset_v", "error_psi"), [(0.1, 1.25), (-0.05, -0.625)])
def test_a_known_ground_offset_is_taken_out(offset_v: float, error_psi: float) -> None:
    raw = (2.5 + offset_v) * 1000
    known = Surroundings(Known(5.0), Known(offset_v), Known(25.0))
    chain = Chain(ratiometric(), MV)
    assert chain.convert(raw, NOMINAL).value == pytest.approx(25.0 + error_psi)
    assert chain.convert(raw, known).value == pytest.approx(25.0)


# Divider of 2.49 kohm from 5 V over a 10 kohm, beta 3950 part: 0 °C 4.655 V, 25 °C 4.003 V, 100 °C 1.094 V (by hand).
@pytest.mark.parametrize(("volts", "celsius"), [(4.655, 0.0), (4.003, 25.0), (1.094, 100.0)])
def test_a_thermistor_under_a_pull_up_reads_its_temperature(volts: float, celsius: float) -> None:
    spec = channel(
        unit="°C",
        curve={"kind": "thermistor_beta", "r25": "10 kohm", "beta": 3950},
        pull_up={"resistance": "2.49 kohm", "supply": "5 V"},
    )
    assert Chain(spec, MV).convert(volts * 1000, NOMINAL).value == pytest.approx(celsius, abs=0.1)


@pytest.mark.parametrize(("volts", "side"), [(5.0, Quality.SATURATED_LOW), (0.0, Quality.SATURATED_HIGH)])
def test_an_open_or_shorted_thermistor_is_at_an_end_and_no_temperature(volts: float, side: Quality) -> None:
    spec = channel(
        unit="°C",
        curve={"kind": "thermistor_beta", "r25": "10 kohm", "beta": 3950},
        pull_up={"resistance": "2.49 kohm", "supply": "5 V"},
    )
    assert Chain(spec, MV).convert(volts * 1000, NOMINAL).quality is side


def test_a_thermocouple_adds_its_cold_junction_as_a_voltage() -> None:
    # NIST ITS-90 type K: 600 °C 24.9055 mV, 50 °C 2.0231 mV.
    spec = channel(unit="°C", curve={"kind": "thermocouple_k", "cold_junction": "plug"})
    around = Surroundings(Known(5.0), Known(0.0), Known(50.0))
    assert Chain(spec, MV).convert(24.9055 - 2.0231, around).value == pytest.approx(600.0, abs=0.05)


def test_a_temperature_sensor_in_another_unit_is_refused() -> None:
    with pytest.raises(CurveError, match="°C"):
        Chain(channel(unit="psi", curve={"kind": "thermocouple_k", "cold_junction": "plug"}), MV)


def test_afr_goes_in_by_its_scale_and_comes_out_as_lambda() -> None:
    # 12.5 is lambda 0.850 on a 14.7 scale and 0.888 on 14.08 (by division). 10 to 20 over 0 to 5 V: 1.25 V is 12.5.
    for scale, expected in ((14.7, 0.8503), (14.08, 0.8878)):
        spec = channel(
            unit="lambda",
            wire_unit="V",
            curve={"kind": "linear", "points": [[0.0, 10.0], [5.0, 20.0]]},
            afr_scale=scale,
        )
        assert Chain(spec, MV).convert(1250.0, NOMINAL).value == pytest.approx(expected, abs=1e-4)


MONTE_CARLO = [
    pytest.param(ratiometric(resolution=0.003, accuracy=0.8, residual=0.1), 2500.0, "line", id="ratiometric"),
    pytest.param(
        channel(
            unit="°C",
            curve={"kind": "thermistor_beta", "r25": "10 kohm", "beta": 3950},
            pull_up={"resistance": "2.49 kohm", "supply": "5 V"},
            resolution=3.0,
            accuracy=0.5,
        ),
        2000.0,
        "thermistor",
        id="thermistor",
    ),
    pytest.param(
        channel(
            unit="°C",
            curve={"kind": "thermocouple_k", "cold_junction": "plug"},
            resolution=0.05,
            accuracy=2.2,
        ),
        24.0,
        "thermocouple",
        id="thermocouple",
    ),
]


@pytest.mark.parametrize(("spec", "raw", "kind"), MONTE_CARLO)
def test_first_order_uncertainty_agrees_with_monte_carlo(spec: MeasuredChannel, raw: float, kind: str) -> None:
    # JCGM 101:2008: draw every input from its distribution, convert, and take the scatter of what comes out.
    around = Surroundings(Known(5.0, 0.02), Known(0.0, 0.00002 if kind == "thermocouple" else 0.005), Known(25.0, 0.8))
    chain = Chain(spec, MV)
    stated = chain.convert(raw, around).uncertainty
    random = np.random.default_rng(7)
    step = spec.resolution * (1000.0 if spec.wire_unit == "V" else 1.0)
    draws = []
    for _ in range(20_000):
        drawn = Surroundings(
            Known(random.normal(5.0, 0.02)),
            Known(random.normal(0.0, around.ground.uncertainty)),
            Known(random.normal(25.0, 0.8)),
        )
        value = chain.convert(raw + random.uniform(-0.5, 0.5) * step, drawn).value
        draws.append(value + random.uniform(-1, 1) * spec.accuracy + random.normal(0, spec.residual or 1e-12))
    # 20,000 draws give a standard deviation to about 0.5 %; first order itself is good to a few percent here.
    assert stated == pytest.approx(float(np.std(draws)), rel=0.04)


@pytest.mark.parametrize(("spec", "raw", "kind"), MONTE_CARLO)
def test_every_conversion_has_its_inverse(spec: MeasuredChannel, raw: float, kind: str) -> None:
    around = Surroundings(Known(4.9), Known(0.01 if kind == "line" else 0.0), Known(31.0))
    chain = Chain(spec, MV)
    assert chain.inverse(chain.convert(raw, around).value, around) == pytest.approx(raw, rel=1e-9)


def test_a_thermocouple_law_is_monotone_where_it_is_used() -> None:
    values = [type_k_millivolts(t) for t in range(-200, 1373)]
    assert all(b > a for a, b in pairwise(values))
    assert math.isclose(values[200], 0.0, abs_tol=1e-6)
