"""One rule over a drive, block by block: its machine is stepped only where something can happen."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.expressions.array_numbers import Chain, OverBlocks
from cabcanary.expressions.arrays import memories
from cabcanary.expressions.signals import Truths
from cabcanary.rules.coast import coast
from cabcanary.rules.engine import change_of, level_of
from cabcanary.rules.machine import Machine, Tick
from cabcanary.rules.measured import NO_FIGURES, Figures
from cabcanary.rules.rule import ONE_DAMAGE
from cabcanary.rules.states import Blame, ShelveError
from cabcanary.rules.urgency import GRACE_NS, alternatives, kept
from cabcanary.rules.whole_ticks import Found, Turn, interval

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cabcanary.expressions.array_conditions import Conditions
    from cabcanary.expressions.array_numbers import Numbers
    from cabcanary.expressions.scalar import Interval
    from cabcanary.expressions.signals import Block, Bools, Signals
    from cabcanary.expressions.tree import Compare, Condition
    from cabcanary.rules.rule import Rule
    from cabcanary.rules.whole_ticks import Action, Acts, DriveTicks


class Traced(NamedTuple):
    """A rule at one tick: its condition, each comparison with its two sides, and how far its timers are."""

    row: int
    truth: bool | None
    suppressed: bool
    sides: list[tuple[Compare, Interval, Interval]]
    on_ns: int
    #: Share of the damage that trips, for an inverse-time rule.
    damage: float
    blind_ns: int
    state: str


class Blinded(NamedTuple):
    """From a row on, who is to blame for a rule's being blind for too long; without roots: it sees again."""

    row: int
    blame: Blame


class LastKnown(OverBlocks["Truths"]):
    """What was last known of a condition; before anything was, neither true nor false."""

    def __init__(self, inner: Conditions, signals: Signals, first: bool | None) -> None:
        super().__init__()
        self._inner = inner
        self._chain = Chain["bool | None"](signals, first)

    def _work_out(self, block: Block) -> Truths:
        true, false = self._inner.at(block)
        before = self._chain.before(block, self.anew)
        last = np.maximum.accumulate(np.where(true | false, np.arange(len(true)), -1))
        known = last >= 0
        found = Truths(np.where(known, true[last], before is True), np.where(known, false[last], before is False))
        if block.length:
            self._chain.after(block, True if found.true[-1] else False if found.false[-1] else None)
        return found


class UrgentTicks(OverBlocks["Bools"]):
    """Where it is urgent that a rule cannot see, as `urgency.py` does it tick by tick."""

    def __init__(self, parts: Sequence[LastKnown], signals: Signals, since_ns: int | None) -> None:
        super().__init__()
        self._parts, self._signals = parts, signals
        self._since_ns = int(signals.times_ns[0]) if since_ns is None and len(signals.times_ns) else since_ns or 0

    def _work_out(self, block: Block) -> Bools:
        found = [part.at(block) for part in self._parts]
        known = np.any([true | false for true, false in found], axis=0)
        late = self._signals.times_ns[block.rows] - self._since_ns >= GRACE_NS
        urgent: Bools = np.any([true for true, _ in found], axis=0) | (~known & late)
        return urgent


class Conditioned:
    """A rule's conditions over a drive, going on from a saved state of the live engine."""

    def __init__(self, drive: DriveTicks, rule: Rule, state: dict[str, Any]) -> None:
        evaluator = drive.evaluator
        saved = state["rules"].get(rule.id)
        known = saved is not None and saved["text"] == rule.fingerprint
        self.when = evaluator.condition(rule.when, saved["when"] if known else None)
        self.suppress: Conditions | None = None
        self.urgent: OverBlocks[Bools] | None = None
        self.excess: Numbers | None = None
        self.level: Numbers | None = None
        if rule.suppress_when is not None:
            _, program = state["shared"].get(f"{rule.file}|{rule.suppress_text}", (False, None))
            self.suppress = evaluator.condition(rule.suppress_when, program)
        if rule.urgent_when is not None:
            self.urgent = _urgent(drive, rule.urgent_when, state, f"{rule.file}|{rule.urgent_text}")
        if rule.inverse_time is not None:
            self.excess = self.level = evaluator.number(rule.inverse_time.excess, saved["excess"] if known else None)
        if rule.worse is not None and (rule.inverse_time is None or rule.worse.excess is not rule.inverse_time.excess):
            self.level = evaluator.number(rule.worse.excess, saved.get("level") if known else None)


def _urgent(drive: DriveTicks, node: Condition, state: dict[str, Any], key: str) -> OverBlocks[Bools]:
    evaluator, signals, parts = drive.evaluator, drive.signals, alternatives(node)
    found = kept(state["shared"], key, [memories(part) for part in parts])

    def begin() -> UrgentTicks:
        runs = []
        for n, part in enumerate(parts):
            inner = evaluator.condition(part, None if found is None else found.programs[n])
            runs.append(LastKnown(inner, signals, None if found is None else found.last[n]))
        return UrgentTicks(runs, signals, None if found is None else found.since_ns)

    return evaluator.shared(node, "urgent", None if found is None else list(found), begin)


class RuleRun:
    """A rule on its way through a drive. `place` is where it stands among its set."""

    def __init__(
        self, drive: DriveTicks, rule: Rule, place: int, state: dict[str, Any], acts: Acts, watched: range
    ) -> None:
        self.rule, self.machine, self.place = rule, Machine(rule), place
        saved = state["rules"].get(rule.id)
        if saved is not None and saved["text"] == rule.fingerprint:
            self.machine.restore(saved)
        self.conditions = None if rule.out_of_service else Conditioned(drive, rule, state)
        self.found: list[Found] = []
        self.traced: list[Traced] = []
        self._drive, self._turn, self._watched = drive, Turn(acts), watched
        self._last_ns: int | None = state["last"]
        self._row = 0
        #: What the last tick said: truth, suppressed, urgent.
        self._said: tuple[bool | None, bool, bool] = (None, False, False)
        self._blind = self._blamed()
        #: Rows from which somebody else is to blame for blindness, until `take_blinded` takes them.
        self._blinded = [Blinded(0, self._blind)] if self._blind.roots else []
        #: How far its on-delay or its damage came at most while it did not stand, and where: a near miss.
        self.held_ns, self.damage, self.nearest_row = -1, 0, -1

    def advance(self, block: Block) -> None:
        """Go through a block."""
        truths = None if self.conditions is None else self.conditions.when.at(block)
        moving = _NOWHERE if truths is None else self._moving(truths, block)
        at = 0
        while True:
            row = self._row
            if self.machine.resting or truths is None:
                at += int(np.searchsorted(moving[at:], row))
                row = int(moving[at]) if at < len(moving) else block.last
                for acted in self._turn.rows(row)[:1]:
                    row = max(self._row, acted)
            if row >= block.last:
                break
            self._act_until(row)
            self._row = row + 1
            if truths is not None and self._step(row, block, truths) and not self._watched:
                self._row += self._coast(row, block, truths)
        self._row = max(self._row, block.last)

    def finish(self) -> None:
        """What people did after the last tick."""
        self._act_until(len(self._drive.times))

    def take_blinded(self) -> list[Blinded]:
        """Who has come to blame for its blindness since it was last asked."""
        found, self._blinded = self._blinded, []
        return found

    # --- at a tick --------------------------------------------------------------------------------------

    def _moving(self, truths: Truths, block: Block) -> NDArray[np.int64]:
        """The rows at which a machine at rest would move: true, or unknown while it matters."""
        true, false = truths
        moving = _NOWHERE
        if not false.all():
            unknown = ~(true | false)
            rows = true | (unknown & ~self._drive.standing(block)) if unknown.any() else true
            moving = np.flatnonzero(rows) + block.first
        if self._watched:
            watched = range(max(self._watched.start, block.first), min(self._watched.stop, block.last))
            moving = np.union1d(moving, np.array(watched, dtype=np.int64))
        return moving

    def _step(self, row: int, block: Block, truths: Truths) -> bool:
        """One tick; returns whether only timers ran."""
        machine, at = self.machine, row - block.first
        truth = True if truths.true[at] else False if truths.false[at] else None
        tick = self._tick(row, block, truth)
        changed = machine.step(tick)
        if changed:
            seen = self._drive.seen(self.rule, self._sides(row, block), row)
            self._tell(tick.time_ns, 1, 0, seen)
        memory = machine.memory
        if truth and not machine.alert.active and not tick.suppressed:
            if memory.on_ns > self.held_ns or memory.damage > self.damage:
                self.nearest_row = row
            self.held_ns, self.damage = max(memory.on_ns, self.held_ns), max(memory.damage, self.damage)
        if row in self._watched:
            self.traced.append(self._trace(row, block, tick))
        if memory.blind_tripped or self._blind.roots:
            blind = self._blamed()
            if blind != self._blind:
                self._blind = blind
                self._blinded.append(Blinded(row, blind))
        self._said = (truth, tick.suppressed, tick.urgent)
        return not (changed or machine.resting or tick.standing)

    def _coast(self, row: int, block: Block, truths: Truths) -> int:
        """Take the ticks behind one that say the same as it did; returns how many of them."""
        conditions, drive, at = self.conditions, self._drive, row - block.first
        truth, suppressed, urgent = self._said
        assert conditions is not None
        end = min([block.last, *self._turn.rows(block.last)[:1]])
        said: list[Bools] = [truths.false if truth is False else truths.true, drive.standing(block)]
        if conditions.suppress is not None and (truth is not None or self._under_way):
            said.append(conditions.suppress.at(block).true)
        if truth is None:
            said.append(truths.false)
            if conditions.urgent is not None:
                said.append(conditions.urgent.at(block))
        same = min((drive.same_until(mask, at, block) for mask in said), default=block.last)
        end = min(end, same)
        if truth is None and end > row + 1:
            end = min(end, drive.seen_alike_until(self.rule, row, block))
        if end <= row + 1:
            return 0
        dts = np.maximum(0, np.diff(drive.times[row:end]))
        levels = self._levels(row, end, block) if truth and not suppressed else None
        count = coast(self.machine, truth, dts, levels, suppressed=suppressed, urgent=urgent)
        memory = self.machine.memory
        if count and truth and not suppressed and not self.machine.alert.active:
            if memory.on_ns > self.held_ns:
                self.nearest_row = row + count
            self.held_ns = max(self.held_ns, memory.on_ns)
        return count

    def _levels(self, row: int, end: int, block: Block) -> NDArray[np.float64] | None:
        """How bad it is at least at the rows behind this one, of an alert that stands; -inf where that is not known."""
        level = None if self.conditions is None else self.conditions.level
        if level is None or self.rule.worse is None or not self.machine.alert.active:
            return None
        found, rows = level.at(block), slice(row + 1 - block.first, end - block.first)
        levels: NDArray[np.float64] = np.where(found.known[rows], found.low[rows], -np.inf)
        return levels

    def _tick(self, row: int, block: Block, truth: bool | None) -> Tick:
        conditions, at, drive = self.conditions, row - block.first, self._drive
        assert conditions is not None
        suppress, urgent, excess = conditions.suppress, conditions.urgent, conditions.excess
        # What cannot matter at this tick is not worked out: damage grows only while the condition holds, and where
        # nothing is on its way there is nothing to hold back.
        reached = interval(excess.at(block), at) if excess is not None and truth else None
        counts = truth is True and self.rule.worse is not None and conditions.level is not None
        level = interval(conditions.level.at(block), at) if counts and conditions.level is not None else None
        asked = suppress is not None and (truth is not None or self._under_way or bool(self._watched))
        return Tick(
            int(drive.times[row]),
            self._since_tick_before(row),
            truth,
            asked and suppress is not None and bool(suppress.at(block).true[at]),
            truth is None and urgent is not None and bool(urgent.at(block)[at]),
            bool(drive.standing(block)[at]),
            None if reached is None else reached[0],
            lambda before: drive.blame(self.rule, row, before),
            level_of(level),
        )

    def _since_tick_before(self, row: int) -> int:
        """A first tick has no duration."""
        times = self._drive.times
        before = int(times[row - 1]) if row else self._last_ns
        return 0 if before is None else max(0, int(times[row]) - before)

    @property
    def _under_way(self) -> bool:
        """Whether an alert stands, or is on its way to."""
        memory = self.machine.memory
        return bool(self.machine.alert.active or memory.on_ns or memory.damage)

    def _blamed(self) -> Blame:
        memory = self.machine.memory
        return Blame(memory.blind_roots, memory.blind_unsure) if memory.blind_tripped else Blame([])

    def _sides(self, row: int, block: Block) -> list[tuple[Compare, Interval, Interval]]:
        assert self.conditions is not None
        at = row - block.first
        return [
            (node, interval(left.at(block), at), interval(right.at(block), at))
            for node, left, right in self.conditions.when.sides
        ]

    def _trace(self, row: int, block: Block, tick: Tick) -> Traced:
        memory, sides = self.machine.memory, self._sides(row, block)
        share, state = memory.damage / ONE_DAMAGE, self.machine.alert.name
        return Traced(row, tick.truth, tick.suppressed, sides, memory.on_ns, share, memory.blind_ns, state)

    # --- what people do ---------------------------------------------------------------------------------

    def _act_until(self, row: int) -> None:
        """Everything that was done before this tick."""
        for turn, action in self._turn.taken(row):
            self._act(turn, action)

    def _act(self, turn: int, action: Action) -> None:
        machine, changed = self.machine, False
        if action.what == "acknowledge":
            changed = machine.alert.acknowledge(action.time_ns)
        elif action.alert == self.rule.id:
            if action.what == "shelve":
                # Other rules than those of the drive may refuse what was allowed then.
                with contextlib.suppress(ShelveError):
                    machine.shelve(action.time_ns, action.for_ns, one_shot=action.one_shot)
                    changed = True
            elif machine.alert.shelved:
                machine.unshelve()
                changed = True
        if changed:
            self._tell(action.time_ns, 0, turn, NO_FIGURES)

    def _tell(self, time_ns: int, tick: int, act: int, seen: Figures) -> None:
        self.found.append(Found(time_ns, tick, act, self.place, change_of(self.machine, time_ns, seen)))


_NOWHERE: NDArray[np.int64] = np.array([], dtype=np.int64)
