"""A vehicle of any settings after an install: the channels by phase, and what its owner reads off a meter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.inspection.roles import Moment, Told, roles_of
from cabcanary_bench.drives.scenario import Phase, Scenario
from cabcanary_bench.fast.fast import TICK_S, drive
from cabcanary_bench.fast.fitted import Fitted
from cabcanary_bench.faults.faults import Fault
from cabcanary_bench.installed.install_faults import INSTALL_FAULTS, InstallFault, changed_wires
from cabcanary_bench.sensors.traits import Traits
from cabcanary_bench.van.build import Build

if TYPE_CHECKING:
    from cabcanary.plan.plan import Plan
    from cabcanary_bench.fast.fast import Recording

_KINDS = ("displacement", "centrifugal", "turbo")
_KEY_ON_S, _WARM_C = 60.0, 85.0
#: As the feed is followed, every second tick.
_EVERY = 2


class NotHereError(ValueError):
    """The vehicle of these settings cannot have the fault; the message says why."""


def _phases() -> tuple[Phase, ...]:
    """The bench van has no neutral: in a blip it rolls a little."""
    made: list[Phase] = []

    def add(name: str, seconds: float, *points: float, **more: float | bool | None) -> None:
        start = made[-1].end_s if made else 0.0
        speeds = ((start, points[0]), (start + seconds, points[-1]))
        made.append(Phase(name, start, start + seconds, 0.0, speeds=speeds, **more))  # type: ignore[arg-type]

    add("key on", _KEY_ON_S, 0.0)
    add("start", 2.0, 0.0, crank=True)
    add("settling", 15.0, 0.0)
    add("idle", 30.0, 0.0)
    for _ in range(3):
        add("blip", 1.0, 0.0, pedal_percent=30.0)
        add("blip", 5.0, 0.0)
    add("drive", 15.0, 0.0, 62.0)
    add("drive", 5.0, 62.0)
    add("drive", 8.0, 62.0, 74.0, grade_percent=10.0)
    add("drive", 5.0, 60.0, pedal_percent=0.0)
    add("drive", 12.0, 55.0, 0.0)
    add("key off", 3.0, 0.0, key_on=False)
    return tuple(made)


def _scenario(fault: InstallFault | None) -> Scenario:
    phases = _phases()
    length = phases[-1].end_s
    kinds = () if fault is None or fault.kind is None else (Fault(fault.kind, 0.0, length, fault.severity),)
    return Scenario("inspection", length, phases, faults=kinds, start_coolant_c=_WARM_C)


def fault_named(name: str, plan: Plan) -> InstallFault:
    """A fault of the table that this vehicle can have.

    Raises:
        NotHereError: there is none of this name, or the settings lack what it needs.
    """
    fault = INSTALL_FAULTS.get(name)
    if fault is None:
        raise NotHereError(f"there is no fault '{name}'; the faults are: {', '.join(INSTALL_FAULTS)}")
    roles = roles_of(plan)
    has = {
        "": True,
        "voltage": roles.mixture is not None and roles.mixture.analogue,
        "text": roles.mixture is not None and not roles.mixture.analogue,
        "supply": roles.supply is not None,
        "trims": roles.short_trim is not None or roles.long_trim is not None,
    }
    if not has[fault.needs]:
        lacks = {
            "supply": "a supply channel",
            "text": "a wideband by serial line",
            "voltage": "one by voltage",
            "trims": "fuel trims of the bus",
        }
        raise NotHereError(f"this vehicle cannot have '{name}': it takes {lacks[fault.needs]}")
    return fault


@dataclass(frozen=True, slots=True)
class BenchEyes:
    """The moments of each phase, and the answers of the person at the meter."""

    phases: dict[str, list[Moment]]
    answers: dict[str, float | bool]

    def watch(self, phase: str, seconds: float, until_enter: bool) -> list[Moment]:  # noqa: ARG002
        """All moments of a phase."""
        return self.phases.get(phase, [])


def bench_eyes(plan: Plan, fault: InstallFault | None, seed: int = 1) -> BenchEyes:
    """Drive the inspection's timeline with the plan's own vehicle.

    Raises:
        NoWireError: the bench cannot simulate one of the channels.
    """
    kind = plan.settings.compressor_kind
    fitted = Fitted(plan.settings, Build(kind if kind in _KINDS else "none" if not kind else "displacement"))  # type: ignore[arg-type]
    ends = fitted.lambda_ends
    traits = Traits() if ends is None else Traits(lambda_ends=ends)
    recording = drive(_scenario(fault), seed, traits, fitted=fitted)
    if fault is not None:
        recording = changed_wires(fault, recording, {wire.name: wire for wire in fitted.wires()})
    return BenchEyes(_moments(plan, recording), _answers(recording, fault))


def _moments(plan: Plan, recording: Recording) -> dict[str, list[Moment]]:
    pipeline, names = plan.pipeline(), roles_of(plan).names
    found: dict[str, list[Moment]] = {}
    for n, (newest, now_ns) in enumerate(recording.ticks()):
        values = pipeline.step(newest, now_ns).values
        if n % _EVERY == 0:
            told = {c: Told(values[c].value, values[c].quality.words, values[c].reason) for c in names}
            name = recording.scenario.phase_at(n * TICK_S).name
            found.setdefault(name, []).append(Moment(now_ns / 1e9, told))
    return found


def _answers(recording: Recording, fault: InstallFault | None) -> dict[str, float | bool]:
    """What a meter shows on this vehicle, and what a person hears and feels."""
    key_on = round(_KEY_ON_S / TICK_S)
    battery = float(np.median(recording.truth["supply_v"][:key_on]))
    good: dict[str, float | bool] = {
        "feed_key_off": 0.0,
        "battery": round(battery, 2),
        "feed": round(battery - 0.1, 2),
        "ground": 0.02,
        "barometer": round(float(np.median(recording.truth["baro_kpa"])), 1),
        "idle_steady": True,
        "pedal": True,
        "buzzer": True,
        "lamp": True,
        "plug_5v": 5.0,
        "plug_signal": 2.0,
        "sensor_ground": 0.01,
        "unit_signal": 4.5,
        "unit_lives": True,
    }
    return good | dict(fault.meter if fault else {})
