"""Curves: worked points of the trade, and another program's interpolation."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary import units
from cabcanary.channels.chain import build_curve as build
from cabcanary.channels.shapes import Curve, CurveError, Lines
from cabcanary.model import Quality
from cabcanary.settings.sensors import LinearCurve, MeasuredChannel, TableCurve


def build_curve(spec):
    channel = MeasuredChannel(source="adc", item="voltage0", unit="psi", curve=spec)
    return build(channel, units.unit("psi"))


def through(points):
    curve = Curve(Lines(points), points[0][0], points[-1][0])
    curve.points = points
    return curve


#: 0.5 to 4.5 V of a 5 V supply for 0 to 50 psi above atmosphere (common practice, no source).
PRESSURE = build_curve(LinearCurve(kind="linear", points=[(0.5, 0.0), (4.5, 50.0)]))
#: Beta thermistor, 10 kohm at 25 °C, beta 3950, under 2.49 kohm to 5 V: R = R25 exp(B (1/T - 1/T25)).
THERMISTOR = build_curve(
    TableCurve(
        kind="table",
        points=[(0.703, 120.0), (1.094, 100.0), (2.498, 60.0), (4.003, 25.0), (4.655, 0.0), (4.885, -20.0)],
    )
)


@pytest.mark.parametrize(("volts", "psi"), [(1.0, 6.25), (1.7, 15.0), (2.5, 25.0), (3.3, 35.0), (4.1, 45.0)])
def test_a_ratiometric_pressure_sensor_reads_as_worked_by_hand(volts, psi):
    # Ten percent of the supply is the low end, ninety the high one: P = 50 psi (V / 5 V - 0.1) / 0.8.
    value, quality = PRESSURE.value(volts)
    assert value == pytest.approx(psi, abs=1e-9)
    assert quality is Quality.GOOD


@pytest.mark.parametrize(
    ("volts", "psi", "quality"),
    [
        (0.5, 0.0, Quality.SATURATED_LOW),
        (0.1, 0.0, Quality.SATURATED_LOW),
        (4.5, 50.0, Quality.SATURATED_HIGH),
        (5.2, 50.0, Quality.SATURATED_HIGH),
    ],
)
def test_beyond_the_ends_the_value_stays_and_is_called_saturated_on_that_side(volts, psi, quality):
    assert PRESSURE.value(volts) == (psi, quality)


def test_two_points_may_be_written_in_either_order():
    turned = build_curve(LinearCurve(kind="linear", points=[(4.5, 50.0), (0.5, 0.0)]))
    assert turned.value(2.5) == PRESSURE.value(2.5)


def test_a_falling_curve_is_saturated_high_at_the_low_end_of_its_wire():
    # A hot thermistor pulls the wire down: least volts, most degrees.
    assert THERMISTOR.value(0.5) == (120.0, Quality.SATURATED_HIGH)
    assert THERMISTOR.value(4.95) == (-20.0, Quality.SATURATED_LOW)


@pytest.mark.parametrize("celsius", [120.0, 100.0, 60.0, 25.0, 0.0, -20.0])
def test_the_thermistors_table_is_the_beta_equation_in_its_divider(celsius):
    ohms = 10_000 * math.exp(3950 * (1 / (celsius + 273.15) - 1 / 298.15))
    volts = 5.0 * ohms / (ohms + 2490)
    assert THERMISTOR.inverse(celsius) == pytest.approx(volts, abs=0.0006)


# --- properties -----------------------------------------------------------------------------------------

NUMBERS = st.floats(-1000, 1000, allow_nan=False).map(lambda x: round(x, 3))


@st.composite
def curves(draw):
    wire = sorted(draw(st.lists(NUMBERS, min_size=2, max_size=12, unique=True)))
    values = sorted(draw(st.lists(NUMBERS, min_size=len(wire), max_size=len(wire), unique=True)))
    if draw(st.booleans()):
        values.reverse()
    return through(list(zip(wire, values, strict=True)))


@settings(deadline=None)
@given(curves(), st.floats(-1100, 1100))
def test_a_table_reads_as_numpys_interpolation(curve, wire):
    value, _ = curve.value(wire)
    points = curve.points
    assert value == pytest.approx(float(np.interp(wire, *zip(*points, strict=True))), rel=1e-9, abs=1e-9)


@settings(deadline=None)
@given(curves(), st.floats(0, 1))
def test_a_value_turned_back_to_the_wire_gives_that_value_again(curve, share):
    low, high = curve.ends
    value = low + share * (high - low)
    again, _ = curve.value(curve.inverse(value))
    assert again == pytest.approx(value, rel=1e-6, abs=1e-6)


@settings(deadline=None)
@given(curves(), st.floats(allow_nan=False))
def test_no_wire_reading_gives_a_value_beyond_the_ends(curve, wire):
    low, high = curve.ends
    value, quality = curve.value(wire)
    hair = 1e-9 * (abs(low) + abs(high) + 1)  # rounding
    assert low - hair <= value <= high + hair
    if quality is Quality.SATURATED_HIGH:
        assert value == high
    if quality is Quality.SATURATED_LOW:
        assert value == low
    assert (quality is Quality.GOOD) == (curve.wire_ends[0] < wire < curve.wire_ends[1])


@settings(deadline=None)
@given(curves(), st.floats(-1100, 1100), st.floats(-1100, 1100))
def test_more_on_the_wire_never_turns_the_value_back(curve, a, b):
    (first, _), (second, _) = curve.value(min(a, b)), curve.value(max(a, b))
    hair = 1e-9 * (abs(first) + abs(second) + 1)  # rounding
    assert first <= second + hair if curve.rising else first >= second - hair


# --- what makes no curve ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([(1.0, 2.0)], "at least two"),
        ([(1.0, 2.0), (1.0, 3.0)], "point 2 is at 1 on the wire"),
        ([(0.0, 2.0), (2.0, 3.0), (1.0, 4.0)], "point 3 is at 1 on the wire"),
        ([(0.0, 2.0), (1.0, 3.0), (2.0, 1.0)], "only rise or only fall"),
        ([(0.0, 2.0), (1.0, 2.0)], "only rise or only fall"),
        ([(0.0, 1.0), (float("nan"), 2.0)], "point 2"),
    ],
)
def test_points_that_make_no_curve_are_refused_with_the_reason(points, words):
    with pytest.raises(CurveError, match=words):
        through(points)
