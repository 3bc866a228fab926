"""One vehicle of the corpus: a settings file of its own, a compressor, and what follows from the two."""

from __future__ import annotations

import random
import tomllib
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
import tomli_w

from cabcanary import units
from cabcanary.clock import NS_PER_S
from cabcanary.model import Quality
from cabcanary.plan.coverage import is_to_be_fed_by_the_key
from cabcanary.plan.plan import Plan, plan_in_stage
from cabcanary.settings.derived import AirPressureChannel
from cabcanary.settings.load import load_rule_file, load_settings
from cabcanary.settings.schema import Settings
from cabcanary.store.baselines import Baseline, Baselines
from cabcanary_bench.corpus.corpus import Job, Outcome, driven_of, judge, scenario_of
from cabcanary_bench.corpus.corpus_run import IDLE_KPA
from cabcanary_bench.corpus.injected import INJECTED
from cabcanary_bench.corpus.seen import Chance, chance_of
from cabcanary_bench.corpus.translated import translated
from cabcanary_bench.drives.labels import BENCH_LIMITS, Limits
from cabcanary_bench.fast.fast import TICK_S, drive
from cabcanary_bench.fast.fitted import Fitted
from cabcanary_bench.faults.circumstances import CircumstanceKind
from cabcanary_bench.faults.kinds import FaultKind
from cabcanary_bench.sensors.traits import Traits

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cabcanary.channels.pipeline import Kept
    from cabcanary_bench.corpus.corpus_kept import Driven
    from cabcanary_bench.corpus.injected import Injected
    from cabcanary_bench.drives.labels import Label
    from cabcanary_bench.fast.fast import Recording
    from cabcanary_bench.van.build import Build

#: A small computer that is fed by the key needs so long until the daemon looks; by then the engine may run.
_BOOTS_S = (0.0, 15.0, 30.0)
#: What weather changes from one drive to the next, kPa (common practice, no source), and how well the last one knew it.
_WEATHER_KPA, _KEPT_KPA = 0.8, 0.8
#: A fall from less is not told from a foot that eases (`boost_fell`), and the air is not known better, psi.
_FALLS_FROM_PSI = 4.0
#: By so much boost is unsure after ten minutes of any road where nobody measures the air, psi.
_AIR_PSI = 2.0
#: The bench van's number of that name, V: what is put into its wires lies below it.
_BENCH_IN_BOOST_V = 12.5
_BOOST_UNIT = units.unit("psi")


@dataclass(frozen=True, slots=True)
class Watched:
    """A vehicle to be driven: its settings file as they are with this compressor, and the stages that matter.

    `before` is a stage without the compressor, if there is one, and `learnt` the baselines, as JSON, that drives have
    given in `stage`. It travels to other processes.
    """

    name: str
    file: Path
    build: Build
    stage: str
    before: str | None
    learnt: str = ""

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
    baselines = _baselines(vehicle.file, stage)
    for one in Baselines.model_validate_json(vehicle.learnt).baselines if vehicle.learnt else ():
        baselines = baselines.with_one(one)
    return plan_in_stage(vehicle.file, stage, baselines)


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
        psi = {} if spec is None else {k: _psi(v, spec.unit) for k, v in spec.by_stage.items()}
        limits = replace(limits, over_boost_psi=psi.get(vehicle.stage, limits.over_boost_psi))
        if vehicle.before in psi and "engine_speed" not in settings.channels:
            # Below its own limit boost that is not meant is told by speed and pressure alone (`open_tap`).
            limits = replace(limits, unmeant_psi=psi[vehicle.before])
    if not {"throttle", "engine_speed"} <= set(settings.channels):
        # Only the fall itself can be told.
        limits = replace(limits, lost_from_psi=_FALLS_FROM_PSI)
    if is_to_be_fed_by_the_key(settings):
        # It may never see the engine stand, and so never the air's pressure.
        unmeant = None if limits.unmeant_psi is None else limits.unmeant_psi + _AIR_PSI
        limits = replace(limits, lean_from_psi=limits.lean_from_psi + _AIR_PSI, unmeant_psi=unmeant)
    return limits


def _psi(value: float, unit: str) -> float:
    return _BOOST_UNIT.from_si(units.unit(unit).to_si(value))


def chance(kind: str, vehicle: Watched) -> Chance:
    """Whether the vehicle can have a fault, and could show it."""
    if kind == FaultKind.UNMEANT_BOOST and vehicle.before is None:
        return "absent"
    return chance_of(kind, plan_of(vehicle).settings, vehicle.build.compressor)


def run_watched(job: Job, vehicle: Watched) -> Outcome:
    """Drive one job with the vehicle and say what sounded."""
    return judge(job, *driven_in(job, vehicle), weaken=False)


def driven_in(job: Job, vehicle: Watched) -> tuple[Driven, Plan]:
    """One job driven with the vehicle, and the plan that it was driven with."""
    scenario, injected = scenario_of(job)
    without_boost = any(c.kind is CircumstanceKind.STAGE_WITHOUT_BOOST for c in scenario.circumstances)
    plan = plan_of(vehicle, without_boost=without_boost)
    fitted = Fitted(plan.settings, vehicle.build)
    ends = fitted.lambda_ends
    traits = Traits() if ends is None else Traits(lambda_ends=ends)
    recording = drive(scenario, job.seed, traits, fitted=fitted, limits=limits_of(vehicle))
    kept: dict[str, Kept] = {}
    if is_to_be_fed_by_the_key(plan.settings):
        boots_s = _BOOTS_S[job.seed % len(_BOOTS_S)]
        recording, kept = fed_by_the_key(recording, boots_s), _air_kept(plan, recording, job.seed) if boots_s else {}
    driven = driven_of(recording, _in_its_wires(injected, fitted, vehicle), plan, kept)
    if "throttle" not in plan.settings.channels:
        driven = replace(driven, labels=tuple(_where_air_is_known(label, driven, plan) for label in driven.labels))
    if not {"throttle", "engine_speed"} & set(plan.settings.channels):
        boost_psi = recording.truth["boost_kpa"] * 1000.0 / units.unit("psi").factor
        time = recording.truth["time_s"]
        labels = tuple(_where_it_boosts(label, time, boost_psi, vehicle) for label in driven.labels)
        driven = replace(driven, labels=labels)
    return driven, plan


def _where_it_boosts(
    label: Label, time_s: NDArray[np.float64], boost_psi: NDArray[np.float64], vehicle: Watched
) -> Label:
    """With neither throttle nor engine speed a full manifold and a wideband at its lean end are an engine that stands;
    only under boost can they be none, and so a misfire without any need not be found."""
    if label.kind != FaultKind.MISFIRE:
        return label
    during = (time_s >= label.start_s) & (time_s < label.end_s)
    boosted = bool(np.any(during & (boost_psi > limits_of(vehicle).lean_from_psi)))
    return label if boosted else replace(label, must_be_found=False)


def _where_air_is_known(label: Label, driven: Driven, plan: Plan) -> Label:
    """Without a throttle only the air's pressure tells a hose that is off from a foot that eases: known well it must
    be, or nobody can."""
    air = next((n for n, c in plan.settings.channels.items() if isinstance(c, AirPressureChannel)), None)
    if label.kind != FaultKind.HOSE_OFF or air is None:
        return label
    for run in driven.runs:
        row = int(np.searchsorted(run.times_ns, driven.zero_ns + round(label.start_s * NS_PER_S)))
        if 0 < row < len(run) and run.columns[air].qualities[row] != Quality.GOOD:
            return replace(label, must_be_found=False)
    return label


def fed_by_the_key(recording: Recording, boots_s: float) -> Recording:
    """The drive as a monitor sees it that has power only while the key is on, as `check` advises on this vehicle, and
    looks for the first time so many seconds after that."""
    runs: list[tuple[int, int]] = []
    for first, last in recording.runs:
        on = recording.truth["key_on"][first:last] != 0.0
        edges = np.flatnonzero(np.diff(np.concatenate(([0], on.astype(np.int8), [0]))))
        pairs = zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)
        waits = round(boots_s / TICK_S)
        runs += [(first + begin + waits, first + end) for begin, end in pairs if begin + waits < end]
    return replace(recording, runs=tuple(runs))


def _air_kept(plan: Plan, recording: Recording, seed: int) -> dict[str, Kept]:
    """What a drive before has left of the air's pressure: weather has gone on since, and a clock was never set."""
    error_kpa = random.Random(seed).gauss(0.0, _WEATHER_KPA)  # noqa: S311
    kpa = float(recording.truth["baro_kpa"][0]) + error_kpa
    channels = plan.settings.channels.items()
    return {name: (kpa, _KEPT_KPA) for name, spec in channels if isinstance(spec, AirPressureChannel)}


def _in_its_wires(injected: Injected | None, fitted: Fitted, vehicle: Watched) -> Injected | None:
    return None if injected is None else translated(injected, fitted, _lowest_in_boost(vehicle) - _BENCH_IN_BOOST_V)


@cache
def _lowest_in_boost(vehicle: Watched) -> float:
    """The vehicle's own number `supply_lowest_in_boost`, V; the bench van's where it has none."""
    for name in load_settings(vehicle.file).model.rules:
        numbers = load_rule_file(vehicle.file.parent / name).model.numbers
        if (said := numbers.get("supply_lowest_in_boost")) is not None:
            return units.parse_quantity(said)[0]
    return _BENCH_IN_BOOST_V


#: Everything that may go wrong in a vehicle, by name.
ALL_FAULTS: tuple[str, ...] = (
    *(k for k in FaultKind if k.info.family != "host" and k is not FaultKind.FEED_LIVE),
    *(i.name for i in INJECTED),
)
