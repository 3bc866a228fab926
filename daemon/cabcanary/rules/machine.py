"""One rule's way from the truth of its condition to the state of its alert.

Both ways of running a rule, live and over a whole drive, step this machine; they differ only in how they come by the
truths. The timing is that of OPC 10000-9 (OPC UA Part 9), 5.8 and annex B: on-delay, off-delay, re-alarm; unknown
pauses a delay, and only its opposite resets it.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import TYPE_CHECKING, Any

from cabcanary.rules.rule import ONE_DAMAGE
from cabcanary.rules.states import AlertState, ShelveError
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.expressions.scalar import Truth
    from cabcanary.rules.rule import Rule
    from cabcanary.rules.states import Blame

#: The blind timer drains at a quarter of the rate that it fills: a wire that is dead for a fifth of the
#: time or more is still heard. At the full rate a wire that flickers half the time never would be.
BLIND_DRAIN_DIVISOR = 4
#: An audible blind alert clears after at most this, times the divisor above, of sight: a rule
#: that waits patiently for 20 s must not go on sounding for 80.
LONGEST_BLIND_LEFT_NS = 1_000_000_000
#: Between two ticks no more than this counts as blind: while the daemon itself stood still, nobody looked, and what
#: came meanwhile may still lie unread.
LONGEST_LOOK_NS = 100_000_000
#: A source that is there has spoken by then, ns from the first tick: ports take up to two seconds.
SPEAKS_WITHIN_NS = 2_000_000_000


@dataclass(slots=True)
class Tick:
    """What a rule's machine is given at a tick; `blame`, given those blamed before, is asked only when blind."""

    time_ns: int
    dt_ns: int
    truth: Truth
    suppressed: bool
    urgent: bool
    standing: bool
    #: Of an inverse-time rule: the least that the excess can be, in SI; None where it is not known.
    excess: float | None
    blame: Callable[[list[str]], Blame]
    #: Of a rule that asks again when it gets worse: the least that its excess can be, in SI; None where not known.
    level: float | None = None


@dataclass(slots=True)
class Memory:
    """What a rule's machine remembers between ticks; all of it goes into a saved state."""

    truth: Truth = False
    may_rise: Truth = False
    on_ns: int = 0
    off_ns: int = 0
    damage: int = 0
    blind_ns: int = 0
    blind_tripped: bool = False
    blind_roots: list[str] = field(default_factory=list)
    #: Nothing is dead: an interval is too wide to tell.
    blind_unsure: bool = False
    #: The largest excess since the trip, up to the acknowledgement.
    worst: float | None = None
    #: Whether the condition has been known at any tick yet, or the engine known to stand.
    seen: bool = False


def _timer(elapsed_ns: int, now: Truth, before: Truth, dt_ns: int, *, counts: bool) -> int:
    """A delay's timer: it runs while the truth is `counts`, pauses on unknown, and only the opposite resets it."""
    if now is None:
        return elapsed_ns
    if now is not counts:
        return 0
    return elapsed_ns + dt_ns if before is counts else elapsed_ns


def blind_delay_ns(rule: Rule, memory: Memory, *, urgent: bool) -> int:
    """How long a rule bears to be blind. An interval that is too wide is no sensor that died: that is never urgent.
    Nor is what has not spoken yet lost: started in mid-drive, the sources speak one after the other."""
    patient_ns = max(rule.blind_delay_ns, rule.blind_otherwise_ns)
    if memory.blind_unsure:
        return patient_ns
    if rule.urgent_when is None:
        return rule.blind_delay_ns
    if not urgent:
        return rule.blind_otherwise_ns
    return rule.blind_delay_ns if memory.seen else min(max(rule.blind_delay_ns, SPEAKS_WITHIN_NS), patient_ns)


class Machine:
    """The state machine of one rule."""

    def __init__(self, rule: Rule) -> None:
        self.rule = rule
        self.memory = Memory()
        self.alert = AlertState(out_of_service=bool(rule.out_of_service))
        #: Nothing would change while the condition stays false.
        self.resting = False

    def step(self, tick: Tick) -> bool:
        """One tick; returns whether the alert's state has another name now."""
        rule, memory, alert = self.rule, self.memory, self.alert
        truth, before = tick.truth, alert.name
        memory.seen = memory.seen or truth is not None or tick.standing
        self._step_blind_timer(tick)
        # Suppression holds back a trip; an alert that stands goes only when its condition is known to be false.
        may_rise: Truth = False if tick.suppressed else truth
        memory.on_ns = _timer(memory.on_ns, may_rise, memory.may_rise, tick.dt_ns, counts=True)
        if rule.inverse_time is not None:
            self._step_damage(tick, may_rise)
        # An alert never returns through unknown, but for one case: the engine is known to stand, the sensors went dark
        # with the key, and nothing is left that could hurt. It would sound in a parked vehicle for ever.
        if truth is None and tick.standing:
            truth = False
        memory.off_ns = _timer(memory.off_ns, truth, memory.truth, tick.dt_ns, counts=False) if alert.active else 0
        memory.truth, memory.may_rise = truth, may_rise
        self._move(tick, truth, may_rise)
        self._end_shelving(tick.time_ns)
        self.resting = truth is False and self._nothing_stands()
        return alert.name != before

    def _move(self, tick: Tick, truth: Truth, may_rise: Truth) -> None:
        rule, alert = self.rule, self.alert
        if alert.active and tick.suppressed and rule.suppress_ends:
            self._return(tick.time_ns)
        # What is latched still asks for somebody: it is not put out of sight.
        alert.suppressed = tick.suppressed and truth is True and not (alert.active or alert.latched)
        if not alert.active:
            if may_rise is True and self._ripe():
                alert.active, alert.acknowledged, alert.since_ns, alert.re_alarms = True, False, tick.time_ns, 0
                self.memory.worst = None
                self._follow_worst(tick, truth)
        elif truth is False and self.memory.off_ns >= rule.off_delay_ns:
            self._return(tick.time_ns)
        elif rule.re_alarm_ns and alert.acknowledged and self._due_again(tick.time_ns):
            alert.acknowledged, alert.re_alarms = False, alert.re_alarms + 1
        else:
            self._follow_worst(tick, truth)

    def _follow_worst(self, tick: Tick, truth: Truth) -> None:
        """An alert that has been acknowledged asks again once it has got worse by a step."""
        worse, alert, memory, level = self.rule.worse, self.alert, self.memory, tick.level
        if worse is None or level is None or truth is not True or tick.suppressed:
            return
        if memory.worst is None or not alert.acknowledged:
            memory.worst = level if memory.worst is None else max(memory.worst, level)
        elif level >= worse.asks_from(memory.worst):
            alert.acknowledged, memory.worst = False, level

    def _ripe(self) -> bool:
        if self.rule.inverse_time is not None:
            return self.memory.damage >= ONE_DAMAGE
        return self.memory.on_ns >= self.rule.on_delay_ns

    def _due_again(self, now_ns: int) -> bool:
        most = self.rule.re_alarm_count
        due = now_ns - self.alert.acknowledged_ns >= self.rule.re_alarm_ns
        return due and (most is None or self.alert.re_alarms < most)

    def _return(self, now_ns: int) -> None:
        alert = self.alert
        alert.active, alert.since_ns = False, now_ns
        self.memory.off_ns = 0
        if alert.one_shot:
            alert.shelved_until_ns, alert.one_shot = None, False
        # Alerts go away when the condition goes (14 CFR 25.1322), a latched one once somebody has taken note as well.
        alert.latched = self.rule.latching and not alert.acknowledged
        alert.acknowledged = not alert.latched

    def _step_damage(self, tick: Tick, may_rise: Truth) -> None:
        spec, memory = self.rule.inverse_time, self.memory
        assert spec is not None
        if may_rise is False:
            memory.damage = max(0, memory.damage - int(tick.dt_ns * ONE_DAMAGE / spec.drain_ns))
        elif may_rise is True and tick.excess is not None and memory.may_rise is True:
            permitted_ns = spec.permitted_ns(tick.excess)
            added = ONE_DAMAGE if permitted_ns <= tick.dt_ns else int(tick.dt_ns * ONE_DAMAGE / permitted_ns + 0.5)
            memory.damage = min(ONE_DAMAGE, memory.damage + added)

    def _step_blind_timer(self, tick: Tick) -> None:
        rule, memory = self.rule, self.memory
        if tick.standing:
            self._see()
            return
        dt_ns = min(tick.dt_ns, LONGEST_LOOK_NS)
        if tick.truth is not None:
            left_ns = min(memory.blind_ns, LONGEST_BLIND_LEFT_NS) if memory.blind_tripped else memory.blind_ns
            memory.blind_ns = max(0, left_ns - dt_ns // BLIND_DRAIN_DIVISOR)
            if memory.blind_ns == 0:
                self._see()
            return
        memory.blind_roots, memory.blind_unsure = tick.blame(memory.blind_roots)
        delay_ns = blind_delay_ns(rule, memory, urgent=tick.urgent)
        memory.blind_ns = min(memory.blind_ns + dt_ns, max(delay_ns, 1))
        # What tripped as a sensor that died has its time anew once there is only an interval too wide to tell.
        tripped = memory.blind_tripped and not memory.blind_unsure
        memory.blind_tripped = tripped or memory.blind_ns >= delay_ns

    def _see(self) -> None:
        memory = self.memory
        memory.blind_ns, memory.blind_tripped, memory.blind_roots, memory.blind_unsure = 0, False, [], False

    def _nothing_stands(self) -> bool:
        memory, alert = self.memory, self.alert
        return not (
            alert.active
            or alert.latched
            or alert.suppressed
            or alert.shelved
            or not alert.acknowledged
            or memory.on_ns
            or memory.damage
            or memory.blind_ns
            or memory.blind_tripped
        )

    # --- what a person does -------------------------------------------------------------------------------

    def shelve(self, now_ns: int, for_ns: int, *, one_shot: bool = False) -> None:
        """Put the alert aside for a time; it comes back by itself.

        Raises:
            ShelveError: this rule may not be put aside, or not for so long.
        """
        rule = self.rule
        if not rule.shelvable:
            raise ShelveError(f"'{rule.id}' is marked as not shelvable")
        if rule.out_of_service:
            raise ShelveError(f"'{rule.id}' is out of service: {rule.out_of_service}")
        if not 0 < for_ns <= rule.longest_shelve_ns:
            raise ShelveError(f"'{rule.id}' may be shelved for at most {spelt(rule.longest_shelve_ns / 60e9)} min")
        self.alert.shelved_until_ns, self.alert.one_shot = now_ns + for_ns, one_shot
        self.resting = False

    def unshelve(self) -> None:
        """End shelving early; an alert that stands asks for attention again."""
        self.alert.shelved_until_ns, self.alert.one_shot = None, False
        if self.alert.active:
            self.alert.acknowledged = False

    def _end_shelving(self, now_ns: int) -> None:
        until_ns = self.alert.shelved_until_ns
        if until_ns is not None and now_ns >= until_ns:
            self.unshelve()

    # --- saving -------------------------------------------------------------------------------------------

    def state(self) -> dict[str, Any]:
        """Everything that later steps depend on; plain JSON."""
        return {"memory": asdict(self.memory), "alert": asdict(self.alert)}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self.memory = Memory(**state["memory"])
        self.alert = AlertState(**state["alert"])
        self.alert.out_of_service = bool(self.rule.out_of_service)
        self.resting = self.memory.seen and self.memory.truth is False and self._nothing_stands()
