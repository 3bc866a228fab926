"""All rules together, live: a frame in, changes of alert states out.

One step is pure: the same state and frame give the same result, time comes with the frame, and the state can be saved
and restored in mid-drive.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.expressions.scalar import Known, Reader, Truth, Values
from cabcanary.model import Frame, Quality
from cabcanary.rules.blind import BLIND, BlindAlerts, blame
from cabcanary.rules.figures import figures
from cabcanary.rules.machine import Machine, Tick
from cabcanary.rules.measured import NO_FIGURES, Figures
from cabcanary.rules.runner import Runner, Shared, asked_by
from cabcanary.rules.states import AlertState, Change, ShelveError
from cabcanary.rules.urgency import Urgency

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.expressions.scalar import Interval
    from cabcanary.expressions.tree import Compare, Condition
    from cabcanary.rules.rule import Rule

__all__ = ["BLIND", "AlertState", "Change", "Engine", "ShelveError"]


#: A saved state of another version means nothing here.
STATE_VERSION = 2
_INFINITE = float("inf")


class Engine:
    """Runs all rules over frames.

    `roots` names, for each channel, the measured channels that it is made from; `channel_units` gives the
    unit of each channel for messages. While the channel `running` is known to be 0, nobody is driving and
    blindness does not matter; every other condition is watched all the same.
    """

    def __init__(
        self,
        rules: Sequence[Rule],
        roots: Mapping[str, tuple[str, ...]],
        channel_units: Mapping[str, str],
        running: str | None = None,
    ) -> None:
        self.rules = tuple(rules)
        self._units = dict(channel_units)
        self._roots = dict(roots)
        self._running = running
        self._shared: dict[str, Shared] = {}
        self._urgencies: dict[str, Urgency] = {}
        self._reader = Reader()
        for node in asked_by(self.rules):
            self._reader.expect(node)
        self._runners = [Runner(r, Machine(r), self._reader, self._share, self._urgency) for r in self.rules]
        self._by_id = {r.rule.id: r for r in self._runners}
        self._watched = [r for r in self._runners if not r.rule.out_of_service]
        # A condition that has a memory must see every tick.
        self._always = [s for s in self._shared.values() if s.remembers]
        self._blind = BlindAlerts(self.rules, self._units)
        #: Rules that this tick could not work out, by a fault of our own; the others went on.
        self.faults: dict[str, Exception] = {}
        self._warming: dict[str, int] = {}
        self._last_ns: int | None = None

    def _share(self, node: Condition, text: str) -> Shared:
        if text not in self._shared:
            self._shared[text] = Shared(node, self._reader)
        return self._shared[text]

    def _urgency(self, node: Condition, text: str) -> Urgency:
        if text not in self._urgencies:
            self._urgencies[text] = Urgency(node, self._reader)
        return self._urgencies[text]

    @property
    def alerts(self) -> dict[str, AlertState]:
        """Where every alert stands."""
        return {r.rule.id: r.machine.alert for r in self._runners} | self._blind.alerts

    def step(self, frame: Frame) -> list[Change]:
        """One tick; returns the changes of alert states, in the order of the rules, blind alerts last."""
        # Time never runs backwards here: the clock is monotonic. A first tick has no duration.
        now_ns, values = frame.time_ns, frame.values
        dt_ns = 0 if self._last_ns is None else max(0, now_ns - self._last_ns)
        self._last_ns = now_ns
        standing = self._standing(values)
        changes: list[Change] = []
        tripped: list[Machine] = []
        known = self._reader.read(values)
        self.faults = {}
        for shared in self._always:
            shared.at(known, now_ns)
        for urgency in self._urgencies.values():
            urgency.step(known, now_ns)
        for runner in self._watched:
            try:
                self._step_rule(runner, frame, known, dt_ns, changes, standing=standing)
            except Exception as error:  # noqa: BLE001 - a fault in one rule must not silence the others
                self.faults[runner.rule.id] = error
            if runner.machine.memory.blind_tripped:
                tripped.append(runner.machine)
        self._follow_warming(values, now_ns)
        if tripped or self._blind.standing:
            changes += self._blind.step(now_ns, tripped, values, self._warming.get)
        return changes

    def _step_rule(
        self, runner: Runner, frame: Frame, known: Known, dt_ns: int, changes: list[Change], *, standing: bool
    ) -> None:
        truth, machine = runner.when.run(known, frame.time_ns), runner.machine
        if machine.resting and (truth is False or (truth is None and standing)):
            for number in runner.remembering:
                number.run(known, frame.time_ns)
            return
        if machine.step(self._tick(runner, frame, known, dt_ns, truth, standing=standing)):
            changes.append(self._change(runner, frame, known))

    def asking(self, now_ns: int) -> list[Change]:
        """Every alert that asks for attention, as a change of now, for a listener that may have missed the first."""
        asking = [change_of(r.machine, now_ns) for r in self._watched if r.machine.alert.sounds]
        return asking + self._blind.asking(now_ns)

    def _tick(self, runner: Runner, frame: Frame, known: Known, dt_ns: int, truth: Truth, *, standing: bool) -> Tick:
        suppress, urgent, now_ns = runner.suppress, runner.urgent, frame.time_ns
        excess = level = None if runner.excess is None else runner.excess.run(known, now_ns)
        if runner.level is not runner.excess and runner.level is not None:
            level = runner.level.run(known, now_ns)
        return Tick(
            now_ns,
            dt_ns,
            truth,
            # Suppression must be known to hold: an unknown condition suppresses nothing.
            suppress is not None and suppress.at(known, now_ns) is True,
            urgent is not None and urgent.urgent,
            standing,
            None if excess is None else excess[0],
            lambda before: blame(runner.rule.channels, frame.values, self._roots, before),
            level_of(level),
        )

    def _standing(self, values: Values) -> bool:
        if self._running is None:
            return False
        value = values[self._running]
        return value.quality is Quality.GOOD and value.value == 0.0

    def _follow_warming(self, values: Values, now_ns: int) -> None:
        warming = Quality.WARMING
        for name, value in values.items():
            if value.quality is warming:
                self._warming.setdefault(name, now_ns)
            elif name in self._warming:
                del self._warming[name]

    def _change(self, runner: Runner, frame: Frame, known: Known) -> Change:
        now_ns = frame.time_ns
        try:
            sides: list[tuple[Compare, Interval, Interval]] = [
                (node, left(known, now_ns), right(known, now_ns)) for node, left, right in runner.when.sides
            ]
            seen = figures(runner.rule, frame.values, sides, self._units)
        except Exception as error:  # noqa: BLE001 - an alert without its figures is an alert all the same
            seen = NO_FIGURES
            self.faults[runner.rule.id] = error
        return change_of(runner.machine, now_ns, seen)

    @property
    def last_ns(self) -> int | None:
        """The time of the last tick."""
        return self._last_ns

    # --- what a person does -----------------------------------------------------------------------------

    def acknowledge(self, now_ns: int) -> list[Change]:
        """A person acknowledges every alert that asks for it; alerts that are only latched are reset."""
        changes = [change_of(r.machine, now_ns) for r in self._runners if r.machine.alert.acknowledge(now_ns)]
        return changes + self._blind.acknowledge(now_ns)

    def shelve(self, alert: str, for_ns: int, now_ns: int, *, one_shot: bool = False) -> list[Change]:
        """A person puts an alert aside, for a time or until it has gone once; it comes back by itself.

        Raises:
            ShelveError: there is no such alert, or it may not be put aside, or not for so long.
        """
        if alert.startswith(BLIND):
            problem = self._blind.shelve(alert, now_ns, for_ns)
            if problem:
                raise ShelveError(problem)
            return [self._blind.change(now_ns, alert)]
        runner = self._by_id.get(alert)
        if runner is None:
            raise ShelveError(f"there is no alert '{alert}'")
        runner.machine.shelve(now_ns, for_ns, one_shot=one_shot)
        return [change_of(runner.machine, now_ns)]

    def unshelve(self, alert: str, now_ns: int) -> list[Change]:
        """Bring an alert back before its time."""
        if alert.startswith(BLIND):
            return self._blind.unshelve(alert, now_ns)
        runner = self._by_id.get(alert)
        if runner is None or not runner.machine.alert.shelved:
            return []
        runner.machine.unshelve()
        return [change_of(runner.machine, now_ns)]

    # --- saving -----------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything that later steps depend on; plain JSON."""
        return {
            "version": STATE_VERSION,
            "last": self._last_ns,
            "rules": {r.rule.id: r.state() for r in self._runners},
            "shared": {text: s.state() for text, s in self._shared.items()}
            | {f"urgent|{text}": u.state() for text, u in self._urgencies.items()},
            "blind": self._blind.state(),
            "warming": dict(self._warming),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state; rules that it does not know, or knows otherwise, start anew.

        A state of another version of this program is passed over.
        """
        if state.get("version") != STATE_VERSION:
            return
        self._last_ns = state["last"]
        for runner in self._runners:
            saved = state["rules"].get(runner.rule.id)
            if saved:
                runner.restore(saved)
        for text, shared in self._shared.items():
            if text in state["shared"]:
                shared.restore(state["shared"][text])
        for text, urgency in self._urgencies.items():
            urgency.restore(state["shared"], text)
        self._blind.restore(state["blind"])
        self._warming = {k: int(t) for k, t in state["warming"].items()}

    # --- other rules in mid-drive -------------------------------------------------------------------------

    def take_over(self, before: Engine, now_ns: int) -> list[Change]:
        """Before the first tick: go on where these rules were while others were in force. Returns the end of every
        alert that stood there and has nothing here."""
        self._last_ns = before.last_ns
        for runner in self._runners:
            if (old := before._by_id.get(runner.rule.id)) is not None:
                runner.take_over(old)
        for text, shared in self._shared.items():
            if (known := before._shared.get(text)) is not None and known.node == shared.node:
                shared.restore(known.state())
        for text, urgency in self._urgencies.items():
            if (asked := before._urgencies.get(text)) is not None:
                urgency.take_over(asked)
        self._warming = {name: ns for name, ns in before._warming.items() if name in self._units}
        gone = [r for r in before._runners if _stands(r.machine.alert) and not _stands(self._alert_of(r.rule.id))]
        for runner in gone:
            runner.machine.alert = AlertState()
        ended = [change_of(r.machine, now_ns) for r in gone]
        return ended + self._blind.take_over(before._blind, now_ns, self._units)

    def _alert_of(self, rule: str) -> AlertState:
        runner = self._by_id.get(rule)
        return AlertState() if runner is None else runner.machine.alert


def _stands(alert: AlertState) -> bool:
    return alert.active or alert.latched or alert.shelved or not alert.acknowledged


def level_of(interval: Interval) -> float | None:
    """How bad it is at least."""
    return None if interval is None or interval[0] == -_INFINITE else interval[0]


def change_of(machine: Machine, now_ns: int, seen: Figures = NO_FIGURES) -> Change:
    """How a rule's alert stands now, as a change to tell."""
    rule, alert = machine.rule, machine.alert
    return Change(
        now_ns,
        rule.id,
        alert.name,
        alert.active,
        alert.acknowledged,
        rule.priority,
        False,
        rule.say,
        rule.do,
        seen.words,
        alert.latched,
        alert.shelved,
        measured=seen.measured,
    )
