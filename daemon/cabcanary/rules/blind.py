"""Blindness: one alert for each channel at the root of it, however many rules cannot see through it."""

from __future__ import annotations

from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from cabcanary.model import USABLE, Priority, Quality, Value
from cabcanary.rules.measured import channel_seen
from cabcanary.rules.states import AlertState, Blame, Change
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from cabcanary.rules.machine import Machine
    from cabcanary.rules.rule import Rule

#: Wide-range sensors are ready 10 to 30 s after their power (common practice); one that says "heating" for longer than
#: this has a dead heater, and its blindness counts in full.
LONGEST_WARM_UP_NS = 90_000_000_000
#: Prefix of the alert that a channel raises when a rule that matters cannot see through it.
BLIND = "cannot_see_"
#: Stands for the rule itself where every sensor is fine and its condition cannot be worked out all the same.
ITSELF = ""
#: Prefix of a rule as the root of its own blindness.
_RULE = "rule_"
_BY_ZERO = "every sensor is seen, and it cannot be worked out: a division by what may be zero"
_NOT_WORKED_OUT = Value(None, Quality.ABSENT, 0, reason=_BY_ZERO)
#: What a person is told of a sensor's quality, in few words: figures and wires stand in the text beside it.
_SPOKEN = {
    Quality.OUT_OF_RANGE: "wire broken or shorted",
    Quality.STUCK: "it does not move",
    Quality.IMPLAUSIBLE: "it cannot be true",
    Quality.STALE: "nothing new from it",
    Quality.ABSENT: "no value from it",
    Quality.SATURATED_HIGH: "at the end of its range",
    Quality.SATURATED_LOW: "at the end of its range",
    Quality.GOOD: "lost a moment ago",
}
#: What to do where only the air's pressure is not known well enough: standing still, the manifold shows it.
LEARN_AIR = "Stop once, engine off, key on"
#: An interval that stays too wide is told once, and shown from then on: it comes and goes with every hill. So much
#: later it is another drive, ns.
_UNSURE_AGAIN_NS = 3_600_000_000_000
#: A channel that was told of gravely and has just ceased to matter so is not sounded anew when it is merely news, ns.
_NEWS_AFTER_NS = 60_000_000_000
#: One more sensor behind a rule that is blind already is told after this, ns: the rule's own delay is over, and a key
#: that is turned then darkens it a moment before the engine is known to stand.
_NEXT_NS = 500_000_000
#: A sensor that is known to be dead may be put aside for the way home, unless a warning depends on it.
_LONGEST_SHELVE_NS = 3_600_000_000_000


def blame(
    channels: Sequence[str],
    values: Mapping[str, Value],
    roots: Mapping[str, tuple[str, ...]],
    before: Sequence[str] = (),
) -> Blame:
    """The channels that keep a rule from seeing: for a derived one, the first input that is unusable.

    `before` are those to blame so far: while what a derived channel or a window remembers is still blind, the wire that
    blinded it stays to blame.
    """
    blamed = []
    for channel in channels:
        if values[channel].quality in USABLE:
            continue
        behind = roots.get(channel, (channel,))
        blamed.append(next((r for r in behind if values[r].quality not in USABLE), channel))
    unsure = [] if blamed else _unsure(channels, values, roots)
    if unsure:
        return Blame(unsure, unsure=True)
    if before and ITSELF not in before and not any(roots.get(b, (b,)) == (b,) for b in blamed):
        return Blame(list(before))
    # All usable and still unknown: a value at the end of its range that proves nothing here, or else a division by
    # zero, and that is no sensor's fault.
    saturated = [c for c in channels if values[c].quality is not Quality.GOOD]
    return Blame(blamed or saturated or [ITSELF])


def _unsure(channels: Sequence[str], values: Mapping[str, Value], roots: Mapping[str, tuple[str, ...]]) -> list[str]:
    """The intervals among them, each by the one that it is made of."""
    within = Quality.WITHIN
    found = [c for c in channels if values[c].quality is within]
    by_root = (next((r for r in roots.get(c, ()) if values[r].quality is within), c) for c in found)
    return list(dict.fromkeys(by_root))


class BlindAlerts:
    """The alerts of channels that these rules cannot see through; `channel_units` as for `Engine`."""

    def __init__(self, rules: Iterable[Rule], channel_units: Mapping[str, str]) -> None:
        self._units = channel_units
        self._called: dict[str, str] = {}
        self._says: dict[str, str] = {}
        for rule in rules:
            self._called |= rule.called
            self._says[_RULE + rule.id] = rule.say
        self.alerts: dict[str, AlertState] = {}
        self._priority: dict[str, Priority] = {}
        #: Those that are not dead: their interval is too wide to tell.
        self._unsure: set[str] = set()
        #: When that was last told aloud, and how gravely.
        self._unsure_told: dict[str, tuple[int, Priority]] = {}
        #: When each last ended, and how grave it was then.
        self._ended: dict[str, tuple[int, Priority]] = {}
        #: What was not raised at the last step though a rule cannot see through it.
        self._held: set[str] = set()
        #: Of each rule that was blind for too long at the last step, what blinded it; and since when more of it waits.
        self._roots_of: dict[str, list[str]] = {}
        self._waiting: dict[str, int] = {}
        #: Whether at the last step something was not raised only because of how the sensors were just then.
        self.held_back = False

    @property
    def standing(self) -> bool:
        """Whether any stands, or is held back."""
        return bool(self._priority or self._held or self._waiting)

    @property
    def shelved(self) -> bool:
        """Whether a person has put any aside."""
        return any(a.shelved for a in self.alerts.values())

    def step(
        self,
        now_ns: int,
        tripped: Iterable[Machine],
        values: Mapping[str, Value],
        warming_since: Callable[[str], int | None],
    ) -> list[Change]:
        """One tick; `tripped` are the rules that have been blind for too long."""
        wanted: dict[str, Priority] = {}
        to_blame: set[str] = set()
        roots_of: dict[str, list[str]] = {}
        at_once: set[str] = set()
        for machine in tripped:
            rule = machine.rule
            itself = _RULE + rule.id
            roots = [r or itself for r in machine.memory.blind_roots if r not in rule.known_defects]
            roots_of[rule.id] = roots
            at_once |= self._told_at_once(rule, roots)
            sensors = [r for r in roots if r != itself]
            # Warming up, and not for longer than any sensor takes: after that it is dead like any other.
            warming = {
                r for r in sensors if (since := warming_since(r)) is not None and now_ns - since < LONGEST_WARM_UP_NS
            }
            # Where another channel is lost too, blame that one: it can be repaired.
            to_blame.update([r for r in roots if r not in warming] or roots)
            for root in roots:
                mild = root in warming or machine.memory.blind_unsure
                priority = min(rule.blind_priority, Priority.CAUTION) if mild else rule.blind_priority
                wanted[root] = max(wanted.get(root, priority), priority)
        # One that was held back while it warmed up and is seen by now: what a rule remembers is still blind, not it.
        to_blame -= {r for r in self._held if r not in self._says and values[r].quality is Quality.GOOD}
        self._held = {r for r in wanted if r not in to_blame and r not in self._priority}
        self._roots_of = roots_of
        to_blame -= self._wait(now_ns, [r for r in wanted if r not in at_once and r not in self._priority])
        self.held_back = bool(self._held or self._waiting)
        raised = [(r, p) for r, p in wanted.items() if r in to_blame or r in self._priority]
        changes = [c for root, p in raised if (c := self._raise(now_ns, root, p, self._value(root, values)))]
        changes += [self._end(now_ns, root) for root in [r for r in self._priority if r not in wanted]]
        for name, alert in self.alerts.items():
            if alert.shelved_until_ns is not None and now_ns >= alert.shelved_until_ns:
                changes += self._unshelve(now_ns, name, alert)
        return changes

    def _told_at_once(self, rule: Rule, roots: Sequence[str]) -> set[str]:
        """All of them, but for those that have come to others which blind the rule already."""
        before = self._roots_of.get(rule.id, ())
        others = [r for r in roots if r in before and r not in self._waiting]
        return set(others or roots)

    def _wait(self, now_ns: int, following: Iterable[str]) -> set[str]:
        """Those of them whose time has not come."""
        self._waiting = {r: self._waiting.get(r, now_ns) for r in following}
        return {r for r, since_ns in self._waiting.items() if now_ns - since_ns < _NEXT_NS}

    def _value(self, root: str, values: Mapping[str, Value]) -> Value:
        return _NOT_WORKED_OUT if root in self._says else values[root]

    def _raise(self, now_ns: int, root: str, priority: Priority, value: Value) -> Change | None:
        before = self._priority.get(root)
        if before is not None and priority <= before:
            return None
        # A channel that is seen again is reported no worse than before, though the rule counts as blind for a while.
        unsure = value.quality is Quality.WITHIN
        if before is not None and value.quality in USABLE and not unsure:
            self.held_back = True
            return None
        alert = self.alerts.setdefault(BLIND + root, AlertState())
        known = unsure and self._told_lately(now_ns, root, priority)
        known = known or (before is None and self._is_merely_news(now_ns, root, priority))
        alert.active, alert.acknowledged, alert.since_ns = True, known, now_ns
        if priority is Priority.WARNING:
            alert.shelved_until_ns = None
        self._priority[root] = priority
        (self._unsure.add if unsure else self._unsure.discard)(root)
        return self.change(now_ns, BLIND + root, value.reason, value.quality)

    def _told_lately(self, now_ns: int, root: str, priority: Priority) -> bool:
        """Whether a person has heard of this interval; noted as told where not."""
        told = self._unsure_told.get(root)
        if told is not None and now_ns - told[0] < _UNSURE_AGAIN_NS and priority <= told[1]:
            return True
        self._unsure_told[root] = (now_ns, priority)
        return False

    def _is_merely_news(self, now_ns: int, root: str, priority: Priority) -> bool:
        """Whether a person has just been told of the same, and more gravely."""
        ended = self._ended.get(root)
        return ended is not None and priority < ended[1] and now_ns - ended[0] < _NEWS_AFTER_NS

    def _end(self, now_ns: int, root: str) -> Change:
        alert = self.alerts[BLIND + root]
        alert.active, alert.acknowledged, alert.since_ns = False, True, now_ns
        alert.shelved_until_ns = None
        change = self.change(now_ns, BLIND + root)
        self._ended[root] = (now_ns, self._priority[root])
        del self._priority[root]
        self._unsure.discard(root)
        return change

    def _unshelve(self, now_ns: int, name: str, alert: AlertState) -> list[Change]:
        alert.shelved_until_ns = None
        if alert.active:
            alert.acknowledged = False
        return [self.change(now_ns, name)]

    def acknowledge(self, now_ns: int) -> list[Change]:
        """A person has taken note of every dead sensor."""
        return [self.change(now_ns, name) for name, alert in self.alerts.items() if alert.acknowledge(now_ns)]

    def shelve(self, name: str, now_ns: int, for_ns: int) -> str:
        """Put a dead sensor's alert aside for a time; returns why not, or nothing."""
        alert = self.alerts.get(name)
        if alert is None or not alert.active:
            return f"'{name}' does not stand"
        if self._priority[name.removeprefix(BLIND)] is Priority.WARNING:
            return f"'{name}': a warning depends on this sensor"
        if not 0 < for_ns <= _LONGEST_SHELVE_NS:
            return f"'{name}' may be shelved for at most {spelt(_LONGEST_SHELVE_NS / 60e9)} min"
        alert.shelved_until_ns = now_ns + for_ns
        return ""

    def unshelve(self, name: str, now_ns: int) -> list[Change]:
        """Bring it back before its time."""
        alert = self.alerts.get(name)
        return [] if alert is None or not alert.shelved else self._unshelve(now_ns, name, alert)

    def asking(self, now_ns: int) -> list[Change]:
        """Every alert that asks for attention, as a change of now."""
        return [self.change(now_ns, name) for name, alert in self.alerts.items() if alert.sounds]

    def change(self, now_ns: int, name: str, figures: str = "", quality: Quality | None = None) -> Change:
        """How this alert stands now, in words."""
        root, alert = name.removeprefix(BLIND), self.alerts[name]
        priority = self._priority.get(root, Priority.WARNING)
        called = self._called.get(root) or root.replace("_", " ")
        say = f"Cannot judge: {self._says[root]}" if root in self._says else f"Cannot see {called}"
        reason = "" if quality is None or root in self._says else _SPOKEN.get(quality, "")
        do = "Stay off boost" if priority > Priority.ADVISORY else "Have it looked at"
        if quality is Quality.WARMING:
            say = f"{called} still warming up"
        elif root in self._unsure:
            say, do, reason = f"{called} unsure", LEARN_AIR, ""
        return Change(
            now_ns,
            name,
            alert.name,
            alert.active,
            alert.acknowledged,
            priority,
            True,
            say[:1].upper() + say[1:],
            do,
            figures,
            shelved=alert.shelved,
            reason=reason,
            measured=() if quality is None or root in self._says else (self._seen(root, quality),),
        )

    def _seen(self, root: str, quality: Quality) -> dict[str, Any]:
        """What is wrong with the channel, for a program; a number that cannot be trusted is none."""
        return channel_seen(root, Value(None, quality, 0), self._units.get(root, ""))

    def take_over(self, before: BlindAlerts, now_ns: int, channels: Iterable[str]) -> list[Change]:
        """Go on where another set of rules was; returns the end of what these rules cannot be blind to."""
        here = {*channels, *self._says}
        ended = [before._end(now_ns, root) for root in list(before._priority) if root not in here]
        state = before.state()
        state["alerts"] = {n: a for n, a in state["alerts"].items() if n.removeprefix(BLIND) in here}
        self.restore(state)
        return ended

    def state(self) -> dict[str, Any]:
        """Everything that later steps depend on; plain JSON."""
        return {
            "alerts": {k: asdict(a) for k, a in self.alerts.items()},
            "priority": {k: int(p) for k, p in self._priority.items()},
            "unsure": sorted(self._unsure),
            "held": sorted(self._held),
            "roots_of": dict(self._roots_of),
            "waiting": dict(self._waiting),
            "ended": {k: [t, int(p)] for k, (t, p) in self._ended.items()},
            "unsure_told": {k: [t, int(p)] for k, (t, p) in self._unsure_told.items()},
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.alerts = {k: AlertState(**a) for k, a in state["alerts"].items()}
        self._priority = {k: Priority(p) for k, p in state["priority"].items()}
        self._unsure, self._held = set(state.get("unsure", ())), set(state.get("held", ()))
        self._roots_of = {k: list(r) for k, r in state.get("roots_of", {}).items()}
        self._waiting = {k: int(t) for k, t in state.get("waiting", {}).items()}
        self._ended = {k: (int(t), Priority(p)) for k, (t, p) in state.get("ended", {}).items()}
        self._unsure_told = {k: (int(t), Priority(p)) for k, (t, p) in state.get("unsure_told", {}).items()}
