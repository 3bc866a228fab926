"""The array evaluator: a whole drive at once, for looking back. Never imported by the daemon.

It gives for every tick exactly what `scalar.py` gives, to the last bit: the same operations in the same order, unknown
as a mask and never as NaN, windows added up in int64.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import reduce
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.expressions import tree
from cabcanary.expressions.bounds import dimension
from cabcanary.expressions.fixed_point import LARGEST, LONGEST_GAP_NS, scale_of
from cabcanary.expressions.scalar import COVERAGE
from cabcanary.model import Quality

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Bools = NDArray[np.bool_]
    Ints = NDArray[np.int64]


@dataclass(slots=True)
class Column:
    """One channel, a row for each tick: values in the channel's unit (NaN: none), qualities, uncertainties."""

    values: Floats
    qualities: NDArray[np.uint8]
    uncertainties: Floats | None = None


@dataclass(slots=True)
class Signals:
    """A drive's ticks: their times, and a column for each channel."""

    times_ns: Ints
    columns: dict[str, Column]

    def __len__(self) -> int:
        return len(self.times_ns)


class Span(NamedTuple):
    """A number at every tick: the ends of its interval in SI, one array for both where none is open; where known."""

    low: Floats
    high: Floats
    known: Bools

    @property
    def is_point(self) -> bool:
        """Whether no tick's interval is open."""
        return self.low is self.high


class Truths(NamedTuple):
    """A condition at every tick: where it is true and where it is false; elsewhere it is unknown."""

    true: Bools
    false: Bools


@dataclass(slots=True)
class Evaluated:
    """A condition over a drive; `sides` gives for each comparison its two sides, for messages."""

    truths: Truths
    sides: list[tuple[tree.Compare, Span, Span]] = field(default_factory=list)


def evaluate_condition(node: tree.Condition, signals: Signals, state: list[Any] | None = None) -> Evaluated:
    """A condition over a whole drive, going on from a scalar program's `state()` where one is given."""
    return Evaluator(signals).condition(node, state)


def evaluate_number(node: tree.Number, signals: Signals, state: list[Any] | None = None) -> Span:
    """A number over a whole drive."""
    return Evaluator(signals).number(node, state)


class Evaluator:
    """Evaluates many trees over one drive; what they share is calculated once."""

    def __init__(self, signals: Signals) -> None:
        self.signals = signals
        self._channels: dict[tuple[str, float], Span] = {}
        self._starts: dict[int, tuple[Ints, Ints]] = {}

    def condition(self, node: tree.Condition, state: list[Any] | None = None) -> Evaluated:
        """One condition; `state` as a scalar program of the same tree gives it."""
        walker = _Walker(self, state)
        with np.errstate(all="ignore"):
            truths = walker.condition(node)
        return Evaluated(truths, walker.sides)

    def number(self, node: tree.Number, state: list[Any] | None = None) -> Span:
        """One number; `state` as a scalar program of the same tree gives it."""
        with np.errstate(all="ignore"):
            return _Walker(self, state).number(node)

    def channel(self, node: tree.ChannelRef, widen: float) -> Span:
        """A channel in SI, with `widen` standard uncertainties around it."""
        key = (node.name, widen)
        if key not in self._channels:
            self._channels[key] = self._span(node, widen)
        return self._channels[key]

    def _span(self, node: tree.ChannelRef, widen: float) -> Span:
        column = self.signals.columns[node.name]
        qualities = column.qualities
        known = (qualities <= Quality.SATURATED_LOW) & ~np.isnan(column.values)
        si = np.where(known, column.values * node.unit.factor + node.unit.offset, 0.0)
        high_open, low_open = qualities == Quality.SATURATED_HIGH, qualities == Quality.SATURATED_LOW
        low = high = si
        if high_open.any() or low_open.any():
            low, high = np.where(low_open, -np.inf, si), np.where(high_open, np.inf, si)
        if widen:
            band = column.uncertainties
            around = widen * ((np.zeros(len(si)) if band is None else band) * node.unit.factor)
            low, high = low - around, high + around
        return Span(low, high, known)

    def starts(self, width_ns: int) -> tuple[Ints, Ints]:
        """For each tick the first one in its window, for drives that go on from nothing, and the window's length."""
        if width_ns not in self._starts:
            self._starts[width_ns] = _starts(self.signals.times_ns, width_ns)
        return self._starts[width_ns]


def _starts(times: Ints, width_ns: int) -> tuple[Ints, Ints]:
    count = np.arange(len(times), dtype=np.int64)
    start = np.searchsorted(times, times - width_ns, side="left").astype(np.int64)
    gaps = np.diff(times, prepend=times[:1]) > LONGEST_GAP_NS
    if gaps.any():
        start = np.maximum(start, np.maximum.accumulate(np.where(gaps, count, 0)))
    return start, count - start + 1


class _Walker:
    """One tree; the memories come in the order in which the scalar program makes them."""

    def __init__(self, drive: Evaluator, state: list[Any] | None) -> None:
        self._drive = drive
        self._times = drive.signals.times_ns
        self._state: Iterator[Any] | None = None if state is None else iter(state)
        self._widen = 0.0
        self.sides: list[tuple[tree.Compare, Span, Span]] = []

    def _saved(self, default: Any) -> Any:
        return default if self._state is None else next(self._state)

    # --- conditions -------------------------------------------------------------------------------------

    def condition(self, node: tree.Condition) -> Truths:
        match node:
            case tree.And(parts=parts):
                found = [self.condition(p) for p in parts]
                return Truths(_all(t.true for t in found), _any(t.false for t in found))
            case tree.Or(parts=parts):
                found = [self.condition(p) for p in parts]
                return Truths(_any(t.true for t in found), _all(t.false for t in found))
            case tree.Not(of=inner):
                true, false = self.condition(inner)
                return Truths(false, true)
            case tree.Switch(name=name):
                return self._switch(name)
            case tree.Fixed(truth=truth):
                everywhere = np.full(len(self._times), truth)
                return Truths(everywhere, ~everywhere)
            case tree.Compare():
                return self._compare(node)

    def _switch(self, name: str) -> Truths:
        column = self._drive.signals.columns[name]
        known = (column.qualities == Quality.GOOD) & ~np.isnan(column.values)
        on = column.values != 0.0
        return Truths(known & on, known & ~on)

    def _compare(self, node: tree.Compare) -> Truths:
        left, right = self.number(node.left), self.number(node.right)
        self.sides.append((node, left, right))
        on = bool(self._saved(False)) if node.deadband_si else False
        greater, or_equal = node.comparison in (">", ">="), node.comparison in (">=", "<=")
        narrow = (left, right) if greater else (right, left)
        wide = narrow
        if node.sureness != "likely":
            before, self._widen = self._widen, COVERAGE
            wide_left, wide_right = self.number(node.left), self.number(node.right)
            self._widen = before
            wide = (wide_left, wide_right) if greater else (wide_right, wide_left)

        def judge(give: float) -> Truths:
            return _JUDGES[node.sureness](narrow, wide, give, or_equal)

        without = judge(0.0)
        if not node.deadband_si:
            return without
        with_band = judge(node.deadband_si)
        before_tick = _latched(without.true, with_band.false, on)
        return Truths(
            np.where(before_tick, with_band.true, without.true), np.where(before_tick, with_band.false, without.false)
        )

    # --- numbers ----------------------------------------------------------------------------------------

    def number(self, node: tree.Node) -> Span:
        match node:
            case tree.Quantity(si=si):
                constant = np.full(len(self._times), si)
                return Span(constant, constant, np.ones(len(self._times), dtype=bool))
            case tree.ChannelRef():
                return self._drive.channel(node, self._widen)
            case tree.Negative(of=inner):
                x = self.number(inner)
                return _span(-x.high, -x.low, x.known, point=x.is_point)
            case tree.Absolute(of=inner):
                return _absolute(self.number(inner))
            case tree.TableCall():
                return _table(node, self.number(node.argument))
            case tree.Extreme(kind=kind, parts=parts):
                return _extreme(kind, [self.number(p) for p in parts])
            case tree.Arithmetic():
                return _ARITHMETIC[node.operation](self.number(node.left), self.number(node.right))
            case tree.Window():
                return self._window(node)
            case tree.TimeIn(of=condition):
                return self._time_in(self.condition(condition))
            case _:
                raise TypeError(f"{type(node).__name__} is no number")

    def _window(self, node: tree.Window) -> Span:
        widen, self._widen = self._widen, 0.0 if node.kind == "rate" else self._widen
        inner = self.number(node.of)
        self._widen = widen
        history = self._saved([])
        if not history:
            start, length = self._drive.starts(node.width_ns)
            found: Span = _WINDOWS[node.kind](self._times, inner, start, length, scale_of(dimension(node.of)))
            return found
        # The ticks before the drive stand in front of it, and are taken off again.
        times = np.concatenate([np.array([t for t, _, _ in history], dtype=np.int64), self._times])
        known = np.concatenate([np.array([low is not None for _, low, _ in history]), inner.known])
        low = np.concatenate([np.array([0.0 if x is None else x for _, x, _ in history]), inner.low])
        high = np.concatenate([np.array([0.0 if x is None else x for _, _, x in history]), inner.high])
        start, length = _starts(times, node.width_ns)
        whole = _WINDOWS[node.kind](times, Span(low, high, known), start, length, scale_of(dimension(node.of)))
        return Span(*(part[len(history) :] for part in whole))

    def _time_in(self, truths: Truths) -> Span:
        elapsed_ns, truth, before_ns = self._saved([0, False, None])
        first = self._times[:1] if before_ns is None else np.array([before_ns], dtype=np.int64)
        dt = np.diff(self._times, prepend=first)
        was_true = np.concatenate([[bool(truth) and before_ns is not None], truths.true[:-1]])
        total = np.cumsum(np.where(truths.true & was_true, dt, 0))
        count = np.arange(len(total))
        last_false = np.maximum.accumulate(np.where(truths.false, count, -1))
        since = np.where(last_false >= 0, total - total[last_false], total + elapsed_ns)
        seconds = since.astype(np.float64) / 1e9
        return Span(seconds, seconds, truths.true | truths.false)


def _all(parts: Iterable[Bools]) -> Bools:
    return reduce(np.logical_and, parts)


def _any(parts: Iterable[Bools]) -> Bools:
    return reduce(np.logical_or, parts)


def _latched(on: Bools, off: Bools, initially: bool) -> Bools:
    """Whether it stood on before each tick, when ticks of `on` turn it on and ticks of `off` turn it off."""
    count = np.arange(len(on))
    last = np.maximum.accumulate(np.where(on | off, count, -1))
    after = np.where(last >= 0, on[last], initially)
    return np.concatenate([[initially], after[:-1]])


def _likely(sides: tuple[Span, Span], _wide: tuple[Span, Span], give: float, or_equal: bool) -> Truths:
    a, b = sides
    low = a.low + give - b.high
    high = low if a.is_point and b.is_point else a.high + give - b.low
    known = a.known & b.known
    true = known & ((low >= 0.0) if or_equal else (low > 0.0))
    return Truths(true, known & ~true & ((high < 0.0) if or_equal else (high <= 0.0)))


def _certain(sides: tuple[Span, Span], wide: tuple[Span, Span], give: float, or_equal: bool) -> Truths:
    (a, b), (wide_a, wide_b) = sides, wide
    worst, high = wide_a.low + give - wide_b.high, a.high + give - b.low
    known = a.known & b.known & wide_a.known & wide_b.known
    true = known & ((worst >= 0.0) if or_equal else (worst > 0.0))
    settled = ((a.low == a.high) & (b.low == b.high)) | ((high < 0.0) if or_equal else (high <= 0.0))
    return Truths(true, known & ~true & settled)


def _possible(sides: tuple[Span, Span], wide: tuple[Span, Span], give: float, or_equal: bool) -> Truths:
    (a, b), (wide_a, wide_b) = sides, wide
    best, low = wide_a.high + give - wide_b.low, a.low + give - b.high
    known = a.known & b.known & wide_a.known & wide_b.known
    false = known & ((best < 0.0) if or_equal else (best <= 0.0))
    settled = ((a.low == a.high) & (b.low == b.high)) | ((low >= 0.0) if or_equal else (low > 0.0))
    return Truths(known & ~false & settled, false)


_JUDGES = {"likely": _likely, "certain": _certain, "possible": _possible}


def _span(low: Floats, high: Floats, known: Bools, *, point: bool) -> Span:
    return Span(low, low, known) if point else Span(low, high, known)


def _absolute(x: Span) -> Span:
    if x.is_point:
        size = np.where(x.low >= 0.0, x.low, -x.low)
        return Span(size, size, x.known)
    positive, negative = x.low >= 0.0, x.high <= 0.0
    low = np.where(positive, x.low, np.where(negative, -x.high, 0.0))
    high = np.where(positive, x.high, np.where(negative, -x.low, np.maximum(-x.low, x.high)))
    return Span(low, high, x.known)


def _extreme(kind: str, parts: list[Span]) -> Span:
    pick = np.minimum if kind == "min" else np.maximum
    known = reduce(np.logical_and, [p.known for p in parts])
    low = reduce(pick, [p.low for p in parts])
    return _span(low, reduce(pick, [p.high for p in parts]), known, point=all(p.is_point for p in parts))


def _table(node: tree.TableCall, x: Span) -> Span:
    xs, ys = np.array(node.xs), np.array(node.ys)

    def at(points: Floats) -> Floats:
        n = np.clip(np.searchsorted(xs, points, side="right"), 1, len(xs) - 1)
        inside = ys[n - 1] + (ys[n] - ys[n - 1]) * ((points - xs[n - 1]) / (xs[n] - xs[n - 1]))
        held: Floats = np.where(points <= xs[0], ys[0], np.where(points >= xs[-1], ys[-1], inside))
        return held

    low_end = at(x.low)
    if x.is_point:
        return Span(low_end, low_end, x.known)
    high_end = at(x.high)
    low, high = np.minimum(low_end, high_end), np.maximum(low_end, high_end)
    for point, value in zip(node.xs, node.ys, strict=True):
        between = (x.low < point) & (point < x.high)
        low = np.where(between, np.minimum(low, value), low)
        high = np.where(between, np.maximum(high, value), high)
    return Span(low, high, x.known)


def _add(a: Span, b: Span) -> Span:
    return _span(a.low + b.low, a.high + b.high, a.known & b.known, point=a.is_point and b.is_point)


def _subtract(a: Span, b: Span) -> Span:
    return _span(a.low - b.high, a.high - b.low, a.known & b.known, point=a.is_point and b.is_point)


def _corners(a: Span, b: Span, operation: Any, known: Bools) -> Span:
    if a.is_point and b.is_point:
        result = operation(a.low, b.low)
        known = known & ~np.isnan(result)
        return Span(result, result, known)
    corners = [operation(x, y) for x in (a.low, a.high) for y in (b.low, b.high)]
    known = known & ~reduce(np.logical_or, [np.isnan(c) for c in corners])
    return Span(reduce(np.minimum, corners), reduce(np.maximum, corners), known)


def _multiply(a: Span, b: Span) -> Span:
    return _corners(a, b, np.multiply, a.known & b.known)


def _divide(a: Span, b: Span) -> Span:
    zero = (b.low <= 0.0) & (b.high >= 0.0)
    return _corners(a, b, np.divide, a.known & b.known & ~zero)


_ARITHMETIC = {"+": _add, "-": _subtract, "*": _multiply, "/": _divide}


# --- windows -----------------------------------------------------------------------------------------------


def _none_unknown(known: Bools, start: Ints) -> Bools:
    unknown = np.concatenate([[0], np.cumsum(~known)])
    nothing: Bools = unknown[1:] == unknown[start]
    return nothing


def _rate(times: Ints, x: Span, start: Ints, _length: Ints, _scale: float) -> Span:
    then = times[start]
    seconds = (times - then).astype(np.float64) / 1e9
    known = _none_unknown(x.known, start) & (times != then)
    return _span((x.low - x.high[start]) / seconds, (x.high - x.low[start]) / seconds, known, point=x.is_point)


def _average(_times: Ints, x: Span, start: Ints, length: Ints, scale: float) -> Span:
    known = _none_unknown(x.known, start)
    count = length.astype(np.float64)

    def mean(values: Floats, open_end: float) -> tuple[Floats, Bools]:
        scaled = values * scale
        is_open = x.known & (values == open_end)
        fits = x.known & (np.abs(scaled) <= LARGEST)
        total = np.concatenate([[0], np.cumsum(np.where(fits, np.rint(scaled), 0.0).astype(np.int64))])
        result = (total[1:] - total[start]).astype(np.float64) / count / scale
        result = np.where(_none_unknown(~is_open, start), result, open_end)
        return result, _none_unknown(fits | is_open | ~x.known, start)

    low, low_fits = mean(x.low, -np.inf)
    if x.is_point:
        return Span(low, low, known & low_fits)
    high, high_fits = mean(x.high, np.inf)
    return Span(low, high, known & low_fits & high_fits)


def _smallest(values: Floats, start: Ints, length: Ints) -> Floats:
    """The smallest of values[start[i]] to values[i], for each i: by tables of ever longer stretches."""
    result = values.copy()
    level = np.frexp(length.astype(np.float64))[1] - 1
    table, end = values, np.arange(len(values))
    for k in range(int(level.max(initial=0)) + 1):
        if k:
            # table[i] is the smallest of the 2^k values up to and with i.
            shift = 1 << (k - 1)
            table = np.concatenate([table[:shift], np.minimum(table[shift:], table[:-shift])])
        here = np.flatnonzero(level == k)
        if len(here):
            result[here] = np.minimum(table[end[here]], table[start[here] + (1 << k) - 1])
    return result


def _extremum(sign: float) -> Any:
    def window(_times: Ints, x: Span, start: Ints, length: Ints, _scale: float) -> Span:
        known = _none_unknown(x.known, start)
        low = sign * _smallest(sign * x.low, start, length)
        if x.is_point:
            return Span(low, low, known)
        return Span(low, sign * _smallest(sign * x.high, start, length), known)

    return window


_WINDOWS: dict[tree.WindowKind, Any] = {
    "rate": _rate,
    "average": _average,
    "lowest": _extremum(1.0),
    "highest": _extremum(-1.0),
}
