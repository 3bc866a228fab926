"""Windows over many ticks, as `windows.py` does them tick by tick: rate, average, lowest, highest."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.expressions.fixed_point import LARGEST, LONGEST_GAP_NS
from cabcanary.expressions.signals import Span, everywhere
from cabcanary.expressions.spans import span

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from numpy.typing import NDArray

    from cabcanary.expressions import tree
    from cabcanary.expressions.signals import Bools, Floats, Ints


def has_gaps(times: Ints) -> bool:
    """Whether ticks lie so far apart anywhere that windows begin anew there."""
    return bool((np.diff(times) > LONGEST_GAP_NS).any())


_NO_ROWS = np.array([], dtype=np.int64)


class Windows(NamedTuple):
    """Where the windows of the last ticks begin, and how many ticks each holds. The first `whole` of them reach back to
    the first tick; those behind hold `shortest` to `longest` ticks."""

    start: Ints
    length: Ints
    whole: int
    shortest: int
    longest: int


def windows(times: Ints, width_ns: int, count: int, *, gaps: bool) -> Windows:
    """The windows of the last `count` ticks; all of them lie within `times`, in which there may be `gaps`."""
    first = len(times) - count
    oldest = times[first:] - width_ns
    start = _guessed(times, oldest, first) if count else _NO_ROWS
    if gaps:
        broken = np.diff(times, prepend=times[:1]) > LONGEST_GAP_NS
        begun = np.maximum.accumulate(np.where(broken, np.arange(len(times)), 0))
        start = np.maximum(start, begun[first:])
    length = np.arange(first + 1, len(times) + 1) - start
    whole = int(np.searchsorted(start, 1))
    rest = length[whole:]
    shortest, longest = (int(rest.min()), int(rest.max())) if len(rest) else (0, 0)
    return Windows(start, length, whole, shortest, longest)


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


def none_unknown(known: Bools, of: Windows) -> Bools:
    """Whether all is known in the windows of the last ticks."""
    if known.all():
        return known[len(known) - len(of.start) :]
    return ~any_in(~known, of)


def any_in(true: Bools, of: Windows) -> Bools:
    """Whether anything is true in the windows of the last ticks."""
    found: Bools = _outermost(np.logical_or, true, of)
    return found


def _rate(times: Ints, x: Span, of: Windows, _scale: float) -> Span:
    here, start = slice(len(times) - len(of.start), None), of.start
    now, then = times[here], times[start]
    seconds = (now - then).astype(np.float64) / 1e9
    known = none_unknown(x.known, of) & (now != then)
    low = (x.low[here] - x.high[start]) / seconds
    return Span(low, low, known) if x.is_point else Span(low, (x.high[here] - x.low[start]) / seconds, known)


def _average(_times: Ints, x: Span, of: Windows, scale: float) -> Span:
    known = none_unknown(x.known, of)

    def mean(values: Floats, open_end: float) -> tuple[Floats, Bools]:
        scaled = values * scale
        if _all_fit(scaled):
            return _means(np.rint(scaled), of, scale), everywhere(len(of.start))
        is_open = x.known & (values == open_end)
        fits = x.known & (np.abs(scaled) <= LARGEST)
        result = _means(np.where(fits, np.rint(scaled), 0.0), of, scale)
        result = np.where(none_unknown(~is_open, of), result, open_end)
        return result, none_unknown(fits | is_open | ~x.known, of)

    low, low_fits = mean(x.low, -np.inf)
    if x.is_point:
        return Span(low, low, known & low_fits)
    is_open = x.known & np.isposinf(x.high)
    if low_fits.all() and ((x.high == x.low) | is_open).all():
        # The two ends differ only where the upper one is open: their sums are the same elsewhere.
        return Span(low, np.where(none_unknown(~is_open, of), low, np.inf), known)
    high, high_fits = mean(x.high, np.inf)
    return Span(low, high, known & low_fits & high_fits)


def _all_fit(scaled: Floats) -> bool:
    # What is not known is left out by others; here it counts as any number.
    return max(float(scaled.max(initial=0.0)), -float(scaled.min(initial=0.0))) <= LARGEST


def _means(whole: Floats, of: Windows, scale: float) -> Floats:
    total = np.zeros(len(whole) + 1, dtype=np.int64)
    total[1:] = whole
    np.cumsum(total, out=total)
    sums = total[len(total) - len(of.start) :]
    sums -= total.take(of.start)
    mean: Floats = sums / of.length
    mean /= scale
    return mean


#: Windows whose lengths differ by no more ticks than these are made from the shortest one; each costs a pass.
_FEW_TICKS = 4


def _outermost(pick: np.ufunc, values: NDArray[Any], of: Windows) -> NDArray[Any]:
    """The smallest or largest of the values in the windows of the last ticks."""
    if not of.whole:
        return _behind(pick, values, of)
    # Windows that reach back to the first value are that value and all that came since.
    ramp: NDArray[Any] = pick.accumulate(values[: len(values) - len(of.start) + of.whole])[-of.whole :]
    return ramp if of.whole == len(of.start) else np.concatenate([ramp, _behind(pick, values, of)])


def _behind(pick: np.ufunc, values: NDArray[Any], of: Windows) -> NDArray[Any]:
    """Of the windows that begin behind the first value: by tables of growing stretches."""
    start, length, longest = of.start[of.whole :], of.length[of.whole :], of.longest
    if longest - of.shortest <= _FEW_TICKS:
        return _nearly_even(pick, values, length, of.shortest, longest)
    count, rows = len(start), len(values)
    end, result, table = np.arange(rows - count, rows), np.empty(count, values.dtype), values
    # table[i] is the outermost of the 2^k values from i on.
    for k in range(longest.bit_length()):
        if k:
            table = pick(table[: -(1 << k - 1)], table[1 << k - 1 :])
        if 2 << k <= of.shortest:
            continue
        here = np.flatnonzero((length >> k) == 1)
        if len(here):
            result[here] = pick(table[start[here]], table[end[here] - (1 << k) + 1])
    return result


def _nearly_even(pick: np.ufunc, values: NDArray[Any], length: Ints, shortest: int, longest: int) -> NDArray[Any]:
    """As `_behind`, for windows of nearly the same length: all is done with slices."""
    first, table = len(values) - len(length), values
    steps = shortest.bit_length() - 1
    for k in range(steps):
        table = pick(table[: -(1 << k)], table[1 << k :])

    def back(of: NDArray[Any], ticks: int) -> NDArray[Any]:
        """For each row what lies so many ticks before it; rows that have none get the first."""
        at = of[max(first - ticks, 0) : first - ticks + len(length)]
        return at if first >= ticks else np.concatenate([np.full(ticks - first, of[0]), at])

    result: NDArray[Any] = pick(back(table, shortest - 1), back(table, (1 << steps) - 1))
    for ticks in range(shortest, longest):
        result = np.where(length > ticks, pick(result, back(values, ticks)), result)
    return result


def _extremum(pick: np.ufunc) -> Callable[[Ints, Span, Windows, float], Span]:
    def window(_times: Ints, x: Span, of: Windows, _scale: float) -> Span:
        known = none_unknown(x.known, of)
        low = _outermost(pick, x.low, of)
        return span(low, low if x.is_point else _outermost(pick, x.high, of), known, point=x.is_point)

    return window


#: Each takes the ticks' times, the number at them, the windows of the last of them, and the scale.
WINDOWS: Mapping[tree.WindowKind, Callable[[Ints, Span, Windows, float], Any]] = {
    "rate": _rate,
    "average": _average,
    "lowest": _extremum(np.minimum),
    "highest": _extremum(np.maximum),
}
