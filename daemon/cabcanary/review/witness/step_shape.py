"""How a wideband answers a step of the gas: when it has come so much of the way, in times of its response.

Two lags in a row, the second a share of the first, of gas that changes over one engine cycle because one cylinder does
after the other. Response is the time to 63 % of a step, as the settings have it.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Time to this share of a step is the response time.
SHARE = 1.0 - float(np.exp(-1.0))
#: Second lags that are asked about, as shares of the first.
SECOND = (0.0, 0.3, 0.95)
_MOST_SHARE, _MOST_CYCLES = 0.985, 8.0


@dataclass(frozen=True, slots=True)
class Shape:
    """Times in units of the response time: over share of the way, and over the cycle's length in the same unit."""

    shares: Floats
    cycles: Floats
    times: Floats

    def times_at(self, shares: Floats, cycles: Floats) -> Floats:
        """When so much of the way is done, gas having begun to change at 0; bilinear in both."""
        x = np.clip(shares, 0.0, _MOST_SHARE) / _MOST_SHARE * (len(self.shares) - 1)
        y = np.sqrt(np.clip(cycles, 0.0, _MOST_CYCLES) / _MOST_CYCLES) * (len(self.cycles) - 1)
        n = np.minimum(x.astype(np.int64), len(self.shares) - 2)
        m = np.minimum(y.astype(np.int64), len(self.cycles) - 2)
        a, b, t = x - n, y - m, self.times
        low = t[m, n] * (1 - a) + t[m, n + 1] * a
        high = t[m + 1, n] * (1 - a) + t[m + 1, n + 1] * a
        found: Floats = low * (1 - b) + high * b
        return found


@lru_cache(maxsize=16)
def shape_of(second: float) -> Shape:
    """The shape with a second lag of this share of the first."""
    shares = np.linspace(0.0, _MOST_SHARE, 240)
    cycles = _MOST_CYCLES * np.linspace(0.0, 1.0, 40) ** 2
    fine = np.linspace(0.0, 40.0, 16_001)
    unit = float(np.interp(SHARE, step(fine, second), fine))
    times = np.empty((len(cycles), len(shares)))
    for row, cycle in enumerate(cycles):
        times[row] = np.interp(shares, ramped(fine, second, cycle * unit), fine) / unit
    return Shape(shares, cycles, times)


def step(time: Floats, second: float) -> Floats:
    """Share of the way that two lags of 1 and `second` have done after a step (any text on control)."""
    t = np.maximum(time, 0.0)
    if second <= 0.0:
        return np.asarray(1.0 - np.exp(-t))
    return np.asarray(1.0 - (np.exp(-t) - second * np.exp(-t / second)) / (1.0 - second))


def ramped(time: Floats, second: float, cycle: float) -> Floats:
    """The same after a change of the gas that takes `cycle`: the mean of steps over it, from their integral."""
    if cycle <= 1e-9:
        return step(time, second)
    return np.asarray((_integral(time, second) - _integral(time - cycle, second)) / cycle)


def _integral(time: Floats, second: float) -> Floats:
    t = np.maximum(time, 0.0)
    if second <= 0.0:
        return np.asarray(t - 1.0 + np.exp(-t))
    left = (np.exp(-t) - second**2 * np.exp(-t / second)) / (1.0 - second)
    return np.asarray(t - 1.0 - second + left)
