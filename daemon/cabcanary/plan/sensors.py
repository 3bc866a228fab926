"""Which sensor stands behind a channel, and how far it may be off: two stages may have measured with two."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from cabcanary import units
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.can.can_settings import CanSource

if TYPE_CHECKING:
    from cabcanary.settings.schema import Settings

#: A pressure sensor's own limit of error where its settings do not say it: a share of its range (common practice).
OF_RANGE = 0.015
#: The same of an engine's own manifold sensor: that share of about 115 kPa, and whole kPa on the bus, kPa.
_BUS_KPA = 2.2
_SQRT_3 = math.sqrt(3.0)


class Sensor(NamedTuple):
    """`name` tells one sensor from another and is empty for a channel that is worked out; `reference` is what a
    pressure counts from; `uncertainty` is a standard one, in the channel's unit, and 0 where nobody knows it."""

    name: str = ""
    reference: str = "absolute"
    uncertainty: float = 0.0


def sensor_of(settings: Settings, channel: str) -> Sensor:
    """The sensor that a channel of these settings reads; one with a serial number is another one than any other."""
    spec = settings.channels.get(channel)
    if not isinstance(spec, MeasuredChannel):
        return Sensor()
    part = settings.parts.get(channel)
    serial = f", serial {part.serial}" if part is not None else ""
    name = f"{spec.item} of {spec.source}{serial}"
    return Sensor(name, spec.reference, limit_of_error(settings, spec) / _SQRT_3)


def limit_of_error(settings: Settings, spec: MeasuredChannel) -> float:
    """Plus or minus, in the channel's unit: as stated or calibrated, else what is common for its kind; else 0."""
    stated = math.hypot(spec.accuracy, _SQRT_3 * spec.residual)
    if stated:
        return stated
    if spec.curve is not None and hasattr(spec.curve, "points") and spec.measures == "manifold_pressure":
        values = [value for _, value in spec.curve.points]
        return OF_RANGE * (max(values) - min(values))
    if isinstance(settings.sources.get(spec.source), CanSource) and spec.item == "map":
        return units.difference(_BUS_KPA, "kPa", spec.unit)
    return 0.0


def another(one: Sensor, other: Sensor) -> bool:
    """Whether these are known to be two sensors."""
    return bool(one.name and other.name and one.name != other.name)
