"""Checks between channels: a value that another one contradicts is implausible, and says by what."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.follows_load import FollowsLoad
from cabcanary.model import USABLE, Quality, Value
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.checks import AgreeCheck, Check, KeyOnCheck, OverrunCheck

#: Sea-level weather reaches 108 kPa, the highest roads about 55 kPa (US Standard Atmosphere 1976: 4700 m).
_LOWEST_KPA, _HIGHEST_KPA = 55.0, 108.0
_STANDING_RPM = 50.0


class CrossCheck:
    """One check. A contradiction that lasts makes its channel implausible; agreement ends that at once.

    What cannot be compared (a witness that is unknown, or beyond what it can tell) changes nothing: the timer
    stands still, and a verdict stays until the channels are seen to agree.
    """

    def __init__(self, spec: Check, channel_units: Mapping[str, str]) -> None:
        self.channel = spec.channel
        self._spec = spec
        self._units = {name: units.unit(symbol) for name, symbol in channel_units.items()}
        self._longest_ns = int(spec.for_longer_than * 1e9)
        self._contradicted_ns = 0
        self._last_ns: int | None = None
        self._verdict = ""
        self._follows = FollowsLoad(spec) if spec.kind == "follows_load" else None

    @property
    def channels(self) -> frozenset[str]:
        """The channels that it compares."""
        named = self._spec.model_dump(exclude={"kind"}).values()
        return frozenset(name for name in named if isinstance(name, str) and name in self._units)

    def step(self, values: dict[str, Value], now_ns: int) -> None:
        """Compare at this tick; replaces the channel's value in `values` when it is contradicted."""
        dt_ns = 0 if self._last_ns is None else max(0, now_ns - self._last_ns)
        self._last_ns = now_ns
        words = self._compare(values, now_ns)
        if words == "":
            self._contradicted_ns, self._verdict = 0, ""
        elif words is not None:
            self._contradicted_ns += dt_ns
            # What follows the load has had its time by then.
            if self._contradicted_ns > self._longest_ns or self._follows is not None:
                self._verdict = words
        value = values[self.channel]
        if self._verdict and value.quality in USABLE:
            values[self.channel] = value._replace(quality=Quality.IMPLAUSIBLE, reason=self._verdict)

    def _compare(self, values: dict[str, Value], now_ns: int) -> str | None:
        """What contradicts the channel; empty: nothing does; None: cannot be told."""
        spec = self._spec
        if spec.kind == "follows_load":
            assert self._follows is not None
            kpa = self._known(values, spec.pressure)
            in_kpa = None if kpa is None else self._units[spec.pressure].to_si(kpa) / 1000
            return self._follows.step(self._known(values, spec.channel), in_kpa, now_ns)
        if spec.kind == "agree":
            return self._agree(spec, values)
        if spec.kind == "key_on":
            return self._key_on(spec, values)
        return self._overrun(spec, values)

    def _agree(self, spec: AgreeCheck, values: dict[str, Value]) -> str | None:
        own, witness = self._known(values, spec.channel), self._known(values, spec.witness)
        if own is None or witness is None:
            return None
        own_unit = self._units[spec.channel]
        other = own_unit.from_si(self._units[spec.witness].to_si(witness))
        if spec.below is not None and other >= spec.below:
            # At its ceiling the witness proves no more than "at least this".
            if own >= spec.below - spec.within:
                return None
            return f"shows {spelt(own, 3)} {own_unit.symbol} where {spec.witness} shows at least {spelt(spec.below, 3)}"
        if abs(own - other) <= spec.within:
            return ""
        return f"differs from {spec.witness} by {spelt(own - other, 3, '+')} {own_unit.symbol}"

    def _key_on(self, spec: KeyOnCheck, values: dict[str, Value]) -> str | None:
        pressure, rpm = self._known(values, spec.channel), self._known(values, spec.engine_speed)
        if pressure is None or rpm is None or self._units[spec.engine_speed].to_si(rpm) >= _STANDING_SI:
            return None
        kpa = self._units[spec.channel].to_si(pressure) / 1000
        if not _LOWEST_KPA <= kpa <= _HIGHEST_KPA:
            return f"{kpa:.0f} kPa with the engine standing is no air pressure of any road"
        barometer = self._known(values, spec.barometer) if spec.barometer else None
        if barometer is None or spec.barometer is None:
            return ""
        air = self._units[spec.barometer].to_si(barometer) / 1000
        if abs(kpa - air) <= spec.within_kpa:
            return ""
        return f"{kpa:.0f} kPa with the engine standing, and the barometer says {air:.0f} kPa"

    def _overrun(self, spec: OverrunCheck, values: dict[str, Value]) -> str | None:
        mixture = self._known(values, spec.channel)
        pressure, throttle = self._known(values, spec.pressure), self._known(values, spec.throttle)
        rpm = self._known(values, spec.engine_speed)
        if mixture is None or pressure is None or throttle is None or rpm is None:
            return None
        if mixture >= spec.at_least:
            return ""
        cut = (
            self._units[spec.pressure].to_si(pressure) / 1000 < spec.below_idle_kpa
            and throttle <= spec.shut_percent
            and rpm >= spec.above_rpm
        )
        if not cut:
            # Only an unbroken cut tells; between cuts the timer starts anew, the verdict stays.
            self._contradicted_ns = 0
            return None
        return f"shows lambda {mixture:.2f} in a fuel cut: old, slow, or not in the exhaust gas"

    @staticmethod
    def _known(values: dict[str, Value], channel: str) -> float | None:
        value = values[channel]
        return value.value if value.quality in USABLE else None

    def state(self) -> dict[str, Any]:
        """All that later verdicts depend on."""
        follows = {} if self._follows is None else {"follows": self._follows.state()}
        return {"contradicted": self._contradicted_ns, "last": self._last_ns, "verdict": self._verdict, **follows}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._contradicted_ns, self._last_ns = int(state["contradicted"]), state["last"]
        self._verdict = str(state["verdict"])
        if self._follows is not None and "follows" in state:
            self._follows.restore(state["follows"])


_STANDING_SI = units.unit("rpm").to_si(_STANDING_RPM)
