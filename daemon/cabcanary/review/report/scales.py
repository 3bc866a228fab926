"""Scales of a plot: round ticks, and what of many points has to be drawn."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Points in one square of this many units lie on each other in print: one of them is drawn.
_APART = 1.6


@dataclass(frozen=True, slots=True)
class Scale:
    """Values from `low` to `high` on coordinates from `start` to `end`."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """The coordinate of a value."""
        return self.start + (value - self.low) / (self.high - self.low) * (self.end - self.start)

    def all(self, values: Floats) -> Floats:
        """The coordinates of many values."""
        return self.start + (values - self.low) / (self.high - self.low) * (self.end - self.start)

    def ticks(self, about: int) -> list[float]:
        """Round values between the ends, about so many."""
        step = _round_step((self.high - self.low) / max(1, about))
        first = math.ceil(self.low / step - 1e-9)
        last = math.floor(self.high / step + 1e-9)
        return [round(n * step, 10) for n in range(first, last + 1)]


def scale(values: Iterable[float], start: float, end: float, least: float, margin: float = 0.06) -> Scale:
    """A scale that holds all finite values with a margin, and spans at least `least`."""
    known = [v for v in values if math.isfinite(v)]
    low, high = (min(known), max(known)) if known else (0.0, least)
    if high - low < least:
        middle = (low + high) / 2
        low, high = middle - least / 2, middle + least / 2
    room = (high - low) * margin
    return Scale(low - room, high + room, start, end)


def _round_step(rough: float) -> float:
    power = 10.0 ** math.floor(math.log10(rough))
    return next(n * power for n in (1, 2, 5, 10) if n * power >= rough * (1 - 1e-9))


def thinned(x: Floats, y: Floats, keep: Iterable[int] = ()) -> NDArray[np.int64]:
    """The rows to be drawn of points at coordinates: one of those that lie on each other, all that are in `keep`, and
    in each column of the print its lowest and its highest, exactly."""
    if not len(x):
        return np.array([], dtype=np.int64)
    column, line = np.floor(x / _APART).astype(np.int64), np.floor(y / _APART).astype(np.int64)
    _, first = np.unique(column * 100_000 + line, return_index=True)
    return np.unique(np.concatenate([first, _ends(column, y), np.array(list(keep), dtype=np.int64)]))


def thinned_line(x: Floats, y: Floats, keep: Iterable[int] = ()) -> NDArray[np.int64]:
    """The rows to be drawn of a line: in each column of the print where it comes and goes, lowest and highest."""
    if not len(x):
        return np.array([], dtype=np.int64)
    column = np.floor(x / (_APART / 2)).astype(np.int64)
    change = np.flatnonzero(np.diff(column))
    return np.unique(np.concatenate([_ends(column, y), change, change + 1, [0, len(x) - 1, *keep]]).astype(np.int64))


def _ends(column: NDArray[np.int64], y: Floats) -> NDArray[np.int64]:
    order = np.lexsort((y, column))
    edges = np.flatnonzero(np.diff(column[order]))
    return np.concatenate([order[np.concatenate(([0], edges + 1))], order[np.concatenate((edges, [len(order) - 1]))]])
