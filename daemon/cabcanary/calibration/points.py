"""One point of a calibration: what the reference showed, and what the wire said meanwhile."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.student import student_95

if TYPE_CHECKING:
    from collections.abc import Sequence

#: What arithmetic makes of readings that are all the same.
_ROUNDING = 1e-9
#: Below this many readings nothing can be said of a drift.
_FEWEST_FOR_A_DRIFT = 8
#: The drift's standard uncertainty is widened by this beyond 95 %: of a thousand healthy points two are then refused.
_SURE = 1.6


class Readings(NamedTuple):
    """Readings of one wire over some seconds, in the unit of the curve's first column."""

    mean: float
    #: Standard deviation of a single reading.
    noise: float = 0.0
    number: int = 1
    #: By how much they changed from first to last, and the part of that which noise makes.
    drift: float = 0.0
    drift_noise: float = 0.0

    @property
    def moves(self) -> bool:
        """Whether the drift is more than noise makes."""
        return abs(self.drift) > max(self.drift_noise, _ROUNDING * abs(self.mean))

    @property
    def of_mean(self) -> float:
        """Standard uncertainty of the mean (JCGM 100:2008, 4.2.3)."""
        return self.noise / math.sqrt(self.number)


def readings_of(times_s: Sequence[float], wires: Sequence[float]) -> Readings:
    """Mean, scatter and drift of readings taken at these times.

    The drift is the slope of a straight line over time, times the time; noise is what scatters about the mean where
    nothing moves, else about that line.

    Raises:
        ValueError: there is no reading.
    """
    if not wires:
        raise ValueError("there is no reading")
    x, t = np.asarray(wires, dtype=np.float64), np.asarray(times_s, dtype=np.float64)
    mean, number = float(np.mean(x)), len(x)
    if number < 2:
        return Readings(mean)
    noise = float(np.std(x, ddof=1))
    if number < _FEWEST_FOR_A_DRIFT or t[-1] <= t[0]:
        return Readings(mean, noise, number)
    t = t - np.mean(t)
    squares = float(t @ t)
    slope = float(t @ x) / squares
    about = float(np.sqrt(np.sum((x - mean - slope * t) ** 2) / (number - 2)))
    span = float(t[-1] - t[0])
    drift_noise = _SURE * student_95(number - 2) * about / math.sqrt(squares) * span
    drift = slope * span
    return Readings(mean, about if abs(drift) > drift_noise else noise, number, drift, drift_noise)


class Point(NamedTuple):
    """`reference` is in the channel's unit; `reading` is how far it may be off at this point alone (plus or minus, in
    that unit: half of the smallest division, how well it was held); None: nobody knows, the scatter will say."""

    reference: float
    readings: Readings
    reading: float | None = None


class Session(NamedTuple):
    """The points of one calibration, and what they were taken with."""

    points: tuple[Point, ...]
    #: The reference's own limits of error, plus or minus, in the channel's unit: the same at all points.
    limits: float = 0.0
    reference: str = ""
    #: The sensor's serial number, where typed.
    serial: str = ""
