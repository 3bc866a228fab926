"""What is known of the air's pressure: a value, how it was learnt, and how its uncertainty grows until the next time.

From a sensor, the standing manifold, or an open throttle; else as it was at the end of the last drive; else anything
that roads have.
"""

from __future__ import annotations

import math
from typing import Any, Literal, NamedTuple

from cabcanary.model import Quality, Value

How = Literal["sensor", "standing", "open throttle", "last drive", "doubt", "assumed"]
_REASONS: dict[How, str] = {
    "sensor": "no barometer now",
    "standing": "last seen with the engine standing",
    "open throttle": "last seen at an open throttle",
    "last drive": "kept from the last drive",
    "doubt": "seen twice, and not the same",
    "assumed": "never seen: anything that roads have",
}

#: Weather of hours, kPa/h as standard uncertainty; a deep low passes with about 1 kPa an hour at most.
_WEATHER_KPA_H = 0.2
#: Weather of days: pressure at one place scatters by about 1 kPa, in winter storms by twice that. It grows with the
#: square root of time, as what wanders does: 0.3 kPa after an hour, 1.5 kPa after a day.
_PARKED_KPA_SQRT_H, _WEATHER_OF_DAYS_KPA = 0.3, 2.0
#: Roads rise by at most some 9 % over more than a few kilometres, and 100 m are 1.2 kPa at sea level (US Standard
#: Atmosphere 1976): 1.1 kPa for each km, within two standard uncertainties.
_CLIMB_KPA_KM = 0.55
#: While what has been added is no more than this, what was measured is as good as new: 0.05 psi, the last digit that is
#: shown, and a sixth of the smallest deadband.
_AS_NEW_KPA = 0.35
#: A value that is likely at most may differ by so much from what is known and still agree with it: two sensors' errors.
_AGREES_KPA = 1.0


class Remembered(NamedTuple):
    """The air's pressure for the next start, kPa, and its standard uncertainty."""

    kpa: float
    uncertainty_kpa: float


class KnownAir:
    """The air's pressure as known. `roads` are the lowest and highest of any road, kPa; `drift_kpa_h` is what an hour
    of driving adds to the standard uncertainty where nobody knows the distance."""

    def __init__(self, roads: tuple[float, float], drift_kpa_h: float) -> None:
        self._roads, self._drift_kpa_h = roads, drift_kpa_h
        self.how: How = "assumed"
        self._kpa, self._own_kpa = sum(roads) / 2, (roads[1] - roads[0]) / 4
        self._grown_kpa = 0.0
        self._known_ns = 0

    @property
    def is_new(self) -> bool:
        """Whether it was measured so lately that it counts as measured now."""
        return self.how in ("sensor", "standing") and self._grown_kpa <= _AS_NEW_KPA

    def interval(self) -> tuple[float, float]:
        """Between which pressures it lies, kPa: what was measured may lie outside the range of roads."""
        around = 2.0 * (self._own_kpa + self._grown_kpa)
        low, high = min(self._roads[0], self._kpa), max(self._roads[1], self._kpa)
        return max(low, self._kpa - around), min(high, self._kpa + around)

    def value(self, now_ns: int, kpa_factor: float) -> Value:
        """As a channel's value, `kpa_factor` of its unit to the kPa."""
        if self.is_new:
            uncertainty = math.hypot(self._own_kpa, self._grown_kpa)
            return Value(self._kpa * kpa_factor, Quality.GOOD, self._known_ns, uncertainty * kpa_factor)
        low, high = self.interval()
        seen_ns = now_ns if self.how == "assumed" else self._known_ns
        middle, quarter = (low + high) / 2 * kpa_factor, (high - low) / 4 * kpa_factor
        return Value(middle, Quality.WITHIN, seen_ns, quarter, _REASONS[self.how])

    def grow(self, seconds: float, km_h: float | None) -> None:
        """So much time has passed, at this speed (None: not known)."""
        drift_kpa_h = self._drift_kpa_h
        if km_h is not None:
            drift_kpa_h = min(drift_kpa_h, _CLIMB_KPA_KM * abs(km_h))
        self._grown_kpa += (drift_kpa_h + _WEATHER_KPA_H) * seconds / 3600

    def learn(self, kpa: float, uncertainty_kpa: float, how: How, now_ns: int) -> None:
        """It has been measured."""
        self._kpa, self._own_kpa, self._grown_kpa = kpa, uncertainty_kpa, 0.0
        self.how, self._known_ns = how, now_ns

    def believe(self, kpa: float, uncertainty_kpa: float, how: How, now_ns: int) -> bool:
        """It has likely been measured: believed where it agrees with what is known; else it lies between the two, and
        the answer is no."""
        low, high = self.interval()
        if self.how == "assumed" or low - _AGREES_KPA <= kpa <= high + _AGREES_KPA:
            self.learn(kpa, uncertainty_kpa, how, now_ns)
            return True
        self._set(min(low, kpa - 2.0 * uncertainty_kpa), max(high, kpa + 2.0 * uncertainty_kpa), "doubt")
        return False

    def bound(self, low: float, high: float, how: How, now_ns: int) -> None:
        """It lies between these, kPa."""
        known_low, known_high = self.interval()
        if max(low, known_low) > min(high, known_high):
            self._set(min(low, known_low), max(high, known_high), "doubt")
        elif low > known_low or high < known_high:
            self._set(max(low, known_low), min(high, known_high), how)
            self._known_ns = now_ns

    def _set(self, low: float, high: float, how: How) -> None:
        self._kpa, self._own_kpa, self._grown_kpa = (low + high) / 2, (high - low) / 4, 0.0
        self.how = how

    # --- the next start ---------------------------------------------------------------------------------------

    def remembered(self) -> Remembered | None:
        """What the next start should know; None: nothing has been learnt."""
        if self.how == "assumed":
            return None
        low, high = self.interval()
        return Remembered((low + high) / 2, (high - low) / 4)

    def recall(self, kept: Remembered, parked_s: float | None) -> None:
        """Begin with what the last drive kept: it begins where that one ended. None: nobody knows how long ago."""
        weather = _WEATHER_OF_DAYS_KPA
        if parked_s is not None:
            weather = min(weather, _PARKED_KPA_SQRT_H * math.sqrt(max(0.0, parked_s) / 3600))
        self._kpa, self._own_kpa, self._grown_kpa = kept.kpa, kept.uncertainty_kpa + weather, 0.0
        self.how = "last drive"

    def state(self) -> dict[str, Any]:
        """All that later values depend on."""
        return {
            "kpa": self._kpa,
            "uncertainty": self._own_kpa,
            "grown": self._grown_kpa,
            "since": self._known_ns,
            "how": self.how,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state; one of an older version knows nothing of growing, and may have learnt nothing."""
        if state["kpa"] is None:
            return
        self._kpa, self._own_kpa = float(state["kpa"]), float(state["uncertainty"])
        self._grown_kpa, self._known_ns = float(state.get("grown", 0.0)), int(state["since"])
        self.how = state.get("how", "standing" if state.get("key_on") else "sensor")
