"""Values of another program's log, in a channel's own unit, as its wire would have given them: ends and uncertainty."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.channels.chain import Converted, Surroundings
from cabcanary.model import Quality

if TYPE_CHECKING:
    from cabcanary.channels.chain import Chain
    from cabcanary.settings.sensors import MeasuredChannel


class Logged:
    """Stands in for the conversion of one channel. `around` is what its wire needs, or None where that is measured."""

    def __init__(self, chain: Chain, spec: MeasuredChannel, around: Surroundings | None) -> None:
        self._chain, self._spec, self._around = chain, spec, around
        self._curve_ends = chain.ends if chain.curve is not None else None
        self._line = spec.curve.points if spec.curve is not None and spec.curve.kind == "linear" else None
        self._unit = units.unit(spec.unit)

    def convert(self, value: float) -> Converted:
        """A value in the channel's unit, held at the curve's ends, with what the wire would have shown."""
        held, quality = value, Quality.GOOD
        if self._curve_ends is not None:
            low, high = self._curve_ends
            held = min(max(value, low), high)
            quality = (
                Quality.SATURATED_HIGH if value >= high else Quality.SATURATED_LOW if value <= low else Quality.GOOD
            )
        return Converted(held, quality, self._uncertainty(value), self._wire(value))

    def _wire(self, value: float) -> float:
        """The reading at the sensor, beyond the curve's ends too, so that the rails are seen; between them where the
        settings do not tell."""
        rails = self._spec.rails
        if rails is None:
            return 0.0
        if self._line is not None:
            (x0, y0), (x1, y1) = self._line
            return x0 + (value * (self._spec.afr_scale or 1.0) - y0) * (x1 - x0) / (y1 - y0)
        if self._chain.curve is None and self._chain.shown.dimension == self._unit.dimension:
            return self._chain.shown.from_si(self._unit.to_si(value * (self._spec.afr_scale or 1.0)))
        return (rails[0] + rails[1]) / 2.0

    def _uncertainty(self, value: float) -> float:
        """As the settings' own conversion has it; the sensor's own alone where that needs a measured
        supply."""
        beyond = self._curve_ends is not None and not self._curve_ends[0] <= value <= self._curve_ends[1]
        if self._around is None or beyond:  # past its ends a curve is level, and the wire's part is nothing
            return math.hypot(self._spec.accuracy / math.sqrt(3.0), self._spec.residual)
        return self._chain.convert(self._chain.inverse(value, self._around), self._around).uncertainty
