"""A settings file and its rule files -> the parts that need no hardware, and every problem in them.

`check`, the daemon, the archiver and the backtest all build from here, so what was checked is what runs.
"""

from __future__ import annotations

import contextlib
import tomllib
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.build import Note, WireOf, build_pipeline
from cabcanary.channels.reach import reaches
from cabcanary.plan.coverage import Coverage, coverage
from cabcanary.plan.cross_checks import check_files, check_outputs, check_references, has_pins, wanted_item, wanted_of
from cabcanary.plan.hoses import HOSE_LIMIT, cap, in_psi, limits_by_stage, too_weak
from cabcanary.plan.normals import carried, normal_lines, of_this_stage
from cabcanary.plan.unusual import unusual
from cabcanary.plan.wires import check_wires, measured_of
from cabcanary.rules.engine import Engine
from cabcanary.rules.names import Measured, Setting
from cabcanary.rules.rule_set import NotFitted, RuleSet, build_rules
from cabcanary.settings.called import called
from cabcanary.settings.derived import AfrChannel, EngineRunningChannel
from cabcanary.settings.load import Loaded, load_rule_file, load_settings
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.kind import ItemError
from cabcanary.sources.kinds import kind_of, wire_of
from cabcanary.store.baselines import Baseline, Baselines, BaselinesError, read_baselines
from cabcanary.validation.problems import Problem, SettingsError, nearest

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.channels.pipeline import Pipeline
    from cabcanary.settings.rule_schema import BaselineSpec, RuleFile
    from cabcanary.settings.schema import Settings


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything about one vehicle that is known before a device is opened."""

    file: Path
    settings: Settings
    settings_text: str
    rule_texts: dict[str, str]
    rules: RuleSet
    channel_units: dict[str, str]
    #: What this vehicle is watched for.
    coverage: Coverage
    #: What has been measured as normal, and what the rule files describe as such.
    baselines: Baselines
    baseline_specs: dict[str, BaselineSpec]
    #: Why what had been measured could not be read.
    baselines_fault: str = ""
    #: What may be meant and hardly ever is; the fix of each says what is usual.
    unusual: tuple[Problem, ...] = ()
    #: What the rules allow in the stage in force, Pa above the air, whatever its joints stand; None: nothing is said.
    hose_limit_pa: float | None = None

    @property
    def not_fitted(self) -> tuple[NotFitted, ...]:
        """Rules for sensors that this vehicle does not have."""
        return self.rules.not_fitted

    @property
    def needed(self) -> tuple[str, ...]:
        """Every channel that a rule reads."""
        return tuple(dict.fromkeys(channel for rule in self.rules.rules for channel in rule.channels))

    def pipeline(self) -> Pipeline:
        """A new pipeline of this vehicle's channels, with nothing remembered."""
        return build_pipeline(self.settings, _wire_of(self.settings, _unnoted), _unnoted)

    def engine(self) -> Engine:
        """A new rule engine, with nothing remembered."""
        return Engine(self.rules.rules, self.pipeline().roots(), self.channel_units, self.running)

    def stage_lines(self) -> list[str]:
        """What bounds the hoses' limit beside the stage's own, and what a change of parts, tune or fuel has voided."""
        settings, lines = self.settings, []
        bound = cap(settings)
        if bound is not None and self.hose_limit_pa is not None and bound.pa < self.hose_limit_pa:
            lines.append(f"over-boost is told above {in_psi(bound.pa)}: {bound.words}")
        return [*lines, *normal_lines(settings, self.baselines, self.baseline_specs)]

    def defect_lines(self) -> list[str]:
        """Each registered defect, and whether it is still put aside, as of today."""
        lines = []
        for d in self.settings.known_defects:
            since = f"known defect: {d.channel}, {d.what}, since {d.registered}"
            over = datetime.now(UTC).date() >= d.until
            lines.append(f"{since}: OVERDUE since {d.until}, told again" if over else f"{since}, until {d.until}")
        return lines

    @property
    def running(self) -> str | None:
        """The channel that tells whether the engine runs, if there is one."""
        return next((n for n, c in self.settings.channels.items() if isinstance(c, EngineRunningChannel)), None)

    @property
    def ignition(self) -> str | None:
        """The channel that tells whether the ignition is on, if there is one."""
        for channel in self.settings.channels.values():
            if isinstance(channel, EngineRunningChannel) and channel.ignition is not None:
                return channel.ignition
        return None

    @property
    def satellite_sources(self) -> tuple[str, ...]:
        """The sources that are satellite receivers and tell the time."""
        return tuple(n for n, s in self.settings.sources.items() if kind_of(s).tells_time)

    def wanted_items(self, source: str) -> dict[str, str]:
        """The items of a source that some channel reads, each with the unit in which it is expected."""
        spec = self.settings.sources[source]
        return {w.item: wire_of(source, spec, w)[0].symbol for w in wanted_of(self.settings, source).values()}


def load_plan(file: Path, *, look_into_dbc: bool = False, to_watch: bool = False) -> Plan:
    """Load a settings file with its rule files.

    With `to_watch` a vehicle for which no rule can run is an error. `look_into_dbc` also reads the DBC files that it
    names: that takes a library of which the daemon's own process is kept free; the CAN reader looks into them itself.

    Raises:
        SettingsError: with every problem of all files at once; a syntax error in the settings comes alone.
    """
    try:
        loaded = load_settings(file)
    except SettingsError as error:
        raise SettingsError([*error.problems, *_rule_problems_beside(file)]) from error
    rule_files, problems = _load_rule_files(loaded)
    if look_into_dbc:
        problems += check_files(loaded) + _weak_joints(loaded, rule_files)
    try:
        baselines = read_baselines(loaded.model.daemon.folder)
    except BaselinesError as error:
        # A torn file is no reason not to watch: the daemon says so and goes on without.
        if look_into_dbc:
            problems.append(loaded.problem(("daemon", "folder"), str(error)))
        plan = replace(_assemble(loaded, rule_files, problems, Baselines()), baselines_fault=str(error))
    else:
        plan = _assemble(loaded, rule_files, problems, baselines)
    if to_watch and not plan.rules.rules:
        raise SettingsError([_nothing_watched(loaded, plan)])
    return plan


def _weak_joints(loaded: Loaded[Settings], rule_files: list[Loaded[RuleFile]]) -> list[Problem]:
    """Joints that do not stand what the stage allows: the daemon watches by what they stand; `check` objects."""
    settings = loaded.model
    stage = settings.vehicle.stage
    limit, built = limits_by_stage(rule_files).get(stage), settings.built.get(stage)
    if limit is not None and built is not None and built.step_pa is not None:
        limit = min(limit, built.step_pa)
    return [
        loaded.problem(
            ("vehicle", "stage"),
            f"stage '{stage}' allows {in_psi(limit or 0.0)}, and {bound.words} stands {in_psi(bound.pa)}",
            "clamp it and have it confirmed (cabcanary stage CONFIG confirm JOINT), or lower the limit of the stage",
        )
        for bound in too_weak(settings, limit, stage)
    ]


def _nothing_watched(loaded: Loaded[Settings], plan: Plan) -> Problem:
    if not plan.not_fitted:
        return loaded.problem(
            ("rules",), "nothing is watched: there is no rule", "name rule files, such as those shipped"
        )
    first = plan.not_fitted[0]
    message = f"nothing is watched: none of its {len(plan.not_fitted)} rules can run here; {first.id} {first.words}"
    return loaded.problem(("rules",), message, first.hint)


def _rule_problems_beside(file: Path) -> list[Problem]:
    """What is wrong in the rule files of settings that are wrong themselves, as far as it can be told.

    A rule that speaks of a channel which the settings' own faults hide is passed over.
    """
    if not file.is_file():
        return []
    try:
        raw = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError):
        return []
    channels, names = raw.get("channels"), raw.get("rules")
    channel_units = {}
    for name, channel in channels.items() if isinstance(channels, dict) else ():
        symbol = channel.get("unit") if isinstance(channel, dict) else None
        with contextlib.suppress(units.UnitError):
            channel_units[name] = units.unit(symbol).symbol if isinstance(symbol, str) else ""
    known = {name: symbol for name, symbol in channel_units.items() if symbol}
    files, problems = [], []
    for name in names if isinstance(names, list) else []:
        try:
            files.append(load_rule_file(file.parent / str(name)))
        except SettingsError as error:
            problems += error.problems
    vehicle = raw.get("vehicle")
    stage, stages = _stages_in(vehicle if isinstance(vehicle, dict) else {})
    return problems + build_rules(files, Setting(known, stages=stages, stage=stage, any_may_lack=True))[1]


def plan_for_examples(file: Path, rule_file: Path, stage: str | None) -> Plan:
    """The plan of a settings file with one rule file alone, in another stage where one is given.

    Baselines are what their `example` says, since nothing has been measured on a bench.

    Raises:
        SettingsError: a file is faulty, or there is no such stage.
    """
    rules = load_rule_file(rule_file)
    loaded = load_settings(file)
    if stage is not None and stage not in loaded.model.vehicle.all_stages:
        fix = nearest(stage, loaded.model.vehicle.all_stages)
        raise SettingsError([rules.problem((), f"an example is set in stage '{stage}'", fix)])
    loaded = _in_stage(loaded, stage)
    settings, vehicle = loaded.model, loaded.model.vehicle
    # The other rule files may hold the numbers that this one speaks of.
    others, problems = _load_rule_files(loaded)
    beside = [
        replace(o, model=o.model.model_copy(update={"rule": []})) for o in others if not o.file.samefile(rule_file)
    ]
    described = {k: v for r in (*beside, rules) for k, v in r.model.baselines.items()}
    channel_units = {name: c.unit for name, c in settings.channels.items()}
    measured = [
        Baseline(
            name=name,
            stage=vehicle.stage,
            of=spec.channel(channel_units),
            unit=channel_units[spec.channel(channel_units)],
            by=spec.by,
            by_unit=channel_units[spec.by] if spec.by else "",
            points=[(0.0, spec.example)],
        )
        for name, spec in described.items()
        if spec.example is not None and all(c in channel_units for c in (spec.channel(channel_units), spec.by) if c)
    ]
    return _assemble(loaded, [*beside, rules], problems, Baselines(baselines=measured), outputs=False)


def plan_in_stage(file: Path, stage: str | None, baselines: Baselines | None) -> Plan:
    """The plan of a settings file as it would be in another stage, or with other baselines than those measured.

    Raises:
        SettingsError: a file is faulty, or there is no such stage.
    """
    loaded = load_settings(file)
    if stage is not None and stage not in loaded.model.vehicle.all_stages:
        fix = nearest(stage, loaded.model.vehicle.all_stages)
        raise SettingsError([loaded.problem(("vehicle", "stages"), f"there is no stage '{stage}'", fix)])
    rule_files, problems = _load_rule_files(loaded)
    return _assemble(_in_stage(loaded, stage), rule_files, problems, baselines or Baselines())


def _in_stage(loaded: Loaded[Settings], stage: str | None) -> Loaded[Settings]:
    if stage is None:
        return loaded
    vehicle = loaded.model.vehicle.model_copy(update={"stage": stage})
    return replace(loaded, model=loaded.model.model_copy(update={"vehicle": vehicle}))


def _stages_in(vehicle: dict[str, Any]) -> tuple[str, tuple[str, ...]]:
    """The stage and all stages of settings that may be wrong."""
    stage, stages = str(vehicle.get("stage", "")), vehicle.get("stages")
    named = tuple(str(s) for s in stages) if isinstance(stages, list) else ()
    return (stage, named) if stage in named else (stage, (*named, stage))


def plan_from_texts(
    loaded: Loaded[Settings],
    rule_files: list[Loaded[RuleFile]],
    baselines: Baselines | None = None,
    *,
    outputs: bool = True,
) -> Plan:
    """The plan of texts kept in a recording, with the baselines that were in force.

    Without `outputs` nothing is asked of what the outputs name: they may speak of rules that other rule files have.

    Raises:
        SettingsError: these texts make no plan with this version of the program.
    """
    return _assemble(loaded, rule_files, [], baselines or Baselines(), outputs=outputs, recorded=True)


def _assemble(
    loaded: Loaded[Settings],
    rule_files: list[Loaded[RuleFile]],
    problems: list[Problem],
    baselines: Baselines,
    *,
    outputs: bool = True,
    recorded: bool = False,
) -> Plan:
    settings = loaded.model
    problems = list(problems)

    def note(path: tuple[str | int, ...], message: str, fix: str) -> None:
        problems.append(loaded.problem(path, message, fix))

    pipeline = build_pipeline(settings, _wire_of(settings, note), note)
    problems += check_references(loaded)
    # A recording may be older than what is asked of settings today.
    problems += [] if recorded else check_wires(loaded)
    reach = reaches(pipeline, _wire_limits(settings))
    channel_units = {name: c.unit for name, c in settings.channels.items()}
    stage, stages = settings.vehicle.stage, settings.vehicle.all_stages
    specs = {name: spec for r in rule_files for name, spec in r.model.baselines.items()}
    measured = {
        name: Measured(b.unit, b.by, tuple(b.points))
        for name, b in (carried(settings, baselines, specs) | of_this_stage(settings, baselines, specs)).items()
        if channel_units.get(b.of) == b.unit
    }
    setting = Setting(
        channel_units,
        pipeline.ends(),
        stages,
        stage,
        measured,
        _ignition_inputs(settings),
        settings.compressor_kind,
        frozenset(d.channel for d in settings.known_defects if recorded or datetime.now(UTC).date() < d.until),
        tuple((c.lambda_channel, n) for n, c in settings.channels.items() if isinstance(c, AfrChannel)),
        # A recording may be older than the list of what a vehicle may lack.
        any_may_lack=recorded,
        bounds=reach,
        called={name: called(name, c.called) for name, c in settings.channels.items()},
        caps={} if (bound := cap(settings)) is None else {HOSE_LIMIT: bound},
    )
    rules, rule_problems = build_rules(rule_files, setting)
    problems += rule_problems
    if outputs:
        problems += check_outputs(loaded, [r.id for r in rules.rules] + [n.id for n in rules.not_fitted])
    if problems:
        raise SettingsError(problems)
    texts = {r.file.name: r.text for r in rule_files}
    covered = coverage(settings, rules, pipeline.roots())
    told = () if recorded else tuple(unusual(loaded, rule_files, rules.rules, reach))
    return Plan(
        loaded.file,
        settings,
        loaded.text,
        texts,
        rules,
        channel_units,
        covered,
        baselines,
        specs,
        unusual=told,
        hose_limit_pa=limits_by_stage(rule_files).get(stage),
    )


def _wire_limits(settings: Settings) -> dict[str, tuple[float, float] | None]:
    """The lowest and highest number that the source of each measured channel can give."""
    return {
        name: kind_of(settings.sources[spec.source]).limits(settings.sources[spec.source], spec.item)
        for name, spec in measured_of(settings).items()
        if spec.source in settings.sources
    }


def _ignition_inputs(settings: Settings) -> tuple[str, ...]:
    """The channels that tell whether the ignition is on by a pin of the monitor's own."""
    wanted = [c.ignition for c in settings.channels.values() if isinstance(c, EngineRunningChannel) and c.ignition]
    return tuple(
        name
        for name in wanted
        if isinstance(channel := settings.channels.get(name), MeasuredChannel)
        and has_pins(settings.sources.get(channel.source))
    )


def _load_rule_files(loaded: Loaded[Settings]) -> tuple[list[Loaded[RuleFile]], list[Problem]]:
    files, problems = [], []
    for n, name in enumerate(loaded.model.rules):
        path = loaded.file.parent / name
        if not path.is_file():
            problems.append(
                loaded.problem(
                    ("rules", n),
                    f"there is no rule file {path}",
                    "correct the path; it is relative to this file",
                )
            )
            continue
        try:
            files.append(load_rule_file(path))
        except SettingsError as error:
            problems += error.problems
    return files, problems


def _unnoted(*_: Any) -> None:
    """Problems have been noted before, or there are none."""


def _wire_of(settings: Settings, note: Note) -> WireOf:
    def of(name: str, spec: MeasuredChannel) -> tuple[units.Unit, bool] | None:
        try:
            return wire_of(spec.source, settings.sources[spec.source], wanted_item(spec))
        except ItemError as error:
            note(("channels", name, error.key), error.message, error.fix)
            return None

    return of
