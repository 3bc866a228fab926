"""Rows on their way into the archive: some ticks in columns, put one behind the other until they make a row group."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

#: Five minutes at 50 Hz: what the archiver holds in memory at a time, and what a reader can skip at a time.
ROWS_PER_GROUP = 15_000
#: Blocks of samples end where they end, so some more may come. Memory that nothing is written to costs nothing.
_ROOM = ROWS_PER_GROUP * 5 // 4


@dataclass(slots=True)
class Rows:
    """Some ticks in columns: times and values with NaN for none, codes and times with their masks (True: none)."""

    tick_ns: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]
    qualities: dict[str, NDArray[np.uint8]]
    uncertainties: dict[str, NDArray[np.float64]]
    raw: dict[str, Any] = field(default_factory=dict)
    read_ns: dict[str, Any] = field(default_factory=dict)
    #: How much later than its source's first a channel was read, ns, by the name of the column.
    later_ns: dict[str, Any] = field(default_factory=dict)


class Gathered:
    """Rows put one behind the other into arrays that are there from the start: joined afterwards they would be there
    twice, and leave memory in pieces too small for anything else. `expected` is about how many ticks will come.
    A column that says the same all the time, as most uncertainties do, is one number and no array.
    """

    def __init__(self, expected: int = _ROOM) -> None:
        self._room, self._count = max(1, expected), 0
        self._ticks = np.empty(self._room, dtype=np.int64)
        self._same: dict[tuple[str, str], Any] = {}
        self._arrays: dict[tuple[str, str], Any] = {}

    def __len__(self) -> int:
        return self._count

    def add(self, rows: Rows) -> None:
        """Behind those that are there."""
        if not len(rows.tick_ns):
            return
        end = self._count + len(rows.tick_ns)
        while end > self._room:
            self._grow()
        self._ticks[self._count : end] = rows.tick_ns
        for kind in _KINDS:
            for name, found in getattr(rows, kind).items():
                self._put((kind, name), found, end)
        self._count = end

    def _put(self, key: tuple[str, str], found: Any, end: int) -> None:
        array, same = self._arrays.get(key), self._same.get(key)
        if array is None:
            one = _same_number(found)
            if one is not None and (same is None or _is_same(one, same)):
                self._same[key] = one
                return
            array = self._arrays[key] = self._like(found)
            if self._same.pop(key, None) is not None:
                array[: self._count] = same
        array[self._count : end] = found

    def rows(self) -> Rows:
        """All of them, in the memory that they have here."""
        found = Rows(self._ticks[: self._count], {}, {}, {})
        for (kind, name), array in self._arrays.items():
            getattr(found, kind)[name] = array[: self._count]
        for (kind, name), one in self._same.items():
            getattr(found, kind)[name] = _repeated(one, self._count)
        return found

    def _like(self, found: Any) -> Any:
        array = np.empty(self._room, dtype=found.dtype)
        return np.ma.masked_array(array, mask=np.empty(self._room, bool)) if _is_masked(found) else array

    def _grow(self) -> None:
        self._room *= 2
        self._ticks = np.resize(self._ticks, self._room)
        for key, array in self._arrays.items():
            wider = self._like(array)
            wider[: self._count] = array[: self._count]
            self._arrays[key] = wider


_KINDS = ("values", "qualities", "uncertainties", "raw", "read_ns", "later_ns")


def _is_masked(array: Any) -> bool:
    return isinstance(array, np.ma.MaskedArray)


def _same_number(numbers: Any) -> Any:
    """A column's one number, as an array of it; None where it has more than one."""
    data, first = np.ma.getdata(numbers), numbers[:1]
    one = data[0]
    if not (np.all(data == one) or (one != one and np.all(data != data))):
        return None
    mask = np.ma.getmaskarray(numbers)
    return first.copy() if np.all(mask == mask[0]) else None


def _is_same(one: Any, other: Any) -> bool:
    """Two columns' numbers are one and the same, NaN and none included."""
    same_data = np.array_equal(np.ma.getdata(one), np.ma.getdata(other), equal_nan=one.dtype.kind == "f")
    return same_data and bool(np.all(np.ma.getmaskarray(one) == np.ma.getmaskarray(other)))


def _repeated(one: Any, count: int) -> Any:
    """The number so many times, in the memory of one."""
    data = np.broadcast_to(np.ma.getdata(one), count)
    return np.ma.masked_array(data, mask=np.broadcast_to(one.mask, count)) if _is_masked(one) else data
