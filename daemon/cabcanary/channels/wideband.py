"""States of a wideband that its reading does not tell by itself: warming up, cold again after standing, free air."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.model import USABLE, Quality, Value

if TYPE_CHECKING:
    from cabcanary.settings.sensors import Wideband

#: Leaner than anything that burns (common practice: petrol misfires beyond about 1.3).
NOTHING_BURNS = 1.3
#: Ends the reason of a warm-up in which the wire shows a mixture, for people and for `may_be_fire`.
_MAY_BE_FIRE = "; what it shows meanwhile may be fire"
#: The engine stands below this, in rpm.
_STANDING_RPM = 50.0
#: A sensor that has served for this long is hot, whatever its controller reports in its first moments, ns.
_LONG_SERVICE_NS = 30_000_000_000
DARK = (Quality.ABSENT, Quality.STALE, Quality.OUT_OF_RANGE)
#: Between two ticks no more than this counts as service, ns.
_LONGEST_TICK_NS = 1_000_000_000


def may_be_fire(value: Value) -> bool:
    """Whether a wideband that is warming up shows what may be a mixture. After a restart in mid-drive its warm-up is
    counted anew, and it has been hot all along."""
    return value.quality is Quality.WARMING and value.reason.endswith(_MAY_BE_FIRE)


class WidebandStates:
    """Follows one wideband's power and heat. A sensor that tells itself when it is warming needs only free air.

    A reading counts as "on" while the wire is in range. Coming on after having been off, or after the engine has
    stood for longer than the ceramic stays hot, begins a warm-up, in which no reading is believed. A sensor that says
    that it heats again after long service, with the engine turning all along, has lost its heater or its feed: it is
    absent like any other that is lost.
    """

    def __init__(self, spec: Wideband) -> None:
        self._warm_up_ns = int(spec.warm_up * 1e9)
        self._cools_ns = int(spec.cools_after * 1e9)
        self._free_air_ns = int(spec.free_air_after * 1e9)
        self._first_ns: int | None = None
        self._on_since: int | None = None
        self._off_since: int | None = None
        self._stood_since: int | None = None
        self._at_lean_end_since: int | None = None
        self._served_ns = 0
        self._last_ns: int | None = None
        self._asleep_since: int | None = None
        #: Until when a sensor that was switched on with others may still be heating, ns.
        self._heats_until: int | None = None

    def step(self, value: Value, rpm: float | None, now_ns: int, *, unfed: bool = False) -> Value:
        """The value with what the states make of it; `rpm` is None when it is not known. `unfed`: the sensor that is
        fed with this one is dark."""
        self._follow(value, rpm, now_ns)
        self._follow_feed(value, unfed or (rpm is not None and rpm < _STANDING_RPM), now_ns)
        self._serve(value, now_ns)
        if value.quality is Quality.WARMING and self._served_ns >= _LONG_SERVICE_NS:
            words = "heats again after long service: heater or feed lost"
            return value._replace(value=None, quality=Quality.ABSENT, reason=words)
        cold_ns = self._may_be_cold_for(now_ns) if value.quality is Quality.OUT_OF_RANGE else 0
        if cold_ns > 0:
            words = f"{value.reason}; it may be warming up, {cold_ns / 1e9:.0f} s to go"
            return value._replace(value=None, quality=Quality.WARMING, reason=words)
        if value.quality not in (Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW):
            return value
        if self._on_since is not None and now_ns - self._on_since < self._warm_up_ns:
            words = f"warming up, {(self._warm_up_ns - (now_ns - self._on_since)) / 1e9:.0f} s to go"
            lean = value.value is None or value.value >= NOTHING_BURNS
            return value._replace(value=None, quality=Quality.WARMING, reason=words + ("" if lean else _MAY_BE_FIRE))
        since = self._at_lean_end_since
        if since is not None and now_ns - since >= self._free_air_ns:
            return value._replace(reason="free air: the engine stands and the sensor shows no exhaust gas")
        return value

    @property
    def is_hot(self) -> bool:
        """Whether it has served hot for long and can't have cooled since, whatever its wire shows now."""
        return self._served_ns >= _LONG_SERVICE_NS

    def begin_hot(self, away_ns: int, now_ns: int) -> None:
        """Before the first tick: it was hot so long ago. Its ceramic cools no faster for nobody having looked."""
        if 0 <= away_ns <= self._cools_ns:
            self._first_ns, self._on_since = now_ns - away_ns, now_ns - max(away_ns, self._warm_up_ns)
            self._served_ns = _LONG_SERVICE_NS

    def _may_be_cold_for(self, now_ns: int) -> int:
        """Many an output rests at a rail until its sensor is hot: from the start on, and from its switching on again;
        only until it has served. For how much longer that may be, ns."""
        self._first_ns = now_ns if self._first_ns is None else self._first_ns
        left_ns = self._first_ns + self._warm_up_ns - now_ns if self._on_since is None else 0
        return max(left_ns, 0 if self._heats_until is None else self._heats_until - now_ns)

    def _follow_feed(self, value: Value, switched_off: bool, now_ns: int) -> None:
        """A sensor that was dark while its feed was off heats again for no longer than it had to cool."""
        if value.quality not in DARK:
            self._asleep_since = self._heats_until = None
        elif switched_off:
            self._asleep_since = now_ns if self._asleep_since is None else self._asleep_since
        elif self._asleep_since is not None:
            heats_until = now_ns + min(self._warm_up_ns, now_ns - self._asleep_since)
            self._heats_until, self._asleep_since = max(heats_until, self._heats_until or 0), None

    def _follow(self, value: Value, rpm: float | None, now_ns: int) -> None:
        off = value.quality in DARK
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
        if standing or self._was_off_long(now_ns):
            # It may have been switched off with the engine, and cooled.
            self._served_ns = 0
        lean_end = standing and value.quality is Quality.SATURATED_HIGH
        self._at_lean_end_since = (self._at_lean_end_since or now_ns) if lean_end else None

    def _serve(self, value: Value, now_ns: int) -> None:
        """How long it has served hot."""
        dt_ns = 0 if self._last_ns is None else min(max(0, now_ns - self._last_ns), _LONGEST_TICK_NS)
        self._last_ns = now_ns
        is_hot = self._on_since is not None and now_ns - self._on_since >= self._warm_up_ns
        if value.quality in USABLE and is_hot:
            self._served_ns = min(self._served_ns + dt_ns, _LONG_SERVICE_NS)

    def _was_off_long(self, now_ns: int) -> bool:
        return self._off_since is not None and now_ns - self._off_since >= self._cools_ns

    def state(self) -> dict[str, Any]:
        """All that later states depend on."""
        return {
            "first": self._first_ns,
            "on": self._on_since,
            "off": self._off_since,
            "stood": self._stood_since,
            "lean_end": self._at_lean_end_since,
            "served": self._served_ns,
            "last": self._last_ns,
            "asleep": self._asleep_since,
            "heats_until": self._heats_until,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._on_since, self._off_since = state["on"], state["off"]
        self._first_ns = state.get("first", state["last"])
        self._stood_since, self._at_lean_end_since = state["stood"], state["lean_end"]
        # Older versions did not count it.
        self._served_ns, self._last_ns = int(state.get("served", 0)), state.get("last")
        self._asleep_since, self._heats_until = state.get("asleep"), state.get("heats_until")
