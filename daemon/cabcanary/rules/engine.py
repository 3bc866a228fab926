"""The alert state machine: frames in, changes of alert states out.

States are named as OPC UA Part 9 and ISA-18.2 name them. One step is pure: the same state and frame give
the same result, time comes with the frame, and the state can be saved and restored in mid-drive.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from cabcanary.expressions.scalar import Truth, compile_condition
from cabcanary.model import Frame, Priority, Quality

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.rules.load import Rule

#: The blind timer drains at a quarter of the rate that it fills: a wire that is dead for a fifth of the
#: time or more is still heard. At the full rate a wire that flickers half the time never would be.
BLIND_DRAIN_DIVISOR = 4
#: Between two ticks no more than this counts as blind: while the daemon itself stood still, nobody looked, and what
#: came meanwhile may still lie unread.
LONGEST_LOOK_NS = 100_000_000
#: Wide-range sensors are ready 10 to 30 s after their power (common practice); one that says "heating" for longer than
#: this has a dead heater, and its blindness counts in full.
LONGEST_WARM_UP_NS = 90_000_000_000
#: Prefix of the alert that a channel raises when a rule that matters cannot see through it.
BLIND = "cannot_see_"

#: Not written behind a figure: the channel's name says it already.
_SILENT_UNITS = ("lambda", "state", "ratio")
_USABLE = (Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW)


@dataclass(slots=True)
class AlertState:
    """Where one alert stands."""

    active: bool = False
    acknowledged: bool = True
    suppressed: bool = False
    since_ns: int = 0

    @property
    def name(self) -> str:
        """The state's name, as OPC UA Part 9 and ISA-18.2 use the words."""
        if self.suppressed:
            return "suppressed"
        if not self.active and self.acknowledged:
            return "normal"
        return ("active" if self.active else "returned to normal") + (
            ", acknowledged" if self.acknowledged else ", unacknowledged"
        )


@dataclass(frozen=True, slots=True)
class Change:
    """One alert's change of state, with what a person should be told."""

    time_ns: int
    alert: str
    state: str
    active: bool
    acknowledged: bool
    priority: Priority
    blind: bool
    say: str
    do: str
    figures: str


@dataclass(slots=True)
class _RuleState:
    """What a rule remembers between ticks; all of it goes into a saved state."""

    truth: Truth = False
    may_rise: Truth = False
    on_ns: int = 0
    off_ns: int = 0
    blind_ns: int = 0
    blind_tripped: bool = False
    blind_roots: list[str] = field(default_factory=list)
    memory: list[bool] = field(default_factory=list)
    suppress_memory: list[bool] = field(default_factory=list)
    urgent: bool = False
    urgent_memory: list[bool] = field(default_factory=list)


def _timer(elapsed_ns: int, now: Truth, before: Truth, dt_ns: int, *, counts: bool) -> int:
    """A delay's timer: it runs while the truth is `counts`, pauses on unknown, and only the opposite resets it."""
    if now is None:
        return elapsed_ns
    if now is not counts:
        return 0
    return elapsed_ns + dt_ns if before is counts else elapsed_ns


def _memories(rule: Rule) -> tuple[tuple[str, int], ...]:
    return (
        ("memory", rule.comparisons),
        ("suppress_memory", rule.suppress_comparisons),
        ("urgent_memory", rule.urgent_comparisons),
    )


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
        self._when = [compile_condition(r.when) for r in self.rules]
        self._running = running
        self._urgent = [compile_condition(r.urgent_when) if r.urgent_when else None for r in self.rules]
        self._suppress = [compile_condition(r.suppress_when) if r.suppress_when else None for r in self.rules]
        self._roots = dict(roots)
        self._states = [
            _RuleState(
                memory=[False] * r.comparisons,
                suppress_memory=[False] * r.suppress_comparisons,
                urgent_memory=[False] * r.urgent_comparisons,
            )
            for r in self.rules
        ]
        self.alerts: dict[str, AlertState] = {r.id: AlertState() for r in self.rules}
        self._blind_priority: dict[str, Priority] = {}
        self._warming: dict[str, int] = {}
        self._last_ns: int | None = None

    def step(self, frame: Frame) -> list[Change]:
        """One tick; returns the changes of alert states, in the order of the rules, blind alerts last."""
        # Time never runs backwards here: the clock is monotonic. A first tick has no duration.
        dt_ns = 0 if self._last_ns is None else max(0, frame.time_ns - self._last_ns)
        self._last_ns = frame.time_ns
        changes: list[Change] = []
        for n, rule in enumerate(self.rules):
            self._step_rule(n, rule, frame, dt_ns, changes)
        self._follow_warming(frame)
        self._step_blind(frame, changes)
        return changes

    def acknowledge(self, now_ns: int) -> list[Change]:
        """A person has taken note of every alert that stands unacknowledged."""
        changes = []
        for alert, state in self.alerts.items():
            if not state.acknowledged:
                state.acknowledged = True
                changes.append(self._change(now_ns, alert, state, ""))
        return changes

    # --- one rule -------------------------------------------------------------------------------------

    def _step_rule(self, n: int, rule: Rule, frame: Frame, dt_ns: int, changes: list[Change]) -> None:
        state, alert = self._states[n], self.alerts[rule.id]
        truth = self._when[n](frame.values, state.memory)
        suppress = self._suppress[n]
        # Suppression must be known to hold: what is unknown suppresses nothing.
        suppressed = suppress is not None and suppress(frame.values, state.suppress_memory) is True
        urgent = self._urgent[n]
        if urgent is not None:
            known = urgent(frame.values, state.urgent_memory)
            state.urgent = state.urgent if known is None else known
        self._step_blind_timer(rule, state, truth, frame, min(dt_ns, LONGEST_LOOK_NS))
        # Suppression holds back a trip; an alert that stands goes only when its condition is known to be false.
        may_rise: Truth = False if suppressed else truth
        state.on_ns = _timer(state.on_ns, may_rise, state.may_rise, dt_ns, counts=True)
        # An alert never returns through unknown, but for one case: the engine is known to stand, the sensors went dark
        # with the key, and nothing is left that could hurt. It would sound in a parked vehicle for ever.
        if truth is None and self._standing(frame):
            truth = False
        state.off_ns = _timer(state.off_ns, truth, state.truth, dt_ns, counts=False)
        state.truth, state.may_rise = truth, may_rise
        before = alert.name
        alert.suppressed = suppressed and truth is True and not alert.active
        if not alert.active and may_rise is True and state.on_ns >= rule.on_delay_ns:
            alert.active, alert.acknowledged, alert.since_ns = True, False, frame.time_ns
        elif alert.active and truth is False and state.off_ns >= rule.off_delay_ns:
            alert.active, alert.since_ns = False, frame.time_ns
            # Alerts go away when the condition goes (14 CFR 25.1322); nothing latches here yet.
            alert.acknowledged = True
        if alert.name != before:
            changes.append(self._change(frame.time_ns, rule.id, alert, self._figures(rule, frame)))

    def _step_blind_timer(self, rule: Rule, state: _RuleState, truth: Truth, frame: Frame, dt_ns: int) -> None:
        if self._standing(frame):
            state.blind_ns, state.blind_tripped = 0, False
        elif truth is None:
            patient = rule.urgent_when is not None and not state.urgent
            delay_ns = rule.blind_otherwise_ns if patient else rule.blind_delay_ns
            state.blind_ns = min(state.blind_ns + dt_ns, max(delay_ns, 1))
            blamed = self._blame(rule, frame)
            # While what a derived channel remembers is still blind, the wire that blinded it stays to blame.
            if not state.blind_roots or any(self._roots.get(b, (b,)) == (b,) for b in blamed):
                state.blind_roots = blamed
            if state.blind_ns >= delay_ns:
                state.blind_tripped = True
        else:
            state.blind_ns = max(0, state.blind_ns - dt_ns // BLIND_DRAIN_DIVISOR)
            if state.blind_ns == 0:
                state.blind_tripped = False

    def _standing(self, frame: Frame) -> bool:
        if self._running is None:
            return False
        value = frame.values[self._running]
        return value.quality is Quality.GOOD and value.value == 0.0

    def _blame(self, rule: Rule, frame: Frame) -> list[str]:
        """The channels that keep a rule from seeing: for a derived one, the first input that is unusable."""
        blamed = []
        for channel in rule.channels:
            if frame.values[channel].quality in _USABLE:
                continue
            roots = self._roots.get(channel, (channel,))
            blamed.append(next((r for r in roots if frame.values[r].quality not in _USABLE), channel))
        # All usable and still unknown: a value at the end of its range that proves nothing here, or else a
        # division by zero.
        saturated = [c for c in rule.channels if frame.values[c].quality is not Quality.GOOD]
        return blamed or saturated or list(rule.channels)

    # --- blindness: one alert per channel, at the root of it ---------------------------------------------

    def _step_blind(self, frame: Frame, changes: list[Change]) -> None:
        wanted: dict[str, Priority] = {}
        for rule, state in zip(self.rules, self._states, strict=True):
            if state.blind_tripped:
                for root in state.blind_roots:
                    warming = self._still_warming(root, frame)
                    priority = min(rule.priority, Priority.CAUTION) if warming else rule.priority
                    wanted[root] = max(wanted.get(root, priority), priority)
        for root, priority in wanted.items():
            self._raise_blind(root, priority, frame, changes)
        for root in [r for r in self._blind_priority if r not in wanted]:
            del self._blind_priority[root]
            alert = self.alerts[BLIND + root]
            alert.active, alert.acknowledged, alert.since_ns = False, True, frame.time_ns
            changes.append(self._change(frame.time_ns, BLIND + root, alert, ""))

    def _follow_warming(self, frame: Frame) -> None:
        for name, value in frame.values.items():
            if value.quality is Quality.WARMING:
                self._warming.setdefault(name, frame.time_ns)
            else:
                self._warming.pop(name, None)

    def _still_warming(self, root: str, frame: Frame) -> bool:
        """Warming up, and not for longer than any sensor takes: after that it is dead like any other."""
        since = self._warming.get(root)
        return since is not None and frame.time_ns - since < LONGEST_WARM_UP_NS

    def _raise_blind(self, root: str, priority: Priority, frame: Frame, changes: list[Change]) -> None:
        before = self._blind_priority.get(root)
        if before is not None and priority <= before:
            return
        alert = self.alerts.setdefault(BLIND + root, AlertState())
        alert.active, alert.acknowledged, alert.since_ns = True, False, frame.time_ns
        self._blind_priority[root] = priority
        changes.append(
            self._change(frame.time_ns, BLIND + root, alert, frame.values[root].reason, frame.values[root].quality)
        )

    # --- words ------------------------------------------------------------------------------------------

    def _change(
        self, now_ns: int, alert: str, state: AlertState, figures: str, quality: Quality | None = None
    ) -> Change:
        blind = alert.startswith(BLIND)
        if blind:
            root = alert.removeprefix(BLIND)
            priority = self._blind_priority.get(root, Priority.WARNING)
            warming = quality is Quality.WARMING
            say = f"{root} still warming up" if warming else f"Cannot see {root}"
            do = "Stay off boost"
        else:
            rule = next(r for r in self.rules if r.id == alert)
            priority, say, do = rule.priority, rule.say, rule.do
        return Change(now_ns, alert, state.name, state.active, state.acknowledged, priority, blind, say, do, figures)

    def _figures(self, rule: Rule, frame: Frame) -> str:
        parts = []
        for name in rule.channels:
            value = frame.values[name]
            if value.value is None:
                parts.append(f"{name} {value.quality.words}")
            else:
                sign = {Quality.SATURATED_HIGH: "≥", Quality.SATURATED_LOW: "≤"}.get(value.quality, "")
                unit = "" if self._units[name] in _SILENT_UNITS else self._units[name]
                band = f" ± {value.uncertainty:.1g}" if value.uncertainty else ""
                parts.append(f"{name} {sign}{value.value:.3g}{band} {unit}".rstrip())
        return ", ".join(parts)

    # --- saving -----------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything that later steps depend on; plain JSON."""
        return {
            "last": self._last_ns,
            "rules": {r.id: asdict(s) for r, s in zip(self.rules, self._states, strict=True)},
            "alerts": {k: asdict(a) for k, a in self.alerts.items()},
            "blind": {k: int(p) for k, p in self._blind_priority.items()},
            "warming": dict(self._warming),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state; rules that it does not know start anew."""
        self._last_ns = state["last"]
        for n, rule in enumerate(self.rules):
            saved = state["rules"].get(rule.id)
            if saved and all(len(saved[key]) == count for key, count in _memories(rule)):
                self._states[n] = _RuleState(**saved)
        for key, alert in state["alerts"].items():
            if key in self.alerts or key.startswith(BLIND):
                self.alerts[key] = AlertState(**alert)
        self._blind_priority = {k: Priority(p) for k, p in state["blind"].items()}
        self._warming = {k: int(t) for k, t in state.get("warming", {}).items()}
