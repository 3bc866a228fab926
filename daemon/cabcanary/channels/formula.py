"""Any formula of channels, in the rules' grammar, with units checked at load and uncertainty carried along."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.channels.derive import Stateless
from cabcanary.channels.usable import unusable
from cabcanary.expressions.bounds import dimension
from cabcanary.expressions.kinds import scale_of
from cabcanary.expressions.names import ConditionError, Names
from cabcanary.expressions.parse import parse_number
from cabcanary.expressions.scalar import compile_number
from cabcanary.expressions.tree import channels_in
from cabcanary.model import USABLE, Quality, Value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.derived import FormulaChannel


class Formula(Stateless):
    """A formula's value at a tick.

    Uncertainty to first order (JCGM 100:2008, 5.1.2): each input moved by its own, the results' squares added. A
    saturated input makes the result saturated on the side that it proves, or unknown when it proves neither; one that
    is an interval makes it an interval, widened by twice the uncertainty of the others.

    Raises:
        ConditionError: it does not follow the grammar, or mixes units that do not mix, or gives another unit.
    """

    def __init__(self, name: str, spec: FormulaChannel, channel_units: Mapping[str, str]) -> None:
        self.name, self.spec = name, spec
        others = {n: u for n, u in channel_units.items() if n != name}
        self.tree = tree = parse_number(spec.formula, Names(others, {}, over_time=False))
        self._target = units.unit(spec.unit)
        if dimension(tree) != self._target.dimension:
            gives = units.dimension_name(dimension(tree))
            wanted = units.dimension_name(self._target.dimension)
            raise ConditionError(f"the formula gives {gives} and the channel is {wanted}", 1, 1, "make them agree")
        if scale_of(tree) == "step" and self._target.offset:
            message = f"the formula gives the size of a step, and '{spec.unit}' is for readings"
            raise ConditionError(message, 1, 1, 'write unit = "K": 20 °C more is 20 K more')
        self.inputs: tuple[str, ...] = channels_in(tree)
        self._evaluate = compile_number(tree)

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """The formula at this tick; unknown, with the reason, without any of its inputs."""
        if any(values[c].quality not in USABLE or values[c].value is None for c in self.inputs):
            return unusable(values, self.inputs, now_ns)
        interval = self._evaluate(values)
        if interval is None:
            return Value(None, Quality.ABSENT, now_ns, reason="a division by a value that may be zero")
        low, high = interval
        newest = max(values[c].time_ns for c in self.inputs) if self.inputs else now_ns
        if math.isinf(low) and math.isinf(high):
            return Value(None, Quality.ABSENT, newest, reason="inputs at the end of their range prove nothing here")
        if math.isinf(high):
            return Value(self._target.from_si(low), Quality.SATURATED_HIGH, newest)
        if math.isinf(low):
            return Value(self._target.from_si(high), Quality.SATURATED_LOW, newest)
        uncertainty = self._uncertainty(values)
        if any(values[c].quality is Quality.WITHIN for c in self.inputs):
            middle, quarter = self._target.from_si((low + high) / 2), (high - low) / 4 / self._target.factor
            words = next(values[c].reason for c in self.inputs if values[c].quality is Quality.WITHIN)
            return Value(middle, Quality.WITHIN, newest, quarter + uncertainty, words)
        return Value(self._target.from_si(low), Quality.GOOD, newest, uncertainty)

    def _uncertainty(self, values: dict[str, Value]) -> float:
        total = 0.0
        for channel in self.inputs:
            value = values[channel]
            if not value.uncertainty or value.value is None or value.quality is Quality.WITHIN:
                continue
            around = []
            for sign in (1.0, -1.0):
                moved = {**values, channel: value._replace(value=value.value + sign * value.uncertainty)}
                interval = self._evaluate(moved)
                if interval is None:
                    return 0.0
                around.append(interval[0])
            total += ((around[0] - around[1]) / 2.0) ** 2
        return math.sqrt(total) / self._target.factor
