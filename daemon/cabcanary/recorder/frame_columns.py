"""All channels over many ticks at once, to the last bit what `Pipeline.step` gives tick by tick.

What a reading's number alone decides goes in arrays (measured_columns.py). What depends on other channels, and all that
is derived, is stepped tick by tick by the live code, which then finds of the others only what it asks for.
"""

from __future__ import annotations

from array import array
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.channels.pipeline import derived_value, measured_value
from cabcanary.model import Value
from cabcanary.recorder.measured_columns import MeasuredColumns

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from cabcanary.channels.measured import Measured
    from cabcanary.channels.pipeline import Pipeline
    from cabcanary.recorder.measured_columns import Stepped
    from cabcanary.store.sample_columns import Columns

_NAN = float("nan")


@dataclass(slots=True)
class Frames:
    """Values (NaN: none), qualities and uncertainties of every channel, one number for each tick."""

    values: dict[str, NDArray[np.float64]]
    qualities: dict[str, NDArray[np.uint8]]
    doubts: dict[str, NDArray[np.float64]]


class FrameColumns:
    """A pipeline that is stepped many ticks at a time. `channels` are the recorded ones: name, source, item."""

    def __init__(self, pipeline: Pipeline, channels: Iterable[tuple[str, str, str]]) -> None:
        self._pipeline = pipeline
        self._place = {name: n for n, (name, _, _) in enumerate(channels)}
        self._arrays = {
            m.name: MeasuredColumns(m, self._place[m.name])
            for m in pipeline.measured
            if m.by_number_alone and m.name in self._place
        }
        self._checked = list(dict.fromkeys(check.channel for check in pipeline.checks.values()))

    def step(self, columns: Columns) -> Frames:
        """The frames of some ticks, which follow those of the last call."""
        stepped: dict[str, Stepped] = {}
        for name, channel in self._arrays.items():
            try:
                with np.errstate(all="ignore"):
                    stepped[name] = channel.step(columns)
            except ArithmeticError:
                # A number that cannot be calculated with costs its own tick, and that only `Measured` knows.
                continue
        singly = [m for m in self._pipeline.measured if m.name not in stepped]
        one_by_one = [m.name for m in singly] + [d.name for d in self._pipeline.derived]
        # What a check judges is known only after it, whoever has made it.
        kept = _Kept(dict.fromkeys([*one_by_one, *self._checked]))
        if one_by_one or self._checked:
            self._each_tick(columns, stepped, singly, kept)
        return self._frames(stepped, kept)

    def _each_tick(self, columns: Columns, stepped: Mapping[str, Stepped], singly: list[Measured], kept: _Kept) -> None:
        pipeline, places = self._pipeline, self._place
        for n, now_ns in enumerate(columns.tick_ns.tolist()):
            row = _Row(stepped, n)
            for m in singly:
                place = places.get(m.name)
                reading = None if place is None else columns.reading(m.key, place, n)
                row[m.name] = measured_value(m, reading, row, now_ns)
            for check in pipeline.checks.values():
                check.step(row, now_ns)
            for d in pipeline.derived:
                row[d.name] = derived_value(d, row, now_ns)
            kept.add(row)

    def _frames(self, stepped: Mapping[str, Stepped], kept: _Kept) -> Frames:
        found = Frames({}, {}, {})
        for name in self._pipeline.units:
            if name in kept.values:
                found.values[name] = np.frombuffer(kept.values[name], dtype=np.float64)
                found.qualities[name] = np.frombuffer(kept.qualities[name], dtype=np.uint8)
                found.doubts[name] = np.frombuffer(kept.doubts[name], dtype=np.float64)
            else:
                made = stepped[name]
                found.values[name], found.qualities[name] = made.values, made.qualities
                found.doubts[name] = made.doubts
        return found


class _Row(dict[str, Value]):
    """The values of one tick; those that arrays hold are made when somebody asks for them."""

    __slots__ = ("_stepped", "_tick")

    def __init__(self, stepped: Mapping[str, Stepped], tick: int) -> None:
        super().__init__()
        self._stepped, self._tick = stepped, tick

    def __missing__(self, name: str) -> Value:
        value = self[name] = self._stepped[name].value(self._tick)
        return value


class _Kept:
    """What was made one by one."""

    def __init__(self, names: Iterable[str]) -> None:
        self._names = list(names)
        self.values: dict[str, array[Any]] = {n: array("d") for n in self._names}
        self.qualities: dict[str, array[Any]] = {n: array("B") for n in self._names}
        self.doubts: dict[str, array[Any]] = {n: array("d") for n in self._names}

    def add(self, row: Mapping[str, Value]) -> None:
        for name in self._names:
            value = row[name]
            self.values[name].append(_NAN if value.value is None else value.value)
            self.qualities[name].append(value.quality)
            self.doubts[name].append(value.uncertainty)
