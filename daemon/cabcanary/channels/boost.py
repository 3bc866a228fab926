"""Pressures against the air: boost and vacuum."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.channels.derive import Stateless
from cabcanary.channels.usable import opposite, unusable
from cabcanary.model import USABLE, Quality, Value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.derived import BoostChannel, VacuumChannel

#: What a factory seals into a sealed gauge sensor: one standard atmosphere, Pa.
_SEALED_PA = 101_325.0


class Boost(Stateless):
    """Manifold pressure above the air's. `reference` is the pressure sensor's: absolute, vented or sealed gauge."""

    def __init__(self, name: str, spec: BoostChannel, channel_units: Mapping[str, str], reference: str) -> None:
        self.name, self.spec = name, spec
        self.inputs: tuple[str, ...] = (spec.pressure, spec.air)
        self._pressure, self._air = (units.unit(channel_units[c]) for c in self.inputs)
        self._target = units.unit(spec.unit)
        self._reference = reference
        #: The pressure channel whose range is this one's, too: a vented gauge sensor shows boost itself.
        self.sealed_pa = _SEALED_PA if reference == "sealed gauge" else 0.0
        self.gauge = spec.pressure if reference == "vented gauge" else None

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """Boost at this tick; unknown, with the reason, without a pressure or the air's."""
        pressure, air = values[self.spec.pressure], values[self.spec.air]
        if pressure.value is None or pressure.quality not in USABLE:
            return unusable(values, self.inputs, now_ns)
        factor = self._target.factor
        if self._reference == "vented gauge":
            shown, own = self._pressure.to_si(pressure.value) / factor, pressure.uncertainty * self._pressure.factor
            return pressure._replace(value=shown, uncertainty=own / factor)
        if air.value is None or air.quality not in USABLE:
            return unusable(values, self.inputs, now_ns)
        found = difference((pressure, self._pressure), (air, self._air))
        assert found.value is not None
        return found._replace(value=(found.value + self.sealed_pa) / factor, uncertainty=found.uncertainty / factor)


class Vacuum(Stateless):
    """The air's pressure above the manifold's, never below zero."""

    def __init__(self, name: str, spec: VacuumChannel, channel_units: Mapping[str, str]) -> None:
        self.name, self.spec = name, spec
        self.inputs: tuple[str, ...] = (spec.pressure, spec.air)
        self._pressure, self._air = (units.unit(channel_units[c]) for c in self.inputs)
        self._target = units.unit(spec.unit)

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """Vacuum at this tick; unknown, with the reason, without both pressures."""
        pressure, air = values[self.spec.pressure], values[self.spec.air]
        if pressure.value is None or air.value is None or pressure.quality not in USABLE or air.quality not in USABLE:
            return unusable(values, self.inputs, now_ns)
        over = difference((pressure, self._pressure), (air, self._air))
        assert over.value is not None
        factor = self._target.factor
        if over.quality is Quality.WITHIN:
            low, high = (max(0.0, -end) / factor for end in reversed(over.interval()))
            return over._replace(value=(low + high) / 2, uncertainty=(high - low) / 4)
        quality = opposite(over.quality)
        return over._replace(
            value=max(0.0, -over.value) / factor, quality=quality, uncertainty=over.uncertainty / factor
        )


def difference(pressure: tuple[Value, units.Unit], air: tuple[Value, units.Unit]) -> Value:
    """A pressure less the air's, in Pa; both are usable.

    One that is an interval makes the difference one. Both half-widths are added, since the truth may lie at both ends.
    With a pressure at the end of its range the side that is proved remains: at least so much above the highest air.
    """
    (shown, unit), (of_air, air_unit) = pressure, air
    assert shown.value is not None
    assert of_air.value is not None
    over = unit.to_si(shown.value) - air_unit.to_si(of_air.value)
    own, around = shown.uncertainty * unit.factor, of_air.uncertainty * air_unit.factor
    within = Quality.WITHIN
    if of_air.quality is not within and shown.quality is not within:
        return Value(over, shown.quality, shown.time_ns, math.hypot(own, around), shown.reason)
    if shown.quality in (Quality.SATURATED_HIGH, Quality.SATURATED_LOW):
        less = 2.0 * around if shown.quality is Quality.SATURATED_HIGH else -2.0 * around
        return Value(over - less, shown.quality, shown.time_ns, own, shown.reason)
    words = f"air pressure {of_air.reason}" if of_air.quality is within else shown.reason
    return Value(over, within, shown.time_ns, own + around, words)
