"""A drive as its archive keeps it: readings and frames from the Parquet file."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow.parquet as pq

from cabcanary.model import Frame, Quality, Value
from cabcanary.recorder.journal_drive import Recorded
from cabcanary.store.archive import read_about
from cabcanary.store.sample_columns import NONE_NS, Columns
from cabcanary.store.samples import AS_STEPS, Form

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_QUALITIES = {q.words: q for q in Quality}
_OF_NUMBER = {int(q): q for q in Quality}
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

    @property
    def pieces(self) -> int:
        """The file's row groups."""
        with pq.ParquetFile(self.samples) as file:
            return int(file.num_row_groups)

    def rows_of(self, number: int) -> int:
        """The ticks of a piece."""
        with pq.ParquetFile(self.samples) as file:
            return int(file.metadata.row_group(number).num_rows)

    def step_ns(self) -> int:
        """As the file has them."""
        return int(min((r.get("time_step_ns", 1) for r in self.header["raw"].values()), default=1))

    def forms(self) -> list[Form | None]:
        """How each channel's numbers stand in the file."""
        raw = self.header["raw"]
        return [Form.from_json(r) if _is_codes(r := raw[name]) else None for name, _, _ in self.header["channels"]]

    def piece(self, number: int) -> Iterator[Columns]:
        """The ticks of a row group."""
        yield self._group(number)

    def _group(self, number: int) -> Columns:
        raw = self.header["raw"]
        names = [name for name, _, _ in self.header["channels"]]
        wanted = dict.fromkeys(r[k] for r in raw.values() for k in ("time", "later") if k in r)
        wanted |= dict.fromkeys(f"{name}_{what}" for name in names for what in ("raw", "quality"))
        with pq.ParquetFile(self.samples) as file:
            group = file.read_row_group(number, columns=["tick_ns", *wanted])
        ticks = group["tick_ns"].to_numpy()
        shape = (len(names), len(ticks))
        found = Columns(
            ticks,
            np.full(shape, NONE_NS, dtype=np.int64),
            np.full(shape, np.nan),
            np.full(shape, Quality.ABSENT, dtype=np.uint8),
            np.zeros(shape, dtype=np.int64),
        )
        for c, (name, form) in enumerate(zip(names, self.forms(), strict=True)):
            said = raw[name]
            step_ns = said.get("time_step_ns", 1)
            times = _whole(group[said["time"]], step_ns)
            found.read_ns[c] = times if "later" not in said else _sum(times, _whole(group[said["later"]], step_ns))
            numbers = group[f"{name}_raw"]
            there = ~_column(numbers.is_null())
            codes = _column(numbers.fill_null(0))
            found.numbers[c, there] = codes[there] if form is None else _numbers(form, codes[there])
            qualities = _qualities(group[f"{name}_quality"])
            # Beside a number a verdict may stand; a reading itself only says why it has none.
            says = np.where(np.isin(qualities, _OF_READINGS), qualities, Quality.ABSENT)
            found.born[c] = _born(found.read_ns[c], found.numbers[c])
            found.qualities[c] = np.where(there, Quality.GOOD, says)[found.born[c]]
        return found

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


def _is_codes(raw: dict[str, Any]) -> bool:
    return "scale" in raw or "parts" in raw


def _column(column: Any) -> Any:
    return column.combine_chunks().to_numpy(zero_copy_only=False)


def _whole(column: Any, step_ns: int) -> Any:
    numbers = _column(column.fill_null(NONE_NS))
    return np.where(numbers == NONE_NS, NONE_NS, numbers * step_ns)


def _sum(times: Any, later: Any) -> Any:
    return np.where((times == NONE_NS) | (later == NONE_NS), NONE_NS, times + np.where(later == NONE_NS, 0, later))


def _qualities(column: Any) -> Any:
    words = column.combine_chunks()
    numbers = np.array([_QUALITIES[w] for w in words.dictionary.to_pylist()], dtype=np.uint8)
    return numbers[words.indices.to_numpy(zero_copy_only=False)]


def _born(times: Any, numbers: Any) -> Any:
    """The tick that saw each reading first: the time or the number is another one there."""
    if not len(times):
        return np.zeros(0, dtype=np.int64)
    no_number = np.isnan(numbers)
    same = (numbers[1:] == numbers[:-1]) | (no_number[1:] & no_number[:-1])
    other = (times[1:] != times[:-1]) | ~same
    new = np.concatenate(([True], other))
    return np.maximum.accumulate(np.where(new, np.arange(len(times)), 0))


def _numbers(form: Form, codes: Any) -> Any:
    """What whole codes stand for; `Form.number` in arrays."""
    return (codes + form.b) * form.a if form.kind == AS_STEPS else codes / form.a


def asked_frames(samples: Path) -> Iterator[Frame]:
    """Every frame of a drive's samples, of which only those channels are read that somebody asks for. Each value's time
    is its tick's, and no words are beside it."""
    with pq.ParquetFile(samples) as file:
        for number in range(file.num_row_groups):
            group = _Group(file, number)
            for n, time_ns in enumerate(group.ticks):
                yield Frame(time_ns, _Asked(group, n, time_ns))


class _Group:
    """The columns of a row group, each read when it is asked for."""

    def __init__(self, file: pq.ParquetFile, number: int) -> None:
        self._file, self._number = file, number
        self.ticks: list[int] = file.read_row_group(number, columns=["tick_ns"])["tick_ns"].to_pylist()
        self.columns: dict[str, tuple[list[float | None], list[Quality], list[float]]] = {}

    def column(self, name: str) -> tuple[list[float | None], list[Quality], list[float]]:
        found = self.columns.get(name)
        if found is None:
            names = [name, f"{name}_quality", f"{name}_uncertainty"]
            value, quality, doubt = self._file.read_row_group(self._number, columns=names).columns
            found = value.to_pylist(), [_OF_NUMBER[q] for q in _qualities(quality).tolist()], doubt.to_pylist()
            self.columns[name] = found
        return found


class _Asked(dict[str, Value]):
    __slots__ = ("_group", "_n", "_time_ns")

    def __init__(self, group: _Group, n: int, time_ns: int) -> None:
        super().__init__()
        self._group, self._n, self._time_ns = group, n, time_ns

    def __missing__(self, name: str) -> Value:
        values, qualities, doubts = self._group.column(name)
        value = self[name] = Value(values[self._n], qualities[self._n], self._time_ns, doubts[self._n])
        return value
