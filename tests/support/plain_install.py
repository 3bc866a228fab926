"""An install on the second engine: its vehicle parked, idling, blipped and driven, with one fault of wires or plumbing.

Shares no equations with the simulators and no figures with the table of causes. Volts at the sensor's pins; what a
person reads off a meter comes from the same truth.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from plain_engine import Compressor, PlainEngine, Stretch
from plain_sensors import PlainSensors, _back

from cabcanary.inspection.evidence import Evidence
from cabcanary.inspection.questions import BY_KEY
from cabcanary.inspection.ranking import ranked
from cabcanary.inspection.record import Record
from cabcanary.inspection.roles import Moment, Told, roles_of
from cabcanary.inspection.walk import Walk
from cabcanary.model import Quality, Reading
from cabcanary.plan.plan import Plan, plan_in_stage
from cabcanary.store.baselines import Baselines

if TYPE_CHECKING:
    from plain_engine import State

CONFIG = Path(__file__).parents[2] / "config"
#: Vehicle -> its stage here, the engine's compressor, displacement in m3.
VEHICLES: dict[str, tuple[str, Compressor, float]] = {
    "market-hatchback": ("compressor, low boost", "centrifugal", 1.4e-3),
    "harbour-pickup": ("compressor, low boost", "turbo", 2.4e-3),
    "hill-estate": ("sensors", "none", 2.0e-3),
    "bench-van": ("compressor, low boost", "displacement", 2.2e-3),
}
_ANALOGUE, _SERIAL = ("market-hatchback", "harbour-pickup"), ("hill-estate", "bench-van")
_WITH_SUPPLY = ("harbour-pickup", "hill-estate", "bench-van")
#: The fault -> the vehicles that can have it; by the name of its cause.
FAULTS: dict[str, tuple[str, ...]] = {
    "no_feed": tuple(VEHICLES), "feed_live": tuple(VEHICLES), "converter_ground": tuple(VEHICLES),
    "feed_resistance": tuple(VEHICLES), "sensor_ground": tuple(VEHICLES), "map_open": tuple(VEHICLES),
    "map_to_ground": tuple(VEHICLES), "map_to_5v": tuple(VEHICLES), "no_5v": tuple(VEHICLES),
    "line_off": tuple(VEHICLES), "line_kinked": tuple(VEHICLES), "line_leaks": tuple(VEHICLES),
    "vacuum_leak": tuple(VEHICLES), "servo_off": tuple(VEHICLES), "gauge_sensor": tuple(VEHICLES),
    "wrong_range": tuple(VEHICLES), "swapped": _ANALOGUE, "mixture_open": _ANALOGUE, "heater_dead": tuple(VEHICLES),
    "mixture_stuck": tuple(VEHICLES), "unit_dead": tuple(VEHICLES), "exhaust_leak": tuple(VEHICLES),
    "divider": _WITH_SUPPLY, "buzzer_silent": tuple(VEHICLES), "line_silent": _SERIAL,
}  # fmt: skip
#: Ranges of pressure sensors in use, kPa at 0.5 and 4.5 V.
_RANGES = ((20.0, 115.0), (10.0, 200.0), (20.0, 304.0), (20.0, 400.0))
_CYCLE = (
    Stretch(60.0, 0.0, name="key on"),
    Stretch(1.2, 0.0, starter=True, name="start"),
    Stretch(40.0, 0.0, neutral=True, name="idle"),
    *(s for _ in range(3) for s in (Stretch(1.0, 0.5, neutral=True, name="blip"),
                                    Stretch(4.0, 0.0, neutral=True, name="blip"))),
    Stretch(12.0, speed=45.0, name="drive"),
    Stretch(12.0, speed=70.0, name="drive"),
    Stretch(4.0, 1.0, gear=3, name="drive"),
    Stretch(5.0, 0.0, gear=3, name="drive"),
    Stretch(12.0, speed=0.0, name="drive"),
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Variant:
    """One vehicle as it is: everything that differs between two of one kind."""

    vehicle: str
    fault: str | None
    displacement_m3: float
    idle_share: float
    metered_ahead: bool
    idle_control: float
    air_kpa: float
    strength: float
    baseline: bool
    knows_air: bool
    seed: int


def variant(vehicle: str, fault: str | None, seed: int) -> Variant:
    """A vehicle drawn from a seed."""
    rng = random.Random(f"{vehicle} {fault} {seed}")
    return Variant(
        vehicle, fault, VEHICLES[vehicle][2] * rng.uniform(0.8, 1.25), rng.uniform(0.9, 1.2), rng.random() < 0.5,
        rng.choice((0.0, 0.6, 1.0)), rng.uniform(84.0, 102.5), rng.uniform(0.0, 1.0), rng.random() < 0.5,
        fault is not None or rng.random() < 0.7, seed,
    )  # fmt: skip


class Install(PlainSensors):
    """The wires of a settings file with the fault of a variant."""

    def __init__(self, config: Path, engine: PlainEngine, v: Variant) -> None:
        super().__init__(config, engine, v.seed)
        self.v = v
        self._line: float | None = None
        self._stuck = 0.93 + 0.15 * v.strength

    def _is(self, *faults: str) -> bool:
        return self.v.fault in faults

    def _between(self, low: float, high: float) -> float:
        return low + (high - low) * self.v.strength

    def _smell(self, state: State) -> None:
        super()._smell(state)
        self._line = self._at_the_sensor(state)

    def _at_the_sensor(self, state: State) -> float:
        wanted = state.map_kpa
        if self._is("line_off"):
            wanted = state.air_kpa
        if self._is("line_leaks"):
            wanted += self._between(0.3, 0.6) * (state.air_kpa - wanted)
        if not self._is("line_kinked") or self._line is None:
            return wanted
        return self._line + (wanted - self._line) * 0.02 / self._between(1.0, 3.0)

    def _lambda(self) -> float:
        if self._is("mixture_stuck"):
            return self._stuck
        shown = super()._lambda()
        state = self._engine.now
        if self._is("exhaust_leak") and state.running:
            # Air is drawn in between pulses; a share that falls with the gas flow.
            flow = max(1.0, state.rpm * state.map_kpa / (800 * 33))
            shown *= 1.0 + self._between(0.15, 0.35) / flow
        return shown

    def _send(self, source: str, item: str, state: State, now_ns: int) -> None:
        if self._is("no_feed", "unit_dead", "line_silent"):
            return
        if self._is("heater_dead"):
            why = Quality.WARMING, "the sensor reports 'heating'"
            self._newest[source, item] = Reading(source, item, None, now_ns - 2_000_000, *why)
            return
        super()._send(source, item, state, now_ns)

    def _volts(self, name: str, spec: dict[str, Any], state: State) -> float:
        if self._is("swapped") and name in ("map", "lambda"):
            other = "lambda" if name == "map" else "map"
            return self._own(other, self._channels[other], state)
        volts = self._own(name, spec, state)
        return max(0.0, volts - self._between(0.25, 0.5)) if self._is("converter_ground") else volts

    def _own(self, name: str, spec: dict[str, Any], state: State) -> float:
        if name == "supply":
            return state.supply * (self._between(0.7, 1.3) if self.v.strength > 0.75 or self.v.strength < 0.25
                                   else 0.8) if self._is("divider") else state.supply  # fmt: skip
        if name == "lambda":
            if self._is("no_feed", "unit_dead", "mixture_open", "heater_dead") or self._powered_s < 16.0:
                return 0.0
            return _back(spec, self._lambda())
        if name == "map":
            return self._pressure(spec, state)
        return super()._volts(name, spec, state)

    def _pressure(self, spec: dict[str, Any], state: State) -> float:
        assert self._line is not None
        if self._is("map_open", "map_to_ground", "no_5v"):
            return 0.0
        if self._is("map_to_5v"):
            return 5.0
        if self._is("gauge_sensor"):
            return min(4.8, max(0.2, 0.5 + 4.0 * (self._line - state.air_kpa) / 200.0))
        if self._is("wrong_range"):
            own = spec["curve"]["points"]
            others = [r for r in _RANGES if abs(r[1] - own[1][1]) > 40.0]
            low, high = others[int(self.v.strength * len(others) * 0.999)]
            return min(4.8, max(0.2, 0.5 + 4.0 * (self._line - low) / (high - low)))
        return _back(spec, self._line) + (0.3 if self._is("sensor_ground") else 0.0)


def engine_of(v: Variant) -> PlainEngine:
    """The engine of a variant, with the hole that its fault makes."""
    idle_m2 = 1.55e-5 * v.displacement_m3 / 2.0e-3 * v.idle_share
    share = {"vacuum_leak": 1.0 + 0.8 * v.strength, "servo_off": 1.6 + v.strength, "line_off": 0.4}.get(
        v.fault or "", 0.0
    )
    return PlainEngine(
        VEHICLES[v.vehicle][1], air_kpa=v.air_kpa, cycle=_CYCLE, displacement_m3=v.displacement_m3, idle_m2=idle_m2,
        leak_m2=share * idle_m2, metered_ahead=v.metered_ahead, idle_control=v.idle_control,
    )  # fmt: skip


def typed(v: Variant) -> dict[str, float | bool]:
    """What a person reads off the meter, hears and feels."""
    rng = random.Random(f"typed {v}")
    battery = 12.4 + rng.uniform(-0.04, 0.04)
    lost = {"no_feed": battery, "feed_resistance": 0.7 + 0.9 * v.strength}.get(v.fault or "", rng.uniform(0.05, 0.3))
    analogue_dark = v.fault in ("no_feed", "unit_dead", "heater_dead")
    said: dict[str, float | bool] = {
        "feed_key_off": 12.3 if v.fault == "feed_live" else rng.uniform(0.0, 0.1),
        "battery": round(battery, 2),
        "feed": round(battery - lost, 2),
        "ground": round(0.25 + 0.25 * v.strength if v.fault == "converter_ground" else rng.uniform(0.0, 0.06), 3),
        "idle_steady": v.fault not in ("vacuum_leak", "servo_off", "line_off"),
        "pedal": v.fault != "servo_off",
        "buzzer": v.fault != "buzzer_silent",
        "lamp": True,
        "plug_5v": rng.uniform(0.0, 0.4) if v.fault == "no_5v" else rng.uniform(4.9, 5.1),
        "plug_signal": {"no_5v": 0.0, "map_to_ground": 0.01, "map_to_5v": 5.0}.get(v.fault or "", 1.9),
        "sensor_ground": 0.3 if v.fault == "sensor_ground" else rng.uniform(0.0, 0.03),
        "unit_signal": 0.0 if analogue_dark else 4.6,
        "unit_lives": v.fault not in ("no_feed", "unit_dead"),
    }
    if v.knows_air:
        said["barometer"] = round(v.air_kpa + rng.uniform(-0.6, 0.6), 1)
    assert set(said) <= set(BY_KEY)
    return said


@cache
def plan_of(vehicle: str) -> Plan:
    """The shipped settings in the stage of this inspection."""
    return plan_in_stage(CONFIG / f"{vehicle}.toml", VEHICLES[vehicle][0], Baselines())


class PlainEyes:
    """The channels of a vehicle's own pipeline over the whole cycle, by phase."""

    def __init__(self, v: Variant) -> None:
        plan = plan_of(v.vehicle)
        pipeline, names = plan.pipeline(), roles_of(plan).names
        install = Install(CONFIG / f"{v.vehicle}.toml", engine_of(v), v)
        self._phases: dict[str, list[Moment]] = {}
        for n, (state, newest, now_ns) in enumerate(install.ticks()):
            values = pipeline.step(newest, now_ns).values
            if n % 2:  # as the feed is followed: at 25 Hz
                told = {c: Told(values[c].value, values[c].quality.words, values[c].reason) for c in names}
                self._phases.setdefault(_stretch(state.time_s), []).append(Moment(now_ns / 1e9, told))

    def watch(self, phase: str, seconds: float, until_enter: bool) -> list[Moment]:
        """All of a phase."""
        return self._phases[phase]


def _stretch(time_s: float) -> str:
    for one in _CYCLE:
        if time_s <= one.seconds + 1e-9:
            return one.name
        time_s -= one.seconds
    return _CYCLE[-1].name


@dataclass(frozen=True, slots=True)
class Inspected:
    """What came of it: the causes in their order, and what failed."""

    v: Variant
    order: tuple[str, ...]
    failed: bool
    complete: bool
    record: Record
    observed: dict[str, str]

    @property
    def place(self) -> int:
        """Of the true cause, from 1."""
        return self.order.index(self.v.fault or "") + 1


def inspected(vehicle: str, fault: str | None, seed: int, folder: Path) -> Inspected:
    """A whole inspection of one variant."""
    v = variant(vehicle, fault, seed)
    roles = roles_of(plan_of(vehicle))
    if v.baseline:
        roles = replace(roles, idle_before=(_healthy_idle(v), 2.0))
    evidence = Evidence(roles, typed(v))
    record = Record(folder / f"{vehicle}-{fault}-{seed}.json", vehicle, VEHICLES[vehicle][0])
    Walk(record, evidence, PlainEyes(v), lambda _: None, None).go()
    order = tuple(r.cause.key for r in ranked(evidence.observed, roles))
    return Inspected(v, order, record.failed, record.complete, record, evidence.observed)


def _healthy_idle(v: Variant) -> float:
    """What the engine idled at in the stage before, kPa."""
    engine = engine_of(replace(v, fault=None))
    at = math.nan
    while engine.now.time_s < 95.0:
        at = engine.step().map_kpa
    return at
