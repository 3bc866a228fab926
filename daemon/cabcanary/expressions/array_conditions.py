"""Conditions over a drive, block by block. A part that is not needed for the answer in a block is not worked out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.expressions.array_numbers import Chain, ChannelNumber, Constant, Numbers, OverBlocks, Sight
from cabcanary.expressions.signals import Block, Signals, Span, Truths, everywhere, nowhere
from cabcanary.expressions.spans import both, but, either, opposite, stretches

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cabcanary.expressions import tree
    from cabcanary.expressions.signals import Bools


class Conditions(OverBlocks[Truths]):
    """A condition; `false_at_sight` may know that it is false without working anything out."""

    def false_at_sight(self, block: Block) -> bool:  # noqa: ARG002 - for those who can tell
        """Whether it is known to be false at every tick of a block without looking at values."""
        return False


class Joined(Conditions):
    """ "And" (decided by a part that is false) or "or" (by one that is true)."""

    def __init__(self, parts: Sequence[Conditions], *, decided: bool) -> None:
        super().__init__([side for part in parts for side in part.sides])
        self.decided, self.parts = decided, tuple(parts)
        # What looks back over a window costs most, so it is asked last, where it is asked at all.
        self.cheapest_first = sorted(parts, key=lambda p: not isinstance(p, AgainstLimit | Switch | Fixed))

    def false_at_sight(self, block: Block) -> bool:
        """One part for "and", all of them for "or"."""
        known = (part.false_at_sight(block) for part in self.parts)
        return all(known) if self.decided else any(known)

    def _work_out(self, block: Block) -> Truths:
        count = block.last - block.first
        every, none = everywhere(count), nowhere(count)
        if self.false_at_sight(block):
            return Truths(none, every)
        decisive, other = none, every
        for part in self.cheapest_first:
            true, false = part.at(block)
            decisive = either(decisive, true if self.decided else false)
            if decisive is every or (decisive is not none and decisive.all()):
                decisive, other = every, none
                break
            other = both(other, false if self.decided else true)
        return Truths(decisive, other) if self.decided else Truths(other, decisive)


class Negated(Conditions):
    """ "Not"; unknown stays unknown."""

    def __init__(self, inner: Conditions) -> None:
        super().__init__(inner.sides)
        self.inner = inner

    def _work_out(self, block: Block) -> Truths:
        true, false = self.inner.at(block)
        return Truths(false, true)


class Fixed(Conditions):
    """True or false as long as this stage is in force."""

    def __init__(self, *, truth: bool) -> None:
        super().__init__()
        self._truth = truth

    def false_at_sight(self, block: Block) -> bool:  # noqa: ARG002 - the same in each
        """Whether it is false."""
        return not self._truth

    def _work_out(self, block: Block) -> Truths:
        every, none = everywhere(block.last - block.first), nowhere(block.last - block.first)
        return Truths(every, none) if self._truth else Truths(none, every)


class Switch(Conditions):
    """A channel of states: true when it is not 0; one at the end of its range is none."""

    def __init__(self, sight: Sight) -> None:
        super().__init__()
        self._sight = sight

    def false_at_sight(self, block: Block) -> bool:
        """Whether it is 0 throughout."""
        if self._sight.channel.ends(block) != (0.0, 0.0):
            return False
        known, high_open, low_open = self._sight.at(block)
        return known is everywhere(len(known)) and high_open is None and low_open is None

    def _work_out(self, block: Block) -> Truths:
        known, high_open, low_open = self._sight.at(block)
        count = len(known)
        if known is nowhere(count):
            return Truths(known, known)
        known = but(but(known, high_open), low_open)
        ends = self._sight.channel.ends(block)
        if ends is not None and ends[0] == ends[1]:
            none = nowhere(count)
            return Truths(none, known) if ends[0] == 0.0 else Truths(known, none)
        on = self._sight.channel.numbers(block) != 0.0
        return Truths(both(known, on), but(known, on))


class AgainstLimit(Conditions):
    """A channel against a number, with a deadband or without: what most comparisons are, in one piece."""

    def __init__(self, node: tree.Compare, channel: ChannelNumber, limit: Constant, signals: Signals, on: bool) -> None:
        super().__init__([(node, channel, limit)])
        self.node = node
        self._channel, self._limit, self._band = channel, limit.si, node.deadband_si
        self._above, self._or_equal = node.comparison in (">", ">="), node.comparison in (">=", "<=")
        self._chain = Chain[bool](signals, on)
        self._one: dict[tuple[int, float], bool | None] = {}

    def false_at_sight(self, block: Block) -> bool:
        """Whether the block's values stay on this side of the limit, deadband and all."""
        if self._one_for_all(block, self._band) is not False:
            return False
        known, high_open, low_open = self._channel.sight.at(block)
        return known is everywhere(len(known)) and (high_open if self._above else low_open) is None

    def _work_out(self, block: Block) -> Truths:
        if not self._band:
            return self._judged(block, 0.0)
        on = self._chain.before(block, self.anew)
        if not on and self._one_for_all(block, self._band) is False:
            result = self._judged(block, self._band)
            self._chain.after(block, False)
            return result
        without = self._judged(block, 0.0)
        if not on and not without.true.any():
            self._chain.after(block, False)
            return without
        result, after = latched(without, self._judged(block, self._band), on)
        self._chain.after(block, after)
        return result

    def least_missing(self, block: Block) -> float:
        """How much is missing at least until it is true, in SI, as far as that is known without looking at values."""
        ends = self._channel.ends(block)
        if ends is None:
            return 0.0
        return self._limit - ends[1] if self._above else ends[0] - self._limit

    def _one_for_all(self, block: Block, give: float) -> bool | None:
        """Whether the values of a block are all beyond the limit, or none; None: some, or nobody knows yet."""
        key = (block.number, give)
        if key not in self._one:
            ends, found = self._channel.ends(block), None
            if ends is not None:
                lowest, highest = self._beyond(ends[0], give), self._beyond(ends[1], give)
                found = lowest if lowest == highest else None
            self._one[key] = found
        return self._one[key]

    def _beyond(self, si: float, give: float) -> bool:
        """As `closures.against_limit` has it; with a finite limit, a - b > 0 is a > b."""
        high, low = (si + give, self._limit) if self._above else (self._limit + give, si)
        return high >= low if self._or_equal else high > low

    def _judged(self, block: Block, give: float) -> Truths:
        known, high_open, low_open = self._channel.sight.at(block)
        never_true, never_false = (low_open, high_open) if self._above else (high_open, low_open)
        for_all = self._one_for_all(block, give)
        none = nowhere(len(known))
        if known is none:
            return Truths(none, none)
        if for_all is not None:
            return Truths(but(known, never_true), none) if for_all else Truths(none, but(known, never_false))
        beyond = self._beyond_each(block, give)
        return Truths(but(both(known, beyond), never_true), but(both(known, ~beyond), never_false))

    def _beyond_each(self, block: Block, give: float) -> Bools:
        span = self._channel.at(block)
        # The end that is not open is the value as it stands; where one is open, that mask has the last word.
        si = span.low if self._above else span.high
        if not span.is_point:
            si = np.where(np.isinf(si), span.high if self._above else span.low, si)
        limit = self._limit
        if self._above:
            si = si + give if give else si
            beyond: Bools = si >= limit if self._or_equal else si > limit
        else:
            limit = limit + give
            beyond = si <= limit if self._or_equal else si < limit
        return beyond


_LAST_BITS = 1e-12


def clear_apart(highest: float, lowest: float) -> bool:
    """Whether one bound is clearly below another: what a table gives may lie a last bit beyond its points."""
    return highest < lowest - _LAST_BITS * (abs(lowest) + abs(highest))


class Compared(Conditions):
    """Two numbers against each other; `wide` are the same with their uncertainties around them."""

    def __init__(
        self,
        node: tree.Compare,
        narrow: tuple[Numbers, Numbers],
        wide: tuple[Numbers, Numbers],
        signals: Signals,
        on: bool,
    ) -> None:
        left, right = narrow
        behind = () if wide == narrow else (*wide[0].sides, *wide[1].sides)
        super().__init__([*left.sides, *right.sides, (node, left, right), *behind])
        greater = node.comparison in (">", ">=")
        self.node = node
        # a < b  is  b > a: only "greater" is written out.
        self._narrow, self._wide = (narrow, wide) if greater else (narrow[::-1], wide[::-1])
        self._band, self._or_equal, self._judge = (
            node.deadband_si,
            node.comparison in (">=", "<="),
            JUDGES[node.sureness],
        )
        self._chain = Chain[bool](signals, on)

    def false_at_sight(self, block: Block) -> bool:
        """Whether the two stay apart by more than the deadband."""
        if self._wide != self._narrow:
            return False
        above, below = self._narrow[0].within(block), self._narrow[1].within(block)
        if above is None or below is None:
            return False
        return clear_apart(above[1] + self._band, below[0])

    def _work_out(self, block: Block) -> Truths:
        if self.false_at_sight(block):
            self._chain.after(block, False)
            return Truths(nowhere(block.last - block.first), everywhere(block.last - block.first))
        narrow = (self._narrow[0].at(block), self._narrow[1].at(block))
        wide = (self._wide[0].at(block), self._wide[1].at(block))
        without = self._judge(narrow, wide, 0.0, self._or_equal)
        if not self._band:
            return without
        on = self._chain.before(block, self.anew)
        if not on and not without.true.any():
            self._chain.after(block, False)
            return without
        result, after = latched(without, self._judge(narrow, wide, self._band, self._or_equal), on)
        self._chain.after(block, after)
        return result


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


Pair = tuple[Span, Span]


def _likely(sides: Pair, _wide: Pair, give: float, or_equal: bool) -> Truths:
    a, b = sides
    low = (a.low + give if give else a.low) - b.high
    high = low if a.is_point and b.is_point else (a.high + give if give else a.high) - b.low
    known = both(a.known, b.known)
    true = both(known, (low >= 0.0) if or_equal else (low > 0.0))
    return Truths(true, both(opposite(true), both(known, (high < 0.0) if or_equal else (high <= 0.0))))


def _certain(sides: Pair, wide: Pair, give: float, or_equal: bool) -> Truths:
    (a, b), (wide_a, wide_b) = sides, wide
    worst, high = wide_a.low + give - wide_b.high, a.high + give - b.low
    known = a.known & b.known & wide_a.known & wide_b.known
    true = known & ((worst >= 0.0) if or_equal else (worst > 0.0))
    settled = ((a.low == a.high) & (b.low == b.high)) | ((high < 0.0) if or_equal else (high <= 0.0))
    return Truths(true, known & ~true & settled)


def _possible(sides: Pair, wide: Pair, give: float, or_equal: bool) -> Truths:
    (a, b), (wide_a, wide_b) = sides, wide
    best, low = wide_a.high + give - wide_b.low, a.low + give - b.high
    known = a.known & b.known & wide_a.known & wide_b.known
    false = known & ((best < 0.0) if or_equal else (best <= 0.0))
    settled = ((a.low == a.high) & (b.low == b.high)) | ((low >= 0.0) if or_equal else (low > 0.0))
    return Truths(known & ~false & settled, false)


JUDGES: dict[tree.Sureness, Callable[[Pair, Pair, float, bool], Truths]] = {
    "likely": _likely,
    "certain": _certain,
    "possible": _possible,
}
