"""A drive as its archive keeps it: readings and frames from the Parquet file."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pyarrow.parquet as pq

from cabcanary.model import Frame, Quality, Reading, Value
from cabcanary.recorder.journal_drive import Recorded
from cabcanary.store.archive import read_about
from cabcanary.store.samples import Form

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cabcanary.store.samples import Tick

_FLOATS = Form(0)
_QUALITIES = {q.words: q for q in Quality}
#: What a reading without a number can say of itself; the others are verdicts on numbers.
_OF_READINGS = (Quality.WARMING, Quality.ABSENT)


class ArchivedDrive(Recorded):
    """An archived drive. `walk` and `walk_frames` are those of its journal, but for the words beside readings
    without a number, which the archive does not keep.

    Raises:
        ValueError, OSError: the file cannot be read, or is none of this program's.
    """

    def __init__(self, samples: Path) -> None:
        self.samples = samples
        self.header = read_about(samples)
        if "raw" not in self.header or "tick_ns" not in self.header["units"]:
            raise ValueError(f"{samples} was archived by an earlier version, which did not keep all that this needs")
        events = samples.with_name(f"{samples.stem}.events.jsonl")
        lines = events.read_text(encoding="utf-8").splitlines() if events.exists() else []
        self.events = [json.loads(line) for line in lines if line]
        self.end: dict[str, Any] | None = {}
        self.lost_blocks = 0

    def blocks(self) -> Iterator[tuple[list[Tick], list[Form] | None]]:
        """Every tick with its readings, a row group at a time."""
        raw = self.header["raw"]
        channels = [(name, (source, item)) for name, source, item in self.header["channels"]]
        forms = {n: Form.from_json(r) for n, r in raw.items() if "scale" in r or "parts" in r}
        names = ["tick_ns", *dict.fromkeys(r["time"] for r in raw.values())]
        for name, _ in channels:
            names += [f"{name}_raw", f"{name}_quality"]
        last: list[Reading | None] = [None] * len(channels)
        for group in self._groups(names):
            columns = [
                (c, key, group[raw[name]["time"]], group[f"{name}_raw"], group[f"{name}_quality"], forms.get(name))
                for c, (name, key) in enumerate(channels)
            ]
            ticks: list[Tick] = []
            for n, time_ns in enumerate(group["tick_ns"]):
                for c, key, times, numbers, qualities, form in columns:
                    before, read_ns = last[c], times[n]
                    if read_ns is None:
                        last[c] = None
                    elif before is None or before.time_ns != read_ns or _differs(before, numbers[n], form):
                        last[c] = _reading(key, numbers[n], read_ns, _QUALITIES[qualities[n]], form)
                ticks.append((time_ns, tuple(last)))
            if ticks:
                yield ticks, [forms.get(name, _FLOATS) for name, _ in channels]

    def kept_frames(self) -> Iterator[Frame]:
        """Every frame as computed at the closing, uncertainties included; each value's time is its tick's."""
        channels = [n for n in self.header["units"] if f"{n}_uncertainty" in self.header["units"]]
        names = ["tick_ns"]
        for name in channels:
            names += [name, f"{name}_quality", f"{name}_uncertainty"]
        for group in self._groups(names):
            columns = [(n, group[n], group[f"{n}_quality"], group[f"{n}_uncertainty"]) for n in channels]
            for row, time_ns in enumerate(group["tick_ns"]):
                values = {n: Value(v[row], _QUALITIES[q[row]], time_ns, u[row]) for n, v, q, u in columns}
                yield Frame(time_ns, values)

    def _groups(self, names: list[str]) -> Iterator[dict[str, list[Any]]]:
        with pq.ParquetFile(self.samples) as file:
            for number in range(file.num_row_groups):
                yield file.read_row_group(number, columns=names).to_pydict()


def _differs(before: Reading, number: float | None, form: Form | None) -> bool:
    return before.value != _number(number, form)


def _number(number: float | None, form: Form | None) -> float | None:
    if number is None or form is None:
        return number
    return form.number(int(number))


def _reading(key: tuple[str, str], number: float | None, read_ns: int, quality: Quality, form: Form | None) -> Reading:
    value = _number(number, form)
    if value is not None:
        return Reading(*key, value, read_ns)
    return Reading(*key, None, read_ns, quality if quality in _OF_READINGS else Quality.ABSENT)
