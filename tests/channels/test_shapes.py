"""Curves as shapes: against SciPy, and their own inverse."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from cabcanary.channels.shapes import Curve, CurveError, Lines, MonotoneCubic, Polynomial
from cabcanary.model import Quality


@st.composite
def monotone_points(draw: st.DrawFn) -> list[tuple[float, float]]:
    steps = draw(st.lists(st.tuples(st.floats(0.05, 5), st.floats(0.05, 50)), min_size=2, max_size=9))
    sign = draw(st.sampled_from([1, -1]))
    points, wire, value = [], draw(st.floats(-5, 5)), draw(st.floats(-100, 100))
    for dw, dv in steps:
        points.append((wire, value))
        wire, value = wire + dw, value + sign * dv
    return points


@settings(deadline=None)
@given(points=monotone_points(), share=st.floats(0, 1))
def test_a_monotone_cubic_is_scipys_pchip(points: list[tuple[float, float]], share: float) -> None:
    wire = points[0][0] + share * (points[-1][0] - points[0][0])
    reference = PchipInterpolator(*zip(*points, strict=True))
    scale = abs(points[-1][1] - points[0][1])
    assert MonotoneCubic(points).forward(wire) == pytest.approx(float(reference(wire)), abs=1e-9 * scale)


@settings(deadline=None)
@given(points=monotone_points(), share=st.floats(0, 1))
def test_lines_are_numpys_interp(points: list[tuple[float, float]], share: float) -> None:
    wires, values = zip(*points, strict=True)
    wire = wires[0] + share * (wires[-1] - wires[0])
    scale = abs(values[-1] - values[0])
    assert Lines(points).forward(wire) == pytest.approx(float(np.interp(wire, wires, values)), abs=1e-9 * scale)


@settings(deadline=None)
@given(points=monotone_points(), share=st.floats(0.001, 0.999), cubic=st.booleans())
def test_a_curve_gives_back_the_wire_that_it_was_read_from(points, share: float, cubic: bool) -> None:
    law = MonotoneCubic(points) if cubic else Lines(points)
    curve = Curve(law, points[0][0], points[-1][0])
    low, high = curve.ends
    value = low + share * (high - low)
    assert curve.value(curve.inverse(value))[0] == pytest.approx(value, abs=1e-6 * (high - low))


@pytest.mark.parametrize(("falling", "at_low_wire"), [(False, Quality.SATURATED_LOW), (True, Quality.SATURATED_HIGH)])
def test_an_end_of_the_wire_is_the_end_of_the_value_that_it_means(falling: bool, at_low_wire: Quality) -> None:
    points = [(0.5, 100.0), (4.5, 0.0)] if falling else [(0.5, 0.0), (4.5, 100.0)]
    curve = Curve(Lines(points), 0.5, 4.5)
    assert curve.value(0.4) == (points[0][1], at_low_wire)
    assert curve.value(4.6)[0] == points[1][1]
    assert curve.value(2.5) == (50.0, Quality.GOOD)


def test_a_polynomial_follows_its_coefficients() -> None:
    # 1 + 2 x + 3 x^2 at 2 is 17, by arithmetic.
    law = Polynomial([1, 2, 3], 0, 3)
    assert law.forward(2) == 17
    assert law.inverse(17) == pytest.approx(2)


def test_a_polynomial_that_turns_is_refused_with_the_place() -> None:
    # x - x^2 turns at 0.5.
    with pytest.raises(CurveError, match=r"turns round near 0\.5"):
        Polynomial([0, 1, -1], 0, 2)
