"""A scenario without wires: the van's readings straight into the daemon's channels and rules, as fast as it goes."""

from __future__ import annotations

import json
from bisect import bisect_left
from typing import TYPE_CHECKING

from cabcanary.alerts.sounds import sound_for
from cabcanary.plan.plan import load_plan
from cabcanary_bench.drives.expectations import Heard, Raised, is_shown, judge
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.paths import config_folder
from cabcanary_bench.rig.screen import verdict_line

if TYPE_CHECKING:
    from cabcanary_bench.drives.expected import Shown
    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.drives.verdict import Verdict
    from cabcanary_bench.fast.fast import Recording

_KPA_PER_PSI = 6.894757


def needs_wires(scenario: Scenario) -> bool:
    """Whether only the real daemon can show it: a trouble of its machine, or an event that is no alert."""
    troubles = any(f.kind.info.family == "host" for f in scenario.faults)
    return troubles or any(e.what == "tells" for e in scenario.expectations) or not scenario.expectations


def dry_run(scenario: Scenario, seed: int = 1) -> list[Verdict]:
    """Judge a scenario by what channels and rules make of its readings; nothing is heard and nothing recorded."""
    recording = drive(scenario, seed)
    return judge(scenario, Heard(_raised(recording), [], _Shows(recording)))


def run_dry(scenario: Scenario, *, as_json: bool) -> int:
    """Judge a scenario and print it; 0 if all was as expected."""
    verdicts = dry_run(scenario)
    if as_json:
        answer = {"scenario": scenario.name, "without_wires": True, "verdicts": [v.as_json() for v in verdicts]}
        print(json.dumps(answer, ensure_ascii=False, indent=1))
    else:
        print(f"{scenario.name}, without wires: what channels and rules make of it; nothing sounded, nothing is kept.")
        for verdict in verdicts:
            print(verdict_line(verdict))
    return 0 if all(v.kept for v in verdicts) else 1


def _raised(recording: Recording) -> list[Raised]:
    plan = load_plan(config_folder() / "bench-van.toml")
    found = []
    for run in range(len(recording.runs)):
        pipeline, engine = plan.pipeline(), plan.engine()
        for newest, now_ns in recording.ticks(run):
            time_s = recording.drive_s(now_ns)
            found += [
                Raised(time_s, c.alert, sound_for(c.priority, blind=c.blind).name)
                for c in engine.step(pipeline.step(newest, now_ns))
                if c.sounds
            ]
    return found


class _Shows:
    """When the sensors first show something."""

    def __init__(self, recording: Recording) -> None:
        self._times = [recording.drive_s(int(t)) for t in recording.tick_ns]
        truth = recording.truth
        self._lambda = truth["shown_lambda"].tolist()
        self._psi = ((truth["shown_map_kpa"] - truth["baro_kpa"]) / _KPA_PER_PSI).tolist()

    def __call__(self, what: Shown, from_s: float, to_s: float) -> float | None:
        for n in range(bisect_left(self._times, from_s), len(self._times)):
            if self._times[n] > to_s:
                break
            shown, psi = self._lambda[n], self._psi[n]
            if is_shown(what, psi if psi == psi else None, shown if shown == shown else None):
                return self._times[n]
        return None


__all__ = ["dry_run", "needs_wires", "run_dry"]
