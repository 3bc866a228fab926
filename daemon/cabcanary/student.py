"""Student's t: by how much an interval from few numbers is wider than one from many."""

from __future__ import annotations

import math

_LEVEL = 0.95
#: Beyond it the factor is that of the normal distribution, but for less than a hundredth.
_MANY, _NORMAL = 200, 1.959964


def student_95(degrees: int) -> float:
    """The factor t that 95 % of Student's distribution lie within (closed forms: Abramowitz and Stegun, 26.7.3 and
    26.7.4)."""
    low, high = 0.0, 1000.0
    for _ in range(80):
        middle = (low + high) / 2
        if _within(middle, degrees) < _LEVEL:
            low = middle
        else:
            high = middle
    return high


def _within(t: float, degrees: int) -> float:
    angle = math.atan2(t, math.sqrt(degrees))
    cosine, sine = math.cos(angle), math.sin(angle)
    even = degrees % 2 == 0
    term = 1.0 if even else cosine
    total = term if even or degrees > 1 else 0.0
    for k in range(2 if even else 3, degrees - 1, 2):
        term *= cosine * cosine * (k - 1) / k
        total += term
    return sine * total if even else (angle + sine * total) * 2.0 / math.pi


def student_95_between(degrees: float) -> float:
    """The same for degrees of freedom that are no whole number (Welch), by the reciprocal between its neighbours."""
    if degrees >= _MANY:
        share = _MANY / degrees
        return _NORMAL + (student_95(_MANY) - _NORMAL) * share
    low = max(1, math.floor(degrees))
    below, above = student_95(low), student_95(low + 1)
    share = (1 / low - 1 / max(degrees, 1.0)) / (1 / low - 1 / (low + 1))
    return below + (above - below) * share
