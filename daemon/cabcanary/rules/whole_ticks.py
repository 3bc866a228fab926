"""A drive tick by tick, as the runs of rules ask for it: values, blame, words, what people did. Lies below the runs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.expressions.arrays import Evaluator
from cabcanary.expressions.signals import nowhere
from cabcanary.model import Quality, Value
from cabcanary.rules.blind import blame
from cabcanary.rules.figures import figures

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from cabcanary.expressions.scalar import Interval
    from cabcanary.expressions.signals import Block, Bools, Signals, Span
    from cabcanary.expressions.tree import Compare
    from cabcanary.rules.measured import Figures
    from cabcanary.rules.rule import Rule
    from cabcanary.rules.states import Blame, Change

#: So many ticks are looked at in one go for one that differs; most stretches that matter are shorter.
_LOOK_AHEAD = 4096


class Action(NamedTuple):
    """What a person did between two ticks: acknowledge; shelve or unshelve one alert."""

    time_ns: int
    what: str
    alert: str = ""
    for_ns: int = 0
    one_shot: bool = False


class Acts:
    """Everything that people did in a drive, in order; each takes effect before the first tick at or after it."""

    def __init__(self, actions: Sequence[Action], times_ns: NDArray[np.int64]) -> None:
        self.all = sorted(actions, key=lambda a: a.time_ns)
        self.rows = [int(r) for r in np.searchsorted(times_ns, [a.time_ns for a in self.all], side="left")]


class Turn:
    """How far somebody has come with what people did."""

    def __init__(self, acts: Acts) -> None:
        self._acts, self._next = acts, 0

    def taken(self, row: int) -> Iterator[tuple[int, Action]]:
        """What was done before this tick and has not been taken yet, each with its place among all."""
        while self._next < len(self._acts.all) and self._acts.rows[self._next] <= row:
            turn, self._next = self._next, self._next + 1
            yield turn, self._acts.all[turn]

    def rows(self, end: int) -> list[int]:
        """The rows before `end` at which something takes effect that has not been taken yet."""
        return [r for r in self._acts.rows[self._next :] if r < end]


class Found(NamedTuple):
    """A change and where it stands among all: its time, tick or before it, which act, place in the row."""

    time_ns: int
    tick: int
    act: int
    place: int
    change: Change


class DriveTicks:
    """A drive's columns with all that rules need of them.

    `roots`, `channel_units` and `running` as for `Engine`. `reason(channel, row)` gives the words behind a quality.
    """

    def __init__(
        self,
        signals: Signals,
        roots: Mapping[str, tuple[str, ...]],
        channel_units: Mapping[str, str],
        running: str | None = None,
        reason: Callable[[str, int], str] | None = None,
    ) -> None:
        self.signals, self.times = signals, signals.times_ns
        self.evaluator = Evaluator(signals)
        self._roots, self.channel_units, self._running = dict(roots), dict(channel_units), running
        self._reason = reason or (lambda _channel, _row: "")
        self._standing: tuple[int, Bools] = (-1, nowhere(0))

    def standing(self, block: Block) -> Bools:
        """Where the engine is known to stand."""
        if self._running is None:
            return nowhere(block.last - block.first)
        if self._standing[0] != block.number:
            self._standing = (block.number, self._known_standing(self._running, block))
        return self._standing[1]

    def _known_standing(self, running: str, block: Block) -> Bools:
        count, channel = block.last - block.first, self.signals.columns[running]
        ends, quality = channel.ends(block), channel.quality(block)
        if ends is not None and not ends[0] <= 0.0 <= ends[1]:
            return nowhere(count)
        stands: Bools = channel.numbers(block) == 0.0
        return stands if quality is None else stands & (quality == Quality.GOOD)

    def same_until(self, mask: NDArray[Any], at: int, block: Block) -> int:
        """The first row behind the `at`-th of a block at which a mask may not be as it is there."""
        rest = mask[at + 1 : at + 1 + _LOOK_AHEAD]
        found = int(np.argmax(rest != mask[at])) if len(rest) else 0
        if len(rest) and rest[found] != mask[at]:
            return block.first + at + 1 + found
        return min(block.last, block.first + at + 1 + _LOOK_AHEAD)

    def seen_alike_until(self, rule: Rule, row: int, block: Block) -> int:
        """The first row behind one at which a channel of a rule, or what it is made of, may have another quality."""
        channels = dict.fromkeys(r for c in rule.channels for r in (c, *self._roots.get(c, ())))
        found = [self.signals.columns[channel].quality(block) for channel in channels]
        ends = [self.same_until(quality, row - block.first, block) for quality in found if quality is not None]
        return min(ends, default=block.last)

    def values(self, row: int) -> Mapping[str, Value]:
        """The frame's values at one tick."""
        return _Row(self.signals, row, self._reason)

    def qualities(self, row: int) -> Mapping[str, Value]:
        """The frame's values at one tick as far as their qualities and the words behind them go."""
        return _Qualities(self.signals, row, self._reason)

    def blame(self, rule: Rule, row: int, before: list[str]) -> Blame:
        """The channels that keep a rule from seeing at one tick."""
        return blame(rule.channels, self.qualities(row), self._roots, before)

    def seen(self, rule: Rule, sides: Sequence[tuple[Compare, Interval, Interval]], row: int) -> Figures:
        """The figures of a change at one tick."""
        return figures(rule, self.values(row), sides, self.channel_units)

    def is_warming(self, channel: str, row: int) -> bool:
        """Whether the channel says at this row that it is warming up."""
        return self.signals.quality_at(channel, row) is Quality.WARMING

    def warming_since(self, channel: str, row: int, before: int | None) -> int | None:
        """Since when the channel has been warming up at this row; `before` is what a saved state says."""
        if not self.is_warming(channel, row):
            return None
        block = self.signals.block_at(row)
        while True:
            quality = self._quality(channel, block)[: row + 1 - block.first]
            others = np.flatnonzero(quality != Quality.WARMING)
            if len(others):
                return int(self.times[block.first + others[-1] + 1])
            if not block.number:
                return int(self.times[0]) if before is None else before
            block = self.signals.blocks[block.number - 1]

    def _quality(self, channel: str, block: Block) -> NDArray[np.uint8]:
        found = self.signals.columns[channel].quality(block)
        return np.zeros(block.last - block.first, dtype=np.uint8) if found is None else found


class _Row(dict[str, Value]):
    """A frame's values at one tick, made when they are asked for."""

    def __init__(self, signals: Signals, row: int, reason: Callable[[str, int], str]) -> None:
        super().__init__()
        self._signals, self._row, self._reason = signals, row, reason
        self._block = signals.block_at(row)

    def __missing__(self, channel: str) -> Value:
        value = self[channel] = self._value(channel)
        return value

    def _value(self, channel: str) -> Value:
        column, at = self._signals.columns[channel], self._row - self._block.first
        number, doubts = float(column.numbers(self._block)[at]), column.doubts(self._block)
        quality = self._signals.quality_at(channel, self._row)
        uncertainty = 0.0 if doubts is None else float(doubts[at])
        return Value(None if np.isnan(number) else number, quality, 0, uncertainty, self._reason(channel, self._row))


class _Qualities(_Row):
    """The same without its numbers."""

    def _value(self, channel: str) -> Value:
        quality = self._signals.quality_at(channel, self._row)
        return Value(None, quality, 0, 0.0, self._reason(channel, self._row))


def interval(span: Span, at: int) -> Interval:
    """A number at one tick as the scalar evaluator has it."""
    return (float(span.low[at]), float(span.high[at])) if span.known[at] else None
