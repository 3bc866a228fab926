"""The engine: whether it runs, what air it takes, and its mixture as the trade shows it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.channels.derive import Stateless
from cabcanary.channels.usable import USABLE, good, known, unusable
from cabcanary.model import Quality, Value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.derived import AfrChannel, AirflowChannel, EngineRunningChannel

_R_AIR = 287.05  # J/(kg K), dry air


class EngineRunning(Stateless):
    """Whether the engine runs: by its speed, or where that is not known, by a charging supply; an ignition that is
    off settles it.

    Without any of these, standing still is believed only when the supply does not charge and pressure and mixture
    are dark as well: the key is off. A dead alternator, a dead bus or a blown fuse alone never looks like it.
    """

    def __init__(self, name: str, spec: EngineRunningChannel, channel_units: Mapping[str, str]) -> None:
        self.name, self.spec = name, spec
        named = (spec.engine_speed, spec.supply, spec.pressure, spec.lambda_channel, spec.ignition)
        self.inputs: tuple[str, ...] = tuple(c for c in named if c is not None)
        speed = channel_units[spec.engine_speed] if spec.engine_speed else "rpm"
        supply = channel_units[spec.supply] if spec.supply else "V"
        self._running_speed = units.convert(spec.running_rpm, "rpm", speed)
        self._charging = units.convert(spec.charging_volts, "V", supply)

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """1, 0, or unknown with the reason."""
        running = self._running(values)
        if running is None:
            reason = "neither engine speed nor supply tells whether the engine runs"
            return Value(None, Quality.ABSENT, now_ns, reason=reason)
        return Value(1.0 if running else 0.0, Quality.GOOD, now_ns)

    def _running(self, values: dict[str, Value]) -> bool | None:
        speed = known(values, self.spec.engine_speed)
        if speed is not None:
            return speed >= self._running_speed
        if good(values, self.spec.ignition) == 0.0:
            return False
        supply = known(values, self.spec.supply)
        if supply is not None and supply > self._charging:
            return True
        witnesses = [c for c in (self.spec.pressure, self.spec.lambda_channel) if c is not None]
        if supply is not None and witnesses and not any(values[c].quality in USABLE for c in witnesses):
            return False
        return None


class Airflow(Stateless):
    """Air that the engine takes, by speed and density: half its displacement a turn at manifold density.

    Heywood, Internal Combustion Engine Fundamentals, 1st ed., 2.10 (cited from memory). The volumetric efficiency is
    a guess within its uncertainty, and so is the result.
    """

    def __init__(self, name: str, spec: AirflowChannel, channel_units: Mapping[str, str]) -> None:
        self.name, self.spec = name, spec
        self.inputs: tuple[str, ...] = (spec.pressure, spec.engine_speed, spec.temperature)
        self._pressure, self._speed, self._temperature = (units.unit(channel_units[c]) for c in self.inputs)
        self._target = units.unit(spec.unit)
        self._rpm = units.unit("rpm").factor

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """Airflow at this tick; unknown, with the reason, without any of its inputs."""
        inputs = [values[c] for c in self.inputs]
        if any(v.value is None or v.quality is not Quality.GOOD for v in inputs):
            return unusable(values, self.inputs, now_ns)
        pressure, speed, temperature = inputs
        assert pressure.value is not None
        assert speed.value is not None
        assert temperature.value is not None
        pascal = self._pressure.to_si(pressure.value)
        kelvin = self._temperature.to_si(temperature.value)
        turns_s = self._speed.to_si(speed.value) / self._rpm / 60.0
        efficiency = self.spec.volumetric_efficiency
        kg_s = efficiency * pascal / (_R_AIR * kelvin) * self.spec.displacement / 2.0 * turns_s
        relative = math.sqrt(
            (pressure.uncertainty * self._pressure.factor / pascal) ** 2
            + (temperature.uncertainty / kelvin) ** 2
            + (self.spec.efficiency_uncertainty / efficiency) ** 2
        )
        value = kg_s / self._target.factor
        return Value(value, Quality.GOOD, pressure.time_ns, value * relative)


class Afr(Stateless):
    """Lambda as air to fuel by mass. `ratio` is the fuel's stoichiometric one, used without an ethanol channel."""

    def __init__(self, name: str, spec: AfrChannel, channel_units: Mapping[str, str], ratio: float) -> None:
        self.name, self.spec = name, spec
        self.inputs: tuple[str, ...] = tuple(c for c in (spec.lambda_channel, spec.ethanol) if c is not None)
        self._ethanol = units.unit(channel_units[spec.ethanol]) if spec.ethanol else None
        self._ratio = ratio

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """AFR at this tick, on the scale of the fuel in use."""
        mixture = values[self.spec.lambda_channel]
        if mixture.value is None or mixture.quality not in USABLE:
            return unusable(values, self.inputs, now_ns)
        ratio = self._ratio
        share = good(values, self.spec.ethanol)
        if self._ethanol is not None:
            if share is None:
                return unusable(values, self.inputs[1:], now_ns)
            ratio = units.ethanol_blend_ratio(min(1.0, max(0.0, self._ethanol.to_si(share))))
        afr = units.lambda_to_afr(mixture.value, ratio)
        return Value(afr, mixture.quality, mixture.time_ns, mixture.uncertainty * ratio, mixture.reason)
