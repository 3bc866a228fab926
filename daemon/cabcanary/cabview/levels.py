"""Parts of a drive for a plot, in as many points as it has pixels: of each the lowest and the highest value, so that no
extreme is lost, however far away one looks.

From near, ticks are read from the row groups they lie in. From far, from what was worked out once for each channel: the
ends of every 16 ticks.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.cabview.trust import BY_CODE, Trust
from cabcanary.review.list.row_groups import StoredColumn, StoredColumns

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cabcanary.expressions.signals import Block

    Floats = NDArray[np.float64]
    Numbers = NDArray[Any]

#: Ticks in a leaf: with fewer it takes more memory, with more a view from near reads more of the file.
LEAF = 16
#: Channels whose leaves are kept: a channel of three hours takes a megabyte, a drive has some 24.
_LEAVES_KEPT = 48
#: Blocks of a channel (30,000 ticks) that are kept as read, half a megabyte each: those that a person pans over.
_BLOCKS_KEPT = 24
#: Ticks further apart than this are not joined by a line, s: at the slowest rate of ten a second five are missing.
_GAP_S = 0.6
_TRUST = np.array(BY_CODE, dtype=np.uint8)
#: So many digits of a value reach the browser: more than any sensor has.
_DIGITS = 7
#: A value reaches two standard uncertainties to each side (as everywhere in this program).
_REACH = 2.0


class Points(NamedTuple):
    """Some ticks or groups of them, one after the other. Values that may not feed a rule are NaN."""

    lowest: Numbers
    highest: Numbers
    #: With the uncertainty of each value.
    low: Numbers
    high: Numbers
    #: The worst there is in it (`Trust`).
    trust: Numbers

    def part(self, first: int, last: int) -> Points:
        """From one to before another."""
        return Points._make(array[first:last] for array in self)

    def grouped(self, first: int, size: int) -> Points:
        """Groups of `size`; the first one is shorter where `first`, its place in the drive, is no multiple of that."""
        starts = _starts(first, len(self.lowest), size)
        if size == 1 or not len(starts):
            return self
        return Points(
            np.fmin.reduceat(self.lowest, starts),
            np.fmax.reduceat(self.highest, starts),
            np.fmin.reduceat(self.low, starts),
            np.fmax.reduceat(self.high, starts),
            np.maximum.reduceat(self.trust, starts),
        )


def _starts(first: int, count: int, size: int) -> NDArray[np.int64]:
    """Where groups begin. They lie still in the drive, or a plot would tremble when it is moved."""
    begin = -(first % size)
    return np.maximum(np.arange(begin, count, size), 0)


@dataclass(frozen=True, slots=True)
class View:
    """Seconds from the drive's start, and for each channel its points at them."""

    time_s: Floats
    channels: dict[str, Points]
    #: How many ticks a point stands for.
    ticks: int


class DriveLevels:
    """One drive's file, for plots. May be asked from several threads.

    Raises:
        OSError, pa.ArrowException: the file cannot be read, or is none.
    """

    def __init__(self, path: Path) -> None:
        self._columns = StoredColumns(path)
        self._lock = threading.Lock()
        ticks = self._columns.times()
        self.time_s: Floats = (ticks - ticks[0]) / 1e9 if len(ticks) else np.array([])
        names = self._columns.names
        #: Every channel, in the file's order.
        self.channels = [name for name in names if f"{name}_quality" in names]
        self._leaves: OrderedDict[str, Points] = OrderedDict()
        self._read: OrderedDict[tuple[str, int], Points] = OrderedDict()

    def view(self, channels: list[str], from_s: float, to_s: float, most: int) -> View:
        """From one second of the drive to another, in about `most` points."""
        first = max(0, int(np.searchsorted(self.time_s, from_s)) - 1)
        last = min(len(self.time_s), int(np.searchsorted(self.time_s, to_s, side="right")) + 1)
        size = max(1, -(-(last - first) // most))
        with self._lock:
            if size < LEAF:
                found = {name: self._near(name, first, last).grouped(first, size) for name in channels}
                starts, ends = _edges(first, last, size)
            else:
                # Whole leaves; from the beginning of the first to the end of the last.
                size = -(-size // LEAF)
                first, last = first // LEAF, -(-last // LEAF)
                found = {name: self._leaves_of(name).part(first, last).grouped(first, size) for name in channels}
                starts, ends = _edges(first, last, size)
                starts, ends, size = starts * LEAF, np.minimum(ends * LEAF, len(self.time_s)), size * LEAF
        return self._timed(starts, ends, found, size)

    def _timed(self, starts: Any, ends: Any, found: dict[str, Points], size: int) -> View:
        """With times: that of a group lies in its middle. Where ticks are missing there is a point without a value."""
        begin, end = self.time_s[starts], self.time_s[ends - 1]
        gaps = np.flatnonzero(begin[1:] - end[:-1] > _GAP_S) + 1
        time_s = (begin + end) / 2
        if not len(gaps):
            return View(time_s, found, size)
        between = (end[gaps - 1] + begin[gaps]) / 2
        return View(np.insert(time_s, gaps, between), {n: _with_gaps(p, gaps) for n, p in found.items()}, size)

    def _leaves_of(self, name: str) -> Points:
        if name not in self._leaves:
            # Whole leaves across the blocks' borders, which lie where blocks of the journal ended.
            parts = [self._fetch(name, block) for block in self._columns.blocks]
            self._leaves[name] = Points._make(np.concatenate(p) for p in zip(*parts, strict=True)).grouped(0, LEAF)
            _forget(self._leaves, _LEAVES_KEPT)
        self._leaves.move_to_end(name)
        return self._leaves[name]

    def _near(self, name: str, first: int, last: int) -> Points:
        parts = []
        for block in self._columns.blocks:
            if block.last > first and block.first < last:
                here = self._block(name, block)
                parts.append(here.part(max(0, first - block.first), last - block.first))
        return Points._make(np.concatenate(p) for p in zip(*parts, strict=True)) if parts else _NOTHING

    def _block(self, name: str, block: Block) -> Points:
        key = (name, block.number)
        if key not in self._read:
            self._read[key] = self._fetch(name, block)
            _forget(self._read, _BLOCKS_KEPT)
        self._read.move_to_end(key)
        return self._read[key]

    def _fetch(self, name: str, block: Block) -> Points:
        column = StoredColumn(self._columns, name)
        numbers, codes, doubts = column.numbers(block), column.quality(block), column.doubts(block)
        trust = np.zeros(len(numbers), np.uint8) if codes is None else _TRUST[codes]
        values = numbers if codes is None else np.where(trust <= Trust.WITHIN, numbers, np.nan)
        if doubts is None or not doubts.any():
            return Points(values, values, values, values, trust)
        return Points(values, values, values - _REACH * doubts, values + _REACH * doubts, trust)


def _edges(first: int, last: int, size: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Where groups of the whole drive begin and end."""
    starts = _starts(first, last - first, size) + first
    return starts, np.append(starts[1:], last)[: len(starts)]


def _with_gaps(points: Points, gaps: Any) -> Points:
    blank = (np.nan, np.nan, np.nan, np.nan, Trust.STALE)
    return Points._make(np.insert(array, gaps, none) for array, none in zip(points, blank, strict=True))


def _forget(kept: OrderedDict[Any, Any], most: int) -> None:
    while len(kept) > most:
        kept.popitem(last=False)


_NOTHING = Points._make(np.array([], kind) for kind in (float, float, float, float, np.uint8))


def as_json(view: View) -> dict[str, Any]:
    """For the browser: times, and of each channel its lists; what equals another list is left out."""
    told: dict[str, Any] = {"t": np.round(view.time_s, 6).tolist(), "ticks": view.ticks, "channels": {}}
    for name, points in view.channels.items():
        lists: dict[str, Any] = {"max": _numbers(points.highest)}
        if view.ticks > 1:
            lists["min"] = _numbers(points.lowest)
        if not np.array_equal(points.high, points.highest, equal_nan=True):
            lists |= {"low": _numbers(points.low), "high": _numbers(points.high)}
        if points.trust.any():
            lists["trust"] = points.trust.tolist()
        told["channels"][name] = lists
    return told


def _numbers(array: Floats) -> list[float | None]:
    largest = np.nanmax(np.abs(array)) if np.isfinite(array).any() else 1.0
    decimals = int(_DIGITS - 1 - np.floor(np.log10(largest))) if largest > 0 else _DIGITS
    return [None if number != number else number for number in np.round(array, decimals).tolist()]
