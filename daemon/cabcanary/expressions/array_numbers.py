"""Numbers over a drive, block by block: each node works a block out when it is asked, and remembers the newest."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

import numpy as np

from cabcanary.expressions import spans
from cabcanary.expressions.array_windows import WINDOWS, Windows, has_gaps, windows
from cabcanary.expressions.bounds import dimension
from cabcanary.expressions.fixed_point import scale_of
from cabcanary.expressions.scalar import COVERAGE
from cabcanary.expressions.signals import Block, Channel, Signals, Span, Truths, everywhere, nowhere
from cabcanary.model import Quality

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cabcanary.expressions import tree
    from cabcanary.expressions.scalar import How
    from cabcanary.expressions.signals import Bools, Floats, Ints

Answer = TypeVar("Answer")
#: A comparison and its two sides, for messages.
Side = tuple["tree.Compare", "Numbers", "Numbers"]


class OverBlocks(ABC, Generic[Answer]):
    """Something that has an answer for each block of a drive. `sides` are the comparisons in it, in order."""

    def __init__(self, sides: Sequence[Side] = ()) -> None:
        self.sides: tuple[Side, ...] = tuple(sides)
        self._found: dict[int, Answer] = {}

    def at(self, block: Block) -> Answer:
        """The answer for a block."""
        found = self._found.get(block.number)
        if found is None:
            found = self.anew(block)
        return found

    def anew(self, block: Block) -> Answer:
        """The answer for a block, worked out even if it is there: what goes on from it may not have been."""
        found = self._found[block.number] = self._work_out(block)
        # Windows reach back into the block before; what lies further back is worked out again if it is asked for.
        self._found.pop(block.number - 2, None)
        return found

    @abstractmethod
    def _work_out(self, block: Block) -> Answer:
        """Calculate a block."""


class Numbers(OverBlocks[Span]):
    """A number at every tick."""

    def within(self, block: Block) -> tuple[float, float] | None:  # noqa: ARG002 - for those who can tell
        """Bounds of it in SI, where it is known and closed at every tick of a block; None: only its values can tell."""
        return None

    def at_once(self, block: Block) -> Span:
        """The same for arithmetic: a number that stands for all ticks may come alone."""
        return self.at(block)


class Chain(Generic[Answer]):
    """What goes on from one block to the next, such as a deadband's memory: where it stood before each block."""

    def __init__(self, signals: Signals, first: Answer) -> None:
        self._signals = signals
        self._before: list[Answer] = [first]

    def before(self, block: Block, work_out: Callable[[Block], Any]) -> Answer:
        """Where it stood before a block; those of the blocks before that are not known yet are worked out on the way.

        `work_out` must call `after`, whether it has been asked for that block before or not.
        """
        while len(self._before) <= block.number:
            work_out(self._signals.blocks[len(self._before) - 1])
        return self._before[block.number]

    def after(self, block: Block, state: Answer) -> None:
        """Where it stands behind a block."""
        if len(self._before) == block.number + 1:
            self._before.append(state)


#: As plain numbers, which numpy compares with codes many times faster than members of an enumeration.
_LAST_USABLE, _AT_TOP, _AT_BOTTOM = int(Quality.SATURATED_LOW), int(Quality.SATURATED_HIGH), int(Quality.SATURATED_LOW)
_WITHIN = int(Quality.WITHIN)


class Seen(NamedTuple):
    """Where a channel may feed a rule, where it is at an end of its range, and where it is an interval (None: nowhere);
    `whole` where it may at every tick."""

    known: Bools
    whole: bool
    high_open: Bools | None
    low_open: Bools | None
    within: Bools | None


class Sight(OverBlocks[Seen]):
    """Where a channel may feed a rule."""

    def __init__(self, channel: Channel) -> None:
        super().__init__()
        self.channel = channel

    def closed_ends(self, block: Block) -> tuple[float, float] | None:
        """Between which numbers it lies in a block, where that is known without fetching it and every tick has one."""
        ends = self.channel.ends(block)
        if ends is None:
            return None
        _, whole, high_open, low_open, within = self.at(block)
        return ends if whole and high_open is None and low_open is None and within is None else None

    def around(self, block: Block, factor: float = 1.0) -> Floats:
        """How far to each side of its values the interval reaches, in SI."""
        doubts = self.channel.doubts(block)
        found: Floats = COVERAGE * ((np.zeros(block.length) if doubts is None else doubts) * factor)
        return found

    def is_wide(self, block: Block) -> Bools:
        """Where the ends of its interval, should it be one, are not the same number."""
        numbers, around = self.channel.numbers(block), self.around(block)
        found: Bools = numbers - around != numbers + around
        return found

    def _work_out(self, block: Block) -> Seen:
        quality, known, high, low = self.channel.quality(block), everywhere(block.length), None, None
        within = None
        if quality is not None and quality.any():
            high, low, within = quality == _AT_TOP, quality == _AT_BOTTOM, quality == _WITHIN
            known = (quality <= _LAST_USABLE) | within
        if not self.channel.complete(block) and known.any():
            known = known & ~np.isnan(self.channel.numbers(block))
        return Seen(known, bool(known.all()), _if_any(high), _if_any(low), _if_any(within))


def _if_any(mask: Bools | None) -> Bools | None:
    return mask if mask is not None and mask.any() else None


class ChannelNumber(Numbers):
    """A channel in SI, read as `scalar.How` says."""

    def __init__(self, node: tree.ChannelRef, sight: Sight, how: How) -> None:
        super().__init__()
        self._sight, self._how = sight, how
        self._factor, self._offset = node.unit.factor, node.unit.offset

    def within(self, block: Block) -> tuple[float, float] | None:
        """Its ends, rounded as its values will be, where every tick has a value that may feed a rule."""
        if self._how == " ±" or self._factor <= 0.0:
            return None
        ends = self._sight.closed_ends(block)
        return None if ends is None else (self._in_si(ends[0]), self._in_si(ends[1]))

    def _in_si(self, number: Any) -> Any:
        return number * self._factor + self._offset if self._factor != 1.0 or self._offset else number

    def _work_out(self, block: Block) -> Span:
        known, whole, high_open, low_open, within = self._sight.at(block)
        if not whole and not known.any():
            nothing = np.zeros(block.length)
            return Span(nothing, nothing, known)
        si = self._in_si(self._sight.channel.numbers(block))
        low = high = si if whole else np.where(known, si, 0.0)
        if high_open is not None or low_open is not None:
            low, high = low.copy(), high.copy()
            low[nowhere(block.length) if low_open is None else low_open] = -np.inf
            high[nowhere(block.length) if high_open is None else high_open] = np.inf
        if self._how == " ±":
            around = self._sight.around(block, self._factor)
            low, high = low - around, high + around
        elif within is not None and not self._how:
            around = np.where(within, self._sight.around(block, self._factor), 0.0)
            low, high = low - around, high + around
        return Span(low, high, known)


class Constant(Numbers):
    """The same number at every tick."""

    def __init__(self, si: float) -> None:
        super().__init__()
        self.si, self._number, self._numbers = si, np.array(si), np.array([])

    def within(self, block: Block) -> tuple[float, float] | None:  # noqa: ARG002 - the same in each
        """The number itself."""
        return self.si, self.si

    def at_once(self, block: Block) -> Span:
        """The number itself, once."""
        return Span(self._number, self._number, everywhere(block.length))

    def _work_out(self, block: Block) -> Span:
        if len(self._numbers) != block.length:
            # One number that stands for all takes no room.
            self._numbers = np.broadcast_to(self._number, block.length)
        return Span(self._numbers, self._numbers, everywhere(block.length))


class Calculated(Numbers):
    """A number of other numbers at the same tick. `bounds` are those of a table, which hold whatever goes in."""

    def __init__(
        self, parts: Sequence[Numbers], work_out: Callable[..., Span], bounds: tuple[float, float] | None = None
    ) -> None:
        super().__init__([side for part in parts for side in part.sides])
        self._parts, self._calculate, self._bounds = tuple(parts), work_out, bounds

    def within(self, block: Block) -> tuple[float, float] | None:
        """The table's own bounds, where what goes in is known."""
        if self._bounds is None or any(part.within(block) is None for part in self._parts):
            return None
        return self._bounds

    def _work_out(self, block: Block) -> Span:
        return self._calculate(*(part.at(block) for part in self._parts))


class WindowNumber(Numbers):
    """A number over the ticks of the last `width_ns`; `history` are the ticks before the drive."""

    def __init__(self, node: tree.Window, inner: Numbers, signals: Signals, history: list[Any], shared: Starts) -> None:
        super().__init__(inner.sides)
        self._kind, self._width, self._scale = node.kind, node.width_ns, scale_of(dimension(node.of))
        self._inner, self._signals, self._starts = inner, signals, shared
        self._history_ns = np.array([t for t, _, _ in history], dtype=np.int64)
        known = np.array([low is not None for _, low, _ in history], dtype=np.bool_)
        low = np.array([0.0 if x is None else x for _, x, _ in history])
        high = low if all(a == b for _, a, b in history) else np.array([0.0 if x is None else x for _, _, x in history])
        self._history = Span(low, high, known)

    def _work_out(self, block: Block) -> Span:
        if not block.length:
            return self._inner.at(block)
        first = self._starts.reach(block, self._width)
        times, x = self._signals.times_ns[first : block.last], self._since(first, block)
        if first == 0 and len(self._history_ns):
            # The ticks before the drive stand in front of it.
            times, x = np.concatenate([self._history_ns, times]), _joined([self._history, x])
            of = windows(times, self._width, block.length, gaps=has_gaps(times))
        else:
            of = self._starts.at(block, self._width)
        found: Span = WINDOWS[self._kind](times, x, of, self._scale)
        return found

    def within(self, block: Block) -> tuple[float, float] | None:
        """Of a lowest or highest, the bounds of all that the windows of a block reach."""
        if self._kind not in ("lowest", "highest") or not block.length:
            return None
        found, first = self._inner.within(block), self._starts.reach(block, self._width)
        if found is None or (first == 0 and len(self._history_ns)):
            return None
        while block.first > first:
            block = self._signals.blocks[block.number - 1]
            before = self._inner.within(block)
            if before is None:
                return None
            found = min(found[0], before[0]), max(found[1], before[1])
        return found

    def _since(self, first: int, block: Block) -> Span:
        """The inner number from a row on to the end of a block."""
        parts = [self._inner.at(block)]
        while block.first > first:
            block = self._signals.blocks[block.number - 1]
            cut, part = max(0, first - block.first), self._inner.at(block)
            low = part.low[cut:]
            parts.insert(0, Span(low, low if part.is_point else part.high[cut:], part.known[cut:]))
        return parts[0] if len(parts) == 1 else _joined(parts)


def _joined(parts: list[Span]) -> Span:
    low, known = np.concatenate([p.low for p in parts]), np.concatenate([p.known for p in parts])
    return Span(low, low if all(p.is_point for p in parts) else np.concatenate([p.high for p in parts]), known)


class Starts:
    """The windows of a width, for each block; shared by all windows of that width."""

    def __init__(self, signals: Signals) -> None:
        self._signals = signals
        self._gaps: bool | None = None
        self._found: dict[tuple[int, int], Windows] = {}

    def reach(self, block: Block, width_ns: int) -> int:
        """The first row in any window of a block."""
        times = self._signals.times_ns
        return int(np.searchsorted(times, times[block.first] - width_ns, side="left"))

    def at(self, block: Block, width_ns: int) -> Windows:
        """The windows of a block, counted from `reach`."""
        key = (block.number, width_ns)
        if key not in self._found:
            times = self._signals.times_ns[self.reach(block, width_ns) : block.last]
            if self._gaps is None:
                self._gaps = has_gaps(self._signals.times_ns)
            self._found[key] = windows(times, width_ns, block.length, gaps=self._gaps)
            self._found.pop((block.number - 1, width_ns), None)
        return self._found[key]


class TimeInNumber(Numbers):
    """For how long a condition has been true, in seconds; `saved` as `TimeInState.state` gives it."""

    def __init__(self, inner: OverBlocks[Truths], signals: Signals, saved: list[Any]) -> None:
        super().__init__(inner.sides)
        self._inner, self._signals = inner, signals
        elapsed_ns, truth, before_ns = saved
        self._chain = Chain[tuple[int, bool, int | None]](signals, (int(elapsed_ns), bool(truth), before_ns))

    def _work_out(self, block: Block) -> Span:
        truths, times = self._inner.at(block), self._signals.times_ns[block.rows]
        if not block.length:
            return Span(np.array([]), np.array([]), truths.true)
        state = self._chain.before(block, self.anew)
        since = np.zeros(block.length, np.int64) if truths.false.all() else _elapsed(truths, times, *state)
        self._chain.after(block, (int(since[-1]), bool(truths.true[-1]), int(times[-1])))
        seconds = since / 1e9
        return Span(seconds, seconds, truths.true | truths.false)


class HoldsNumber(Numbers):
    """1 where a condition is true, 0 where it is false."""

    def __init__(self, inner: OverBlocks[Truths]) -> None:
        super().__init__(inner.sides)
        self._inner = inner

    def _work_out(self, block: Block) -> Span:
        true, false = self._inner.at(block)
        numbers = true.astype(np.float64)
        return Span(numbers, numbers, true | false)


def _elapsed(truths: Truths, times: Ints, elapsed_ns: int, truth: bool, before_ns: int | None) -> Ints:
    """For how long it has been true at each tick, in ns; where it is not known the time stands still."""
    dt = np.diff(times, prepend=times[0] if before_ns is None else before_ns)
    was_true = np.concatenate([[truth], truths.true[:-1]])
    total = np.cumsum(dt * (truths.true & was_true))
    # The total never falls, so the largest at a false tick so far is that at the last one.
    at_false = np.maximum.accumulate(np.where(truths.false, total, -elapsed_ns))
    found: Ints = total - at_false
    return found


def smallest_or_largest(kind: str) -> Callable[..., Span]:
    """`min` or `max` of several numbers."""
    return lambda *parts: spans.extreme(kind, list(parts))
