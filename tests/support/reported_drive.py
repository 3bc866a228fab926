"""A short drive of a vehicle of `config/`, driven by hand through the live path and laid into an archive of its own."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from shipped_ride import AIR_KPA, CRUISE, IDLE, KEY_ON, KPA_PER_PSI, PULL, TICK_NS, Ride
from small_drive import _write

from cabcanary.alerts.words import alert_event
from cabcanary.recorder.summary import Summary
from cabcanary.store.manifest import MANIFEST_ENDING, Manifest, drive_folder, manifest_json

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan

START, NAME = "2026-03-04T05:06:07.000Z", "20260304T050607Z-0001"


def pressure(psi: float) -> dict[str, float]:
    """A manifold that holds so much above the air, as both sensors of it see it."""
    return {"map": AIR_KPA + psi * KPA_PER_PSI, "engine_map": min(115.0, AIR_KPA + psi * KPA_PER_PSI)}


@dataclass
class Reported:
    """An archive with one drive."""

    folder: Path
    samples: Path
    plan: Plan


class Recording(Ride):
    """A ride that keeps its frames and what its rules told."""

    def __init__(self, vehicle: str, folder: Path, change: Callable[[str], str] | None = None) -> None:
        super().__init__(vehicle, folder, change)
        self.frames: list[Frame] = []
        self.events: list[dict[str, Any]] = []
        step, judge = self.pipeline.step, self.engine.step

        def kept(newest: Any, now_ns: int) -> Frame:
            self.frames.append(step(newest, now_ns))
            return self.frames[-1]

        def told(frame: Frame) -> Any:
            changes = judge(frame)
            self.events += [alert_event(c).as_json() for c in changes]
            return changes

        self.pipeline.step, self.engine.step = kept, told

    def archive(self, folder: Path, notes: tuple[str, ...] = ()) -> Reported:
        """Write what was driven as the archive has it."""
        plan = self.plan
        place = drive_folder(folder, plan.settings.vehicle.name, START)
        place.mkdir(parents=True)
        samples = place / f"{NAME}.parquet"
        _write(samples, plan, self.frames, {})
        lines = "".join(json.dumps(e, ensure_ascii=False) + "\n" for e in self.events)
        samples.with_name(f"{NAME}.events.jsonl").write_text(lines, encoding="utf-8")
        summary = Summary(plan)
        for frame in self.frames:
            summary.add(frame)
        first_ns = self.frames[0].time_ns if self.frames else 0
        manifest = Manifest(
            drive=NAME, vehicle=plan.settings.vehicle.name, stage=plan.settings.vehicle.stage, start=START,
            length_s=len(self.frames) / 50, ticks=len(self.frames), recovered=False, lost_blocks=0, lost_ticks=0,
            software="0", first_ns=first_ns, notes=list(notes), **summary.result(self.events, first_ns),
        )  # fmt: skip
        (place / f"{NAME}{MANIFEST_ENDING}").write_bytes(manifest_json(manifest))
        return Reported(folder, samples, plan)


def eventful(ride: Recording) -> Recording:
    """A start, pulls (one is lean and ends abruptly), an overrun, and a wideband that goes silent under boost."""
    ride.started()
    ride.ramp(3.0, IDLE, CRUISE).hold(3.0, CRUISE, map=ride.wave(60.0, 0.5))
    weak = PULL | {"lambda": 0.95}
    for psi, pull, seconds in ((3.0, PULL, 3.0), (5.0, PULL, 4.0), (5.0, weak, 2.0), (6.5, PULL, 3.0)):
        there = pull | pressure(psi) | {"engine_speed": 2800.0 + 200.0 * psi, "charge_temperature": 30.0 + 4.0 * psi}
        ride.ramp(1.5, CRUISE, there).hold(seconds, there, map=ride.wave(there["map"], 0.4))
        # Slower than any cut of the throttle that suppresses a rule; the third lift is as abrupt as one.
        ride.ramp(1.5 if pull is PULL else 0.1, there, CRUISE).hold(2.5, CRUISE, map=ride.wave(60.0, 0.5))
    coasting = CRUISE | {"map": 22.0, "engine_map": 22.0, "throttle": 0.0, "lambda": 1.5}
    ride.hold(1.5, coasting).ramp(0.6, coasting, PULL).hold(1.5, PULL).hold(2.0, PULL, **{"lambda": None})
    return ride.hold(6.0, IDLE, map=ride.wave(33.0, 0.5)).hold(4.0, KEY_ON)


__all__ = ["NAME", "START", "TICK_NS", "Recording", "Reported", "eventful", "pressure"]
