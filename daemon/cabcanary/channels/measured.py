"""One measured channel: its newest reading -> a value with its quality."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.curves import Curve, build_curve
from cabcanary.channels.lambda_ends import LambdaEnds
from cabcanary.model import Quality, Reading, Value

if TYPE_CHECKING:
    from cabcanary.settings.schema import MeasuredChannel

#: A number sent with few digits is taken to be at an end when it is within this share of the range.
_END_SHARE = 0.002


class Measured:
    """Converts the readings of one wire; remembers only what its verdicts need.

    `wire` is the unit in which the source gives this item.

    Raises:
        CurveError, UnitError: the settings make no conversion.
    """

    def __init__(self, name: str, spec: MeasuredChannel, wire: units.Unit) -> None:
        self.name, self.spec = name, spec
        self.key = (spec.source, spec.item)
        self._wire = wire
        self._shown = units.unit(spec.wire_unit) if spec.wire_unit else wire
        if self._shown.dimension != wire.dimension:
            raise units.UnitError(
                f"the source gives {units.dimension_name(wire.dimension)} and wire_unit says '{spec.wire_unit}'"
            )
        self._factor = wire.factor / self._shown.factor * spec.divider
        self._curve: Curve | None = build_curve(spec.curve) if spec.curve else None
        if self._curve is None and self._wire.dimension != units.unit(spec.unit).dimension:
            raise units.UnitError(
                f"the wire gives {units.dimension_name(wire.dimension)} and the channel is in "
                f"'{spec.unit}': a curve must say how one becomes the other"
            )
        self._target = units.unit(spec.unit)
        self._stale_ns = int(spec.stale_after * 1e9)
        ends = self._curve.ends if self._curve else spec.ends
        self._ends = LambdaEnds(*ends, spec.response_time) if spec.measures == "lambda" and ends else None
        self._last: Value | None = None
        self._last_ns = -1

    @property
    def wire_symbol(self) -> str:
        """The unit in which the source gives its readings."""
        return self._wire.symbol

    def step(self, reading: Reading | None, now_ns: int) -> Value:
        """The channel's value at `now_ns`, from the newest reading there is."""
        if reading is None:
            return Value(None, Quality.ABSENT, 0, reason=f"no reading from {self.spec.source} yet")
        if self._last is None or reading.time_ns != self._last_ns:
            self._last = self._convert(reading)
            self._last_ns = reading.time_ns
        age_ns = now_ns - reading.time_ns
        if age_ns > self._stale_ns:
            return Value(
                self._last.value,
                Quality.STALE,
                reading.time_ns,
                reason=f"nothing new from {self.spec.source} for over {self.spec.stale_after:g} s"
                + (f" ({reading.reason})" if reading.reason else ""),
            )
        return self._last

    def _convert(self, reading: Reading) -> Value:
        if reading.value is None:
            absence = reading.quality if reading.quality is not Quality.GOOD else Quality.ABSENT
            return Value(None, absence, reading.time_ns, reason=reading.reason)
        wire = reading.value * self._factor
        rails = self.spec.rails
        if rails and not rails[0] <= wire <= rails[1]:
            return Value(None, Quality.OUT_OF_RANGE, reading.time_ns, reason=self._rail_words(wire, rails))
        value, quality = self._meaning(reading.value, wire)
        reason = ""
        if self._ends:
            quality, reason = self._ends.judge(value, quality, reading.time_ns)
        plausible = self.spec.plausible
        if plausible and not plausible[0] <= value <= plausible[1]:
            quality = Quality.IMPLAUSIBLE
            reason = f"{value:.4g} {self.spec.unit} cannot be true"
        return Value(value, quality, reading.time_ns, reason=reason)

    def _meaning(self, raw: float, wire: float) -> tuple[float, Quality]:
        if self._curve:
            return self._curve.value(wire)
        value = self._target.from_si(self._wire.to_si(raw * self.spec.divider))
        ends = self.spec.ends
        if ends:
            margin = _END_SHARE * (ends[1] - ends[0])
            if value >= ends[1] - margin:
                return ends[1], Quality.SATURATED_HIGH
            if value <= ends[0] + margin:
                return ends[0], Quality.SATURATED_LOW
        return value, Quality.GOOD

    def _rail_words(self, wire: float, rails: tuple[float, float]) -> str:
        what = "shorted to ground or unplugged" if wire < rails[0] else "shorted to its supply or ground lost"
        return f"{wire:.2f} {self._shown.symbol}: {what}"

    def state(self) -> dict[str, Any]:
        """What the next values depend on beyond the readings themselves."""
        return {"ends": self._ends.state()} if self._ends else {}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        if self._ends and "ends" in state:
            self._ends.restore(state["ends"])
