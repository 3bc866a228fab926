"""A settings file and its rule files -> the parts that need no hardware, and every problem in them.

`check`, the daemon, the archiver and the backtest all build from here, so what was checked is what runs.
"""

from __future__ import annotations

import contextlib
import tomllib
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.build import Note, WireOf, build_pipeline
from cabcanary.rules.engine import Engine
from cabcanary.rules.names import Measured
from cabcanary.rules.rule_set import NotFitted, RuleSet, Setting, build_rules
from cabcanary.settings.derived import EngineRunningChannel
from cabcanary.settings.load import Loaded, load_rule_file, load_settings
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.kind import Fault, ItemError, SourceSettings, Wanted
from cabcanary.sources.kinds import kind_of, missing_item, wire_of
from cabcanary.store.baselines import Baseline, Baselines, BaselinesError, read_baselines
from cabcanary.validation.base import same_pin
from cabcanary.validation.problems import Problem, SettingsError, nearest

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.channels.pipeline import Pipeline
    from cabcanary.settings.schema import BaselineSpec, RuleFile, Settings

#: The unit of channels that are on or off.
_ON_OFF = "state"


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything about one vehicle that is known before a device is opened."""

    file: Path
    settings: Settings
    settings_text: str
    rule_texts: dict[str, str]
    rules: RuleSet
    channel_units: dict[str, str]
    #: What has been measured as normal, and what the rule files describe as such.
    baselines: Baselines
    baseline_specs: dict[str, BaselineSpec]
    #: Why what had been measured could not be read.
    baselines_fault: str = ""

    @property
    def not_fitted(self) -> tuple[NotFitted, ...]:
        """Rules for sensors that this vehicle does not have."""
        return self.rules.not_fitted

    def pipeline(self) -> Pipeline:
        """A new pipeline of this vehicle's channels, with nothing remembered."""
        return build_pipeline(self.settings, _wire_of(self.settings, _unnoted), _unnoted)

    def engine(self) -> Engine:
        """A new rule engine, with nothing remembered."""
        return Engine(self.rules.rules, self.pipeline().roots(), self.channel_units, self.running)

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


def wanted_of(settings: Settings, source: str) -> dict[str, Wanted]:
    """What the channels read of a source, by channel."""
    read = {n: c for n, c in settings.channels.items() if isinstance(c, MeasuredChannel) and c.source == source}
    return {n: _wanted(c) for n, c in read.items()}


def _wanted(spec: MeasuredChannel) -> Wanted:
    return Wanted(spec.item, spec.unit, spec.wire_unit, curved=spec.curve is not None)


def load_plan(file: Path, *, look_into_dbc: bool = False) -> Plan:
    """Load a settings file with its rule files.

    `look_into_dbc` also reads the DBC files that it names, which takes a library that the daemon's own process is
    kept free of; the CAN reader looks into them by itself.

    Raises:
        SettingsError: with every problem of all files at once; a syntax error in the settings comes alone.
    """
    try:
        loaded = load_settings(file)
    except SettingsError as error:
        raise SettingsError([*error.problems, *_rule_problems_beside(file)]) from error
    rule_files, problems = _load_rule_files(loaded)
    if look_into_dbc:
        problems += _check_files(loaded)
    try:
        baselines = read_baselines(loaded.model.daemon.folder)
    except BaselinesError as error:
        # A torn file is no reason not to watch: the daemon says so and goes on without.
        if look_into_dbc:
            problems.append(loaded.problem(("daemon", "folder"), str(error)))
        return replace(_assemble(loaded, rule_files, problems, Baselines()), baselines_fault=str(error))
    return _assemble(loaded, rule_files, problems, baselines)


def _rule_problems_beside(file: Path) -> list[Problem]:
    """What is wrong in the rule files of settings that are wrong themselves, as far as it can be told.

    A rule that speaks of a channel which the settings' own faults hide is passed over.
    """
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
    return problems + build_rules(files, Setting(known, stages=stages, stage=stage))[1]


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
    channel_units = {name: c.unit for name, c in settings.channels.items()}
    measured = [
        Baseline(
            name=name,
            stage=vehicle.stage,
            of=spec.of,
            unit=channel_units[spec.of],
            by=spec.by,
            by_unit=channel_units[spec.by] if spec.by else "",
            points=[(0.0, spec.example)],
        )
        for name, spec in rules.model.baselines.items()
        if spec.example is not None and all(c in channel_units for c in (spec.of, spec.by) if c)
    ]
    return _assemble(loaded, [rules], [], Baselines(baselines=measured))


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
    return _assemble(loaded, rule_files, [], baselines or Baselines(), outputs=outputs)


def _assemble(
    loaded: Loaded[Settings],
    rule_files: list[Loaded[RuleFile]],
    problems: list[Problem],
    baselines: Baselines,
    *,
    outputs: bool = True,
) -> Plan:
    settings = loaded.model
    problems = list(problems)

    def note(path: tuple[str | int, ...], message: str, fix: str) -> None:
        problems.append(loaded.problem(path, message, fix))

    pipeline = build_pipeline(settings, _wire_of(settings, note), note)
    problems += _check_references(loaded)
    channel_units = {name: c.unit for name, c in settings.channels.items()}
    stage, stages = settings.vehicle.stage, settings.vehicle.all_stages
    measured = {
        name: Measured(b.unit, b.by, tuple(b.points))
        for name, b in baselines.of_stage(stage).items()
        if channel_units.get(b.of) == b.unit
    }
    setting = Setting(channel_units, pipeline.ends(), stages, stage, measured, _ignition_inputs(settings))
    rules, rule_problems = build_rules(rule_files, setting)
    problems += rule_problems
    if outputs:
        problems += _check_outputs(loaded, [r.id for r in rules.rules] + [n.id for n in rules.not_fitted])
    if problems:
        raise SettingsError(problems)
    texts = {r.file.name: r.text for r in rule_files}
    specs = {name: spec for r in rule_files for name, spec in r.model.baselines.items()}
    return Plan(loaded.file, settings, loaded.text, texts, rules, channel_units, baselines, specs)


def _ignition_inputs(settings: Settings) -> tuple[str, ...]:
    """The channels that tell whether the ignition is on by a pin of the monitor's own."""
    wanted = [c.ignition for c in settings.channels.values() if isinstance(c, EngineRunningChannel) and c.ignition]
    return tuple(
        name
        for name in wanted
        if isinstance(channel := settings.channels.get(name), MeasuredChannel)
        and _has_pins(settings.sources.get(channel.source))
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
            return wire_of(spec.source, settings.sources[spec.source], _wanted(spec))
        except ItemError as error:
            note(("channels", name, error.key), error.message, error.fix)
            return None

    return of


def _has_pins(source: SourceSettings | None) -> bool:
    return source is not None and bool(kind_of(source).pins(source))


def _check_references(loaded: Loaded[Settings]) -> list[Problem]:
    """Names that must exist elsewhere: what the sources name, the drive's channel, buttons."""
    settings = loaded.model
    faults = [f for name, source in settings.sources.items() for f in kind_of(source).problems(name, source)]
    problems = [loaded.problem(*fault) for fault in faults]
    problems += _check_drive(loaded)
    for use in ("acknowledge", "remember"):
        button = getattr(settings.buttons, use)
        if button is None:
            continue
        path = ("buttons", use)
        source = settings.sources.get(button.source)
        if source is not None and _has_pins(source):
            missing = missing_item(button.source, source, button.item)
            problems += [loaded.problem((*path, "item"), missing.message, missing.fix)] if missing else []
        else:
            switches = [n for n, s in settings.sources.items() if _has_pins(s)]
            fix = nearest(button.source, switches) or 'add [sources.switches] with kind = "gpio"'
            problems.append(loaded.problem((*path, "source"), f"there is no gpio source '{button.source}'", fix))
    return problems


def _check_outputs(loaded: Loaded[Settings], rule_ids: list[str]) -> list[Problem]:
    """Names that outputs speak of: channels that are published or tell night, rules that leave the lamp lit."""
    settings, problems = loaded.model, []

    def check(path: tuple[str | int, ...], name: str, what: str, known: list[str]) -> None:
        if name not in known:
            problems.append(
                loaded.problem(path, f"there is no {what} '{name}'", nearest(name, known) or f"add that {what}")
            )

    channels = list(settings.channels)
    night = settings.sounds.night_when
    if night is not None:
        check(("sounds", "night_when"), night, "channel", channels)
        if night in channels and settings.channels[night].unit != _ON_OFF:
            states = [n for n, c in settings.channels.items() if c.unit == _ON_OFF]
            message = f"'{night}' is in {settings.channels[night].unit}: it is never on or off"
            fix = f'{nearest(night, states)}, or add a channel of a gpio source with unit = "{_ON_OFF}"'
            problems.append(loaded.problem(("sounds", "night_when"), message, fix.removeprefix(", or ")))
    problems += _check_pins(loaded)
    for n, name in enumerate(settings.mqtt.values if settings.mqtt else ()):
        check(("mqtt", "values", n), name, "channel", channels)
    # The rules that it names by itself need not be there.
    if settings.lamp is not None and "after" in settings.lamp.model_fields_set:
        for n, name in enumerate(settings.lamp.after):
            check(("lamp", "after", n), name, "rule", rule_ids)
    return problems


def _check_pins(loaded: Loaded[Settings]) -> list[Problem]:
    """An output's pin that something else has too: neither would work, or one would silence the other."""
    settings, problems = loaded.model, []
    taken: dict[int | str, str] = {}
    for name, source in settings.sources.items():
        pins = kind_of(source).pins(source)
        taken |= {same_pin(pin): f"sources.{name}.pins.{item}" for item, pin in pins.items()}
    for name in ("buzzer", "lamp", "watcher"):
        pin = getattr(getattr(settings, name), "pin", None)
        if pin is None:
            continue
        other = taken.setdefault(same_pin(pin), f"[{name}]")
        if other != f"[{name}]":
            message, fix = f"pin {pin} is that of {other} too", "wire it to a pin of its own, and write that here"
            problems.append(loaded.problem((name, "pin"), message, fix))
    return problems


def _check_drive(loaded: Loaded[Settings]) -> list[Problem]:
    settings = loaded.model
    ignition = settings.drive.ignition
    if ignition is not None:
        if ignition in settings.channels:
            return []
        fix = nearest(ignition, list(settings.channels))
        return [loaded.problem(("drive", "ignition"), f"there is no channel '{ignition}'", fix)]
    if isinstance(settings.channels.get(settings.drive.running), EngineRunningChannel):
        return []
    known = [n for n, c in settings.channels.items() if isinstance(c, EngineRunningChannel)]
    fix = nearest(settings.drive.running, known) or (
        f'add [channels.{settings.drive.running}] with derive = "engine_running" and what tells it: '
        'engine_speed = "…", supply = "…", pressure = "…", lambda_channel = "…"'
    )
    message = f"there is no engine_running channel '{settings.drive.running}', so no drive would be recorded"
    return [loaded.problem(("drive", "running"), message, fix)]


def _check_files(loaded: Loaded[Settings]) -> list[Problem]:
    """What is wrong with the files that sources name."""
    settings, faults = loaded.model, list[Fault]()
    for name, source in settings.sources.items():
        faults += kind_of(source).file_problems(name, source, wanted_of(settings, name))
    return [loaded.problem(*fault) for fault in faults]
