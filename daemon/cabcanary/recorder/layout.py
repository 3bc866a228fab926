"""Which columns a drive's archive has: how each channel's raw numbers stand, and whose readings share their times."""

from __future__ import annotations

from array import array
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.model import Quality
from cabcanary.store.archive import Column, Rows
from cabcanary.store.samples import Form, common_form

if TYPE_CHECKING:
    from cabcanary.model import Frame, Reading
    from cabcanary.plan.plan import Plan
    from cabcanary.recorder.journal_drive import Recorded
    from cabcanary.store.samples import Tick

_NONE = -(2**63)
_NAN = float("nan")


class Survey:
    """A first walk through a journal. Same times in every tick: one column of times for all of them."""

    def __init__(self, drive: Recorded) -> None:
        channels = drive.header["channels"]
        self.ticks, self.first_ns, self.last_ns = 0, 0, 0
        groups: list[list[int]] = [list(range(len(channels)))] if channels else []
        forms: list[set[Form]] = [set() for _ in channels]
        whole = True
        for ticks, block_forms in drive.blocks():
            self.first_ns = self.first_ns if self.ticks else ticks[0][0]
            self.ticks, self.last_ns = self.ticks + len(ticks), ticks[-1][0]
            groups = [part for group in groups for part in _split(group, ticks)]
            whole = whole and block_forms is not None
            for found, form in zip(forms, block_forms or (), strict=False):
                found.add(form)
        self.forms = [common_form(f) if whole else None for f in forms]
        names = [name for name, _, _ in channels]
        self.times = {names[c]: f"{names[group[0]]}_read_ns" for group in groups for c in group}


def _split(group: list[int], ticks: list[Tick]) -> list[list[int]]:
    if len(group) == 1:
        return [group]
    parts: dict[tuple[int | None, ...], list[int]] = {}
    for c in group:
        times = tuple(None if (r := row[c]) is None else r.time_ns for _, row in ticks)
        parts.setdefault(times, []).append(c)
    return list(parts.values())


class Table:
    """A drive's columns, filled tick by tick and taken away a row group at a time."""

    def __init__(self, header: dict[str, Any], survey: Survey, plan: Plan | None) -> None:
        self._measured = [(name, n, survey.forms[n]) for n, (name, _, _) in enumerate(header["channels"])]
        channel_units = plan.channel_units if plan else {name: "" for name, _, _ in self._measured}
        wires = {m.name: m.wire_symbol for m in plan.pipeline().measured} if plan else {}
        self._names = list(channel_units)
        self._times: dict[str, int] = {}
        raw: dict[str, dict[str, Any]] = {}
        for name, n, form in self._measured:
            self._times.setdefault(survey.times[name], n)
            raw[name] = {"unit": wires.get(name, ""), "time": survey.times[name]} | (form.as_json() if form else {})
        self.columns = [Column(name, unit, raw.get(name)) for name, unit in channel_units.items()]
        self._clear()

    def _clear(self) -> None:
        self._ticks = array("q")
        self._values = {n: array("d") for n in self._names}
        self._qualities = {n: array("B") for n in self._names}
        self._doubts = {n: array("d") for n in self._names}
        self._raw: dict[str, array[Any]] = {name: array("q" if form else "d") for name, _, form in self._measured}
        self._read = {name: array("q") for name in self._times}

    def __len__(self) -> int:
        return len(self._ticks)

    def add(self, tick: Tick, frame: Frame | None) -> None:
        """One tick; without a frame its values are absent."""
        time_ns, readings = tick
        self._ticks.append(time_ns)
        for name, n, form in self._measured:
            self._raw[name].append(_number(readings[n], form))
        for name, n in self._times.items():
            reading = readings[n]
            self._read[name].append(_NONE if reading is None else reading.time_ns)
        if frame is None:
            for name in self._names:
                self._values[name].append(_NAN)
                self._qualities[name].append(Quality.ABSENT)
                self._doubts[name].append(0.0)
            return
        for name, value in frame.values.items():
            self._values[name].append(_NAN if value.value is None else value.value)
            self._qualities[name].append(value.quality)
            self._doubts[name].append(value.uncertainty)

    def take(self) -> Rows:
        """All ticks since the last time."""
        rows = Rows(
            _array(self._ticks, np.int64),
            {n: _array(a, np.float64) for n, a in self._values.items()},
            {n: _array(a, np.uint8) for n, a in self._qualities.items()},
            {n: _array(a, np.float64) for n, a in self._doubts.items()},
            {n: _masked(a) if form else _array(a, np.float64) for n, form, a in self._raw_columns()},
            {n: _masked(a) for n, a in self._read.items()},
        )
        self._clear()
        return rows

    def _raw_columns(self) -> list[tuple[str, Form | None, array[Any]]]:
        return [(name, form, self._raw[name]) for name, _, form in self._measured]


def _number(reading: Reading | None, form: Form | None) -> float:
    if reading is None or reading.value is None:
        return _NONE if form else _NAN
    if form is None:
        return reading.value
    code = form.code(reading.value)
    assert code is not None
    return code


def _array(numbers: array[Any], kind: Any) -> Any:
    return np.frombuffer(numbers, dtype=kind) if numbers else np.array([], dtype=kind)


def _masked(numbers: array[Any]) -> Any:
    found = _array(numbers, np.int64)
    return np.ma.masked_array(found, mask=found == _NONE)
