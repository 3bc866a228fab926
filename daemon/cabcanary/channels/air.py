"""Pressures against the air: which air pressure is in force, boost, vacuum."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.derive import Stateless
from cabcanary.channels.usable import USABLE, good, opposite, unusable
from cabcanary.model import Quality, Value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.derived import AirPressureChannel, BoostChannel, VacuumChannel

#: What a factory seals into a sealed gauge sensor: one standard atmosphere, Pa.
_SEALED_PA = 101_325.0


class AirPressure:
    """Barometric pressure: from its sensors in their order, else the last of those, else the manifold, key on.

    Standing still is told by engine speed or, where that is not known, by a supply that does not charge. A value
    from the manifold grows more uncertain with its age: the vehicle climbs, the weather changes.
    """

    #: Weather and altitude of roads: sea-level weather reaches 108 kPa, the highest passes about 55 kPa.
    _LOWEST_KPA, _HIGHEST_KPA = 55.0, 108.0
    #: Standing still, the manifold is quieter than this; idling at a steady throttle it is far below 55 kPa.
    _QUIET_KPA = 1.0
    _QUIET_NS = 500_000_000
    #: An engine that turns slower than this is not running; a charging alternator stands above this voltage.
    _STANDING_RPM, _STANDING_VOLTS = 50.0, 13.0

    def __init__(self, name: str, spec: AirPressureChannel, channel_units: Mapping[str, str]) -> None:
        self.name, self.spec = name, spec
        others = (spec.pressure, spec.engine_speed, spec.supply)
        self.inputs: tuple[str, ...] = (*spec.sensors, *(c for c in others if c is not None))
        self._units = {c: units.unit(channel_units[c]) for c in self.inputs}
        self._target = units.unit(spec.unit)
        self._kpa: float | None = None
        self._uncertainty_kpa = 0.0
        self._known_ns = 0
        self._from_key_on = True
        self._quiet: tuple[int, float, float] | None = None  # since when, lowest, highest

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """Air pressure at this tick; unknown until a witness has been heard."""
        if not self._from_sensors(values, now_ns) and self._from_key_on:
            self._learn_from_key_on(values, now_ns)
        if self._kpa is None:
            return Value(None, Quality.ABSENT, now_ns, reason="no barometric pressure known yet")
        drift = self.spec.drift_kpa_h * (now_ns - self._known_ns) / 3.6e12
        uncertainty = math.hypot(self._uncertainty_kpa, drift)
        scale = 1000 / self._target.factor
        return Value(self._kpa * scale, Quality.GOOD, self._known_ns, uncertainty * scale)

    def _from_sensors(self, values: dict[str, Value], now_ns: int) -> bool:
        for channel in self.spec.sensors:
            value = values[channel]
            if value.value is None or value.quality is not Quality.GOOD:
                continue
            unit = self._units[channel]
            kpa = unit.to_si(value.value) / 1000
            if self._LOWEST_KPA <= kpa <= self._HIGHEST_KPA:
                self._kpa, self._from_key_on, self._known_ns = kpa, False, now_ns
                self._uncertainty_kpa = value.uncertainty * unit.factor / 1000
                return True
        return False

    def _learn_from_key_on(self, values: dict[str, Value], now_ns: int) -> None:
        pressure = good(values, self.spec.pressure)
        kpa = -1.0
        if pressure is not None and self.spec.pressure is not None:
            kpa = self._units[self.spec.pressure].to_si(pressure) / 1000
        # By the supply alone a resting alternator looks like a standing engine: believed once, at the start.
        by_speed = good(values, self.spec.engine_speed) is not None
        believed = self._standing(values) and (by_speed or self._kpa is None)
        if not self._LOWEST_KPA <= kpa <= self._HIGHEST_KPA or not believed:
            self._quiet = None
            return
        since, low, high = self._quiet or (now_ns, kpa, kpa)
        low, high = min(low, kpa), max(high, kpa)
        if high - low > self._QUIET_KPA:
            since, low, high = now_ns, kpa, kpa
        self._quiet = (since, low, high)
        if now_ns - since >= self._QUIET_NS and self.spec.pressure is not None:
            self._kpa, self._known_ns = (low + high) / 2, now_ns
            own = values[self.spec.pressure].uncertainty * self._units[self.spec.pressure].factor / 1000
            self._uncertainty_kpa = math.hypot(own, (high - low) / math.sqrt(12.0))

    def _standing(self, values: dict[str, Value]) -> bool:
        for channel, unit, limit in (
            (self.spec.engine_speed, "rpm", self._STANDING_RPM),
            (self.spec.supply, "V", self._STANDING_VOLTS),
        ):
            value = good(values, channel)
            if value is not None and channel is not None:
                return self._units[channel].to_si(value) < units.unit(unit).to_si(limit)
        return False

    def state(self) -> dict[str, Any]:
        """The pressure as known, how well, and the quiet spell that is being watched."""
        return {
            "kpa": self._kpa,
            "uncertainty": self._uncertainty_kpa,
            "since": self._known_ns,
            "key_on": self._from_key_on,
            "quiet": self._quiet and list(self._quiet),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._kpa, self._uncertainty_kpa = state["kpa"], float(state["uncertainty"])
        self._known_ns, self._from_key_on = int(state["since"]), bool(state["key_on"])
        quiet = state["quiet"]
        self._quiet = (int(quiet[0]), float(quiet[1]), float(quiet[2])) if quiet else None


class Boost(Stateless):
    """Manifold pressure above the air's. `reference` is the pressure sensor's: absolute, vented or sealed gauge."""

    def __init__(self, name: str, spec: BoostChannel, channel_units: Mapping[str, str], reference: str) -> None:
        self.name, self.spec = name, spec
        self.inputs: tuple[str, ...] = (spec.pressure, spec.air)
        self._pressure, self._air = (units.unit(channel_units[c]) for c in self.inputs)
        self._target = units.unit(spec.unit)
        self._reference = reference
        #: The pressure channel whose range is this one's, too: a vented gauge sensor shows boost itself.
        self.gauge = spec.pressure if reference == "vented gauge" else None

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """Boost at this tick; unknown, with the reason, without a pressure or the air's."""
        pressure, air = values[self.spec.pressure], values[self.spec.air]
        if pressure.value is None or pressure.quality not in USABLE:
            return unusable(values, self.inputs, now_ns)
        over_pa = self._pressure.to_si(pressure.value)
        variance = (pressure.uncertainty * self._pressure.factor) ** 2
        if self._reference != "vented gauge":
            if air.value is None or air.quality not in USABLE:
                return unusable(values, self.inputs, now_ns)
            over_pa -= self._air.to_si(air.value) - (_SEALED_PA if self._reference == "sealed gauge" else 0.0)
            variance += (air.uncertainty * self._air.factor) ** 2
        factor = self._target.factor
        return Value(
            over_pa / factor, pressure.quality, pressure.time_ns, math.sqrt(variance) / factor, pressure.reason
        )


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
        below_pa = self._air.to_si(air.value) - self._pressure.to_si(pressure.value)
        pascal = math.hypot(pressure.uncertainty * self._pressure.factor, air.uncertainty * self._air.factor)
        factor = self._target.factor
        quality = opposite(pressure.quality)
        return Value(max(0.0, below_pa) / factor, quality, pressure.time_ns, pascal / factor, pressure.reason)
