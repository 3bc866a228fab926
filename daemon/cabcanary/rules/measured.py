"""What a rule saw, as numbers with their units: for programs, what `figures.py` puts into words for people."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.model import Quality

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary import units
    from cabcanary.expressions.scalar import Interval
    from cabcanary.expressions.tree import Compare
    from cabcanary.model import Value

#: Digits of a number that is told: no sensor has more, and what floating point adds behind them is of no interest.
_DIGITS = 6


class Figures(NamedTuple):
    """What a rule saw: in words, and as plain JSON, one object for each channel (`channel_seen`)."""

    words: str = ""
    measured: tuple[dict[str, Any], ...] = ()


#: Of a change that nothing measured has led to: a person acknowledged, or put an alert aside.
NO_FIGURES = Figures()


def channel_seen(name: str, value: Value, unit: str, limits: Sequence[dict[str, Any]] = ()) -> dict[str, Any]:
    """A channel's value and standard uncertainty in its unit, its quality, and the limits it was held against.

    What is not known is left out: a value that is absent, an uncertainty that nobody has stated.
    """
    known = {"value": _number(value.value), "uncertainty": _number(value.uncertainty or None)}
    return _seen(name, unit, value.quality, known, limits)


def worked_out(text: str, interval: Interval, unit: units.Unit, limits: Sequence[dict[str, Any]]) -> dict[str, Any]:
    """As `channel_seen`, of what a rule works out from channels; `interval` is in SI.

    Of one that is open to a side the other end is told, with the quality that says so; of another one its middle, with
    a quarter of its width: it reaches two standard uncertainties to each side.
    """
    if interval is None:
        return _seen(text, unit.symbol, Quality.ABSENT, {}, limits)
    low, high = (unit.from_si(x) if math.isfinite(x) else x for x in interval)
    if math.isinf(low) and math.isinf(high):
        return _seen(text, unit.symbol, Quality.ABSENT, {}, limits)
    if math.isinf(high):
        return _seen(text, unit.symbol, Quality.SATURATED_HIGH, {"value": _number(low)}, limits)
    if math.isinf(low):
        return _seen(text, unit.symbol, Quality.SATURATED_LOW, {"value": _number(high)}, limits)
    if low == high:
        return _seen(text, unit.symbol, Quality.GOOD, {"value": _number(low)}, limits)
    known = {"value": _number((low + high) / 2), "uncertainty": _number((high - low) / 4)}
    return _seen(text, unit.symbol, Quality.WITHIN, known, limits)


def limit(node: Compare, right: Interval, unit: units.Unit) -> dict[str, Any]:
    """The limit of a comparison, in the unit of what is held against it; `right` is in SI.

    Of a limit that is an interval itself the end is told that must be passed for certain.
    """
    end = None if right is None else right[1] if node.comparison in (">", ">=") else right[0]
    value = None if end is None or not math.isfinite(end) else _number(unit.from_si(end))
    found = {"comparison": node.comparison, "value": value, "unit": unit.symbol, "sureness": node.sureness}
    return {k: v for k, v in found.items() if v is not None}


def _seen(
    name: str, unit: str, quality: Quality, known: dict[str, float | None], limits: Sequence[dict[str, Any]]
) -> dict[str, Any]:
    numbers = {k: v for k, v in known.items() if v is not None}
    once = [one for n, one in enumerate(limits) if one not in limits[:n]]
    return {"channel": name, "unit": unit, "quality": quality.words, **numbers, **({"limits": once} if once else {})}


def _number(value: float | None) -> float | None:
    """As it is told; -0 is 0."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.{_DIGITS}g}") + 0.0
