"""The air's pressure: from a barometer, else from what the manifold shows while the engine stands."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.air_known import KnownAir, Remembered
from cabcanary.channels.quiet import Quiet
from cabcanary.channels.usable import good
from cabcanary.channels.wideband import NOTHING_BURNS, may_be_fire
from cabcanary.model import Quality, Value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.derived import AirPressureChannel

#: Weather and altitude of roads: sea-level weather reaches 108 kPa, the highest passes about 55 kPa. An idling engine
#: draws its manifold below the one, boost lifts it above the other.
LOWEST_KPA, HIGHEST_KPA = 55.0, 108.0
#: Standing still, the smoothed manifold stays within this, kPa, whatever a sensor's noise.
QUIET_KPA, STEP_KPA = 0.6, 5.0
#: An engine that turns slower than this is not running; a charging alternator stands above this voltage.
_STANDING_RPM, _STANDING_VOLTS, _CHARGING_VOLTS = 50.0, 13.0, 13.2
#: How long it must be quiet, ns: where a wire says that the engine stands; by the pressure alone, at the start; and by
#: a wideband in free air, which a lean moment and a fuel cut could feign for as long as they last. A wideband that has
#: not been heard yet may be about to say that the engine burns: its port takes some seconds to open.
_BY_WIRE_NS, _ALONE_NS, _UNHEARD_NS, _IN_FREE_AIR_NS = 500_000_000, 1_000_000_000, 3_000_000_000, 5_000_000_000
_DARK = (Quality.ABSENT, Quality.STALE, Quality.OUT_OF_RANGE)
#: An open throttle takes hardly anything off the air's pressure while the engine turns slowly; a wheel that is driven
#: by the engine makes less than a tenth of its boost below this speed.
_OPEN_PERCENT, _SLOW_RPM, _OPEN_NS = 80.0, 1500.0, 500_000_000
_LOST_KPA, _WHEEL_KPA = 2.0, 3.5
_KPA, _RPM, _VOLT, _KM_H, _PERCENT = (units.unit(symbol) for symbol in ("kPa", "rpm", "V", "km/h", "%"))


class AirPressure:
    """Barometric pressure: from its sensors in their order, else from the manifold while the engine stands, else what
    is left of either, else of the last drive, else anything that roads have (`air_known.py`).

    Standing is told by engine speed. Where there is none, the manifold alone is believed at the start, before it has
    moved and before anything has charged or burnt; later only with a wideband that shows free air, or is dark beside a
    supply that rests: a motorway's steady pressure is no air's. What is likely and contradicts what is known makes it
    less certain and nothing else.

    `compressor` is its kind, empty for none: an open throttle shows the air where nothing can have lifted it.
    """

    def __init__(
        self, name: str, spec: AirPressureChannel, channel_units: Mapping[str, str], compressor: str = "unknown"
    ) -> None:
        self.name, self.spec = name, spec
        others = (
            spec.pressure, spec.engine_speed, spec.supply, spec.lambda_channel, spec.vehicle_speed, spec.throttle,
        )  # fmt: skip
        self.inputs: tuple[str, ...] = (*spec.sensors, *(c for c in others if c is not None))
        self._units = {c: units.unit(channel_units[c]) for c in self.inputs}
        self._kpa_factor = 1000 / units.unit(spec.unit).factor
        self._lifted_kpa = {"": 0.0, "centrifugal": _WHEEL_KPA}.get(compressor)
        self._air = KnownAir(spec.roads, spec.drift_kpa_h)
        self._quiet = Quiet(QUIET_KPA, STEP_KPA)
        #: Nothing has shown yet that the engine turns.
        self._at_start = True
        #: Since when the quiet spell lasts that did not agree with what was known.
        self._doubted_ns: int | None = None
        self._open_since: int | None = None
        self._last_ns: int | None = None

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """Air pressure at this tick; an interval where nobody measures it now."""
        seconds = 0.0 if self._last_ns is None else max(0, now_ns - self._last_ns) / 1e9
        self._last_ns = now_ns
        self._air.grow(seconds, self._good(values, self.spec.vehicle_speed, _KM_H))
        kpa = self._good(values, self.spec.pressure, _KPA)
        self._follow(values, kpa)
        quiet_ns = self._quiet.step(kpa if kpa is not None and LOWEST_KPA <= kpa <= HIGHEST_KPA else None, now_ns)
        if not self._from_sensors(values, now_ns) and not (self._air.how == "sensor" and self._air.is_new):
            self._from_standing(values, quiet_ns, now_ns)
            self._from_open_throttle(values, kpa, now_ns)
        return self._air.value(now_ns, self._kpa_factor)

    def _good(self, values: dict[str, Value], channel: str | None, unit: units.Unit) -> float | None:
        value = good(values, channel)
        if value is None or channel is None:
            return None
        return unit.from_si(self._units[channel].to_si(value))

    def _follow(self, values: dict[str, Value], kpa: float | None) -> None:
        """Whether anything shows that the engine turns, or has since the start."""
        rpm = self._good(values, self.spec.engine_speed, _RPM)
        volts = self._good(values, self.spec.supply, _VOLT)
        if (
            (kpa is not None and not LOWEST_KPA <= kpa <= HIGHEST_KPA)
            or (rpm is not None and rpm >= _STANDING_RPM)
            or (volts is not None and volts > _CHARGING_VOLTS)
            or self._burns(values)
            or self._quiet.moved
        ):
            self._at_start = False

    def _from_sensors(self, values: dict[str, Value], now_ns: int) -> bool:
        for channel in self.spec.sensors:
            kpa = self._good(values, channel, _KPA)
            if kpa is not None and LOWEST_KPA <= kpa <= HIGHEST_KPA:
                uncertainty = values[channel].uncertainty * self._units[channel].factor / 1000
                self._air.learn(kpa, uncertainty, "sensor", now_ns)
                return True
        return False

    def _from_standing(self, values: dict[str, Value], quiet_ns: int, now_ns: int) -> None:
        pressure, wanted_ns = self.spec.pressure, self._quiet_for(values)
        if wanted_ns is None or quiet_ns < wanted_ns or pressure is None:
            return
        own = values[pressure].uncertainty * self._units[pressure].factor / 1000
        uncertainty = math.hypot(own, self._quiet.spread / math.sqrt(12.0))
        # Only an engine speed says for certain that the engine stands.
        by_speed = good(values, self.spec.engine_speed) is not None and not self._burns(values)
        if by_speed:
            self._air.learn(self._quiet.level, uncertainty, "standing", now_ns)
        elif self._doubted_ns != now_ns - quiet_ns and not self._air.believe(
            self._quiet.level, uncertainty, "standing", now_ns
        ):
            # What has been doubted once agrees with the doubt ever after: the same spell proves nothing more.
            self._doubted_ns = now_ns - quiet_ns

    def _quiet_for(self, values: dict[str, Value]) -> int | None:
        """For how long the manifold must be quiet to be believed, ns; None: nothing says that the engine stands."""
        rpm, volts = self._good(values, self.spec.engine_speed, _RPM), self._good(values, self.spec.supply, _VOLT)
        if rpm is not None:
            # A speed of nothing beside a supply that charges is a wire that is off.
            return None if rpm >= _STANDING_RPM or (volts is not None and volts > _CHARGING_VOLTS) else _BY_WIRE_NS
        if self._may_burn(values):
            return None
        if volts is not None:
            if volts >= _STANDING_VOLTS:
                return None
            # A resting alternator looks like a standing engine, so beside it something else must say so.
            unlit = self._free_air(values) or self._dark(values)
            return _BY_WIRE_NS if self._at_start else _IN_FREE_AIR_NS if unlit else None
        if self.spec.engine_speed is not None or self.spec.supply is not None:
            return None
        if self._at_start:
            return _UNHEARD_NS if self._dark(values) else _ALONE_NS
        return _IN_FREE_AIR_NS if self._free_air(values) else None

    def _from_open_throttle(self, values: dict[str, Value], kpa: float | None, now_ns: int) -> None:
        rpm = self._good(values, self.spec.engine_speed, _RPM)
        throttle = self._good(values, self.spec.throttle, _PERCENT)
        if self._lifted_kpa is None or kpa is None or rpm is None or throttle is None:
            self._open_since = None
            return
        turns_slowly = _STANDING_RPM <= rpm < _SLOW_RPM and LOWEST_KPA <= kpa <= HIGHEST_KPA
        if not turns_slowly or throttle < _OPEN_PERCENT:
            self._open_since = None
            return
        self._open_since = now_ns if self._open_since is None else self._open_since
        if now_ns - self._open_since >= _OPEN_NS:
            self._air.bound(kpa - self._lifted_kpa, kpa + _LOST_KPA, "open throttle", now_ns)

    # --- the wideband as a witness ------------------------------------------------------------------------------

    def _burns(self, values: dict[str, Value]) -> bool:
        mixture = good(values, self.spec.lambda_channel)
        return mixture is not None and mixture < NOTHING_BURNS

    def _may_burn(self, values: dict[str, Value]) -> bool:
        """It denies a standing engine, and says nothing of one that turns: a cold sensor's output may be anything."""
        return self.spec.lambda_channel is not None and may_be_fire(values[self.spec.lambda_channel])

    def _free_air(self, values: dict[str, Value]) -> bool:
        if self.spec.lambda_channel is None:
            return False
        value = values[self.spec.lambda_channel]
        lean = value.value is not None and value.value >= NOTHING_BURNS
        return lean and value.quality in (Quality.GOOD, Quality.SATURATED_HIGH)

    def _dark(self, values: dict[str, Value]) -> bool:
        channel = self.spec.lambda_channel
        return channel is not None and values[channel].quality in _DARK

    # --- saving -------------------------------------------------------------------------------------------------

    def remembered(self) -> Remembered | None:
        """What the next start should know."""
        return self._air.remembered()

    def recall(self, kept: tuple[float, float], parked_s: float | None) -> None:
        """Begin with what the last drive kept; before the first tick. What no road has is a card's fault."""
        found = Remembered(*kept)
        if LOWEST_KPA <= found.kpa <= HIGHEST_KPA and found.uncertainty_kpa >= 0.0:
            self._air.recall(found, parked_s)

    def state(self) -> dict[str, Any]:
        """All that later values depend on."""
        return {
            **self._air.state(),
            "still": self._quiet.state(),
            "at_start": self._at_start,
            "doubted": self._doubted_ns,
            "open": self._open_since,
            "last": self._last_ns,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state, of an older version as far as it goes."""
        self._air.restore(state)
        if "still" in state:
            self._quiet.restore(state["still"])
            self._at_start, self._open_since = bool(state["at_start"]), state["open"]
            self._doubted_ns, self._last_ns = state["doubted"], state["last"]
