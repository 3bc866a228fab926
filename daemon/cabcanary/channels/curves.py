"""Curves: what the wire says -> what it means, and whether it is at the end of its range."""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise
from typing import TYPE_CHECKING

from cabcanary.model import Quality

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.settings.schema import LinearCurve, TableCurve


class CurveError(ValueError):
    """Points that make no curve; the message says which and why."""


class Curve:
    """Straight lines between points, ordered along the wire; beyond the ends the value stays at the end.

    A linear curve is the case of two points.
    """

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        if len(points) < 2:
            raise CurveError("a curve needs at least two points")
        for n, (a, b) in enumerate(pairwise(points), start=1):
            if not a[0] < b[0]:
                raise CurveError(f"point {n + 1} is at {b[0]:g} on the wire, which is not above point {n} at {a[0]:g}")
        values = [v for _, v in points]
        rising, falling = values == sorted(values), values == sorted(values, reverse=True)
        if not (rising or falling) or values[0] == values[-1]:
            raise CurveError("the values must only rise or only fall, or a reading could mean two things")
        self.wire = tuple(w for w, _ in points)
        self.values = tuple(v for _, v in points)
        self.rising = rising

    @property
    def ends(self) -> tuple[float, float]:
        """The lowest and the highest value that the curve can give."""
        return min(self.values), max(self.values)

    def value(self, wire: float) -> tuple[float, Quality]:
        """Value at a wire reading; at or beyond an end it is saturated on that side."""
        if wire <= self.wire[0]:
            return self.values[0], Quality.SATURATED_LOW if self.rising else Quality.SATURATED_HIGH
        if wire >= self.wire[-1]:
            return self.values[-1], Quality.SATURATED_HIGH if self.rising else Quality.SATURATED_LOW
        return interpolate(self.wire, self.values, wire), Quality.GOOD

    def inverse(self, value: float) -> float:
        """The wire reading that means `value`, held at the ends; a flat piece gives its first point."""
        if self.rising:
            xs, ys = self.values, self.wire
        else:
            xs, ys = tuple(reversed(self.values)), tuple(reversed(self.wire))
        if value <= xs[0]:
            return ys[0]
        if value >= xs[-1]:
            return ys[-1]
        return interpolate(xs, ys, value)


def interpolate(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Linear interpolation with xs[0] < x < xs[-1]; one written-out expression, so that arrays can match it."""
    n = bisect_right(xs, x)
    x0, x1, y0, y1 = xs[n - 1], xs[n], ys[n - 1], ys[n]
    return y0 + (y1 - y0) * ((x - x0) / (x1 - x0))


def build_curve(spec: LinearCurve | TableCurve) -> Curve:
    """The curve that the settings describe.

    Raises:
        CurveError: its points make no curve.
    """
    points = spec.points
    if spec.kind == "linear" and points[0][0] > points[1][0]:
        points = [points[1], points[0]]  # two points have no order of their own
    return Curve(points)
