"""The lowest or highest of a window against a limit, over many ticks.

Nobody needs to know what the lowest was: it is above a limit where every value in the window is, and one comparison for
each tick tells that. Adding a deadband keeps the order of numbers, so it may come before the choice as well.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.expressions.array_conditions import Conditions, clear_apart, latched
from cabcanary.expressions.array_numbers import Chain, Constant, WindowNumber
from cabcanary.expressions.array_windows import any_in, none_unknown
from cabcanary.expressions.signals import Block, Signals, Truths, everywhere, nowhere
from cabcanary.expressions.spans import both, opposite

if TYPE_CHECKING:
    from cabcanary.expressions import tree
    from cabcanary.expressions.signals import Bools, Floats


class ExtremeAgainstLimit(Conditions):
    """As `Compared`, for a `lowest` or `highest` and a constant, no surer than likely."""

    def __init__(self, node: tree.Compare, window: WindowNumber, limit: Constant, signals: Signals, on: bool) -> None:
        super().__init__([*window.sides, (node, window, limit)])
        self.node = node
        self._window, self._limit, self._band = window, limit.si, node.deadband_si
        self._above, self._or_equal = node.comparison in (">", ">="), node.comparison in (">=", "<=")
        # The lowest is above where all are, and below where any is.
        self._true_of_all = (window.kind == "lowest") == self._above
        self._chain = Chain[bool](signals, on)

    def false_at_sight(self, block: Block) -> bool:
        """Whether all that the windows reach stays apart from the limit by more than the deadband."""
        reached = self._window.within_reach(block)
        if reached is None:
            return False
        greater, less = (reached[1], self._limit) if self._above else (self._limit, reached[0])
        return clear_apart(greater + self._band, less)

    def _work_out(self, block: Block) -> Truths:
        count = block.last - block.first
        if self.false_at_sight(block):
            self._chain.after(block, False)
            return Truths(nowhere(count), everywhere(count))
        if not self._band:
            return self._judged(block, 0.0)
        on = self._chain.before(block, self.anew)
        without = self._judged(block, 0.0)
        if not on and not without.true.any():
            self._chain.after(block, False)
            return without
        result, after = latched(without, self._judged(block, self._band), on)
        self._chain.after(block, after)
        return result

    def _judged(self, block: Block, give: float) -> Truths:
        if block.last == block.first:
            return Truths(everywhere(0), nowhere(0))
        _, x, of = self._window.reach(block)
        surely = self._beyond(x.low if self._above else x.high, give)
        perhaps = surely if x.is_point else self._beyond(x.high if self._above else x.low, give)
        known = none_unknown(x.known, of)
        if self._true_of_all:
            true, false = ~any_in(~surely, of), any_in(~perhaps, of)
        else:
            true, false = any_in(surely, of), ~any_in(perhaps, of)
        true = both(known, true)
        return Truths(true, both(opposite(true), both(known, false)))

    def _beyond(self, si: Floats, give: float) -> Bools:
        limit = self._limit
        if self._above:
            si = si + give if give else si
            found: Bools = si >= limit if self._or_equal else si > limit
        else:
            limit = limit + give
            found = si <= limit if self._or_equal else si < limit
        return found


def against(node: tree.Compare, left: object, right: object, signals: Signals, on: bool) -> Conditions | None:
    """What can be judged in this way; None for all else."""
    if isinstance(left, WindowNumber) and isinstance(right, Constant) and left.kind in ("lowest", "highest"):
        return ExtremeAgainstLimit(node, left, right, signals, on) if np.isfinite(right.si) else None
    return None
