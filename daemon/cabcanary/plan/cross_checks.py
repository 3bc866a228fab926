"""What the parts of one vehicle say of each other: names that must exist elsewhere, pins that two have taken."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.settings.derived import EngineRunningChannel
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.kind import Fault, SourceSettings, Wanted
from cabcanary.sources.kinds import kind_of, missing_item
from cabcanary.validation.base import same_pin
from cabcanary.validation.problems import Problem, nearest

if TYPE_CHECKING:
    from cabcanary.settings.load import Loaded
    from cabcanary.settings.schema import Settings


#: The unit of channels that are on or off.
_ON_OFF = "state"


def wanted_of(settings: Settings, source: str) -> dict[str, Wanted]:
    """What the channels read of a source, by channel."""
    read = {n: c for n, c in settings.channels.items() if isinstance(c, MeasuredChannel) and c.source == source}
    return {n: wanted_item(c) for n, c in read.items()}


def wanted_item(spec: MeasuredChannel) -> Wanted:
    """The item that a channel reads, and the unit that its settings say for it."""
    return Wanted(spec.item, spec.unit, spec.wire_unit, curved=spec.curve is not None)


def has_pins(source: SourceSettings | None) -> bool:
    """Whether a source reads pins of this computer."""
    return source is not None and bool(kind_of(source).pins(source))


def check_references(loaded: Loaded[Settings]) -> list[Problem]:
    """Names that must exist elsewhere: what the sources name, the drive's channel, buttons."""
    settings = loaded.model
    faults = [f for name, source in settings.sources.items() for f in kind_of(source).problems(name, source)]
    problems = [loaded.problem(*fault) for fault in faults]
    problems += _check_drive(loaded)
    for n, defect in enumerate(settings.known_defects):
        if defect.channel not in settings.channels:
            message, fix = f"there is no channel '{defect.channel}'", nearest(defect.channel, list(settings.channels))
            problems.append(loaded.problem(("known_defects", n, "channel"), message, fix))
    for use in ("acknowledge", "remember"):
        button = getattr(settings.buttons, use)
        if button is None:
            continue
        path = ("buttons", use)
        source = settings.sources.get(button.source)
        if source is not None and has_pins(source):
            missing = missing_item(button.source, source, button.item)
            problems += [loaded.problem((*path, "item"), missing.message, missing.fix)] if missing else []
        else:
            switches = [n for n, s in settings.sources.items() if has_pins(s)]
            fix = nearest(button.source, switches) or 'add [sources.switches] with kind = "gpio"'
            problems.append(loaded.problem((*path, "source"), f"there is no gpio source '{button.source}'", fix))
    return problems


def check_outputs(loaded: Loaded[Settings], rule_ids: list[str]) -> list[Problem]:
    """Names that outputs speak of: channels that are published, shown or tell night, rules that leave the lamp lit."""
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
    for n, name in enumerate(settings.pages.values):
        check(("pages", "values", n), name, "channel", channels)
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


def check_files(loaded: Loaded[Settings]) -> list[Problem]:
    """What is wrong with the files that sources name."""
    settings, faults = loaded.model, list[Fault]()
    for name, source in settings.sources.items():
        faults += kind_of(source).file_problems(name, source, wanted_of(settings, name))
    return [loaded.problem(*fault) for fault in faults]
