"""Windows over many ticks, as `windows.py` does them tick by tick: rate, average, lowest, highest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.expressions.fixed_point import LARGEST, LONGEST_GAP_NS
from cabcanary.expressions.signals import Span, everywhere
from cabcanary.expressions.spans import span

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from cabcanary.expressions import tree
    from cabcanary.expressions.signals import Bools, Floats, Ints


def has_gaps(times: Ints) -> bool:
    """Whether ticks lie so far apart anywhere that windows begin anew there."""
    return bool((np.diff(times) > LONGEST_GAP_NS).any())


_NO_ROWS = np.array([], dtype=np.int64)


def starts(times: Ints, width_ns: int, count: int, *, gaps: bool) -> Ints:
    """For each of the last `count` ticks the first one in its window; all of their windows lie within `times`, in which
    there may be `gaps`."""
    first = len(times) - count
    oldest = times[first:] - width_ns
    start = _guessed(times, oldest, first) if count else _NO_ROWS
    if gaps:
        broken = np.diff(times, prepend=times[:1]) > LONGEST_GAP_NS
        begun = np.maximum.accumulate(np.where(broken, np.arange(len(times)), 0))
        start = np.maximum(start, begun[first:])
    return start


def _guessed(times: Ints, oldest: Ints, first: int) -> Ints:
    """`searchsorted(times, oldest)`, which for ticks at nearly even intervals is one of two rows."""
    whole = int(np.searchsorted(oldest, times[0], side="right"))
    if whole:
        # Windows that reach back to the first tick and beyond.
        rest = _guessed(times, oldest[whole:], first + whole) if whole < len(oldest) else _NO_ROWS
        return np.concatenate([np.zeros(whole, dtype=np.int64), rest])
    count, rows = len(oldest), len(times)
    step = int(times[-1] - times[0]) // (rows - 1) if rows > 1 else 0
    back = round(int(times[-1] - oldest[-1]) / step) if step > 0 else 0
    begin = first - back
    if step <= 0 or begin < 0 or back < 1 or begin + count + 1 > rows:
        return np.searchsorted(times, oldest, side="left").astype(np.int64)
    # All of them begin behind the first tick, so where that is the guess, it lies before them.
    ones_before = times[begin - 1 : begin - 1 + count] if begin else np.concatenate([times[:1], times[: count - 1]])
    before = ones_before < oldest
    here = times[begin : begin + count] < oldest
    after = times[begin + 1 : begin + 1 + count] < oldest
    start = np.arange(begin, begin + count, dtype=np.int64) + here
    odd = np.flatnonzero(~before | after)
    if len(odd):
        start[odd] = np.searchsorted(times, oldest[odd], side="left")
    return start


def _none_unknown(known: Bools, start: Ints, here: slice) -> Bools:
    if known.all():
        return known[here]
    # Each stretch of unknown ticks is in the windows from its first tick to the last one that begins in it.
    begins, ends = _stretches(~known)
    none = np.ones(len(start), dtype=np.bool_)
    lasts = np.searchsorted(start, ends)
    for begin, last in zip((begins - here.start).tolist(), lasts.tolist(), strict=True):
        none[max(0, begin) : last] = False
    return none


def _stretches(true: Bools) -> tuple[Ints, Ints]:
    """Where stretches of "true" begin, and the rows behind them."""
    edges = np.flatnonzero(true[1:] != true[:-1]) + 1
    first = [0] if true[0] else []
    begins_and_ends = np.concatenate([first, edges, [len(true)] if (len(first) + len(edges)) % 2 else []])
    found: Ints = begins_and_ends.astype(np.int64)
    return found[::2], found[1::2]


def _rate(times: Ints, x: Span, start: Ints, _scale: float) -> Span:
    here = slice(len(times) - len(start), None)
    now, then = times[here], times[start]
    seconds = (now - then).astype(np.float64) / 1e9
    known = _none_unknown(x.known, start, here) & (now != then)
    low = (x.low[here] - x.high[start]) / seconds
    return Span(low, low, known) if x.is_point else Span(low, (x.high[here] - x.low[start]) / seconds, known)


def _average(times: Ints, x: Span, start: Ints, scale: float) -> Span:
    here = slice(len(times) - len(start), None)
    known = _none_unknown(x.known, start, here)
    count = np.arange(len(times) - len(start) + 1, len(times) + 1) - start

    def mean(values: Floats, open_end: float) -> tuple[Floats, Bools]:
        scaled = values * scale
        if _all_fit(scaled):
            return _means(np.rint(scaled), start, count, scale), everywhere(len(start))
        is_open = x.known & (values == open_end)
        fits = x.known & (np.abs(scaled) <= LARGEST)
        result = _means(np.where(fits, np.rint(scaled), 0.0), start, count, scale)
        result = np.where(_none_unknown(~is_open, start, here), result, open_end)
        return result, _none_unknown(fits | is_open | ~x.known, start, here)

    low, low_fits = mean(x.low, -np.inf)
    if x.is_point:
        return Span(low, low, known & low_fits)
    high, high_fits = mean(x.high, np.inf)
    return Span(low, high, known & low_fits & high_fits)


def _all_fit(scaled: Floats) -> bool:
    # What is not known is left out by others; here it counts as any number.
    return max(float(scaled.max(initial=0.0)), -float(scaled.min(initial=0.0))) <= LARGEST


def _means(whole: Floats, start: Ints, count: Ints, scale: float) -> Floats:
    total = np.zeros(len(whole) + 1, dtype=np.int64)
    total[1:] = whole
    np.cumsum(total, out=total)
    sums = total[len(total) - len(start) :]
    sums -= total.take(start)
    mean: Floats = sums / count
    mean /= scale
    return mean


#: Windows whose lengths differ by no more ticks than these are made from the shortest one; each costs a pass.
_FEW_TICKS = 4


def _outermost(pick: np.ufunc, values: Floats, start: Ints) -> Floats:
    """The smallest or largest of values[start[i]] up to the i-th of the last rows: by tables of growing stretches."""
    # Windows that reach back to the first value are that value and all that came since.
    whole = int(np.searchsorted(start, 1))
    if whole:
        ramp = pick.accumulate(values[: len(values) - len(start) + whole])[-whole:]
        return ramp if whole == len(start) else np.concatenate([ramp, _outermost(pick, values, start[whole:])])
    count, rows = len(start), len(values)
    length = np.arange(rows - count + 1, rows + 1) - start
    shortest, longest = int(length.min(initial=rows)), int(length.max(initial=0))
    if longest - shortest <= _FEW_TICKS:
        return _nearly_even(pick, values, length, shortest, longest)
    end, result, table = np.arange(rows - count, rows), np.empty(count), values
    # table[i] is the outermost of the 2^k values from i on.
    for k in range(longest.bit_length()):
        if k:
            table = pick(table[: -(1 << k - 1)], table[1 << k - 1 :])
        if 2 << k <= shortest:
            continue
        here = np.flatnonzero((length >> k) == 1)
        if len(here):
            result[here] = pick(table[start[here]], table[end[here] - (1 << k) + 1])
    return result


def _nearly_even(pick: np.ufunc, values: Floats, length: Ints, shortest: int, longest: int) -> Floats:
    """As `_outermost`, for windows of nearly the same length: all is done with slices."""
    first, table = len(values) - len(length), values
    steps = max(shortest, 1).bit_length() - 1
    for k in range(steps):
        table = pick(table[: -(1 << k)], table[1 << k :])

    def back(of: Floats, ticks: int) -> Floats:
        """For each row what lies so many ticks before it; rows that have none get the first."""
        at = of[max(first - ticks, 0) : first - ticks + len(length)]
        return at if first >= ticks else np.concatenate([np.full(ticks - first, of[0]), at])

    result: Floats = pick(back(table, shortest - 1), back(table, (1 << steps) - 1))
    for ticks in range(shortest, longest):
        result = np.where(length > ticks, pick(result, back(values, ticks)), result)
    return result


def _extremum(pick: np.ufunc) -> Callable[[Ints, Span, Ints, float], Span]:
    def window(times: Ints, x: Span, start: Ints, _scale: float) -> Span:
        known = _none_unknown(x.known, start, slice(len(times) - len(start), None))
        low = _outermost(pick, x.low, start)
        return span(low, low if x.is_point else _outermost(pick, x.high, start), known, point=x.is_point)

    return window


#: Each takes the ticks' times, the number at them, the first tick of each of the last ticks' windows, and the scale.
WINDOWS: Mapping[tree.WindowKind, Callable[[Ints, Span, Ints, float], Any]] = {
    "rate": _rate,
    "average": _average,
    "lowest": _extremum(np.minimum),
    "highest": _extremum(np.maximum),
}
