"""One vehicle of the corpus: a settings file of its own, a compressor, and what follows from the two."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import tomli_w

from cabcanary import units
from cabcanary.plan.plan import Plan, plan_in_stage
from cabcanary.settings.load import load_rule_file, load_settings
from cabcanary.settings.schema import Settings
from cabcanary.store.baselines import Baseline, Baselines
from cabcanary_bench.corpus.corpus import Job, Outcome, driven_of, judge, scenario_of
from cabcanary_bench.corpus.corpus_run import IDLE_KPA
from cabcanary_bench.corpus.injected import INJECTED
from cabcanary_bench.corpus.seen import Chance, chance_of
from cabcanary_bench.corpus.translated import translated
from cabcanary_bench.drives.labels import BENCH_LIMITS, Limits
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.fast.fitted import Fitted
from cabcanary_bench.faults.circumstances import CircumstanceKind
from cabcanary_bench.faults.kinds import FaultKind
from cabcanary_bench.sensors.traits import Traits

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary_bench.corpus.injected import Injected
    from cabcanary_bench.van.build import Build

_BOOST_UNIT = units.unit("psi")


@dataclass(frozen=True, slots=True)
class Watched:
    """A vehicle to be driven: its settings file as they are with this compressor, and the stages that matter.

    `before` is a stage without the compressor, if there is one. It travels to other processes.
    """

    name: str
    file: Path
    build: Build
    stage: str
    before: str | None

    @property
    def title(self) -> str:
        """The settings' name and the compressor's kind."""
        return f"{self.name}, {self.build.compressor}"


def watch(file: Path, build: Build, folder: Path) -> Watched:
    """The vehicle of a settings file with the compressor of `build`; the settings as they then are go to `folder`.

    Raises:
        SettingsError: the file is faulty.
    """
    settings = load_settings(file).model
    stages, stage = settings.vehicle.all_stages, settings.vehicle.stage
    raw = tomllib.loads(file.read_text(encoding="utf-8"))
    raw["rules"] = [str((file.parent / rules).resolve()) for rules in raw.get("rules", [])]
    begins = raw.get("compressor", {}).get("from")
    if build.compressor == "none":
        raw["compressor"] = {"kind": "none"}
    else:
        if begins is not None and stages.index(stage) < stages.index(begins):
            stage = begins
        raw["compressor"] = {"kind": build.compressor, **({"from": begins} if begins else {})}
    if "compressor" not in Settings.model_fields:
        del raw["compressor"]
    raw["vehicle"]["stage"] = stage
    made = folder / f"{file.stem}-{build.compressor}.toml"
    made.write_text(tomli_w.dumps(raw), encoding="utf-8")
    first = stages.index(begins) if begins else 0
    return Watched(file.stem, made, build, stage, stages[first - 1] if first else None)


def own_compressor(file: Path) -> str:
    """The kind of compressor that the settings say the vehicle has now; displacement where they say nothing."""
    settings: Any = load_settings(file).model
    kind = getattr(settings, "compressor_kind", "displacement")
    known = ("displacement", "centrifugal", "turbo")
    return kind if kind in known else "none" if kind == "" else "displacement"


@cache
def plan_of(vehicle: Watched, *, without_boost: bool = False) -> Plan:
    """The vehicle's plan, in the stage before its compressor if asked; baselines as measured on its ordinary drives."""
    stage = vehicle.before if without_boost and vehicle.before else vehicle.stage
    return plan_in_stage(vehicle.file, stage, _baselines(vehicle.file, stage))


def _baselines(file: Path, stage: str) -> Baselines:
    settings = load_settings(file).model
    found = []
    for rules in settings.rules:
        for name, spec in load_rule_file(file.parent / rules).model.baselines.items():
            if spec.of != "map" or name != "idle_pressure":
                continue
            unit = units.unit(settings.channels["map"].unit)
            idle = unit.from_si(IDLE_KPA * 1000)
            found.append(Baseline(name=name, stage=stage, of="map", unit=unit.symbol, points=[(0.0, idle)]))
    return Baselines(baselines=found)


@cache
def limits_of(vehicle: Watched) -> Limits:
    """The limits in the vehicle's own rule files, table `ceiling` and stage limit `hose_limit`; else the bench's."""
    settings = load_settings(vehicle.file).model
    limits = BENCH_LIMITS
    for name in settings.rules:
        rules = load_rule_file(vehicle.file.parent / name).model
        if (table := rules.tables.get("ceiling")) is not None:
            of = units.unit(table.of)
            points = tuple((_BOOST_UNIT.from_si(of.to_si(x)), y) for x, y in table.points)
            limits = replace(limits, ceiling=points)
        spec = rules.stage_limits.get("hose_limit")
        if spec is not None and vehicle.stage in spec.by_stage:
            most = _BOOST_UNIT.from_si(units.unit(spec.unit).to_si(spec.by_stage[vehicle.stage]))
            limits = replace(limits, over_boost_psi=most)
    return limits


def chance(kind: str, vehicle: Watched) -> Chance:
    """Whether the vehicle can have a fault, and could show it."""
    if kind == FaultKind.UNMEANT_BOOST and vehicle.before is None:
        return "absent"
    return chance_of(kind, plan_of(vehicle).settings, vehicle.build.compressor)


def run_watched(job: Job, vehicle: Watched) -> Outcome:
    """Drive one job with the vehicle and say what sounded."""
    scenario, injected = scenario_of(job)
    without_boost = any(c.kind is CircumstanceKind.STAGE_WITHOUT_BOOST for c in scenario.circumstances)
    plan = plan_of(vehicle, without_boost=without_boost)
    fitted = Fitted(plan.settings, vehicle.build)
    ends = fitted.lambda_ends
    traits = Traits() if ends is None else Traits(lambda_ends=ends)
    recording = drive(scenario, job.seed, traits, fitted=fitted, limits=limits_of(vehicle))
    return judge(job, driven_of(recording, _in_its_wires(injected, fitted), plan), plan, weaken=False)


def _in_its_wires(injected: Injected | None, fitted: Fitted) -> Injected | None:
    return None if injected is None else translated(injected, fitted)


#: Everything that may go wrong in a vehicle, by name.
ALL_FAULTS: tuple[str, ...] = (
    *(k for k in FaultKind if k.info.family != "host" and k is not FaultKind.FEED_LIVE),
    *(i.name for i in INJECTED),
)
