"""The engine: whether it runs, what air it takes, and its mixture as the trade shows it."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.air import HIGHEST_KPA, LOWEST_KPA
from cabcanary.channels.at_rest import AtRest
from cabcanary.channels.derive import Stateless
from cabcanary.channels.key_off import KeyOff, Seen
from cabcanary.channels.speed_wire import SpeedWire
from cabcanary.channels.usable import good, known, unusable
from cabcanary.model import USABLE, Quality, Value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.derived import AfrChannel, AirflowChannel, EngineRunningChannel

_R_AIR = 287.05  # J/(kg K), dry air
_STANDARD_KPA = 101.325


class EngineRunning:
    """Whether the engine runs: by its speed, a charging supply, or a manifold pressure that is no air's.

    Standing still silences blindness, so it is believed only where nothing contradicts: an engine speed of nothing, or
    an ignition that is off, with a manifold at the air's pressure and, without an engine speed, a supply that does not
    charge; or everything dark at once, the key being off, if what the engine did last allows it (`key_off.py`). Where
    there is no wire for the engine speed at all, a manifold that has come to rest at the air's pressure tells it, with
    the wideband as its witness (`at_rest.py`). What contradicts itself is unknown, and a wire without a speed beside a
    manifold that is drawn on is not believed from then on (`speed_wire.py`). `reference` is the pressure
    sensor's: only an absolute one can tell the air's pressure.
    """

    def __init__(
        self, name: str, spec: EngineRunningChannel, channel_units: Mapping[str, str], reference: str = "absolute"
    ) -> None:
        self.name, self.spec = name, spec
        named = (
            spec.engine_speed, spec.supply, spec.pressure, spec.lambda_channel, spec.ignition, spec.air, spec.throttle,
        )  # fmt: skip
        self.inputs: tuple[str, ...] = tuple(c for c in named if c is not None)
        speed = channel_units[spec.engine_speed] if spec.engine_speed else "rpm"
        supply = channel_units[spec.supply] if spec.supply else "V"
        self._running_speed = units.convert(spec.running_rpm, "rpm", speed)
        self._charging = units.convert(spec.charging_volts, "V", supply)
        self._volt = units.unit(supply).factor
        self._rpm = units.unit(speed).factor / units.unit("rpm").factor
        absolute = spec.pressure is not None and reference == "absolute"
        # A gauge sensor shows no vacuum, and what it shows lies above some air; which one hardly matters for a load.
        self._gauge = units.unit(channel_units[spec.pressure]) if spec.pressure and not absolute else None
        self._pressure = units.unit(channel_units[spec.pressure]) if absolute and spec.pressure else None
        self._air = units.unit(channel_units[spec.air]) if spec.air else None
        # Who has an engine speed is asked by it: what it does not say, a pressure does not know.
        self._at_rest = AtRest() if spec.engine_speed is None and self._pressure is not None else None
        self._key_off = KeyOff()
        has_both = spec.engine_speed is not None and self._pressure is not None
        self._speed_wire = SpeedWire() if has_both else None

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """1, 0, or unknown with the reason."""
        dark = self._dark(values)
        volts = self._volts(values)
        rests = self.spec.supply is None or self._rests(values)
        self._key_off.step(self._seen(values), dark=dark, volts=volts, rests=rests, now_ns=now_ns)
        if self._speed_wire is not None:
            self._speed_wire.step(self._shown_turning(values), self._kpa(values), now_ns)
        running = self._running(values)
        if self._at_rest is not None:
            self._follow(self._at_rest, values, now_ns)
            running = False if self._at_rest.stands else True if running is None and self._at_rest.runs else running
        if running is None:
            reason = "neither engine speed nor supply tells whether the engine runs"
            return Value(None, Quality.ABSENT, now_ns, reason=reason)
        return Value(1.0 if running else 0.0, Quality.GOOD, now_ns)

    def _running(self, values: dict[str, Value]) -> bool | None:
        speed, supply = known(values, self.spec.engine_speed), known(values, self.spec.supply)
        if self._speed_wire is not None and self._speed_wire.denied:
            speed = None
        turns = self._turns(values)
        dark = self._dark(values)
        # A feed that breaks down under boost may take a speed wire and an ignition wire along.
        broken = dark and not self._key_off.possible
        charges = supply is not None and supply > self._charging
        if speed is not None and speed >= self._running_speed:
            return True
        if speed is not None:
            return None if turns or broken or self._unseen(values, charges=charges) else False
        if good(values, self.spec.ignition) == 0.0:
            return None if turns or broken or (charges and not dark) else False
        if charges or turns:
            return True
        return False if dark and not broken and self._rests(values) else None

    def _shown_turning(self, values: dict[str, Value]) -> bool | None:
        speed = known(values, self.spec.engine_speed)
        return None if speed is None else speed >= self._running_speed

    def _kpa(self, values: dict[str, Value]) -> float | None:
        """The manifold's absolute pressure, if it is known."""
        pressure = known(values, self.spec.pressure)
        return None if pressure is None or self._pressure is None else self._pressure.to_si(pressure) / 1000

    def _unseen(self, values: dict[str, Value], *, charges: bool) -> bool:
        """A wire that shows no engine speed is alone with it: the pressure is lost, and what else there is tells of an
        engine that runs."""
        if self.spec.pressure is None or known(values, self.spec.pressure) is not None:
            return False
        return charges or not self._dark(values)

    def _seen(self, values: dict[str, Value]) -> Seen:
        speed, throttle = known(values, self.spec.engine_speed), known(values, self.spec.throttle)
        pressure, kpa = known(values, self.spec.pressure), self._kpa(values)
        if pressure is not None and self._gauge is not None:
            kpa = self._gauge.to_si(pressure) / 1000 + _STANDARD_KPA
        rpm = None if speed is None else speed * self._rpm
        mixture = values[self.spec.lambda_channel] if self.spec.lambda_channel else None
        free_air = mixture is not None and mixture.quality is Quality.SATURATED_HIGH
        cut = free_air and kpa is not None and kpa < LOWEST_KPA
        return Seen(kpa, rpm, throttle, self.spec.running_rpm, cut)

    def _volts(self, values: dict[str, Value]) -> float | None:
        if self.spec.supply is None:
            return None
        supply = values[self.spec.supply]
        return None if supply.value is None else supply.value * self._volt

    def _rests(self, values: dict[str, Value]) -> bool:
        """The supply does not charge. One that stands still to the last digit is what a resting battery looks like."""
        if self.spec.supply is None:
            return False
        supply = values[self.spec.supply]
        believed = supply.quality in USABLE or supply.quality is Quality.STUCK
        return believed and supply.value is not None and supply.value <= self._charging

    def _turns(self, values: dict[str, Value]) -> bool:
        """The manifold's pressure is one that only a turning engine makes."""
        kpa = self._kpa(values)
        return kpa is not None and not LOWEST_KPA <= kpa <= HIGHEST_KPA

    def _follow(self, at_rest: AtRest, values: dict[str, Value], now_ns: int) -> None:
        supply = known(values, self.spec.supply)
        charges = None if supply is None else supply > self._charging
        mixture = values[self.spec.lambda_channel] if self.spec.lambda_channel else None
        at_rest.step(self._kpa(values), self._air_kpa(values), mixture, charges, now_ns)

    def _air_kpa(self, values: dict[str, Value]) -> tuple[float, float] | None:
        if self.spec.air is None or self._air is None:
            return None
        air = values[self.spec.air]
        if air.value is None or air.quality not in USABLE:
            return None
        low, high = air.interval()
        return self._air.to_si(low) / 1000, self._air.to_si(high) / 1000

    def state(self) -> dict[str, Any]:
        """What has been seen of the engine."""
        at_rest = {} if self._at_rest is None else self._at_rest.state()
        speed_wire = {} if self._speed_wire is None else {"speed_wire": self._speed_wire.state()}
        return {**at_rest, **speed_wire, "key_off": self._key_off.state()}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state, of an older version as far as it goes."""
        if self._at_rest is not None:
            self._at_rest.restore(state)
        if "key_off" in state:
            self._key_off.restore(state["key_off"])
        if self._speed_wire is not None and "speed_wire" in state:
            self._speed_wire.restore(state["speed_wire"])

    def _dark(self, values: dict[str, Value]) -> bool:
        witnesses = [c for c in (self.spec.pressure, self.spec.lambda_channel) if c is not None]
        return bool(witnesses) and not any(values[c].quality in USABLE for c in witnesses)


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
        if pascal <= 0 or kelvin <= 0:
            return Value(None, Quality.ABSENT, now_ns, reason="no pressure or temperature to calculate with")
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
