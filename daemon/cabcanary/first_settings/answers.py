"""What a person says of a vehicle, as `cabcanary new` asks it and keeps it.

Every answer may be missing: *I don't know yet*. No answer stands for a curve or a limit that nobody gave.
"""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BeforeValidator, Field, ValidationError, field_validator, model_validator

from cabcanary import units
from cabcanary.validation.base import Item, Name, PinName, Strict
from cabcanary.validation.quantities import quantity_of

if TYPE_CHECKING:
    from pathlib import Path

#: What a person writes for *I don't know yet*.
UNKNOWN = "?"


class AnswersError(Exception):
    """Answers that cannot be; the message has a line for each."""


def _said(symbol: str) -> BeforeValidator:
    check = quantity_of(symbol)

    def keep(raw: Any) -> Any:
        check(raw)
        return raw

    return BeforeValidator(keep)


Litres = Annotated[str, _said("L")]
Metres = Annotated[str, _said("m")]
Volts = Annotated[str, _said("V")]
Ohms = Annotated[str, _said("ohm")]
Times = Annotated[str, _said("s")]
Speed = Annotated[str, _said("rpm")]
Pressure = Annotated[str, _said("kPa")]
Short = Annotated[str, Field(min_length=1, max_length=60)]
#: Pairs of [volts at the sensor, what it then measures].
Points = Annotated[list[tuple[float, float]], Field(min_length=2, max_length=200)]
Pair = tuple[float, float]


class Vehicle(Strict):
    """Which vehicle, and how it is to be built."""

    name: Short | None = None
    displacement: Litres | None = None
    fuel: str | None = None
    stages: list[Short] | None = None
    stage: Short | None = None

    @field_validator("fuel")
    @classmethod
    def _known(cls, fuel: str | None) -> str | None:
        if fuel is not None:
            units.fuel_ratio(fuel)
        return fuel


class Compressor(Strict):
    """What makes boost, and from when."""

    kind: Literal["displacement", "centrifugal", "turbo", "none"] | None = None
    begins: Short | None = Field(default=None, alias="from")
    #: The engine speed from which on an open throttle makes boost.
    full_boost_from: Speed | None = None
    fastest: Speed | None = None


class Exhaust(Strict):
    """The way of the gas from the ports to the wideband."""

    length: Metres | None = None
    bore: Metres | None = None
    volume: Litres | None = None


class Converter(Strict):
    """What turns the sensors' volts into numbers: a chip with a driver in the kernel."""

    kind: Literal["iio", "hwmon"] | None = None
    device: str | None = None
    folder: str | None = None
    #: The highest voltage that its inputs can tell.
    highest: Volts | None = None


class Wideband(Strict):
    """How the wideband's controller tells its value."""

    signal: Literal["voltage", "text"] | None = None
    input: Item | None = None
    points: Points | None = None
    scale: Literal["lambda", "AFR"] | None = None
    afr_scale: float | None = Field(default=None, gt=3, lt=40)
    #: Outside these volts it is broken, or says so itself.
    rails: Pair | None = None
    response_time: Times | None = None
    warm_up: Times | None = None
    port: str | None = None
    baud: int | None = Field(default=None, ge=110, le=4_000_000)
    #: The name of its number on a line, or in a row of fields.
    item: Name | None = None
    separator: str | None = None
    assign: str | None = None
    fields: list[Name] | None = None
    not_ready: list[str] | None = None
    error: list[str] | None = None
    #: The lowest and the highest value that it tells.
    ends: Pair | None = None


class PressureSensor(Strict):
    """The sensor of the manifold's pressure."""

    input: Item | None = None
    points: Points | None = None
    unit: Literal["kPa", "psi", "bar", "inHg", "mbar"] | None = None
    #: What it reads zero at: nothing at all, or the air around it.
    against: Literal["vacuum", "air"] | None = None
    rails: Pair | None = None
    #: The data sheet's limit of error, in the same unit.
    accuracy: float | None = Field(default=None, gt=0)


class Supply(Strict):
    """The vehicle's supply, through two resistors."""

    input: Item | None = None
    upper: Ohms | None = None
    lower: Ohms | None = None


class EngineSpeed(Strict):
    """A converter on an ignition or injector wire; an engine's bus needs none."""

    input: Item | None = None
    points: Points | None = None


class ChargeTemperature(Strict):
    """A thermistor behind the compressor."""

    input: Item | None = None
    pull_up: Ohms | None = None
    r25: Ohms | None = None
    beta: float | None = Field(default=None, gt=500, lt=10_000)
    #: In their place: volts and °C as measured or from the data sheet.
    points: Points | None = None
    rails: Pair | None = None


class Bus(Strict):
    """The vehicle's bus, of which standard read services are asked and nothing else."""

    interface: Literal["slcan", "socketcan"] | None = None
    channel: str | None = None
    bitrate: Literal[125_000, 250_000, 500_000, 1_000_000] | None = None
    #: The engine computer measures the air's mass; False: it works with speed and density.
    pressure_sensor: bool | None = None


class Outputs(Strict):
    """What warns."""

    buzzer_pin: PinName | None = None
    lamp_pin: PinName | None = None


class Recordings(Strict):
    """Where drives are kept."""

    folder: str | None = None


class Hoses(Strict):
    """What the weakest joint of each stage stands, above the air."""

    unit: Literal["psi", "kPa", "bar"] | None = None
    by_stage: dict[str, float] | None = None


class Tuner(Strict):
    """Limits as a qualified tuner gave them."""

    confirmed_by: str | None = None
    #: The leanest mixture allowed: pairs of [boost in psi, lambda].
    ceiling: Points | None = None
    manifold_highest: Pressure | None = None
    near_limiter: Speed | None = None


class Driven(Strict):
    """What a first drive has shown; `cabcanary new --drive` fills it."""

    #: Between an idle and an overrun, absolute.
    below_idle: Pressure | None = None
    idle: Pressure | None = None
    supply_lowest: Volts | None = None
    supply_lowest_in_boost: Volts | None = None


class Answers(Strict):
    """All of them, each in the table of what it is about."""

    vehicle: Vehicle = Vehicle()
    compressor: Compressor = Compressor()
    exhaust: Exhaust = Exhaust()
    converter: Converter = Converter()
    wideband: Wideband = Wideband()
    manifold_pressure: PressureSensor = PressureSensor()
    supply: Supply = Supply()
    engine_speed: EngineSpeed = EngineSpeed()
    charge_temperature: ChargeTemperature = ChargeTemperature()
    bus: Bus = Bus()
    outputs: Outputs = Outputs()
    recordings: Recordings = Recordings()
    hoses: Hoses = Hoses()
    tuner: Tuner = Tuner()
    driven: Driven = Driven()

    @model_validator(mode="after")
    def _stages_that_there_are(self) -> Answers:
        stages = self.vehicle.stages
        if stages is None:
            return self
        named = {"vehicle.stage": self.vehicle.stage, "compressor.from": self.compressor.begins}
        named |= {f"hoses.by_stage '{s}'": s for s in self.hoses.by_stage or {}}
        for where, stage in named.items():
            if stage is not None and stage not in stages:
                raise ValueError(f"{where} is no stage; the stages are: {', '.join(stages)}")
        return self


def without_unknown(raw: dict[str, Any]) -> dict[str, Any]:
    """The answers without those that are *I don't know yet*."""
    found: dict[str, Any] = {}
    for key, value in raw.items():
        if value == UNKNOWN:
            continue
        found[key] = without_unknown(value) if isinstance(value, dict) else value
    return found


def answers_of(raw: dict[str, Any]) -> Answers:
    """The answers of tables as TOML has them.

    Raises:
        AnswersError: one of them cannot be.
    """
    try:
        return Answers.model_validate(without_unknown(raw))
    except ValidationError as error:
        raise AnswersError("\n".join(_line(e) for e in error.errors())) from None


def read_answers(file: Path) -> dict[str, Any]:
    """The tables of a file of answers.

    Raises:
        AnswersError: it cannot be read, or is no TOML.
    """
    if file.exists() and not file.is_file():
        # A pipe without a writer would be waited for, for ever.
        raise AnswersError(f"{file} is no file; name a file of answers (TOML)")
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        raise AnswersError(f"{file}: {error.strerror or error}") from error
    except (ValueError, RecursionError) as error:
        raise AnswersError(f"{file}: {error}") from error


def _line(error: Any) -> str:
    where = ".".join(str(part) for part in error["loc"])
    if error["type"] == "extra_forbidden":
        return f"{where}: there is no such question; remove it"
    message = str(error["msg"]).removeprefix("Value error, ")
    return f"{where}: {message}" if where else message
