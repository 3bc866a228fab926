"""From a converter's number to an engineering value with its uncertainty: divider, ground, supply, curve.

Uncertainty is carried to first order as the Guide to the Expression of Uncertainty in Measurement has it (JCGM
100:2008, 5.1.2): the input variances, each times the square of its sensitivity coefficient, are added up.
A limit of error ±a counts as a/√3 (rectangular, 4.3.7), a converter's step q as q/√12.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from cabcanary import units
from cabcanary.channels.shapes import Curve, CurveError, Lines, MonotoneCubic, Polynomial
from cabcanary.channels.temperature import Beta, Platinum, SteinhartHart, TypeK, type_k_millivolts
from cabcanary.model import Quality

if TYPE_CHECKING:
    from cabcanary.settings.sensors import MeasuredChannel

_SQRT_3, _SQRT_12 = math.sqrt(3.0), math.sqrt(12.0)


class Known(NamedTuple):
    """A quantity that a conversion needs besides its wire, in SI (temperatures in °C), with its uncertainty."""

    value: float
    uncertainty: float = 0.0


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What a conversion needs besides its wire: V, V, °C."""

    supply: Known
    ground: Known
    cold_junction: Known


class Converted(NamedTuple):
    """A value in the channel's unit, the side on which it is saturated if it is, and its standard uncertainty.

    `wire` is the reading at the sensor, in the unit that the curve is written in.
    """

    value: float
    quality: Quality
    uncertainty: float
    wire: float


class Chain:
    """The conversion of one measured channel. `wire` is the unit in which the source gives the item.

    Raises:
        CurveError, UnitError: the settings make no conversion.
    """

    def __init__(self, spec: MeasuredChannel, wire: units.Unit) -> None:
        self._spec = spec
        self._wire = wire
        self._target = units.unit(spec.unit)
        self.shown = units.unit(spec.wire_unit) if spec.wire_unit and spec.pull_up is None else wire
        self._resistive = spec.pull_up is not None
        if spec.wire_unit and not self._resistive and self.shown.dimension != wire.dimension:
            raise units.UnitError(
                f"the source gives {units.dimension_name(wire.dimension)} and wire_unit says '{spec.wire_unit}'"
            )
        if self._resistive and wire.dimension != units.VOLTAGE:
            raise units.UnitError("a pull_up needs a source that gives a voltage")
        self._volts_per_wire = wire.factor * spec.divider
        self._thermocouple = spec.curve is not None and spec.curve.kind == "thermocouple_k"
        self.curve = build_curve(spec, self._target)
        if self.curve is None and wire.dimension != self._target.dimension:
            raise units.UnitError(
                f"the wire gives {units.dimension_name(wire.dimension)} and the channel is in "
                f"'{spec.unit}': a curve must say how one becomes the other"
            )
        self._scale = spec.afr_scale or 1.0
        self._own_variance = (spec.accuracy / _SQRT_3) ** 2 + spec.residual**2

    @property
    def ends(self) -> tuple[float, float] | None:
        """The lowest and highest value in the channel's unit; None where nothing says so."""
        if self.curve is None:
            return self._spec.ends
        low, high = self.curve.ends
        return low / self._scale, high / self._scale

    def convert(self, raw: float, around: Surroundings) -> Converted:
        """One reading, in the source's unit, under the given surroundings."""
        value, quality, wire = self._value(raw, around.supply.value, around.ground.value, around.cold_junction.value)
        return Converted(value, quality, math.sqrt(self._variance(raw, around)), wire)

    def _value(self, raw: float, supply: float, ground: float, cold: float) -> tuple[float, Quality, float]:
        """Value, saturation, and the wire at the sensor, for these inputs exactly."""
        si = raw * self._volts_per_wire + self._wire.offset - ground
        spec = self._spec
        if spec.ratiometric is not None:
            si *= spec.ratiometric.nominal / supply
        if self.curve is None:
            return self._target.from_si(si) / self._scale, Quality.GOOD, self.shown.from_si(si)
        wire, shown = self._wires(si, supply, cold)
        value, quality = self.curve.value(wire)
        return value / self._scale, quality, shown

    def _wires(self, si: float, supply: float, cold: float) -> tuple[float, float]:
        """What the curve is over, and what a person is shown of it."""
        if self._spec.pull_up is not None:
            return _resistance(si, supply, self._spec.pull_up.resistance), si
        if self._thermocouple:
            shown = si * 1000.0
            return shown + type_k_millivolts(cold), shown
        wire = self.shown.from_si(si)
        return wire, wire

    def curve_reading(self, raw: float, around: Surroundings) -> float:
        """One reading, in the source's unit, as what the curve is over: at the sensor, with nominal supply, and a
        resistance in ohm where there is a pull-up. Without a curve it is the reading in the wire unit."""
        si = raw * self._volts_per_wire + self._wire.offset - around.ground.value
        if self._spec.ratiometric is not None:
            si *= self._spec.ratiometric.nominal / around.supply.value
        return self._wires(si, around.supply.value, around.cold_junction.value)[0]

    def _variance(self, raw: float, around: Surroundings) -> float:
        """Squares of sensitivity times uncertainty; sensitivities by central differences of the whole chain."""
        supply, ground, cold = around.supply, around.ground, around.cold_junction
        total = self._own_variance
        step = self._spec.resolution * self.shown.factor / self._wire.factor / _SQRT_12
        if step:
            total += self._contribution(
                self._value(raw + step, supply.value, ground.value, cold.value)[0],
                self._value(raw - step, supply.value, ground.value, cold.value)[0],
            )
        if supply.uncertainty:
            total += self._contribution(
                self._value(raw, supply.value + supply.uncertainty, ground.value, cold.value)[0],
                self._value(raw, supply.value - supply.uncertainty, ground.value, cold.value)[0],
            )
        if ground.uncertainty:
            total += self._contribution(
                self._value(raw, supply.value, ground.value + ground.uncertainty, cold.value)[0],
                self._value(raw, supply.value, ground.value - ground.uncertainty, cold.value)[0],
            )
        if cold.uncertainty:
            total += self._contribution(
                self._value(raw, supply.value, ground.value, cold.value + cold.uncertainty)[0],
                self._value(raw, supply.value, ground.value, cold.value - cold.uncertainty)[0],
            )
        return total

    @staticmethod
    def _contribution(above: float, below: float) -> float:
        return ((above - below) / 2.0) ** 2

    def inverse(self, value: float, around: Surroundings) -> float:
        """The reading, in the source's unit, that means `value` under these surroundings; held at the curve's ends."""
        spec = self._spec
        value *= self._scale
        if self.curve is None:
            si = self._target.to_si(value)
        else:
            wire = self.curve.inverse(value)
            if spec.pull_up is not None:
                si = around.supply.value * wire / (wire + spec.pull_up.resistance)
            elif self._thermocouple:
                si = (wire - type_k_millivolts(around.cold_junction.value)) / 1000.0
            else:
                si = self.shown.to_si(wire)
        if spec.ratiometric is not None:
            si *= around.supply.value / spec.ratiometric.nominal
        return (si + around.ground.value - self._wire.offset) / self._volts_per_wire


def _resistance(volts: float, supply: float, pull_up: float) -> float:
    """Of the lower leg of a divider; an open wire reads as the supply, a short as 0 V."""
    if volts >= supply:
        return math.inf
    return max(volts, 0.0) * pull_up / (supply - volts)


def build_curve(spec: MeasuredChannel, target: units.Unit) -> Curve | None:
    """The curve that the settings describe, over the unit that it is written in; None without one.

    Raises:
        CurveError: it describes none.
    """
    curve = spec.curve
    match curve:
        case None:
            return None
        case _ if curve.kind == "linear":
            points = sorted(curve.points)  # two points have no order of their own
            return Curve(Lines(points), points[0][0], points[-1][0])
        case _ if curve.kind == "table":
            law = Lines(curve.points) if curve.between == "lines" else MonotoneCubic(curve.points)
            return Curve(law, curve.points[0][0], curve.points[-1][0])
        case _ if curve.kind == "polynomial":
            return Curve(Polynomial(curve.coefficients, *curve.range), *curve.range)
        case _:
            return _thermal(spec, target)


def _thermal(spec: MeasuredChannel, target: units.Unit) -> Curve:
    curve = spec.curve
    assert curve is not None
    if target.symbol != "°C":
        raise CurveError('temperature sensors give °C; write unit = "°C"')
    law: Beta | SteinhartHart | Platinum | TypeK
    if curve.kind == "thermistor_beta":
        law = Beta(curve.r25, curve.beta)
    elif curve.kind == "thermistor":
        law = SteinhartHart(curve.a, curve.b, curve.c)
    elif curve.kind == "platinum":
        law = Platinum(curve.r0)
    else:
        law = TypeK()
    ends = sorted(law.inverse(t) for t in curve.range)  # type: ignore[union-attr]
    return Curve(law, ends[0], ends[1])
