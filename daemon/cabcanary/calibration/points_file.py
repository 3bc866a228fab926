"""A session written down: the points in a TOML file, instead of asking."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, NamedTuple

from pydantic import Field, model_validator

from cabcanary import units
from cabcanary.calibration.points import Point, Readings, Session, readings_of
from cabcanary.model import Quality, Value
from cabcanary.settings.load import load_file
from cabcanary.validation.base import Name, Strict
from cabcanary.validation.problems import SettingsError
from cabcanary.validation.quantities import UnitSymbol

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.calibration.sensor import Sensor
    from cabcanary.channels.measured import Measured
    from cabcanary.settings.load import Loaded

#: No reading and no reference is larger, in any unit: beyond it the fit would overflow.
_LARGEST = 1e12
Finite = Annotated[float, Field(ge=-_LARGEST, le=_LARGEST, allow_inf_nan=False)]
PlusMinus = Annotated[float, Field(ge=0, le=_LARGEST, allow_inf_nan=False)]


class ReferenceTable(Strict):
    """What the sensor is held against. Both are plus or minus, in the unit of the references."""

    name: str = ""
    #: Its own limits of error: one and the same error at all points.
    limits: PlusMinus = 0.0
    #: How finely it is read, where a point does not say.
    reading: PlusMinus | None = None
    #: Of a gauge that shows pressure above the air, for an absolute sensor: the air's pressure, added to each point.
    air: Finite = 0.0


class PointTable(Strict):
    """One point: readings of the wire in its source's unit, or at the sensor in the unit of the curve."""

    reference: Finite
    #: Plus or minus, at this point alone.
    uncertainty: PlusMinus | None = None
    #: The mean of the readings in the unit of the source, or all of them.
    raw: Finite | None = None
    readings: list[Finite] = Field(default=[], max_length=100_000)
    #: The mean at the sensor, in the unit of the curve.
    wire: Finite | None = None
    #: Standard deviation of a single reading, in the same unit, and how many there were.
    noise: PlusMinus = 0.0
    count: int = Field(default=1, ge=1)
    #: How long the readings took, and by how much they changed meanwhile.
    seconds: float = Field(default=5.0, gt=0, allow_inf_nan=False)
    drift: Finite = 0.0
    #: Values of the channels that the conversion needs, such as a measured supply, in their units.
    around: dict[Name, Finite] = {}

    @model_validator(mode="after")
    def _one_form(self) -> PointTable:
        given = [self.raw is not None, bool(self.readings), self.wire is not None]
        if sum(given) != 1:
            raise ValueError("a point has one of raw, readings and wire; write raw = 1234.5 in the source's unit")
        return self


class PointsFile(Strict):
    """A session."""

    #: Where given, it must be the channel that is calibrated.
    channel: Name | None = None
    #: Of the references and their uncertainties; the channel's own without it.
    unit: UnitSymbol | None = None
    serial: str = ""
    reference: ReferenceTable = ReferenceTable()
    point: list[PointTable] = Field(min_length=1, max_length=1000)


class Subject(NamedTuple):
    """The channel that is calibrated: its sensor, and what converts its readings."""

    sensor: Sensor
    measured: Measured
    units: dict[str, str]


_HINTS = {"point": "a [[point]] table with raw and reference", "reference": "reference = 100.0"}


def read_session(file: Path, subject: Subject) -> Session:
    """The session in a file.

    Raises:
        SettingsError: the file cannot be read, or says something that cannot be.
    """
    loaded = load_file(file, PointsFile, "config/calibration.md", _HINTS)
    told, sensor = loaded.model, subject.sensor
    if told.channel is not None and told.channel != sensor.name:
        raise SettingsError(
            [loaded.problem(("channel",), f"these are points of '{told.channel}'", f"calibrate {told.channel} with it")]
        )
    symbol = told.unit or sensor.unit
    try:
        size = units.difference(1.0, symbol, sensor.unit)
    except units.UnitError as error:
        raise SettingsError([loaded.problem(("unit",), str(error), f'write unit = "{sensor.unit}"')]) from error
    if told.reference.air and not sensor.is_absolute_pressure:
        fix = "leave air out"
        message = f"{sensor.name} does not measure absolute pressure, so no air is added"
        raise SettingsError([loaded.problem(("reference", "air"), message, fix)])
    points = []
    for n, table in enumerate(told.point):
        reading = told.reference.reading if table.uncertainty is None else table.uncertainty
        points.append(
            Point(
                units.convert(table.reference + told.reference.air, symbol, sensor.unit),
                _readings(table, subject, loaded, n),
                None if reading is None else reading * size,
            )
        )
    return Session(tuple(points), told.reference.limits * size, told.reference.name, told.serial)


def _readings(table: PointTable, subject: Subject, loaded: Loaded[PointsFile], n: int) -> Readings:
    if table.wire is not None:
        return Readings(table.wire, table.noise, table.count, table.drift)
    values = {}
    for name in subject.measured.needs:
        if name not in table.around:
            fix = f"around = {{ {name} = … }}, in {subject.units[name]}"
            raise SettingsError(
                [
                    loaded.problem(
                        ("point", n), f"a reading means nothing without '{name}', which it is converted by", fix
                    )
                ]
            )
        values[name] = Value(table.around[name], Quality.GOOD, 0)
    around, missing = subject.measured.surroundings(values)
    if around is None:
        raise SettingsError([loaded.problem(("point", n, "around"), missing)])
    convert = subject.sensor.chain.curve_reading
    if table.readings:
        step_s = table.seconds / max(1, len(table.readings) - 1)
        return readings_of(
            [step_s * k for k in range(len(table.readings))], [convert(r, around) for r in table.readings]
        )
    assert table.raw is not None
    mean = convert(table.raw, around)
    slope = (convert(table.raw + _TINY, around) - convert(table.raw - _TINY, around)) / (2.0 * _TINY)
    return Readings(mean, table.noise * abs(slope), table.count, table.drift * slope)


#: A step for the slope of the conversion, in the source's unit: mV, m°C, kPa.
_TINY = 1e-3
