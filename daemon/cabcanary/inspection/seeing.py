"""Figures of a stretch of moments: a wire's state, a level, a lag. Numbers in the role's own unit."""

from __future__ import annotations

import re
from statistics import fmean, median, quantiles
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cabcanary.inspection.roles import Moment, Role

    Series = list[tuple[float, float]]

#: A share of the moments that must say a thing for it to count as the wire's state.
_MOSTLY = 0.6
#: Less than this share beyond a rail is a spark or a plug that was touched.
_NOW_AND_THEN = 0.1
#: How a channel tells the number on a wire beyond its rails (`channels/measured.py`).
_BEYOND = re.compile(r"^(-?\d+(?:\.\d+)?) ")

# Lags are looked for in steps of so much, s, up to the longest; a slow witness may come after the sensor.
_STEP_S, _EARLIEST_S, _LATEST_S = 0.05, -0.5, 2.5
#: A manifold follows a throttle within so long, s: its filling time is some 0.05 s, and a foot takes 0.2 s.
_QUICK_S = 0.3


def wire_state(moments: Sequence[Moment], role: Role) -> str:
    """inside, at ground, at supply, changes (beyond one rail and then the other) or silent."""
    if not moments:
        return "silent"
    states = [_state(moment, role) for moment in moments]
    share = {word: states.count(word) / len(states) for word in ("at ground", "at supply", "silent", "inside")}
    if share["at ground"] > _NOW_AND_THEN and share["at supply"] > _NOW_AND_THEN:
        return "changes"
    return next((word for word, s in share.items() if s >= _MOSTLY), "inside")


def _state(moment: Moment, role: Role) -> str:
    told = moment.values.get(role.name)
    if told is None or told.quality in ("absent", "stale"):
        return "silent"
    if told.quality != "out of range":
        return "inside"
    found = _BEYOND.match(told.reason)
    if found is None or role.rails is None:
        return "at ground"
    return "at ground" if float(found[1]) < role.rails[0] else "at supply"


def at_an_end(moments: Sequence[Moment], role: Role) -> bool:
    """Whether the sensor is mostly at an end of its range, where its number is held."""
    told = [moment.values[role.name].quality for moment in moments if role.name in moment.values]
    return sum(quality.startswith("saturated") for quality in told) > len(told) / 2


def last_part(moments: Sequence[Moment], share: float) -> list[Moment]:
    """The last share of the moments."""
    return list(moments[round(len(moments) * (1 - share)) :])


def level(series: Series) -> float | None:
    """The middle of the numbers; None: there are none."""
    return median(number for _, number in series) if series else None


def spread(series: Series) -> float:
    """From the 5th to the 95th percentile; 0 for too few numbers to tell."""
    if len(series) < 20:
        return 0.0
    cuts = quantiles((number for _, number in series), n=20)
    return cuts[-1] - cuts[0]


def swing(series: Series) -> float:
    """From the lowest to the highest number."""
    return max(n for _, n in series) - min(n for _, n in series) if series else 0.0


def sampler(series: Series) -> Callable[[float], float]:
    """The newest number at a time; the first one before it. The times rise."""
    from bisect import bisect_right

    times, numbers = [t for t, _ in series], [n for _, n in series]
    return lambda at: numbers[max(0, bisect_right(times, at) - 1)]


def lag_s(series: Series, witness: Series) -> float | None:
    """By how much a series is late on its witness, s: where the two, shifted, differ least. None: nothing to tell by.

    Both are put on one scale by their own means and swings, so that a witness may be a throttle in percent.
    """
    if len(series) < 20 or len(witness) < 5:
        return None
    mine, other = sampler(_scaled(series)), sampler(_scaled(witness))
    first, last = series[0][0] + _LATEST_S, series[-1][0]
    grid = [first + n * _STEP_S for n in range(round((last - first) / _STEP_S))]
    if len(grid) < 20:
        return None
    shifts = [_EARLIEST_S + n * _STEP_S for n in range(round((_LATEST_S - _EARLIEST_S) / _STEP_S) + 1)]
    return min(shifts, key=lambda shift: fmean((mine(t) - other(t - shift)) ** 2 for t in grid))


def _scaled(series: Series) -> Series:
    lowest = min(n for _, n in series)
    height = max(n for _, n in series) - lowest or 1.0
    return [(t, (n - lowest) / height) for t, n in series]


def quick_share(series: Series) -> float:
    """The largest change within 0.3 s, as a share of the whole swing: near 1 for a free line, a third for a kinked."""
    if len(series) < 20:
        return 0.0
    at = sampler(series)
    whole = swing(series)
    return max(abs(n - at(t - _QUICK_S)) for t, n in series) / whole if whole else 0.0
