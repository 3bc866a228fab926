"""A settings file's own channels and rules on the second engine: what sounded, when, and when it had to."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from plain_engine import CYCLE, TICK_S, Compressor, FaultName, PlainEngine, Stretch, starts_of
from plain_sensors import DEAD_S, LAG_S, PlainSensors

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.plan.plan import Plan
    from cabcanary.rules.rule import Rule

#: A fault comes this long after the second pull's start: a turbo is up by then.
INTO_PULL_S = 2.5
#: Boost counts as too much from here on above the limit, psi: what is not known of the air's pressure lies below it.
_PLAINLY_PSI = 2.0
#: Names for what each fault is. A wideband wire that is pulled up says "lean beyond my end", which is true of the wire.
_BLIND_LAMBDA = ("cannot_see_lambda", "cannot_see_boost_as_burnt")
_BLIND_MAP = ("cannot_see_map", "cannot_see_boost", "cannot_see_boost_as_burnt")
NAMES: dict[FaultName, tuple[str, ...]] = {
    "lean": ("lean_under_boost",),
    "over_boost": ("over_boost",),
    "wideband_off": _BLIND_LAMBDA,
    "wideband_pulled_up": (*_BLIND_LAMBDA, "lean_under_boost"),
    "pressure_off": _BLIND_MAP,
    "pressure_pulled_up": _BLIND_MAP,
}


@dataclass(frozen=True, slots=True)
class PlainResult:
    """One drive: the fault is there from `onset_s` on, beyond doubt from `plain_s`; `heard` is (s, alert) in order."""

    fault: FaultName | None
    fault_s: float
    onset_s: float
    plain_s: float
    heard: tuple[tuple[float, str], ...]
    most_boost_psi: float
    bound_s: float
    key_off_s: float

    @property
    def delay_s(self) -> float | None:
        """From the fault to the alert that names it."""
        if self.fault is None:
            return None
        names = NAMES[self.fault]
        return next((t - self.onset_s for t, a in self.heard if t >= self.fault_s and a in names), None)

    @property
    def in_time(self) -> bool:
        """Whether the alert came after the fault, and within the bound from when it was beyond doubt."""
        delay = self.delay_s
        return delay is not None and delay >= 0 and self.onset_s + delay <= self.plain_s + self.bound_s

    @property
    def false(self) -> tuple[str, ...]:
        """What sounded with the key on before anything was wrong."""
        end_s = self.key_off_s if self.fault is None else self.fault_s
        return tuple(a for t, a in self.heard if t < end_s)

    @property
    def after_key_off(self) -> tuple[str, ...]:
        """What sounded once the key was off."""
        return tuple(a for t, a in self.heard if t >= self.key_off_s)


def plain_drive(config: Path, plan: Plan, engine: PlainEngine, limit_psi: float, seed: int = 1) -> PlainResult:
    """The whole cycle through the plan's pipeline and engine, tick by tick."""
    pipeline, rules = plan.pipeline(), plan.engine()
    heard: list[tuple[float, str]] = []
    onset = plain = math.inf
    most = -math.inf
    over = engine.fault == "over_boost"
    for state, newest, now_ns in PlainSensors(config, engine, seed).ticks():
        heard += [(state.time_s, c.alert) for c in rules.step(pipeline.step(newest, now_ns)) if c.sounds]
        most = max(most, state.boost_psi)
        if state.time_s >= engine.fault_s:
            onset = min(onset, state.time_s if not over or state.boost_psi > limit_psi else math.inf)
            plain = min(plain, state.time_s if not over or state.boost_psi > limit_psi + _PLAINLY_PSI else math.inf)
    bound = bound_s(plan, engine.fault) if engine.fault else 0.0
    return PlainResult(
        engine.fault, engine.fault_s, onset, plain, tuple(heard), most, bound, starts_of("key off", engine.cycle)
    )


def bound_s(plan: Plan, fault: FaultName) -> float:
    """The latest that an alert may come: the rule's own delay, the sensor's dead time and three lags, two ticks.

    Three time constants are 95 % of a step (first-order lag).
    """
    rules = {rule.id: rule for rule in plan.rules.rules}
    ticks = 3 * TICK_S
    if fault in ("lean", "wideband_pulled_up"):
        return _delay_s(rules["lean_under_boost"]) + DEAD_S + 3 * LAG_S + ticks
    if fault == "over_boost":
        return _delay_s(rules["over_boost"]) + ticks
    channel = plan.settings.channels["lambda" if fault == "wideband_off" else "map"]
    stale_s = channel.stale_after
    return rules["lean_under_boost"].blind_delay_ns / 1e9 + stale_s + ticks


def _delay_s(rule: Rule) -> float:
    return rule.on_delay_ns / 1e9 if rule.inverse_time is None else max(s for _, s in rule.inverse_time.points)


def faulty(
    compressor: Compressor, fault: FaultName | None, cycle: tuple[Stretch, ...] = CYCLE, climb_kpa_s: float = 0.0
) -> PlainEngine:
    """An engine with a fault in the second pull of its cycle."""
    at = starts_of("second pull", cycle) + INTO_PULL_S
    return PlainEngine(compressor, fault, at, climb_kpa_s=climb_kpa_s, cycle=cycle)
