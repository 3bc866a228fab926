"""Channels made from other channels: boost, and the mask for gas burnt in a fuel cut."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any, Protocol

from cabcanary import units
from cabcanary.model import Quality, Value

if TYPE_CHECKING:
    from cabcanary.settings.schema import AsBurntChannel, BoostChannel, EngineRunningChannel, FuelCutChannel

_USABLE = (Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW)


class Derived(Protocol):
    """What the pipeline asks of a derived channel."""

    name: str
    inputs: tuple[str, ...]

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """The value at `now_ns`, from the other channels of the same tick."""

    def state(self) -> dict[str, Any]:
        """What the next values depend on."""

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""


class Boost:
    """Manifold pressure above barometric pressure.

    The barometer is, in this order: its own channel (a sensor, or the engine computer's), the last good
    value of that channel, or the manifold's own pressure while the engine stands still, key on.
    `pressure_unit` and `barometer_unit` are the units of those two channels.
    """

    #: Weather and altitude of roads: sea-level weather reaches 108 kPa, the highest passes about 55 kPa.
    _LOWEST_KPA, _HIGHEST_KPA = 55.0, 108.0
    #: Standing still, the manifold is quieter than this; idling at a steady throttle it is far below 55 kPa.
    _QUIET_KPA = 1.0
    _QUIET_NS = 500_000_000
    #: An engine that turns slower than this is not running; a charging alternator stands above this voltage.
    _STANDING_RPM, _STANDING_VOLTS = 50.0, 13.0

    def __init__(self, name: str, spec: BoostChannel, pressure_unit: str, barometer_unit: str | None) -> None:
        self.name, self.spec = name, spec
        self.inputs = tuple(c for c in (spec.pressure, spec.barometer, spec.engine_speed, spec.supply) if c is not None)
        self._pressure = units.unit(pressure_unit)
        self._barometer = units.unit(barometer_unit) if barometer_unit else None
        self._to = units.unit(spec.unit)
        self._known_kpa: float | None = None
        self._from_key_on = True
        self._quiet: tuple[int, float, float] | None = None  # since when, lowest, highest

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """Boost at this tick; unknown, with the reason, without a pressure or a barometer."""
        pressure = values[self.spec.pressure]
        self._learn(values, pressure, now_ns)
        if pressure.value is None or pressure.quality not in _USABLE:
            quality = pressure.quality if pressure.quality not in _USABLE else Quality.ABSENT
            return Value(None, quality, pressure.time_ns, reason=f"{self.spec.pressure}: {pressure.reason}")
        if self._known_kpa is None:
            return Value(None, Quality.ABSENT, pressure.time_ns, reason="no barometric pressure known yet")
        boost_pa = self._pressure.to_si(pressure.value) - self._known_kpa * 1000
        return Value(boost_pa / self._to.factor, pressure.quality, pressure.time_ns, reason=pressure.reason)

    def _learn(self, values: dict[str, Value], pressure: Value, now_ns: int) -> None:
        if self.spec.barometer and self._barometer:
            own = values[self.spec.barometer]
            if own.value is not None and own.quality is Quality.GOOD:
                kpa = self._barometer.to_si(own.value) / 1000
                if self._LOWEST_KPA <= kpa <= self._HIGHEST_KPA:
                    self._known_kpa, self._from_key_on = kpa, False
                    return
        if self._from_key_on and pressure.value is not None and pressure.quality is Quality.GOOD:
            self._learn_from_key_on(values, self._pressure.to_si(pressure.value) / 1000, now_ns)

    def _learn_from_key_on(self, values: dict[str, Value], kpa: float, now_ns: int) -> None:
        if not self._LOWEST_KPA <= kpa <= self._HIGHEST_KPA or not self._standing(values):
            self._quiet = None
            return
        since, low, high = self._quiet or (now_ns, kpa, kpa)
        low, high = min(low, kpa), max(high, kpa)
        if high - low > self._QUIET_KPA:
            since, low, high = now_ns, kpa, kpa
        self._quiet = (since, low, high)
        if now_ns - since >= self._QUIET_NS:
            self._known_kpa = (low + high) / 2

    def _standing(self, values: dict[str, Value]) -> bool:
        """The engine is known to stand still: by its speed, or where that is not known, by its supply."""
        for channel, limit in (
            (self.spec.engine_speed, self._STANDING_RPM),
            (self.spec.supply, self._STANDING_VOLTS),
        ):
            value = values[channel] if channel else None
            if value and value.value is not None and value.quality is Quality.GOOD:
                return value.value < limit
        return False

    def state(self) -> dict[str, Any]:
        """The barometer as known, and the quiet spell that is being watched."""
        return {
            "kpa": self._known_kpa,
            "key_on": self._from_key_on,
            "quiet": self._quiet and list(self._quiet),
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._known_kpa, self._from_key_on = state["kpa"], bool(state["key_on"])
        quiet = state["quiet"]
        self._quiet = (int(quiet[0]), float(quiet[1]), float(quiet[2])) if quiet else None


class FuelCutGas:
    """1 while the gas at the wideband may have been burnt in an observed fuel cut, else 0.

    A cut is observed when manifold pressure is below idle and the throttle is shut, or the mixture is far
    lean of anything that burns. Gas needs its way to the sensor and the sensor about three response times,
    so the mask goes on for that long after the cut was last seen, and never longer than `longest`.
    Without a usable pressure no cut is observed and nothing is masked. Boost entry alone masks nothing.
    """

    #: Petrol engines misfire beyond about lambda 1.3 (common practice): such gas was not burnt for power.
    _FAR_LEAN = 1.3
    _RESPONSES = 3.0

    def __init__(self, name: str, spec: FuelCutChannel, pressure_unit: str, response_time_s: float) -> None:
        self.name, self.spec = name, spec
        self.inputs = tuple(c for c in (spec.lambda_channel, spec.pressure, spec.throttle) if c is not None)
        self._pressure = units.unit(pressure_unit)
        hold_s = min(spec.transport_delay + self._RESPONSES * response_time_s, spec.longest)
        self._hold_ns = int(hold_s * 1e9)
        self._seen_ns: int | None = None

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """The mask at this tick; always known, because what was not observed masks nothing."""
        if self._cut(values):
            self._seen_ns = now_ns
        masked = self._seen_ns is not None and now_ns - self._seen_ns <= self._hold_ns
        return Value(1.0 if masked else 0.0, Quality.GOOD, now_ns)

    def _cut(self, values: dict[str, Value]) -> bool:
        pressure = values[self.spec.pressure]
        if pressure.value is None or pressure.quality not in (Quality.GOOD, Quality.SATURATED_LOW):
            return False
        if self._pressure.to_si(pressure.value) / 1000 >= self.spec.below_idle_kpa:
            return False
        mixture = values[self.spec.lambda_channel]
        if mixture.value is not None and mixture.quality in _USABLE and mixture.value >= self._FAR_LEAN:
            return True
        throttle = values[self.spec.throttle] if self.spec.throttle else None
        return (
            throttle is not None
            and throttle.value is not None
            and throttle.quality is Quality.GOOD
            and throttle.value <= self.spec.shut_percent
        )

    def state(self) -> dict[str, Any]:
        """When a cut was last seen."""
        return {"seen": self._seen_ns}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        seen = state["seen"]
        self._seen_ns = None if seen is None else int(seen)


class EngineRunning:
    """Whether the engine runs: by its speed, or where that is not known, by a charging supply.

    Without either, standing still is believed only when the supply does not charge and pressure and mixture
    are dark as well: the key is off. A dead alternator, a dead bus or a blown fuse alone never looks like it.
    `speed_unit` and `supply_unit` are the units of those two channels.
    """

    def __init__(self, name: str, spec: EngineRunningChannel, speed_unit: str, supply_unit: str) -> None:
        self.name, self.spec = name, spec
        self.inputs = tuple(
            c for c in (spec.engine_speed, spec.supply, spec.pressure, spec.lambda_channel) if c is not None
        )
        self._running_speed = units.convert(spec.running_rpm, "rpm", speed_unit)
        self._charging = units.convert(spec.charging_volts, "V", supply_unit)

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """1, 0, or unknown with the reason."""
        speed = self._known(values, self.spec.engine_speed)
        if speed is not None:
            return self._say(speed >= self._running_speed, now_ns)
        supply = self._known(values, self.spec.supply)
        if supply is not None and supply > self._charging:
            return self._say(True, now_ns)
        witnesses = [c for c in (self.spec.pressure, self.spec.lambda_channel) if c is not None]
        if supply is not None and witnesses and not any(values[c].quality in _USABLE for c in witnesses):
            return self._say(False, now_ns)
        return Value(None, Quality.ABSENT, now_ns, reason="neither engine speed nor supply tells whether it runs")

    @staticmethod
    def _say(running: bool, now_ns: int) -> Value:
        return Value(1.0 if running else 0.0, Quality.GOOD, now_ns)

    @staticmethod
    def _known(values: dict[str, Value], channel: str | None) -> float | None:
        if channel is None:
            return None
        value = values[channel]
        return value.value if value.quality in (Quality.GOOD, Quality.SATURATED_HIGH) else None

    def state(self) -> dict[str, Any]:
        """Nothing is remembered."""
        return {}

    def restore(self, state: dict[str, Any]) -> None:
        """Nothing to go on from."""


class AsBurnt:
    """A channel as it was when the gas now shown by the wideband was burnt: transport and response ago.

    A boost that rises within a sensor's delay would otherwise be compared with a mixture from before it, and
    a lean moment just before a lift with a boost that is already gone.
    """

    def __init__(self, name: str, spec: AsBurntChannel, response_time_s: float) -> None:
        self.name, self.spec = name, spec
        self.inputs: tuple[str, ...] = (spec.of,)
        self._delay_ns = int((spec.transport_delay + response_time_s) * 1e9)
        self._history: deque[tuple[int, Value]] = deque()

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """The newest value that is at least the delay old."""
        self._history.append((now_ns, values[self.spec.of]))
        then = now_ns - self._delay_ns
        while len(self._history) > 1 and self._history[1][0] <= then:
            self._history.popleft()
        taken_ns, value = self._history[0]
        if taken_ns > then:
            return Value(None, Quality.ABSENT, now_ns, reason="watched for too short a time yet")
        return value

    def state(self) -> dict[str, Any]:
        """The values that have not come up yet."""
        return {"history": [[t, *v] for t, v in self._history]}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._history = deque(
            (int(t), Value(value, Quality(quality), time_ns, uncertainty, reason))
            for t, value, quality, time_ns, uncertainty, reason in state["history"]
        )
