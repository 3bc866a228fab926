"""Curves as shapes over a wire: points joined by lines or by a monotone cubic, polynomials, and sensors' laws.

Each is strictly monotone between two ends of the wire. At or beyond an end the value stays at the end's, and
the quality says on which side it is saturated.
"""

from __future__ import annotations

from bisect import bisect_right
from itertools import pairwise
from typing import TYPE_CHECKING, Protocol

from cabcanary.model import Quality
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence


class CurveError(ValueError):
    """The given points or coefficients make no curve; the message says which and why."""


class Law(Protocol):
    """A strictly monotone function of the wire and its inverse."""

    def forward(self, wire: float) -> float:
        """Wire -> value."""

    def inverse(self, value: float) -> float:
        """Value -> wire."""


class Curve:
    """A law between two ends of the wire."""

    def __init__(self, law: Law, low_wire: float, high_wire: float) -> None:
        if not low_wire < high_wire:
            raise CurveError(f"the curve's range from {spelt(low_wire)} to {spelt(high_wire)} is empty")
        self._law = law
        self.wire_ends = (low_wire, high_wire)
        first, last = law.forward(low_wire), law.forward(high_wire)
        if first == last:
            raise CurveError("both ends mean the same, so a reading would mean nothing")
        self.rising = last > first
        self._at_ends = (first, last)

    @property
    def ends(self) -> tuple[float, float]:
        """The lowest and the highest value that the curve can give."""
        return min(self._at_ends), max(self._at_ends)

    def value(self, wire: float) -> tuple[float, Quality]:
        """Value at a wire reading; at or beyond an end it is saturated on that side."""
        low, high = self.wire_ends
        if wire <= low:
            return self._at_ends[0], Quality.SATURATED_LOW if self.rising else Quality.SATURATED_HIGH
        if wire >= high:
            return self._at_ends[1], Quality.SATURATED_HIGH if self.rising else Quality.SATURATED_LOW
        return self._law.forward(wire), Quality.GOOD

    def inverse(self, value: float) -> float:
        """The wire reading that means `value`, held at the ends."""
        low, high = self.ends
        if value <= low:
            return self.wire_ends[0] if self.rising else self.wire_ends[1]
        if value >= high:
            return self.wire_ends[1] if self.rising else self.wire_ends[0]
        return self._law.inverse(value)


def check_points(points: Sequence[tuple[float, float]]) -> None:
    """Points that make a curve rise along the wire, and their values only rise or only fall.

    Raises:
        CurveError: they do not; the message names the first that does not.
    """
    if len(points) < 2:
        raise CurveError("a curve needs at least two points")
    for n, (a, b) in enumerate(pairwise(points), start=1):
        if not a[0] < b[0]:
            raise CurveError(
                f"point {n + 1} is at {spelt(b[0])} on the wire, which is not above point {n} at {spelt(a[0])}"
            )
    values = [v for _, v in points]
    if values not in (sorted(values), sorted(values, reverse=True)) or values[0] == values[-1]:
        raise CurveError("the values must only rise or only fall, or a reading could mean two things")


class Lines:
    """Straight lines between points; a flat piece is given back as its first point."""

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        check_points(points)
        self._wire = tuple(w for w, _ in points)
        self._values = tuple(v for _, v in points)
        falling = self._values[0] > self._values[-1]
        self._by_value = tuple(sorted(zip(self._values, self._wire, strict=True))) if falling else None

    def forward(self, wire: float) -> float:
        """Wire -> value."""
        return interpolate(self._wire, self._values, wire)

    def inverse(self, value: float) -> float:
        """Value -> wire."""
        if self._by_value is None:
            return interpolate(self._values, self._wire, value)
        return interpolate([v for v, _ in self._by_value], [w for _, w in self._by_value], value)


def interpolate(xs: Sequence[float], ys: Sequence[float], x: float) -> float:
    """Linear interpolation within xs; one written-out expression, so that arrays can match it to the last bit."""
    n = min(max(1, bisect_right(xs, x)), len(xs) - 1)
    x0, x1, y0, y1 = xs[n - 1], xs[n], ys[n - 1], ys[n]
    return y0 + (y1 - y0) * ((x - x0) / (x1 - x0))


class MonotoneCubic:
    """A cubic through points that never overshoots them (PCHIP: Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5,
    1984; end slopes by the three-point rule that keeps the shape)."""

    def __init__(self, points: Sequence[tuple[float, float]]) -> None:
        check_points(points)
        self._x = tuple(w for w, _ in points)
        self._y = tuple(v for _, v in points)
        self._slopes = _pchip_slopes(self._x, self._y)

    def forward(self, wire: float) -> float:
        """Wire -> value."""
        n = min(max(1, bisect_right(self._x, wire)), len(self._x) - 1)
        h = self._x[n] - self._x[n - 1]
        t = (wire - self._x[n - 1]) / h
        y0, y1, d0, d1 = self._y[n - 1], self._y[n], self._slopes[n - 1], self._slopes[n]
        # Cubic Hermite form.
        a = t * t * (3.0 - 2.0 * t)
        b = t * (1.0 - t) * (1.0 - t)
        c = t * t * (t - 1.0)
        return y0 + (y1 - y0) * a + h * (d0 * b + d1 * c)

    def inverse(self, value: float) -> float:
        """Value -> wire."""
        return bisect_law(self.forward, self._x[0], self._x[-1], value)


def _pchip_slopes(x: Sequence[float], y: Sequence[float]) -> tuple[float, ...]:
    h = [b - a for a, b in pairwise(x)]
    m = [(y1 - y0) / width for (y0, y1), width in zip(pairwise(y), h, strict=True)]
    if len(m) == 1:
        return m[0], m[0]
    slopes = [_end_slope(h[0], h[1], m[0], m[1])]
    for n in range(1, len(m)):
        if m[n - 1] * m[n] <= 0:
            slopes.append(0.0)
            continue
        w1, w2 = 2 * h[n] + h[n - 1], h[n] + 2 * h[n - 1]
        slopes.append((w1 + w2) / (w1 / m[n - 1] + w2 / m[n]))
    slopes.append(_end_slope(h[-1], h[-2], m[-1], m[-2]))
    return tuple(slopes)


def _end_slope(h0: float, h1: float, m0: float, m1: float) -> float:
    slope = ((2 * h0 + h1) * m0 - h0 * m1) / (h0 + h1)
    if slope * m0 <= 0:
        return 0.0
    if m0 * m1 <= 0 and abs(slope) > 3 * abs(m0):
        return 3 * m0
    return slope


class Polynomial:
    """Coefficients from the constant up; must be strictly monotone over the range that is used."""

    #: Enough to find any turn that a curve of this degree can hide, at a cost paid once.
    _LOOKS = 2000

    def __init__(self, coefficients: Sequence[float], low_wire: float, high_wire: float) -> None:
        self._coefficients = tuple(coefficients)
        self._range = (low_wire, high_wire)
        step = (high_wire - low_wire) / self._LOOKS
        values = [self.forward(low_wire + step * n) for n in range(self._LOOKS + 1)]
        rises = [b > a for a, b in pairwise(values)]
        if any(rises) and not all(rises):
            turn = low_wire + step * rises.index(not rises[0])
            raise CurveError(f"the polynomial turns round near {spelt(turn, 4)} on the wire; narrow its range")

    def forward(self, wire: float) -> float:
        """Wire -> value, by Horner's rule."""
        result = 0.0
        for c in reversed(self._coefficients):
            result = result * wire + c
        return result

    def inverse(self, value: float) -> float:
        """Value -> wire."""
        return bisect_law(self.forward, *self._range, value)


def bisect_law(forward: Callable[[float], float], low: float, high: float, value: float) -> float:
    """Where a monotone function takes a value, to the last bit of a double."""

    rising = forward(high) > forward(low)
    for _ in range(200):
        middle = (low + high) / 2
        if not low < middle < high:
            break
        if (forward(middle) < value) == rising:
            low = middle
        else:
            high = middle
    return low if abs(forward(low) - value) <= abs(forward(high) - value) else high
