"""Measured channels: one table for each sensor, saying what its wire means and when not to believe it."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, model_validator

from cabcanary import units
from cabcanary.validation.base import ChannelSettings, Item, Name, Strict
from cabcanary.validation.quantities import Seconds, UnitSymbol, quantity_of

# --- Curves -------------------------------------------------------------------------------------------


class LinearCurve(Strict):
    """A straight line through two points of [wire, value]."""

    kind: Literal["linear"]
    points: list[tuple[float, float]] = Field(min_length=2, max_length=2)


class TableCurve(Strict):
    """Points of [wire, value], rising along the wire, joined by lines or by a monotone cubic (PCHIP)."""

    kind: Literal["table"]
    points: list[tuple[float, float]] = Field(min_length=2, max_length=500)
    between: Literal["lines", "pchip"] = "lines"


class PolynomialCurve(Strict):
    """Coefficients from the constant up, over a range of the wire in which it turns nowhere."""

    kind: Literal["polynomial"]
    coefficients: list[float] = Field(min_length=2, max_length=12)
    range: tuple[float, float]


class BetaCurve(Strict):
    """A thermistor by its resistance at 25 °C and its beta; the wire is its resistance."""

    kind: Literal["thermistor_beta"]
    r25: Annotated[float, BeforeValidator(quantity_of("ohm"))]
    beta: float = Field(gt=500, lt=10_000)
    #: In °C: where the data sheet ends. Beyond, a reading is a short or an open wire.
    range: tuple[float, float] = (-40.0, 150.0)


class SteinhartHartCurve(Strict):
    """A thermistor by its Steinhart-Hart coefficients; the wire is its resistance."""

    kind: Literal["thermistor"]
    a: float
    b: float
    c: float = Field(gt=0)
    range: tuple[float, float] = (-40.0, 150.0)


class PlatinumCurve(Strict):
    """A platinum resistor (IEC 60751) by its resistance at 0 °C; the wire is its resistance."""

    kind: Literal["platinum"]
    r0: Annotated[float, BeforeValidator(quantity_of("ohm"))] = 100.0
    range: tuple[float, float] = (-100.0, 600.0)


class TypeKCurve(Strict):
    """A type K thermocouple (IEC 60584-1); the wire is its voltage, the cold junction a channel of its own."""

    kind: Literal["thermocouple_k"]
    cold_junction: Name
    range: tuple[float, float] = (-50.0, 1200.0)


Curve = Annotated[
    LinearCurve | TableCurve | PolynomialCurve | BetaCurve | SteinhartHartCurve | PlatinumCurve | TypeKCurve,
    Field(discriminator="kind"),
]


# --- What lies between sensor and converter -----------------------------------------------------------------


class Ratiometric(Strict):
    """The sensor's output is a share of its supply: the curve holds at `nominal`, the supply is measured or taken
    to be nominal within `tolerance` (a standard uncertainty)."""

    nominal: Annotated[float, BeforeValidator(quantity_of("V"))]
    measured: Name | None = None
    tolerance: Annotated[float, BeforeValidator(quantity_of("V"))] = 0.0


class PullUp(Strict):
    """A resistor from the supply to the signal; the sensor goes from the signal to ground."""

    resistance: Annotated[float, BeforeValidator(quantity_of("ohm"))]
    supply: Annotated[float, BeforeValidator(quantity_of("V"))]
    measured: Name | None = None


class GroundOffset(Strict):
    """How far the sensor's ground stands above the converter's: a fixed figure, or a channel that measures it."""

    fixed: Annotated[float, BeforeValidator(quantity_of("V"))] = 0.0
    measured: Name | None = None
    uncertainty: Annotated[float, BeforeValidator(quantity_of("V"))] = 0.0


# --- Health -------------------------------------------------------------------------------------------------


class Health(Strict):
    """When a value is not believed although the wire is in range. What is not given comes from the kind of channel."""

    #: No change at all of the raw reading for this long: stuck. A live sensor's noise moves the last digit.
    stuck_after: Seconds | None = None
    #: Faster than this per second, in the channel's unit, nothing that it measures can change.
    fastest: float | None = Field(default=None, gt=0)
    #: Scatter of single readings above this, in the channel's unit: a loose contact.
    noisiest: float | None = Field(default=None, gt=0)


class Wideband(Strict):
    """How a wideband sensor behaves beyond its curve."""

    #: The channel of engine speed; without it neither free air nor a cold ceramic after standing is recognised.
    engine_speed: Name | None = None
    #: Another channel whose sensor is switched on and off with this one. After a stop in which both were dark this one
    #: may rest at its rail once more until it is hot, and that is no broken wire.
    fed_with: Name | None = None
    #: Without a word from the sensor itself: not believed for this long after it has come on.
    warm_up: Seconds = 0.0
    #: After standing still for longer than this its ceramic is cold again, and it re-heats.
    cools_after: Seconds = 30.0
    #: At its lean end for longer than this with the engine standing still: it hangs in free air.
    free_air_after: Seconds = 10.0


Measures = Literal[
    "lambda",
    "manifold_pressure",
    "barometric_pressure",
    "pressure",
    "supply_voltage",
    "voltage",
    "engine_speed",
    "throttle",
    "load",
    "trim",
    "temperature",
    "airflow",
    "vehicle_speed",
    "switch",
    "other",
]


def _pair(raw: Any) -> Any:
    if isinstance(raw, (list, tuple)) and len(raw) == 2 and all(isinstance(x, (int, float)) for x in raw):
        low, high = raw
        if low >= high:
            raise ValueError(f"{list(raw)} is upside down; write [low, high] with low below high")
    return raw


#: Two numbers, the lower first.
Range = Annotated[tuple[float, float], BeforeValidator(_pair)]


class MeasuredChannel(ChannelSettings):
    """One sensor: which wire, which curve, and what makes its value untrustworthy."""

    source: Name
    item: Item
    unit: UnitSymbol
    measures: Measures = "other"
    #: The unit that the curve's first column is written in; the source's own unit without one.
    wire_unit: UnitSymbol | None = None
    curve: Curve | None = None
    #: Resistor divider in front of the converter: sensor volts per converter volt.
    divider: float = Field(default=1.0, gt=0)
    #: The curve's values, or the numbers on a text line, are AFR on this scale (14.7 for many displays); lambda is
    #: what they divide to. AFR without its scale means nothing.
    afr_scale: float | None = Field(default=None, gt=3, lt=40)
    ratiometric: Ratiometric | None = None
    pull_up: PullUp | None = None
    ground: GroundOffset = GroundOffset()
    #: Of a pressure sensor: against vacuum, against the air around it, or against air sealed in at the factory.
    reference: Literal["absolute", "vented gauge", "sealed gauge"] = "absolute"
    #: Outside these, in the wire unit at the sensor, the wire is broken or shorted.
    rails: Range | None = None
    #: For a number that needs no curve: the sensor's own ends, in the channel's unit. At them the value is
    #: "at least" or "at most". A curve knows its ends by itself.
    ends: Range | None = None
    #: Outside these, in the channel's unit, the value cannot be true.
    plausible: Range | None = None
    stale_after: Seconds = 0.3
    #: Time to reach 63 % of a step; for a wideband it decides between "lean" and "wire broken".
    response_time: Annotated[Seconds, Field(gt=0)] = 0.1
    #: The converter's step, or the last digit's, in the wire unit at the converter.
    resolution: float = Field(default=0.0, ge=0)
    #: The data sheet's limits of error, plus or minus, in the channel's unit.
    accuracy: float = Field(default=0.0, ge=0)
    #: The standard deviation that a calibration left, in the channel's unit.
    residual: float = Field(default=0.0, ge=0)
    #: Of a throttle: where it rests and where it is wide open are learnt, and the channel is the opening between them.
    learn_ends: bool = False
    health: Health = Health()
    wideband: Wideband = Wideband()

    @model_validator(mode="after")
    def _goes_together(self) -> MeasuredChannel:
        resistive = self.curve is not None and self.curve.kind in ("thermistor", "thermistor_beta", "platinum")
        if resistive and self.pull_up is None and units.unit(self.wire_unit or "").dimension != units.RESISTANCE:
            raise ValueError(
                'this curve is over resistance; add pull_up = { resistance = "2.49 kohm", supply = "5 V" }, '
                'or wire_unit = "ohm" where the converter measures resistance'
            )
        if self.learn_ends and (self.measures != "throttle" or self.unit != "%"):
            raise ValueError(
                'learn_ends is for a throttle; write measures = "throttle" and unit = "%", or leave it out'
            )
        if self.reference != "absolute" and units.unit(self.unit).dimension != units.PRESSURE:
            raise ValueError(f"reference = '{self.reference}' is for pressure sensors, and this is in '{self.unit}'")
        return self
