"""States of a wideband that its reading does not tell by itself: warming up, cold again after standing, free air."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality, Value

if TYPE_CHECKING:
    from cabcanary.settings.sensors import Wideband

#: The engine stands below this, in rpm.
_STANDING_RPM = 50.0


class WidebandStates:
    """Follows one wideband's power and heat. A sensor that tells itself when it is warming needs only free air.

    A reading counts as "on" while the wire is in range. Coming on after having been off, or after the engine has
    stood for longer than the ceramic stays hot, begins a warm-up, in which no reading is believed.
    """

    def __init__(self, spec: Wideband) -> None:
        self._warm_up_ns = int(spec.warm_up * 1e9)
        self._cools_ns = int(spec.cools_after * 1e9)
        self._free_air_ns = int(spec.free_air_after * 1e9)
        self._on_since: int | None = None
        self._off_since: int | None = None
        self._stood_since: int | None = None
        self._at_lean_end_since: int | None = None

    def step(self, value: Value, rpm: float | None, now_ns: int) -> Value:
        """The value with what the states make of it; `rpm` is None when it is not known."""
        self._follow(value, rpm, now_ns)
        if value.quality not in (Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW):
            return value
        if self._on_since is not None and now_ns - self._on_since < self._warm_up_ns:
            left = (self._warm_up_ns - (now_ns - self._on_since)) / 1e9
            return value._replace(value=None, quality=Quality.WARMING, reason=f"warming up, {left:.0f} s to go")
        since = self._at_lean_end_since
        if since is not None and now_ns - since >= self._free_air_ns:
            return value._replace(reason="free air: the engine stands and the sensor shows no exhaust gas")
        return value

    def _follow(self, value: Value, rpm: float | None, now_ns: int) -> None:
        off = value.quality in (Quality.ABSENT, Quality.STALE, Quality.OUT_OF_RANGE)
        if off:
            self._off_since = self._off_since or now_ns
        elif self._on_since is None or self._was_off_long(now_ns):
            self._on_since = now_ns
        if not off:
            self._off_since = None
        standing = rpm is not None and rpm < _STANDING_RPM
        if standing:
            self._stood_since = self._stood_since or now_ns
        elif self._stood_since is not None:
            # Start-stop systems and stalls switch the heater off with the engine.
            if now_ns - self._stood_since >= self._cools_ns and self._warm_up_ns:
                self._on_since = now_ns
            self._stood_since = None
        lean_end = standing and value.quality is Quality.SATURATED_HIGH
        self._at_lean_end_since = (self._at_lean_end_since or now_ns) if lean_end else None

    def _was_off_long(self, now_ns: int) -> bool:
        return self._off_since is not None and now_ns - self._off_since >= self._cools_ns

    def state(self) -> dict[str, Any]:
        """All that later states depend on."""
        return {
            "on": self._on_since,
            "off": self._off_since,
            "stood": self._stood_since,
            "lean_end": self._at_lean_end_since,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._on_since, self._off_since = state["on"], state["off"]
        self._stood_since, self._at_lean_end_since = state["stood"], state["lean_end"]
