"""The closest misses: how near a rule that stayed silent came to sounding, and when."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial, reduce
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.expressions.array_conditions import Compared, Joined, Negated, join, same
from cabcanary.expressions.signals import Truths, everywhere
from cabcanary.rules.figures import show, unit_of
from cabcanary.rules.rule import ONE_DAMAGE
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cabcanary.expressions.array_conditions import Conditions
    from cabcanary.expressions.signals import Block, Bools
    from cabcanary.rules.whole_drive import WholeDrive
    from cabcanary.rules.whole_rule import RuleRun


@dataclass(frozen=True, slots=True)
class Miss:
    """How near a rule came at `at_s` seconds of its drive. `share` is 1 where it would have sounded.

    `held_s` is for how long its condition held, where it did, of the `wanted_s` that it takes; `damage` the same for an
    inverse-time rule. Otherwise all but one of its comparisons held, and that one, `comparison`, came to `value` where
    `limit` was wanted, both in `unit`.
    """

    rule: str
    at_s: float
    share: float
    held_s: float | None = None
    wanted_s: float | None = None
    damage: float | None = None
    suppressed: bool = False
    comparison: str = ""
    value: float | None = None
    limit: float | None = None
    unit: str = ""

    @property
    def words(self) -> str:
        """What came near, for a person."""
        if self.suppressed:
            return "its condition held while it was suppressed"
        if self.damage is not None:
            return f"it added up to {self.damage:.0%} of what trips"
        if self.held_s is not None:
            return f"its condition held for {self.held_s:.2f} of {self.wanted_s:.2f} s"
        assert self.value is not None
        assert self.limit is not None
        came, limit = spelt(self.value, 4), spelt(self.limit, 4)
        return f"{shortened(self.comparison)}: came to {came} of {limit} {self.unit}".rstrip()


#: A condition longer than this is cut.
_LONGEST = 60


def shortened(text: str) -> str:
    """A condition that fits on a line."""
    return text if len(text) <= _LONGEST else text[: _LONGEST - 2] + " …"


class MissFinder:
    """Looks at rules while they go through a drive; `watch` is called behind each block."""

    def __init__(self, drive: WholeDrive, runs: Sequence[RuleRun]) -> None:
        self._drive = drive
        self._near = [_Nearness(drive, run, run.conditions.when) for run in runs if run.conditions is not None]

    def watch(self, block: Block) -> None:
        """Look at a block."""
        for near in self._near:
            near.watch(block)

    def misses(self) -> list[Miss]:
        """The closest miss of each rule that stayed silent and came near at all."""
        return [miss for near in self._near if (miss := near.miss()) is not None]


@dataclass(slots=True)
class _Leaf:
    """A comparison that a rule's condition is joined of."""

    program: Compared
    #: What makes the whole true: that this is true, or that it is false.
    wanted: bool
    #: How much is missing, in SI, and the row; not near at all: infinite.
    missing: float = float("inf")
    row: int = -1
    value: float = 0.0
    limit: float = 0.0


class _Nearness:
    """How near one rule came."""

    def __init__(self, drive: WholeDrive, run: RuleRun, when: Conditions) -> None:
        self._drive, self._run = drive, run
        # All of these must hold; those that cost little are asked first.
        self._parts = when.cheapest_first if isinstance(when, Joined) and not when.decided else [when]
        self._leaves = [list(_leaves(part, wanted=True)) for part in self._parts]

    def watch(self, block: Block) -> None:
        """Look at a block."""
        run = self._run
        # What has held for a while, or has sounded, came nearer than any value.
        if run.nearest_row >= 0 or run.found:
            return
        out = [n for n, part in enumerate(self._parts) if part.at_sight(block) is False]
        if len(out) > 1:
            return
        for n in out or range(len(self._parts)):
            leaves = [leaf for leaf in self._leaves[n] if _may_be_nearer(leaf, block)]
            others = self._others(n, block) if leaves else None
            if others is not None:
                for leaf in leaves:
                    self._measure(leaf, block, others & _true_if(self._parts[n], leaf, block))

    def _others(self, n: int, block: Block) -> Bools | None:
        """Where all parts but one hold; None: nowhere."""
        found = everywhere(block.length)
        for m, part in enumerate(self._parts):
            if m != n:
                found = found & part.at(block).true
                if not found.any():
                    return None
        return found if len(found) else None

    def _measure(self, leaf: _Leaf, block: Block, pivotal: Bools) -> None:
        a, b = leaf.program.left.at(block), leaf.program.right.at(block)
        rows = np.flatnonzero(pivotal & a.known & b.known)
        above = (leaf.program.node.comparison in (">", ">=")) == leaf.wanted
        missing = b.low[rows] - a.low[rows] if above else a.low[rows] - b.low[rows]
        missing[~(np.isfinite(missing) & (missing > 0.0))] = np.inf
        at = int(np.argmin(missing)) if len(rows) else -1
        if at >= 0 and missing[at] < leaf.missing:
            leaf.missing, leaf.row = float(missing[at]), block.first + int(rows[at])
            leaf.value, leaf.limit = float(a.low[rows[at]]), float(b.low[rows[at]])

    def miss(self) -> Miss | None:
        """The closest, if it stayed silent and came near at all."""
        run, rule = self._run, self._run.rule
        if any(f.change.sounds for f in run.found):
            return None
        if run.nearest_row >= 0:
            at_s = self._seconds(run.nearest_row)
            if rule.inverse_time is not None:
                return Miss(rule.id, at_s, run.damage / ONE_DAMAGE, damage=run.damage / ONE_DAMAGE)
            held, wanted = run.held_ns / 1e9, rule.on_delay_ns / 1e9
            return Miss(rule.id, at_s, held / wanted if wanted else 1.0, held, wanted)
        held_back = next((f for f in run.found if f.change.state == "suppressed"), None)
        if held_back is not None:
            at_s = (held_back.time_ns - int(self._drive.times[0])) / 1e9
            return Miss(rule.id, at_s, 1.0, suppressed=True)
        return max(
            (self._of(leaf) for part in self._leaves for leaf in part if leaf.row >= 0),
            key=lambda m: m.share,
            default=None,
        )

    def _of(self, leaf: _Leaf) -> Miss:
        unit = unit_of(leaf.program.node.left)
        value, limit = unit.from_si(leaf.value), unit.from_si(leaf.limit)
        share = max(0.0, 1.0 - abs(value - limit) / (abs(limit) or 1.0))
        words = f"{'' if leaf.wanted else 'not '}{show(leaf.program.node)}"
        symbol = "" if unit.symbol == "lambda" else unit.symbol
        at_s = self._seconds(leaf.row)
        return Miss(self._run.rule.id, at_s, share, comparison=words, value=value, limit=limit, unit=symbol)

    def _seconds(self, row: int) -> float:
        return (int(self._drive.times[row]) - int(self._drive.times[0])) / 1e9


def _leaves(node: Conditions, *, wanted: bool) -> Iterator[_Leaf]:
    match node:
        case Joined():
            for part in node.parts:
                yield from _leaves(part, wanted=wanted)
        case Negated():
            yield from _leaves(node.inner, wanted=not wanted)
        case Compared():
            yield _Leaf(node, wanted)


def _may_be_nearer(leaf: _Leaf, block: Block) -> bool:
    """Whether a block may hold a nearer miss than those before, as far as can be told without looking at values."""
    return not leaf.wanted or leaf.program.least_missing(block) < leaf.missing


def _true_if(node: Conditions, leaf: _Leaf, block: Block) -> Bools:
    """Where the whole would be true if this comparison were as wanted."""
    return _with(node, leaf, block).true


def _with(node: Conditions, leaf: _Leaf, block: Block) -> Truths:
    if node is leaf.program:
        return same(block, leaf.wanted)
    match node:
        case Joined(decided=decided):
            return reduce(partial(join, decided=decided), [_with(part, leaf, block) for part in node.parts])
        case Negated():
            true, false = _with(node.inner, leaf, block)
            return Truths(false, true)
        case _:
            return node.at(block)
