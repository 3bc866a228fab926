"""All rules over a whole drive: columns in, the same changes out as the live engine gave. Never imported by the daemon.

Conditions are evaluated as arrays; each rule's own machine, the very one that runs live, is stepped only where the
condition is not false or something still stands from before. In an ordinary drive that is next to nowhere.
"""

from __future__ import annotations

import contextlib
from bisect import bisect_right
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.expressions.arrays import Column, Evaluated, Evaluator, Signals
from cabcanary.model import Quality, Value
from cabcanary.rules.blind import BLIND, BlindAlerts, blame
from cabcanary.rules.engine import STATE_VERSION, change_of
from cabcanary.rules.figures import figures
from cabcanary.rules.machine import Machine, Tick
from cabcanary.rules.rule import ONE_DAMAGE
from cabcanary.rules.states import ShelveError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from cabcanary.expressions.arrays import Span
    from cabcanary.expressions.scalar import Interval
    from cabcanary.expressions.tree import Compare, Condition
    from cabcanary.rules.rule import Rule
    from cabcanary.rules.states import Change


class Action(NamedTuple):
    """What a person did between two ticks: acknowledge; shelve or unshelve one alert."""

    time_ns: int
    what: str
    alert: str = ""
    for_ns: int = 0
    one_shot: bool = False


class _Truths(NamedTuple):
    """What a rule's conditions came to: 1 true, 0 false, -1 unknown; the others as the machine takes them."""

    truth: NDArray[np.int8]
    suppressed: NDArray[np.bool_]
    urgent: NDArray[np.bool_]
    excess: Span | None
    when: Evaluated


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


class WholeDrive:
    """A drive's columns with all that rules need of them; `run` may be called for many sets of rules.

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
        self._signals, self._roots, self._units = signals, dict(roots), dict(channel_units)
        self._evaluator = Evaluator(signals)
        self._reason = reason or (lambda _channel, _row: "")
        self._standing = self._known_standing(running)
        self._rows: dict[int, _Row] = {}

    def run(
        self, rules: Sequence[Rule], state: dict[str, Any] | None = None, actions: Sequence[Action] = ()
    ) -> list[Change]:
        """Every change of every alert, in the order in which the live engine tells them."""
        return _Run(self, rules, _known(state), sorted(actions, key=lambda a: a.time_ns)).changes()

    def trace(
        self,
        rule: Rule,
        rows: range,
        state: dict[str, Any] | None = None,
        actions: Sequence[Action] = (),
    ) -> list[Traced]:
        """One rule's way through these rows, tick by tick."""
        run = _Run(self, [rule], _known(state), sorted(actions, key=lambda a: a.time_ns), watched=rows)
        run.changes()
        return run.traced

    # --- what the runs ask ------------------------------------------------------------------------------

    @property
    def times(self) -> NDArray[np.int64]:
        """The ticks' times."""
        return self._signals.times_ns

    @property
    def standing(self) -> NDArray[np.bool_]:
        """Where the engine is known to stand."""
        return self._standing

    def values(self, row: int) -> _Row:
        """The frame's values at one tick."""
        if row not in self._rows:
            if len(self._rows) > _MOST_ROWS:
                self._rows.clear()
            self._rows[row] = _Row(self._signals.columns, row, self._reason)
        return self._rows[row]

    def blame(self, rule: Rule, row: int, before: list[str]) -> list[str]:
        """The channels that keep a rule from seeing at one tick."""
        return blame(rule.channels, self.values(row), self._roots, before)

    def words(self, rule: Rule, when: Evaluated, row: int) -> str:
        """The figures of a change at one tick."""
        sides = [(node, _at(left, row), _at(right, row)) for node, left, right in when.sides]
        return figures(rule, self.values(row), sides, self._units)

    def truths(self, rule: Rule, state: dict[str, Any], shared: dict[str, Any]) -> _Truths:
        """A rule's conditions over the drive, going on from a saved state."""
        saved = state.get(rule.id)
        known = saved is not None and saved["text"] == rule.fingerprint
        when = self._evaluator.condition(rule.when, saved["when"] if known and saved else None)
        truth = np.where(when.truths.true, 1, np.where(when.truths.false, 0, -1)).astype(np.int8)
        suppressed = urgent = self._nowhere()
        if rule.suppress_when is not None:
            suppressed = self._shared(rule.suppress_when, f"{rule.file}|{rule.suppress_text}", shared)[0]
        if rule.urgent_when is not None:
            urgent = self._shared(rule.urgent_when, f"{rule.file}|{rule.urgent_text}", shared)[1]
        excess = None
        if rule.inverse_time is not None:
            excess = self._evaluator.number(rule.inverse_time.excess, saved["excess"] if known and saved else None)
        return _Truths(truth, suppressed, urgent, excess, when)

    def _nowhere(self) -> NDArray[np.bool_]:
        return np.zeros(len(self.times), dtype=bool)

    def _shared(self, node: Condition, text: str, state: dict[str, Any]) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Where a condition is true, and where it was true when it was last known."""
        last_known, program = state.get(text, (False, None))
        true, false = self._evaluator.condition(node, program).truths
        rows = np.arange(len(true))
        last = np.maximum.accumulate(np.where(true | false, rows, -1))
        return true, np.where(last >= 0, true[last], bool(last_known))

    def _known_standing(self, running: str | None) -> NDArray[np.bool_]:
        if running is None:
            return self._nowhere()
        column = self._signals.columns[running]
        stands: NDArray[np.bool_] = (column.qualities == Quality.GOOD) & (column.values == 0.0)
        return stands

    def is_warming(self, channel: str, row: int) -> bool:
        """Whether the channel says at this row that it is warming up."""
        return bool(self._signals.columns[channel].qualities[row] == Quality.WARMING)

    def warming_since(self, channel: str, row: int, before: int | None) -> int | None:
        """Since when the channel has been warming up at this row; `before` is what a saved state says."""
        if not self.is_warming(channel, row):
            return None
        qualities = self._signals.columns[channel].qualities
        others = np.flatnonzero(qualities[: row + 1] != Quality.WARMING)
        if len(others):
            return int(self.times[others[-1] + 1])
        return int(self.times[0]) if before is None else before


_MOST_ROWS = 4096
_EMPTY: dict[str, Any] = {"last": None, "rules": {}, "shared": {}, "blind": None, "warming": {}}


def _known(state: dict[str, Any] | None) -> dict[str, Any]:
    """A state that can be gone on from, or that of a start from nothing."""
    return state if state is not None and state.get("version") == STATE_VERSION else _EMPTY


class _Row(dict[str, Value]):
    """A frame's values at one tick, made when they are asked for."""

    def __init__(self, columns: Mapping[str, Column], row: int, reason: Callable[[str, int], str]) -> None:
        super().__init__()
        self._columns, self._row, self._reason = columns, row, reason

    def __missing__(self, channel: str) -> Value:
        column, row = self._columns[channel], self._row
        number = float(column.values[row])
        uncertainty = 0.0 if column.uncertainties is None else float(column.uncertainties[row])
        value = Value(
            None if np.isnan(number) else number,
            Quality(int(column.qualities[row])),
            0,
            uncertainty,
            self._reason(channel, row),
        )
        self[channel] = value
        return value


def _at(span: Span, row: int) -> Interval:
    return (float(span.low[row]), float(span.high[row])) if span.known[row] else None


class _Blindness(NamedTuple):
    """From a row on, whether a rule is blind for too long, and which channels are to blame."""

    row: int
    machine: int
    roots: tuple[str, ...]


class _Run:
    """One set of rules over the drive."""

    def __init__(
        self,
        drive: WholeDrive,
        rules: Sequence[Rule],
        state: dict[str, Any],
        actions: Sequence[Action],
        watched: range = range(0),
    ) -> None:
        #: Rows at which the machines are looked at, whether anything happens there or not.
        self._watched = watched
        self.traced: list[Traced] = []
        self._drive, self._rules, self._state, self._actions = drive, rules, state, actions
        self._times = drive.times
        #: The first row at or after each action: it takes effect before that tick.
        self._action_rows = np.searchsorted(self._times, [a.time_ns for a in actions], side="left")
        #: (time, tick or before it, which action, place in the row, change), for the order of the whole.
        self._found: list[tuple[int, int, int, int, Change]] = []
        self._blindness: list[_Blindness] = []
        before = state["last"]
        self._dt = np.maximum(0, np.diff(self._times, prepend=self._times[:1] if before is None else before))

    def changes(self) -> list[Change]:
        machines = [self._run_rule(n, rule) for n, rule in enumerate(self._rules)]
        self._run_blindness(machines)
        return [change for *_, change in sorted(self._found, key=lambda f: f[:4])]

    # --- one rule ---------------------------------------------------------------------------------------

    def _run_rule(self, n: int, rule: Rule) -> Machine:
        machine = Machine(rule)
        saved = self._state["rules"].get(rule.id)
        if saved is not None and saved["text"] == rule.fingerprint:
            machine.restore(saved)
        truths = None if rule.out_of_service else self._drive.truths(rule, self._state["rules"], self._state["shared"])
        interesting = np.array([], dtype=np.int64) if truths is None else self._moving(truths.truth)
        if self._watched:
            interesting = np.union1d(interesting, np.array(self._watched, dtype=np.int64))
        blind: tuple[str, ...] = tuple(machine.memory.blind_roots) if machine.memory.blind_tripped else ()
        if blind:
            self._blindness.append(_Blindness(-1, n, blind))
        for row, actions in self._stops(machine, interesting, running=truths is not None):
            for action in actions:
                self._act(n, machine, action)
            if truths is None or row == len(self._times):
                continue
            if machine.step(self._tick(rule, truths, row)):
                words = self._drive.words(rule, truths.when, row)
                self._tell(row, n, change_of(machine, int(self._times[row]), words))
            if row in self._watched:
                self.traced.append(self._trace(machine, truths, row))
            now_blind = tuple(machine.memory.blind_roots) if machine.memory.blind_tripped else ()
            if now_blind != blind:
                blind = now_blind
                self._blindness.append(_Blindness(row, n, blind))
        return machine

    def _moving(self, truth: NDArray[np.int8]) -> NDArray[np.int64]:
        """The rows at which a machine at rest would move: true, or unknown while it matters."""
        return np.flatnonzero((truth > 0) | ((truth < 0) & ~self._drive.standing))

    def _trace(self, machine: Machine, truths: _Truths, row: int) -> Traced:
        truth, memory = int(truths.truth[row]), machine.memory
        return Traced(
            row,
            None if truth < 0 else bool(truth),
            bool(truths.suppressed[row]),
            [(node, _at(left, row), _at(right, row)) for node, left, right in truths.when.sides],
            memory.on_ns,
            memory.damage / ONE_DAMAGE,
            memory.blind_ns,
            machine.alert.name,
        )

    def _stops(
        self, machine: Machine, interesting: NDArray[np.int64], *, running: bool
    ) -> Iterator[tuple[int, list[Action]]]:
        """The rows at which the machine must be stepped, each with what was done just before it."""
        row, next_action, count = 0, 0, len(self._times)
        while True:
            if machine.resting or not running:
                at = np.searchsorted(interesting, row)
                row = int(interesting[at]) if at < len(interesting) else count
                if next_action < len(self._actions):
                    row = min(row, int(self._action_rows[next_action]))
            actions = []
            while next_action < len(self._actions) and self._action_rows[next_action] <= row:
                actions.append(self._actions[next_action])
                next_action += 1
            if row >= count and not actions:
                return
            yield row, actions
            row += 1

    def _turn(self, action: Action) -> int:
        """Which action it is: two may come at the same instant."""
        return next(n for n, a in enumerate(self._actions) if a is action)

    def _act(self, n: int, machine: Machine, action: Action) -> None:
        changed = False
        if action.what == "acknowledge":
            changed = machine.alert.acknowledge(action.time_ns)
        elif action.alert == machine.rule.id:
            if action.what == "shelve":
                # Other rules than those of the drive may refuse what was allowed then.
                with contextlib.suppress(ShelveError):
                    machine.shelve(action.time_ns, action.for_ns, one_shot=action.one_shot)
                    changed = True
            elif machine.alert.shelved:
                machine.unshelve()
                changed = True
        if changed:
            self._found.append((action.time_ns, 0, self._turn(action), n, change_of(machine, action.time_ns, "")))

    def _tick(self, rule: Rule, truths: _Truths, row: int) -> Tick:
        truth = int(truths.truth[row])
        excess = None if truths.excess is None else _at(truths.excess, row)
        return Tick(
            int(self._times[row]),
            int(self._dt[row]),
            None if truth < 0 else bool(truth),
            bool(truths.suppressed[row]),
            bool(truths.urgent[row]),
            bool(self._drive.standing[row]),
            None if excess is None else excess[0],
            lambda before: self._drive.blame(rule, row, before),
        )

    def _tell(self, row: int, place: int, change: Change) -> None:
        self._found.append((int(self._times[row]), 1, 0, place, change))

    # --- blindness --------------------------------------------------------------------------------------

    def _run_blindness(self, machines: list[Machine]) -> None:
        """One alert per channel: looked at wherever a rule's blindness, or a channel's warming up, changes."""
        alerts = BlindAlerts()
        if self._state["blind"] is not None:
            alerts.restore(self._state["blind"])
        if not self._blindness and not alerts.standing:
            return
        roots_of: dict[int, tuple[str, ...]] = {}
        by_row: dict[int, list[_Blindness]] = {}
        for change in self._blindness:
            by_row.setdefault(max(change.row, 0), []).append(change)
        acts: dict[int, list[Action]] = {}
        for action, at in zip(self._actions, self._action_rows, strict=True):
            acts.setdefault(int(at), []).append(action)
        events = sorted({*by_row, *acts, len(self._times)})
        row = 0 if alerts.standing else events[0]
        while row < len(self._times):
            for action in acts.get(row, ()):
                self._act_on_blind(alerts, action)
            roots_of |= {change.machine: change.roots for change in by_row.get(row, ())}
            told = self._step_blind(alerts, machines, roots_of, row)
            # Where nothing warms up and nothing is put aside, the next row that can tell anything is the next event.
            settled = not told and not alerts.shelved and not self._any_warming(roots_of, row)
            row = events[bisect_right(events, row)] if settled else row + 1
        for action in acts.get(len(self._times), ()):
            self._act_on_blind(alerts, action)

    def _step_blind(
        self, alerts: BlindAlerts, machines: list[Machine], roots_of: Mapping[int, tuple[str, ...]], row: int
    ) -> bool:
        tripped = [_tripped(machines[n], roots) for n, roots in sorted(roots_of.items()) if roots]
        if not tripped and not alerts.standing:
            return False
        told = alerts.step(int(self._times[row]), tripped, self._drive.values(row), self._warming(row))
        for place, change in enumerate(told):
            self._tell(row, len(self._rules) + place, change)
        return bool(told)

    def _any_warming(self, roots_of: Mapping[int, tuple[str, ...]], row: int) -> bool:
        return any(self._drive.is_warming(root, row) for roots in roots_of.values() for root in roots)

    def _act_on_blind(self, alerts: BlindAlerts, action: Action) -> None:
        told: list[Change] = []
        if action.what == "acknowledge":
            told = alerts.acknowledge(action.time_ns)
        elif action.alert.startswith(BLIND):
            if action.what == "unshelve":
                told = alerts.unshelve(action.alert, action.time_ns)
            elif not alerts.shelve(action.alert, action.time_ns, action.for_ns):
                told = [alerts.change(action.time_ns, action.alert)]
        for place, change in enumerate(told):
            self._found.append((action.time_ns, 0, self._turn(action), len(self._rules) + place, change))

    def _warming(self, row: int) -> Callable[[str], int | None]:
        return lambda channel: self._drive.warming_since(channel, row, self._state["warming"].get(channel))


def _tripped(machine: Machine, roots: tuple[str, ...]) -> Machine:
    """The rule as it was at that row, as far as its blindness goes."""
    seen = Machine(machine.rule)
    seen.memory.blind_roots = list(roots)
    seen.memory.blind_tripped = True
    return seen
