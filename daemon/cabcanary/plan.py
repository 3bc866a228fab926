"""A settings file and its rule files -> the parts that need no hardware, and every problem in them.

`check`, the daemon, the archiver and the backtest all build from here, so what was checked is what runs.
"""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.channels.curves import CurveError
from cabcanary.channels.derived import AsBurnt, Boost, Derived, EngineRunning, FuelCutGas
from cabcanary.channels.measured import Measured
from cabcanary.channels.pipeline import Pipeline
from cabcanary.rules.engine import Engine
from cabcanary.rules.load import NotFitted, RuleSet, build_rules
from cabcanary.settings.load import Loaded, load_rule_file, load_settings
from cabcanary.settings.problems import Problem, SettingsError, nearest
from cabcanary.settings.schema import (
    AsBurntChannel,
    BoostChannel,
    DerivedChannel,
    EngineRunningChannel,
    IioSource,
    MeasuredChannel,
    ObdSource,
    RuleFile,
    Settings,
    Source,
)
from cabcanary.sources.obd_pids import ITEMS

if TYPE_CHECKING:
    from pathlib import Path


#: Notes a problem: where, what, and what to do.
_Add = Callable[[tuple[str | int, ...], str, str], None]


@dataclass(frozen=True, slots=True)
class Plan:
    """Everything about one vehicle that is known before a device is opened."""

    file: Path
    settings: Settings
    settings_text: str
    rule_texts: dict[str, str]
    rules: RuleSet
    channel_units: dict[str, str]

    @property
    def not_fitted(self) -> tuple[NotFitted, ...]:
        """Rules for sensors that this vehicle does not have."""
        return self.rules.not_fitted

    def pipeline(self) -> Pipeline:
        """A new pipeline of this vehicle's channels, with nothing remembered."""
        pipeline, problems = _build_pipeline_parts(self.settings, lambda *_: None)
        assert not problems
        return pipeline

    def engine(self) -> Engine:
        """A new rule engine, with nothing remembered."""
        running = next((n for n, c in self.settings.channels.items() if isinstance(c, EngineRunningChannel)), None)
        return Engine(self.rules.rules, self.pipeline().roots(), self.channel_units, running)

    def wanted_items(self, source: str) -> tuple[str, ...]:
        """The items of a source that some channel reads, each once."""
        items = [
            c.item for c in self.settings.channels.values() if isinstance(c, MeasuredChannel) and c.source == source
        ]
        return tuple(dict.fromkeys(items))


def load_plan(file: Path) -> Plan:
    """Load a settings file with its rule files.

    Raises:
        SettingsError: with every problem of all files at once; a syntax error in the settings comes alone.
    """
    try:
        loaded = load_settings(file)
    except SettingsError as error:
        raise SettingsError([*error.problems, *_rule_problems_beside(file)]) from error
    rule_files, problems = _load_rule_files(loaded)
    return _assemble(loaded, rule_files, problems)


def _rule_problems_beside(file: Path) -> list[Problem]:
    """What is wrong in the rule files of settings that are wrong themselves, as far as it can be told.

    A rule that speaks of a channel which the settings' own faults hide is passed over.
    """
    try:
        raw = tomllib.loads(file.read_text(encoding="utf-8"))
    except (OSError, ValueError):
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
    return problems + build_rules(files, known)[1]


def plan_from_texts(loaded: Loaded[Settings], rule_files: list[Loaded[RuleFile]]) -> Plan:
    """The plan of texts kept in a recording.

    Raises:
        SettingsError: these texts make no plan with this version of the program.
    """
    return _assemble(loaded, rule_files, [])


def _assemble(loaded: Loaded[Settings], rule_files: list[Loaded[RuleFile]], problems: list[Problem]) -> Plan:
    settings = loaded.model
    _, channel_problems = _build_pipeline_parts(settings, loaded.problem)
    problems = [*problems, *channel_problems, *_check_references(loaded)]
    channel_units = {name: c.unit for name, c in settings.channels.items()}
    rules, rule_problems = build_rules(rule_files, channel_units)
    problems += rule_problems
    if problems:
        raise SettingsError(problems)
    texts = {r.file.name: r.text for r in rule_files}
    return Plan(loaded.file, settings, loaded.text, texts, rules, channel_units)


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


def _build_pipeline_parts(
    settings: Settings, report: Callable[[tuple[str | int, ...], str, str], Problem | None]
) -> tuple[Pipeline, list[Problem]]:
    problems: list[Problem] = []
    measured: list[Measured] = []
    derived: list[Derived] = []

    def add(path: tuple[str | int, ...], message: str, fix: str) -> None:
        problem = report(path, message, fix)
        if problem is not None:
            problems.append(problem)

    for name, spec in settings.channels.items():
        path = ("channels", name)
        if isinstance(spec, MeasuredChannel):
            channel = _measured(settings, name, spec, add)
            if channel is not None:
                measured.append(channel)
        elif _inputs_exist(settings, path, spec, add):
            derived.append(_derived(settings, name, spec))
    channel_units = {name: c.unit for name, c in settings.channels.items()}
    return Pipeline(measured, derived, channel_units), problems


def _measured(
    settings: Settings,
    name: str,
    spec: MeasuredChannel,
    add: _Add,
) -> Measured | None:
    path = ("channels", name)
    source = settings.sources.get(spec.source)
    if source is None:
        add((*path, "source"), f"there is no source '{spec.source}'", nearest(spec.source, settings.sources))
        return None
    if spec.measures == "lambda" and spec.curve is None and (isinstance(source, IioSource) or spec.ends is None):
        if isinstance(source, IioSource):
            add(path, "a wideband has no curve of its own here, and none is ever assumed", _CURVE_FIX)
        else:
            add(
                path,
                "the ends of this wideband's range are not given",
                "add ends = [0.65, 1.50], from its data sheet",
            )
        return None
    try:
        return Measured(name, spec, _wire_unit(source, spec))
    except CurveError as error:
        add((*path, "curve", "points"), str(error), "give points as [wire, value], rising along the wire")
    except units.UnitError as error:
        if "curve" in str(error):
            fix = 'add curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] } and wire_unit = "V"'
            add((*path, "curve"), str(error), fix)
        else:
            add((*path, "wire_unit"), str(error), 'write the unit of the wire, such as wire_unit = "V"')
    return None


_CURVE_FIX = (
    'add wire_unit = "V" and curve = { kind = "linear", points = [[volts, lambda], [volts, lambda]] } '
    "from its data sheet or your own calibration"
)


def _wire_unit(source: Source, spec: MeasuredChannel) -> units.Unit:
    """The unit in which a source gives an item."""
    if isinstance(source, IioSource):
        kind = spec.item.rstrip("0123456789").partition("-")[0].rstrip("0123456789")
        # Documentation/ABI/testing/sysfs-bus-iio: millivolt, milli-degree, milliampere.
        return units.unit({"voltage": "mV", "current": "mA"}.get(kind, "mV"))
    if isinstance(source, ObdSource):
        item = ITEMS.get(spec.item)
        return units.unit(item.unit if item else spec.unit)
    # A text line says a number; the settings say in which unit, or it is the channel's own.
    return units.unit(spec.wire_unit or spec.unit)


#: What each input of a derived channel must measure, by the key that names it.
_INPUT_UNITS = {
    "pressure": "kPa",
    "barometer": "kPa",
    "engine_speed": "rpm",
    "supply": "V",
    "throttle": "%",
    "lambda_channel": "lambda",
}


def _inputs_exist(settings: Settings, path: tuple[str | int, ...], spec: DerivedChannel, add: _Add) -> bool:
    fine = True
    measured = {n: c for n, c in settings.channels.items() if isinstance(c, MeasuredChannel)}
    for key, example in _INPUT_UNITS.items():
        name = getattr(spec, key, None)
        if name is None:
            continue
        if name not in measured:
            add((*path, key), f"needs the measured channel '{name}', which is not there", nearest(name, measured))
            fine = False
            continue
        wanted = units.unit(example).dimension
        if units.unit(measured[name].unit).dimension != wanted:
            add((*path, key), f"'{name}' is in {measured[name].unit}", f"{key} takes {units.dimension_name(wanted)}")
            fine = False
    if isinstance(spec, AsBurntChannel):
        fine = _checks_out(settings, path, spec, add) and fine
    if isinstance(spec, BoostChannel) and units.unit(spec.unit).dimension != units.PRESSURE:
        add((*path, "unit"), f"boost cannot be in '{spec.unit}'", 'write unit = "psi" or unit = "kPa"')
        fine = False
    return fine


def _checks_out(settings: Settings, path: tuple[str | int, ...], spec: AsBurntChannel, add: _Add) -> bool:
    """What is looked up in the past must be there, in the same unit, and stand before this channel."""
    before = list(settings.channels)
    before = before[: before.index(str(path[-1]))]
    if spec.of not in before:
        add((*path, "of"), f"needs the channel '{spec.of}' above it in this file", nearest(spec.of, before))
        return False
    if settings.channels[spec.of].unit != spec.unit:
        add((*path, "unit"), f"'{spec.of}' is in {settings.channels[spec.of].unit}", "give both the same unit")
        return False
    return True


def _derived(settings: Settings, name: str, spec: DerivedChannel) -> Derived:
    def unit_of(channel: str | None, otherwise: str = "") -> str:
        return settings.channels[channel].unit if channel else otherwise

    if isinstance(spec, BoostChannel):
        return Boost(name, spec, unit_of(spec.pressure), unit_of(spec.barometer) or None)
    if isinstance(spec, EngineRunningChannel):
        return EngineRunning(name, spec, unit_of(spec.engine_speed, "rpm"), unit_of(spec.supply, "V"))
    sensor = settings.channels[spec.lambda_channel]
    assert isinstance(sensor, MeasuredChannel)
    if isinstance(spec, AsBurntChannel):
        return AsBurnt(name, spec, sensor.response_time)
    return FuelCutGas(name, spec, unit_of(spec.pressure), sensor.response_time)


def _check_references(loaded: Loaded[Settings]) -> list[Problem]:
    """Names that must exist elsewhere in the settings: OBD items, fields of lines, channels of the drive."""
    settings, problems = loaded.model, []
    for name, source in settings.sources.items():
        if isinstance(source, ObdSource):
            problems += [
                loaded.problem(("sources", name, "items", item), "is no OBD item", nearest(item, ITEMS))
                for item in source.items
                if item not in ITEMS
            ]
    for name, channel in settings.channels.items():
        if isinstance(channel, MeasuredChannel) and channel.source in settings.sources:
            offered = _offered(settings.sources[channel.source])
            if offered is not None and channel.item not in offered:
                fix = nearest(channel.item, offered)
                if not fix or (isinstance(settings.sources[channel.source], ObdSource) and channel.item in ITEMS):
                    fix = f"add it under sources.{channel.source}"
                message = f"source '{channel.source}' gives no '{channel.item}'"
                problems.append(loaded.problem(("channels", name, "item"), message, fix))
    problems += _check_drive(loaded)
    return problems


def _check_drive(loaded: Loaded[Settings]) -> list[Problem]:
    settings = loaded.model
    if isinstance(settings.channels.get(settings.drive.running), EngineRunningChannel):
        return []
    known = [n for n, c in settings.channels.items() if isinstance(c, EngineRunningChannel)]
    fix = nearest(settings.drive.running, known) or (
        f'add [channels.{settings.drive.running}] with derive = "engine_running" and what tells it: '
        'engine_speed = "…", supply = "…", pressure = "…", lambda_channel = "…"'
    )
    message = f"there is no engine_running channel '{settings.drive.running}', so no drive would be recorded"
    return [loaded.problem(("drive", "running"), message, fix)]


def _offered(source: Source) -> list[str] | None:
    """What a source can give, where the settings say so; None where only the wire knows."""
    if isinstance(source, ObdSource):
        return list(source.items)
    if isinstance(source, IioSource):
        return None
    return list(source.fields) or None
