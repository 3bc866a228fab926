"""A session -> a judged calibration, and the calibration -> the settings and its record."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.calibration.causes import Cause, causes
from cabcanary.calibration.fit import Result, Unfit
from cabcanary.calibration.points_file import Subject
from cabcanary.calibration.record import file_for, keep, report, today
from cabcanary.calibration.refusals import calibrated
from cabcanary.calibration.sensor import CannotError, Sensor
from cabcanary.calibration.settings_edit import edited, fragment, rounded
from cabcanary.calibration.words import interval_sentence, lines
from cabcanary.plan.plan import plan_from_texts
from cabcanary.settings.load import rules_from_text, settings_from_text
from cabcanary.settings.replacing import ChangedMeanwhileError, replace, unchanged
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.kind import Wanted
from cabcanary.sources.kinds import wire_of
from cabcanary.validation.problems import SettingsError, nearest

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cabcanary.calibration.points import Session
    from cabcanary.plan.plan import Plan


class Calibrated(NamedTuple):
    """A calibration that is fit to be written. `keys` are what the channel's table then says."""

    session: Session
    sensor: Sensor
    result: Result
    causes: list[Cause]
    keys: dict[str, Any]

    def lines(self) -> Iterator[str]:
        """For a person."""
        return lines(self.session, self.sensor, self.result, self.keys, self.causes)

    def as_json(self) -> dict[str, Any]:
        """For a program, and for the record."""
        told = report(self.session, self.sensor, self.result, self.keys, self.causes)
        sentence = interval_sentence(self.sensor, self.result)
        return told | {"fragment": fragment(self.sensor.name, self.keys), "sentence": sentence}


def subject_of(plan: Plan, name: str) -> Subject:
    """The channel that is to be calibrated.

    Raises:
        CannotError: there is no such measured channel, or nothing to calibrate in it.
    """
    spec = plan.settings.channels.get(name)
    pipeline = plan.pipeline()
    if not isinstance(spec, MeasuredChannel):
        measured = [m.name for m in pipeline.measured]
        made = f"'{name}' is worked out from other channels" if spec is not None else f"there is no channel '{name}'"
        raise CannotError(f"{made}; calibrate a measured one: {nearest(name, measured)}")
    measured_channel = next(m for m in pipeline.measured if m.name == name)
    wanted = Wanted(spec.item, spec.unit, spec.wire_unit, spec.curve is not None)
    wire, _ = wire_of(spec.source, plan.settings.sources[spec.source], wanted)
    return Subject(Sensor(name, spec, wire), measured_channel, plan.channel_units)


def calibrate(session: Session, sensor: Sensor, *, other_sensor: bool = False) -> Calibrated:
    """Fit and judge.

    Raises:
        Unfit: the points make no calibration; with every reason.
        CannotError: no curve is made for this kind of sensor.
    """
    if sensor.spec.measures == "lambda":
        raise CannotError("no curve is made for a wideband: its maker's is the only one that fits")
    result = calibrated(session, sensor, other_sensor=other_sensor)
    keys = rounded(result.keys)
    if sensor.spec.wire_unit is not None:
        keys.pop("wire_unit", None)
    return Calibrated(
        session, sensor, result, causes(session, sensor, result), {**keys, "residual": _up(result.residual)}
    )


def _up(residual: float) -> float:
    """Three digits are enough for an uncertainty, and it is never rounded to a smaller one."""
    digits = 2 - math.floor(math.log10(residual)) if residual > 0 else 0
    size = 10.0**digits
    return math.ceil(round(residual * size, 6)) / size


def new_text(plan: Plan, done: Calibrated) -> tuple[str, Path]:
    """The settings with the calibration in them, found good; and the file of its record.

    Raises:
        CannotEditError: the text cannot be changed with care.
        Unfit: with this curve the settings as a whole would be wrong.
    """
    record = file_for(plan.settings.daemon.folder, done.sensor.name, today())
    serial = f", serial {done.session.serial}" if done.session.serial else ""
    comment = f"calibrated {today()}{serial}: {record.parent.name}/{record.name}".replace("\n", " ")
    text = edited(plan.settings_text, done.sensor.name, done.keys, comment)
    try:
        rules = [rules_from_text(words, plan.file.parent / name) for name, words in plan.rule_texts.items()]
        plan_from_texts(settings_from_text(text, plan.file), rules)
    except SettingsError as error:
        raise Unfit([f"with this curve the settings would be wrong: {error}"]) from error
    return text, record


def write(plan: Plan, done: Calibrated, text: str, record: Path) -> None:
    """Keep the record, then change the settings; each whole or not at all.

    Raises:
        OSError: one of them cannot be written.
        Unfit: the settings have changed since they were read.
    """
    try:
        before = unchanged(plan.file, plan.settings_text)
    except ChangedMeanwhileError as error:
        raise Unfit([str(error)]) from error
    keep(record, done.as_json(), plan.settings)
    replace(plan.file, before, text)
