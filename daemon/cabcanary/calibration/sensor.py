"""What a calibration must know of a channel: its curve over the wire, its ends, and how one is written anew."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary import units
from cabcanary.channels.chain import Chain, build_curve
from cabcanary.model import Quality
from cabcanary.settings.sensors import MeasuredChannel

if TYPE_CHECKING:
    from cabcanary.calibration.least_squares import Array

#: Where a curve is looked at along its range: its ends, and often enough between them for a bend.
_LOOKS = 17


class CannotError(Exception):
    """This channel cannot be calibrated; the message says why and what to do."""


class Sensor:
    """One measured channel, with `wire` the unit in which its source gives the item.

    `wire` in what follows is the number that the curve is over: at the sensor, in `wire_unit`.

    Raises:
        CannotError: it is of a kind that has nothing to calibrate.
    """

    def __init__(self, name: str, spec: MeasuredChannel, wire: units.Unit) -> None:
        _refuse_kind(name, spec)
        self.name, self.spec = name, spec
        self.source_unit = wire
        self.chain = Chain(spec, wire)
        self.unit = spec.unit
        self.wire_unit = "ohm" if spec.pull_up is not None else self.chain.shown.symbol
        self._target, self._scale = units.unit(spec.unit), spec.afr_scale or 1.0
        self.wire_ends = self._wire_ends()
        a, b = (float(self.old(x)) for x in self.wire_ends)
        #: The lowest and the highest value of the curve, in the channel's unit.
        self.ends = min(a, b), max(a, b)

    @property
    def range(self) -> float:
        """From the lowest to the highest value, in the channel's unit."""
        return self.ends[1] - self.ends[0]

    @property
    def is_voltage(self) -> bool:
        """Whether the curve is over a voltage, so that ground and supply can shift it."""
        return self.spec.pull_up is None and self.chain.shown.dimension == units.VOLTAGE

    @property
    def is_absolute_pressure(self) -> bool:
        """Whether a gauge, which shows what is above the air, shows something else."""
        return self._target.dimension == units.PRESSURE and self.spec.reference == "absolute"

    def _wire_ends(self) -> tuple[float, float]:
        if self.chain.curve is not None:
            return self.chain.curve.wire_ends
        spec = self.spec
        if spec.rails is not None:
            return spec.rails
        span = spec.ends or spec.plausible
        if span is None:
            raise CannotError(
                f"channels.{self.name} has no curve, and nothing says where its range ends; "
                "write plausible = [lowest, highest], in its unit"
            )
        low, high = (self.wire_at(v) for v in span)
        return min(low, high), max(low, high)

    def old(self, wire: float) -> float:
        """The value by the curve that the settings have, in the channel's unit."""
        if self.chain.curve is None:
            return self._target.from_si(self.chain.shown.to_si(wire)) / self._scale
        return self.chain.curve.value(wire)[0] / self._scale

    def wire_at(self, value: float) -> float:
        """Where the old curve takes a value."""
        value *= self._scale
        if self.chain.curve is None:
            return self.chain.shown.from_si(self._target.to_si(value))
        return self.chain.curve.inverse(value)

    def slope(self, wire: float) -> float:
        """Of the old curve, in the channel's unit for each unit of the wire."""
        low, high = self.wire_ends
        # Resistances go over decades, so the step is a share of the reading where that is the smaller one.
        step = min(abs(wire) * 1e-4 or (high - low) * 1e-5, (high - low) * 1e-5)
        a, b = max(low, wire - step), min(high, wire + step)
        return (self.old(b) - self.old(a)) / (b - a) if b > a else 0.0

    def step_at(self, wire: float) -> float:
        """The converter's step at this reading, as the curve sees it, in the wire's unit."""
        if not self.spec.resolution:
            return 0.0
        if self.spec.pull_up is None:
            return self.spec.resolution * self.spec.divider
        # R = P U / (S - U), so dR/dU = (R + P)^2 / (P S).
        pull, supply = self.spec.pull_up.resistance, self.spec.pull_up.supply
        volts = self.spec.resolution * self.chain.shown.factor * self.spec.divider
        return (wire + pull) ** 2 / (pull * supply) * volts

    def is_at_end(self, wire: float) -> bool:
        """Whether the curve is at or beyond one of its ends there."""
        low, high = self.wire_ends
        if self.chain.curve is not None:
            return self.chain.curve.value(wire)[1] is not Quality.GOOD
        return not low < wire < high

    def looks(self) -> Array:
        """Readings along the range, evenly by value."""
        low, high = self.ends
        values = low + (high - low) * np.linspace(0.0, 1.0, _LOOKS)
        return np.array([self.wire_at(float(v)) for v in values])

    def over(self, wires: Array) -> Array:
        """`old` of many readings."""
        return np.array([self.old(float(x)) for x in wires])

    def changed(self, keys: dict[str, Any]) -> MeasuredChannel:
        """The channel's settings with other keys, checked as settings are.

        Raises:
            ValueError, CurveError, UnitError: they cannot be.
        """
        # A curve over resistance is refused without what makes it one, which the channel has already.
        beside = {"wire_unit": "ohm"} if self.wire_unit == "ohm" else {}
        probe = MeasuredChannel.model_validate({"source": "s", "item": "i", "unit": self.unit, **beside, **keys})
        changed = self.spec.model_copy(update={key: getattr(probe, key) for key in keys})
        build_curve(changed, self._target)
        return changed


def _refuse_kind(name: str, spec: MeasuredChannel) -> None:
    kind = spec.curve.kind if spec.curve is not None else ""
    if spec.measures == "switch" or spec.unit == "state":
        raise CannotError(f"{name} is on or off: there is nothing to calibrate")
    if spec.learn_ends:
        raise CannotError(f"the ends of {name} are learnt while driving (learn_ends): there is nothing to calibrate")
    if kind == "thermocouple_k":
        raise CannotError(
            f"{name} is a type K thermocouple, whose curve is the standard's (IEC 60584-1); "
            "if it is off, calibrate its cold junction, or replace it"
        )
