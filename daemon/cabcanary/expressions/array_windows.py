"""Windows over many ticks, as `windows.py` does them tick by tick: rate, average, lowest, highest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.expressions.fixed_point import LARGEST, LONGEST_GAP_NS
from cabcanary.expressions.signals import Span
from cabcanary.expressions.spans import span

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from cabcanary.expressions import tree
    from cabcanary.expressions.signals import Bools, Floats, Ints


def starts(times: Ints, width_ns: int, count: int) -> Ints:
    """For each of the last `count` ticks the first one in its window; all of their windows lie within `times`."""
    first = len(times) - count
    oldest = times[first:] - width_ns
    start = _guessed(times, oldest, first) if count else np.array([], dtype=np.int64)
    gaps = np.diff(times, prepend=times[:1]) > LONGEST_GAP_NS
    if gaps.any():
        begun = np.maximum.accumulate(np.where(gaps, np.arange(len(times)), 0))
        start = np.maximum(start, begun[first:])
    return start


def _guessed(times: Ints, oldest: Ints, first: int) -> Ints:
    """`searchsorted(times, oldest)`, which for ticks at nearly even intervals is one of two rows."""
    count, rows = len(oldest), len(times)
    step = int(times[-1] - times[0]) // (rows - 1) if rows > 1 else 0
    back = round(int(times[-1] - oldest[-1]) / step) if step > 0 else 0
    begin = first - back
    if step <= 0 or begin < 0 or back < 1 or begin + count + 1 > rows:
        return np.searchsorted(times, oldest, side="left").astype(np.int64)
    # Before the first of them there is nothing that could lie in a window.
    first_known = 0 if begin else 1
    before = np.ones(count, dtype=np.bool_)
    before[first_known:] = times[begin - 1 + first_known : begin - 1 + count] < oldest[first_known:]
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
    unknown = np.concatenate([[0], np.cumsum(~known)])
    nothing: Bools = unknown[1:][here] == unknown[start]
    return nothing


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
    count = (np.arange(len(times))[here] - start + 1).astype(np.float64)

    def mean(values: Floats, open_end: float) -> tuple[Floats, Bools]:
        scaled = values * scale
        is_open = x.known & (values == open_end)
        fits = x.known & (np.abs(scaled) <= LARGEST)
        total = np.concatenate([[0], np.cumsum(np.where(fits, np.rint(scaled), 0.0).astype(np.int64))])
        result = (total[1:][here] - total[start]).astype(np.float64) / count / scale
        result = np.where(_none_unknown(~is_open, start, here), result, open_end)
        return result, _none_unknown(fits | is_open | ~x.known, start, here)

    low, low_fits = mean(x.low, -np.inf)
    if x.is_point:
        return Span(low, low, known & low_fits)
    high, high_fits = mean(x.high, np.inf)
    return Span(low, high, known & low_fits & high_fits)


def _outermost(pick: np.ufunc, values: Floats, start: Ints) -> Floats:
    """The smallest or largest of values[start[i]] up to the i-th of the last rows: by tables of growing stretches."""
    count, rows = len(start), len(values)
    end = np.arange(rows - count, rows)
    length = end - start + 1
    shortest, longest = int(length.min(initial=rows)), int(length.max(initial=0))
    result, table = np.empty(count), values
    # table[i] is the outermost of the 2^k values from i on.
    for k in range(longest.bit_length()):
        if k:
            table = pick(table[: -(1 << k - 1)], table[1 << k - 1 :])
        if shortest == longest:
            if k == longest.bit_length() - 1:
                first = rows - count - longest + 1
                last = first + longest - (1 << k)
                result = pick(table[first : first + count], table[last : last + count])
            continue
        if 2 << k <= shortest:
            continue
        here = np.flatnonzero((length >> k) == 1)
        if len(here):
            result[here] = pick(table[start[here]], table[end[here] - (1 << k) + 1])
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
