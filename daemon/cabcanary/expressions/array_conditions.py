"""Conditions over a drive, block by block. A part that is not needed for the answer in a block is not worked out."""

from __future__ import annotations

from abc import abstractmethod
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.expressions.array_numbers import Chain, ChannelNumber, Constant, Numbers, OverBlocks, Side, Sight
from cabcanary.expressions.signals import Block, Signals, Truths, everywhere, nowhere
from cabcanary.expressions.spans import stretches

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.expressions import tree
    from cabcanary.expressions.signals import Bools, Floats

Pair = tuple[Numbers, Numbers]


class Conditions(OverBlocks[Truths]):
    """A condition. `cheap` is one that looks at a single channel at the tick itself."""

    cheap = False

    def __init__(self, sides: Sequence[Side] = ()) -> None:
        super().__init__(sides)
        self._sight_of: tuple[int, bool | None] = (-1, None)

    def at_sight(self, block: Block) -> bool | None:
        """What it is at every tick of a block, where that is known without looking at values; None: it is not."""
        if self._sight_of[0] != block.number:
            self._sight_of = (block.number, self._at_sight(block))
        return self._sight_of[1]

    def _at_sight(self, block: Block) -> bool | None:  # noqa: ARG002 - for those who can tell
        return None

    def _work_out(self, block: Block) -> Truths:
        truth = self.at_sight(block)
        return self._look(block) if truth is None else same(block, truth)

    @abstractmethod
    def _look(self, block: Block) -> Truths:
        """Work out a block of which nothing is known at sight."""


def same(block: Block, truth: bool) -> Truths:
    """One truth at every tick of a block."""
    every, none = everywhere(block.length), nowhere(block.length)
    return Truths(every, none) if truth else Truths(none, every)


class Joined(Conditions):
    """ "And" (decided by a part that is false) or "or" (by one that is true)."""

    def __init__(self, parts: Sequence[Conditions], *, decided: bool) -> None:
        super().__init__([side for part in parts for side in part.sides])
        self.decided, self.parts = decided, tuple(parts)
        # What looks back over a window costs most, so it is asked last, where it is asked at all.
        self.cheapest_first = sorted(parts, key=lambda p: not p.cheap)

    def _at_sight(self, block: Block) -> bool | None:
        """What decides it, if one part is known to be that; the other, if all are."""
        known: bool | None = not self.decided
        for part in self.cheapest_first:
            truth = part.at_sight(block)
            if truth is self.decided:
                return truth
            known = None if truth is None else known
        return known

    def _look(self, block: Block) -> Truths:
        found: Truths | None = None
        for part in self.cheapest_first:
            truths = part.at(block)
            found = truths if found is None else join(found, truths, decided=self.decided)
            if (found.true if self.decided else found.false).all():
                break
        assert found is not None
        return found


def join(a: Truths, b: Truths, *, decided: bool) -> Truths:
    """Two conditions at the same ticks; unknown where neither decides and one is unknown."""
    if decided:
        return Truths(a.true | b.true, a.false & b.false)
    return Truths(a.true & b.true, a.false | b.false)


class Negated(Conditions):
    """ "Not"; unknown stays unknown."""

    def __init__(self, inner: Conditions) -> None:
        super().__init__(inner.sides)
        self.inner = inner

    def _look(self, block: Block) -> Truths:
        true, false = self.inner.at(block)
        return Truths(false, true)


class Fixed(Conditions):
    """True or false as long as this stage is in force."""

    cheap = True

    def __init__(self, *, truth: bool) -> None:
        super().__init__()
        self._truth = truth

    def _at_sight(self, block: Block) -> bool:  # noqa: ARG002 - the same in each
        return self._truth

    def _look(self, block: Block) -> Truths:
        return same(block, self._truth)


class OfChannel(Conditions):
    """A condition of one channel at the tick itself."""

    cheap = True

    def __init__(self, sight: Sight) -> None:
        super().__init__()
        self._sight = sight


class Switch(OfChannel):
    """A channel of states: true when it is not 0; one at the end of its range is none."""

    def _at_sight(self, block: Block) -> bool | None:
        """Whether it is 0, or another state, throughout."""
        ends = self._sight.closed_ends(block)
        return ends[0] != 0.0 if ends is not None and ends[0] == ends[1] else None

    def _look(self, block: Block) -> Truths:
        known, _, high_open, low_open, within = self._sight.at(block)
        for open_end in (high_open, low_open):
            known = known if open_end is None else known & ~open_end
        if within is not None:
            known = known & ~(within & self._sight.is_wide(block))
        on = self._sight.channel.numbers(block) != 0.0
        return Truths(known & on, known & ~on)


class Lost(OfChannel):
    """Whether nothing is known of a channel."""

    def _at_sight(self, block: Block) -> bool | None:
        return False if self._sight.at(block).whole else None

    def _look(self, block: Block) -> Truths:
        known = self._sight.at(block).known
        return Truths(~known, known)


_LAST_BITS = 1e-12


def clear_apart(highest: float, lowest: float) -> bool:
    """Whether one bound is clearly below another: what a table gives may lie a last bit beyond its points."""
    return highest < lowest - _LAST_BITS * (abs(lowest) + abs(highest))


class Compared(Conditions):
    """Two numbers against each other, and the deadband's memory; `wide` are the same with their uncertainties.

    `on` is whether it stood before the drive.
    """

    def __init__(self, node: tree.Compare, narrow: Pair, wide: Pair | None, signals: Signals, on: bool) -> None:
        left, right = narrow
        behind = () if wide is None else (*wide[0].sides, *wide[1].sides)
        super().__init__([*left.sides, *right.sides, (node, left, right), *behind])
        self.node, self.left, self.right = node, left, right
        self._is_limit = any(isinstance(side, Constant) and np.isfinite(side.si) for side in narrow)
        self.cheap = wide is None and isinstance(left, ChannelNumber) and isinstance(right, Constant)
        self._above, self._or_equal = node.comparison in (">", ">="), node.comparison in (">=", "<=")
        self._narrow, self._wide = self._in_order(narrow), None if wide is None else self._in_order(wide)
        self._band, self._chain = node.deadband_si, Chain[bool](signals, on)

    def _in_order(self, sides: Pair) -> Pair:
        # a < b  is  b > a: only "greater" is written out.
        return sides if self._above else (sides[1], sides[0])

    def _at_sight(self, block: Block) -> bool | None:
        """Whether the two stay apart, on one side with the deadband between them."""
        bounds = None if self._wide is not None else self._bounds(block)
        if bounds is None:
            return None
        (above_low, above_high), (below_low, below_high) = bounds
        if clear_apart(above_high + self._band, below_low):
            return False
        return True if clear_apart(below_high, above_low) else None

    def least_missing(self, block: Block) -> float:
        """How much is missing at least until it is true, in SI, as far as that is known without looking at values."""
        bounds = self._bounds(block)
        return 0.0 if bounds is None else bounds[1][0] - bounds[0][1]

    def _bounds(self, block: Block) -> tuple[tuple[float, float], tuple[float, float]] | None:
        above = self._narrow[0].within(block)
        below = None if above is None else self._narrow[1].within(block)
        return None if above is None or below is None else (above, below)

    def _work_out(self, block: Block) -> Truths:
        truth = self.at_sight(block)
        if truth is not None:
            self._chain.after(block, truth)
            return same(block, truth)
        return self._look(block)

    def _look(self, block: Block) -> Truths:
        without = self._judged(block, 0.0)
        if not self._band:
            return without
        on = self._chain.before(block, self.anew)
        after = False
        if on or without.true.any():
            without, after = latched(without, self._judged(block, self._band), on)
        self._chain.after(block, after)
        return without

    def _judged(self, block: Block, give: float) -> Truths:
        """The comparison with one side moved by so much, without a memory."""
        if self._wide is None:
            return self._likely(block, give)
        a, b = (side.at(block) for side in self._narrow)
        wide_a, wide_b = (side.at(block) for side in self._wide)
        known = a.known & b.known & wide_a.known & wide_b.known
        # As in `closures.py`: only a saturated value leaves it open.
        ended = np.isfinite(a.low) & np.isfinite(a.high) & np.isfinite(b.low) & np.isfinite(b.high)
        if self.node.sureness == "certain":
            true = known & self._is_greater(wide_a.low, wide_b.high, give)
            return Truths(true, known & ~true & (ended | self._is_not_greater(a.high, b.low, give)))
        false = known & self._is_not_greater(wide_a.high, wide_b.low, give)
        return Truths(known & ~false & (ended | self._is_greater(a.low, b.high, give)), false)

    def _likely(self, block: Block, give: float) -> Truths:
        a, b = (side.at_once(block) for side in self._narrow)
        low, low_limit = self._against(a.low, b.high, give)
        is_point = a.is_point and b.is_point
        high, high_limit = (low, low_limit) if is_point else self._against(a.high, b.low, give)
        greater, less = (np.greater_equal, np.less) if self._or_equal else (np.greater, np.less_equal)
        known = a.known & b.known
        true = greater(low, low_limit)
        # A channel's values are finite: what is not beyond the limit is on this side of it.
        false = ~true if self.cheap and is_point else less(high, high_limit)
        return Truths(known & true, known & false)

    def _against(self, a: Floats, b: Floats, give: float) -> tuple[Floats, Floats]:
        """What must be greater than what. Two that are both infinite are neither greater nor less."""
        moved = a + give if give else a
        return (moved, b) if self._is_limit else (moved - b, _ZERO)

    def _is_greater(self, a: Floats, b: Floats, give: float) -> Bools:
        found: Bools = _difference(a, b, give) >= 0.0 if self._or_equal else _difference(a, b, give) > 0.0
        return found

    def _is_not_greater(self, a: Floats, b: Floats, give: float) -> Bools:
        found: Bools = _difference(a, b, give) < 0.0 if self._or_equal else _difference(a, b, give) <= 0.0
        return found


def _difference(a: Floats, b: Floats, give: float) -> Floats:
    return (a + give if give else a) - b


_ZERO = np.array(0.0)


def latched(without: Truths, with_band: Truths, on: bool) -> tuple[Truths, bool]:
    """A comparison whose limit moves back by the deadband while it stands; and whether it stands in the end.

    With the band it is true wherever it is true without, and false only where it is false without. So what came before
    matters only at the ticks between: neither true without the band nor false with it.
    """
    between = ~(without.true | with_band.false)
    begins, ends = stretches(between)
    if not len(begins):
        return without, bool(without.true[-1]) if len(between) else on
    # Throughout a stretch it stands or not, as it did at the tick before.
    standing = without.true[begins - 1]
    if begins[0] == 0:
        standing[0] = on
    rows = np.flatnonzero(between)[np.repeat(standing, ends - begins)]
    true, false = without.true.copy(), without.false.copy()
    true[rows], false[rows] = with_band.true[rows], False
    return Truths(true, false), bool(standing[-1] if ends[-1] == len(between) else without.true[-1])
