"""A wideband in free air: no curve is fitted, its lean end is looked at and nothing else.

Air alone has no lambda, so a living wideband is at the lean end of its range there. That says nothing of lambda 0.85.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.calibration.points import Readings
    from cabcanary.calibration.sensor import Sensor

#: Where the data sheet gives no limits of error: this share of the range (common practice).
_OFF = 0.02


class LeanEnd(NamedTuple):
    """What it shows in free air, and its lean end, as lambda."""

    ok: bool
    shows: float
    end: float
    words: str


def lean_end(readings: Readings, sensor: Sensor) -> LeanEnd:
    """Whether a wideband that hangs in free air is at its lean end."""
    shows, end = sensor.old(readings.mean), sensor.ends[1]
    allowed = sensor.spec.accuracy or _OFF * sensor.range
    reads = f"in free air it shows lambda {spelt(shows, 4)}, and its lean end is {spelt(end, 4)}"
    if abs(shows - end) <= allowed and not readings.moves:
        words = f"{reads}: it is at its lean end. Of any other lambda this says nothing, and no curve is made of it"
        return LeanEnd(True, shows, end, words)
    words = (
        f"{reads}: it is not at its lean end. It is not in free air or not hot yet, its curve or its ends are not as "
        "its maker says, its ground or its output is off, or it is worn"
    )
    return LeanEnd(False, shows, end, words)
