"""One measured channel: its newest reading -> a value with its uncertainty and its quality."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary import units
from cabcanary.channels.chain import Chain, Converted, Known, Surroundings
from cabcanary.channels.health import HealthTests, limits_for
from cabcanary.channels.lambda_ends import LambdaEnds
from cabcanary.channels.logged import Logged
from cabcanary.channels.throttle_travel import ThrottleTravel
from cabcanary.channels.usable import good
from cabcanary.channels.wideband import DARK, WidebandStates
from cabcanary.model import Quality, Reading, Value
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.sensors import MeasuredChannel

#: A number sent with few digits is taken to be at an end when it is within this share of the range.
_END_SHARE = 0.002


class OfNumber(NamedTuple):
    """What a number means by itself: the value (its time is not set), what the health tests see of it (None: they
    do not look at it) with the quality that the curve gave, and whether no verdict of theirs can change the value."""

    value: Value
    seen: float | None
    curve_quality: Quality
    firm: bool


class Measured:
    """Converts the readings of one wire; remembers only what its verdicts need.

    `wire` is the unit in which the source gives this item; `live` says that it is a converter's own voltage and
    not a number that another computer sends; `channel_units` gives the units of the channels that it refers to.

    Raises:
        CurveError, UnitError: the settings make no conversion.
    """

    def __init__(
        self, name: str, spec: MeasuredChannel, wire: units.Unit, channel_units: Mapping[str, str], *, live: bool
    ) -> None:
        self.name, self.spec = name, spec
        self.key = (spec.source, spec.item)
        self._wire = wire
        self.chain = Chain(spec, wire)
        self._around = _Around(spec, channel_units)
        self.needs: tuple[str, ...] = self._around.needs
        #: A reading older than this, ns, is stale.
        self.stale_ns = int(spec.stale_after * 1e9)
        ends = self.chain.ends
        is_lambda = spec.measures == "lambda"
        self._ends = LambdaEnds(*ends, spec.response_time) if is_lambda and ends else None
        self._wideband = WidebandStates(spec.wideband) if is_lambda else None
        self._rpm: tuple[str, units.Unit] | None = None
        if is_lambda and spec.wideband.engine_speed is not None:
            speed = spec.wideband.engine_speed
            self.needs = (*self.needs, speed)
            self._rpm = (speed, units.unit(channel_units[speed]))
        self._fed_with = spec.wideband.fed_with if is_lambda else None
        if self._fed_with is not None:
            self.needs = (*self.needs, self._fed_with)
        self._travel = ThrottleTravel() if spec.learn_ends else None
        target = units.unit(spec.unit)
        per_kpa = 1000.0 / target.factor if target.dimension == units.PRESSURE else 1.0
        limits = limits_for(spec.health, spec.measures, from_converter=live, per_kpa=per_kpa)
        self.health = HealthTests(limits, spec.unit)
        self._last: Value | None = None
        self._last_ns = -1
        self._logged: Logged | None = None

    def take_logged(self) -> None:
        """From here on readings are values in the channel's own unit, from a log: no conversion, and every test."""
        around = None if self._around.needs else self._around.at({})[0]
        self._logged = Logged(self.chain, self.spec, around)

    @property
    def wire_symbol(self) -> str:
        """The unit in which the source gives its readings."""
        return self._wire.symbol

    @property
    def ends_si(self) -> tuple[float, float] | None:
        """The lowest and highest value that the sensor can show, in SI; None where nothing says so."""
        ends, unit = self.chain.ends, units.unit(self.spec.unit)
        return None if ends is None else (unit.to_si(ends[0]), unit.to_si(ends[1]))

    def step(self, reading: Reading | None, values: dict[str, Value], now_ns: int) -> Value:
        """The channel's value at `now_ns`, from the newest reading and the channels that it refers to."""
        value = self._without_states(reading, values, now_ns)
        if self._wideband is None:
            return value
        unfed = self._fed_with is not None and values[self._fed_with].quality in DARK
        return self._wideband.step(value, self._known_rpm(values), now_ns, unfed=unfed)

    def _without_states(self, reading: Reading | None, values: dict[str, Value], now_ns: int) -> Value:
        if reading is None:
            return self.not_yet()
        if self._last is None or reading.time_ns != self._last_ns:
            converted = self._convert(reading, values)
            self._last = converted if self._travel is None else self._travel.step(converted)
            self._last_ns = reading.time_ns
        if now_ns - reading.time_ns <= self.stale_ns:
            return self._last
        return self.stale(self._last, reading.reason)

    def not_yet(self) -> Value:
        """What a channel shows whose source has not said anything."""
        return Value(None, Quality.ABSENT, 0, reason=f"no reading from {self.spec.source} yet")

    def stale(self, last: Value, reason: str) -> Value:
        """What becomes of the last value when nothing new comes; `reason` is the last reading's."""
        words = f"nothing new from {self.spec.source} for over {spelt(self.spec.stale_after)} s"
        if reason:
            words += f" ({reason})"
        return last._replace(quality=Quality.STALE, reason=words)

    @property
    def by_number_alone(self) -> bool:
        """Whether a reading's number, with the times of the readings before it, makes the value, and nothing else."""
        states = (self._ends, self._wideband, self._travel, self.health.limits.noisiest)
        return not self.needs and all(s is None for s in states)

    def of_number(self, raw: float) -> OfNumber:
        """What `step` makes of a number before the health tests; only for a channel that is `by_number_alone`."""
        around, missing = self._around.at({})
        if around is None:
            return OfNumber(Value(None, Quality.ABSENT, 0, reason=missing), None, Quality.ABSENT, firm=True)
        converted = self.chain.convert(raw, around)
        rails = self.spec.rails
        if rails and not rails[0] <= converted.wire <= rails[1]:
            dead = Value(None, Quality.OUT_OF_RANGE, 0, reason=self._rail_words(converted.wire, rails))
            return OfNumber(dead, None, Quality.OUT_OF_RANGE, firm=True)
        own = self._at_own_ends(converted)
        quality, reason = own, ""
        if self._is_implausible(converted.value):
            quality, reason = self._implausible(converted.value)
        value = Value(self._held(converted.value), quality, 0, converted.uncertainty, reason)
        return OfNumber(value, converted.value, own, firm=bool(reason) or own is Quality.OUT_OF_RANGE)

    def _convert(self, reading: Reading, values: dict[str, Value]) -> Value:
        if reading.value is None:
            absence = reading.quality if reading.quality is not Quality.GOOD else Quality.ABSENT
            return Value(None, absence, reading.time_ns, reason=reading.reason)
        if self._logged is not None:
            converted = self._logged.convert(reading.value)
        else:
            around, missing = self._around.at(values)
            if around is None:
                return Value(None, Quality.ABSENT, reading.time_ns, reason=missing)
            converted = self.chain.convert(reading.value, around)
        rails = self.spec.rails
        if rails and not rails[0] <= converted.wire <= rails[1]:
            return Value(None, Quality.OUT_OF_RANGE, reading.time_ns, reason=self._rail_words(converted.wire, rails))
        quality, reason = self._judge(reading, converted)
        return Value(self._held(converted.value), quality, reading.time_ns, converted.uncertainty, reason)

    def _judge(self, reading: Reading, converted: Converted) -> tuple[Quality, str]:
        """The quality of a number that is on no rail, and why it is not good."""
        assert reading.value is not None
        value, quality = converted.value, self._at_own_ends(converted)
        verdict = self.health.judge(reading.value, value, quality, reading.time_ns)
        reason = ""
        if self._ends:
            quality, reason = self._ends.judge(self._held(value), quality, reading.time_ns)
        if self._is_implausible(value):
            return self._implausible(value)
        # Lean at the end of a wideband's range weighs more: a pump that dies is faster than any other change. No
        # other end is believed of a wire that jumps or scatters: "at most" would silence rules.
        lean = self._ends is not None and quality is Quality.SATURATED_HIGH
        if verdict is not None and not lean and quality is not Quality.OUT_OF_RANGE:
            return verdict
        return quality, reason

    def _is_implausible(self, value: float) -> bool:
        plausible = self.spec.plausible
        return plausible is not None and not plausible[0] <= value <= plausible[1]

    def _implausible(self, value: float) -> tuple[Quality, str]:
        return Quality.IMPLAUSIBLE, f"{spelt(value, 4)} {self.spec.unit} cannot be true"

    def _at_own_ends(self, converted: Converted) -> Quality:
        ends = self.spec.ends
        if converted.quality is not Quality.GOOD or ends is None:
            return converted.quality
        margin = _END_SHARE * (ends[1] - ends[0])
        if converted.value >= ends[1] - margin:
            return Quality.SATURATED_HIGH
        if converted.value <= ends[0] + margin:
            return Quality.SATURATED_LOW
        return Quality.GOOD

    def _held(self, value: float) -> float:
        """A value at or beyond the sensor's own ends is at the end, whatever the last digit says."""
        ends = self.chain.ends
        if ends is None:
            return value
        margin = _END_SHARE * (ends[1] - ends[0])
        if value >= ends[1] - margin:
            return ends[1]
        return ends[0] if value <= ends[0] + margin else value

    def _known_rpm(self, values: dict[str, Value]) -> float | None:
        if self._rpm is None:
            return None
        speed = good(values, self._rpm[0])
        return None if speed is None else speed * self._rpm[1].factor / _RPM

    def _rail_words(self, wire: float, rails: tuple[float, float]) -> str:
        what = "shorted to ground or unplugged" if wire < rails[0] else "shorted to its supply or ground lost"
        return f"{wire:.2f} {self.chain.shown.symbol}: {what}"

    def surroundings(self, values: dict[str, Value]) -> tuple[Surroundings | None, str]:
        """What a conversion needs besides its wire, of the channels that it refers to; None and the reason where one
        of them is not good."""
        return self._around.at(values)

    def remembered(self) -> tuple[float, float] | None:
        """What the next start should know; None: nothing has been learnt."""
        return self._travel.remembered() if self._travel else None

    def recall(self, kept: tuple[float, float], _parked_s: float | None) -> None:
        """Before the first tick: what the last drive left."""
        if self._travel:
            self._travel.recall(*kept)

    @property
    def is_hot(self) -> bool:
        """Whether it is a wideband that has served hot for long."""
        return self._wideband is not None and self._wideband.is_hot

    def begin_hot(self, away_ns: int, now_ns: int) -> None:
        """Before the first tick: it was hot so long ago, by a monitor that ran before in the same drive."""
        if self._wideband:
            self._wideband.begin_hot(away_ns, now_ns)

    def state(self) -> dict[str, Any]:
        """What the next values depend on beyond the readings themselves."""
        # The last verdict too: the same reading is not judged twice, not even by a run that continues from this state.
        return {
            "last": list(self._last) if self._last else None,
            "last_ns": self._last_ns,
            "health": self.health.state(),
            "ends": self._ends.state() if self._ends else None,
            "wideband": self._wideband.state() if self._wideband else None,
            **({"travel": self._travel.state()} if self._travel else {}),
        }

    def restore_converted(self, state: dict[str, Any]) -> None:
        """Go on from the state that another curve has left: its values are gone, but since when the sensor has been
        powered is no matter of a curve, and a warm-up that is over is not begun again."""
        if self._wideband and state["wideband"]:
            self._wideband.restore(state["wideband"])

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        last = state["last"]
        self._last = Value(last[0], Quality(last[1]), *last[2:]) if last else None
        self._last_ns = int(state["last_ns"])
        self.health.restore(state["health"])
        if self._ends and state["ends"]:
            self._ends.restore(state["ends"])
        if self._wideband and state["wideband"]:
            self._wideband.restore(state["wideband"])
        if self._travel and state.get("travel"):
            self._travel.restore(state["travel"])


_RPM = units.unit("rpm").factor


class _Around:
    """Gathers what a conversion needs from other channels, in SI (a cold junction in °C)."""

    def __init__(self, spec: MeasuredChannel, channel_units: Mapping[str, str]) -> None:
        ratio, pull, ground, curve = spec.ratiometric, spec.pull_up, spec.ground, spec.curve
        supply = ratio.measured if ratio else pull.measured if pull else None
        cold = curve.cold_junction if curve is not None and curve.kind == "thermocouple_k" else None
        self._supply, self._ground, self._cold = supply, ground.measured, cold
        self.needs: tuple[str, ...] = tuple(c for c in (supply, ground.measured, cold) if c is not None)
        self._units = {c: units.unit(channel_units[c]) for c in self.needs}
        nominal = ratio.nominal if ratio else pull.supply if pull else 5.0
        self._nominal_supply = Known(nominal, ratio.tolerance if ratio else 0.0)
        self._fixed_ground = Known(ground.fixed, ground.uncertainty)

    def at(self, values: dict[str, Value]) -> tuple[Surroundings | None, str]:
        """The surroundings at this tick; None and the reason when a channel that they need is not good."""
        for channel in self.needs:
            value = values[channel]
            if value.value is None or value.quality is not Quality.GOOD:
                return None, f"{channel}: {value.reason or value.quality.words}"
        supply = self._of(values, self._supply) or self._nominal_supply
        if supply.value <= 0:
            return None, f"{self._supply} is not above zero"
        ground = self._of(values, self._ground) or self._fixed_ground
        return Surroundings(supply, ground, self._celsius(values)), ""

    def _of(self, values: dict[str, Value], channel: str | None) -> Known | None:
        if channel is None:
            return None
        value, unit = values[channel], self._units[channel]
        assert value.value is not None
        return Known(unit.to_si(value.value), value.uncertainty * unit.factor)

    def _celsius(self, values: dict[str, Value]) -> Known:
        kelvin = self._of(values, self._cold)
        return Known(25.0) if kelvin is None else Known(kelvin.value - 273.15, kelvin.uncertainty)
