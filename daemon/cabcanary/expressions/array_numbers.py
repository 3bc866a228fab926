"""Numbers over a drive, block by block: each node works a block out when it is asked, and remembers the newest."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any, Generic, NamedTuple, TypeVar

import numpy as np

from cabcanary.expressions import spans
from cabcanary.expressions.array_windows import WINDOWS, Windows, has_gaps, windows
from cabcanary.expressions.bounds import dimension
from cabcanary.expressions.fixed_point import scale_of
from cabcanary.expressions.signals import Block, Channel, Signals, Span, Truths, everywhere, nowhere
from cabcanary.model import Quality

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cabcanary.expressions import tree
    from cabcanary.expressions.signals import Bools, Ints

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


class Seen(NamedTuple):
    """Where a channel may feed a rule, and where it is at an end of its range; None: nowhere."""

    known: Bools
    high_open: Bools | None
    low_open: Bools | None


class Sight(OverBlocks[Seen]):
    """Where a channel may feed a rule."""

    def __init__(self, channel: Channel) -> None:
        super().__init__()
        self.channel = channel

    def _work_out(self, block: Block) -> Seen:
        count = block.last - block.first
        quality = self.channel.quality(block)
        known, high, low = everywhere(count), None, None
        if quality is not None and quality.any():
            usable = quality <= _LAST_USABLE
            if not usable.any():
                return Seen(nowhere(count), None, None)
            known = known if usable.all() else usable
            high_open, low_open = quality == _AT_TOP, quality == _AT_BOTTOM
            high, low = high_open if high_open.any() else None, low_open if low_open.any() else None
        if not self.channel.complete(block):
            missing = np.isnan(self.channel.numbers(block))
            known = spans.but(known, missing) if missing.any() else known
        return Seen(known, high, low)


class ChannelNumber(Numbers):
    """A channel in SI, with `widen` standard uncertainties around it."""

    def __init__(self, node: tree.ChannelRef, sight: Sight, widen: float) -> None:
        super().__init__()
        self.sight, self._widen = sight, widen
        self.factor, self.offset = node.unit.factor, node.unit.offset

    def ends(self, block: Block) -> tuple[float, float] | None:
        """Between which numbers it lies in a block, where that is known without fetching it; rounded as it will be."""
        found = self.sight.channel.ends(block)
        if found is None or self.factor <= 0.0:
            return None
        return found[0] * self.factor + self.offset, found[1] * self.factor + self.offset

    def within(self, block: Block) -> tuple[float, float] | None:
        """Its ends, where every tick has a value that may feed a rule."""
        found = None if self._widen else self.ends(block)
        if found is None:
            return None
        known, high_open, low_open = self.sight.at(block)
        return found if known is everywhere(len(known)) and high_open is None and low_open is None else None

    def _work_out(self, block: Block) -> Span:
        known, high_open, low_open = self.sight.at(block)
        count = len(known)
        if known is nowhere(count):
            nothing = np.zeros(count)
            return Span(nothing, nothing, known)
        si = self.sight.channel.numbers(block)
        if self.factor != 1.0 or self.offset:
            si = si * self.factor + self.offset
        if known is not everywhere(count):
            si = np.where(known, si, 0.0)
        low = high = si
        if high_open is not None or low_open is not None:
            low = si if low_open is None else np.where(low_open, -np.inf, si)
            high = np.where(high_open, np.inf, si) if high_open is not None else si.copy()
        if self._widen:
            doubts = self.sight.channel.doubts(block)
            around = self._widen * ((np.zeros(count) if doubts is None else doubts) * self.factor)
            low, high = low - around, high + around
        return Span(low, high, known)


class Constant(Numbers):
    """The same number at every tick."""

    def __init__(self, si: float) -> None:
        super().__init__()
        self.si = si
        self._numbers = np.array([])

    def within(self, block: Block) -> tuple[float, float] | None:  # noqa: ARG002 - the same in each
        """The number itself."""
        return self.si, self.si

    def _work_out(self, block: Block) -> Span:
        count = block.last - block.first
        if len(self._numbers) != count:
            # One number that stands for all takes no room.
            self._numbers = np.broadcast_to(np.float64(self.si), count)
        return Span(self._numbers, self._numbers, everywhere(count))


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
        self.kind, self._width, self._scale = node.kind, node.width_ns, scale_of(dimension(node.of))
        self._inner, self._signals, self._starts = inner, signals, shared
        self._history_ns = np.array([t for t, _, _ in history], dtype=np.int64)
        known = np.array([low is not None for _, low, _ in history], dtype=np.bool_)
        low = np.array([0.0 if x is None else x for _, x, _ in history])
        high = low if all(a == b for _, a, b in history) else np.array([0.0 if x is None else x for _, _, x in history])
        self._history = Span(low, high, known)

    def _work_out(self, block: Block) -> Span:
        if block.last == block.first:
            return self._inner.at(block)
        found: Span = WINDOWS[self.kind](*self.reach(block), self._scale)
        return found

    def reach(self, block: Block) -> tuple[Ints, Span, Windows]:
        """What the windows of a block reach: ticks, the number at them, and the windows."""
        count = block.last - block.first
        first = self._starts.reach(block, self._width)
        times, x = self._signals.times_ns[first : block.last], self._since(first, block)
        if first == 0 and len(self._history_ns):
            # The ticks before the drive stand in front of it.
            times = np.concatenate([self._history_ns, times])
            x = _joined([self._history, x])
            return times, x, windows(times, self._width, count, gaps=has_gaps(times))
        return times, x, self._starts.at(block, self._width)

    def within_reach(self, block: Block) -> tuple[float, float] | None:
        """Bounds of the number in all that the windows of a block reach, where they are known without fetching it."""
        found = self._inner.within(block)
        if found is None or block.last == block.first:
            return None
        first = self._starts.reach(block, self._width)
        if first == 0 and len(self._history_ns):
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
    low = np.concatenate([p.low for p in parts])
    high = low if all(p.is_point for p in parts) else np.concatenate([p.high for p in parts])
    if all(p.known is everywhere(len(p.known)) for p in parts):
        return Span(low, high, everywhere(len(low)))
    return Span(low, high, np.concatenate([p.known for p in parts]))


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
            self._found[key] = windows(times, width_ns, block.last - block.first, gaps=self._gaps)
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
        if not len(times):
            return Span(np.array([]), np.array([]), truths.true)
        state = elapsed_ns, truth, before_ns = self._chain.before(block, self.anew)
        if truths.false.all():
            self._chain.after(block, (0, False, int(times[-1])))
            nothing = np.zeros(len(times))
            return Span(nothing, nothing, truths.false)
        if truth and before_ns is not None and truths.true.all():
            seconds = (elapsed_ns + (times - before_ns)).astype(np.float64) / 1e9
            self._chain.after(block, (elapsed_ns + int(times[-1]) - before_ns, True, int(times[-1])))
            return Span(seconds, seconds, truths.true)
        known = spans.either(truths.true, truths.false)
        work_out = self._runs if known is everywhere(len(times)) or known.all() else self._summed
        since = work_out(truths, times, state)
        self._chain.after(block, (int(since[-1]), bool(truths.true[-1]), int(times[-1])))
        seconds = since.astype(np.float64)
        seconds /= 1e9
        return Span(seconds, seconds, known)

    def _summed(self, truths: Truths, times: Ints, state: tuple[int, bool, int | None]) -> Ints:
        """The ns at each tick; where it is not known the time stands still."""
        elapsed_ns, truth, before_ns = state
        dt = np.diff(times, prepend=times[:1] if before_ns is None else np.array([before_ns], dtype=np.int64))
        was_true = np.concatenate([[truth and before_ns is not None], truths.true[:-1]])
        total = np.cumsum(np.where(truths.true & was_true, dt, 0))
        last_false = np.maximum.accumulate(np.where(truths.false, np.arange(len(times)), -1))
        return np.where(last_false >= 0, total - total[last_false], total + elapsed_ns)

    def _runs(self, truths: Truths, times: Ints, state: tuple[int, bool, int | None]) -> Ints:
        """As `_summed`, where it is known at every tick: each stretch counts from its beginning."""
        (elapsed_ns, truth, before_ns), true = state, truths.true
        edges = np.flatnonzero(true[1:] != true[:-1]) + 1
        begins = np.concatenate([[0], edges])
        since = times[begins]
        since[0] = (before_ns if truth and before_ns is not None else since[0]) - elapsed_ns
        elapsed: Ints = times - np.repeat(since, np.diff(begins, append=len(times)))
        elapsed *= true
        return elapsed


def smallest_or_largest(kind: str) -> Callable[..., Span]:
    """`min` or `max` of several numbers."""
    return lambda *parts: spans.extreme(kind, list(parts))
