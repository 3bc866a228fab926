"""The archive: one Parquet file of samples for each drive. Never imported by the daemon's own process."""

from __future__ import annotations

import contextlib
import json
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from cabcanary.model import Quality
from cabcanary.store.manifest import sync_folder

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

METADATA_KEY = b"cabcanary"
#: Five minutes at 50 Hz: what the archiver holds in memory at a time, and what a reader can skip at a time.
ROWS_PER_GROUP = 15_000
#: A column with more different numbers than this share of its rows is better written byte by byte than as a dictionary.
_MANY = 0.25
_ZSTD_LEVEL = 6
_DELTA = "DELTA_BINARY_PACKED"
_WORDS = [q.words for q in Quality]


@dataclass(frozen=True, slots=True)
class Column:
    """One channel of a drive.

    `raw` is None for a channel that is not measured; otherwise the metadata of its raw column: `unit` of the wire
    and, where the column holds a converter's whole codes, their offset and scale. `time` names the column with
    the times of its readings.
    """

    name: str
    unit: str
    raw: dict[str, Any] | None = None

    @property
    def codes(self) -> bool:
        """The raw column holds whole codes."""
        return self.raw is not None and ("scale" in self.raw or "parts" in self.raw)


@dataclass(slots=True)
class Rows:
    """Some ticks in columns: times and values with NaN for none, codes and times with their masks (True: none)."""

    tick_ns: NDArray[np.int64]
    values: dict[str, NDArray[np.float64]]
    qualities: dict[str, NDArray[np.uint8]]
    uncertainties: dict[str, NDArray[np.float64]]
    raw: dict[str, Any] = field(default_factory=dict)
    read_ns: dict[str, Any] = field(default_factory=dict)


class SampleWriter:
    """Writes a drive's samples, row group by row group; the file is there whole or not at all.

    `tick_ns` is the monotonic time of each tick and `time_s` counts from the first one. Each channel gives `<name>`
    in its unit, `<name>_quality` in words, `<name>_uncertainty` and, if measured, `<name>_raw`. Units stand in each
    field's metadata and, with `about`, as JSON under the key "cabcanary" of the file's metadata, where every Parquet
    reader finds them.
    """

    def __init__(self, path: Path, columns: list[Column], about: dict[str, Any]) -> None:
        self._path, self._columns = path, columns
        # What a backtest need not look at: a limit that no value of a row group reaches, qualities that are all good.
        self._described = {"time_s", "tick_ns", *(n for c in columns for n in (c.name, f"{c.name}_quality"))}
        self._times = list(dict.fromkeys(c.raw["time"] for c in columns if c.raw is not None and c.raw.get("time")))
        units = {"time_s": "s", "tick_ns": "ns", **{c.name: c.unit for c in columns}}
        units |= {f"{c.name}_uncertainty": c.unit for c in columns}
        units |= {f"{c.name}_raw": c.raw["unit"] for c in columns if c.raw is not None}
        raw = {c.name: c.raw for c in columns if c.raw is not None}
        self._metadata = {
            METADATA_KEY: json.dumps({**about, "units": units, "raw": raw}, ensure_ascii=False).encode(),
        }
        self._temporary = path.with_name(path.name + ".new")
        self._file = self._temporary.open("wb")
        self._writer: pq.ParquetWriter | None = None
        self._first_ns: int | None = None

    def add(self, rows: Rows) -> None:
        """Write one row group."""
        if self._first_ns is None:
            self._first_ns = int(rows.tick_ns[0]) if len(rows.tick_ns) else 0
        names, fields, arrays = self._arrays(rows)
        schema = pa.schema(fields, metadata=self._metadata)
        table = pa.table(arrays, schema=schema)
        if self._writer is None:
            self._writer = self._open(schema, names, table)
        self._writer.write_table(table, row_group_size=max(1, table.num_rows))

    def close(self) -> None:
        """Finish the file and make it durable under its name."""
        if self._writer is None:
            empty = np.array([], dtype=np.float64)
            none, masked = np.array([], dtype=np.uint8), np.ma.masked_array([], mask=[], dtype=np.int64)
            every = [c.name for c in self._columns]
            self.add(
                Rows(
                    np.array([], dtype=np.int64),
                    dict.fromkeys(every, empty),
                    dict.fromkeys(every, none),
                    dict.fromkeys(every, empty),
                    {c.name: masked if c.codes else empty for c in self._columns if c.raw is not None},
                    dict.fromkeys(self._times, masked),
                )
            )
        assert self._writer is not None
        self._writer.close()
        self._file.flush()
        os.fsync(self._file.fileno())
        self._file.close()
        self._temporary.replace(self._path)
        sync_folder(self._path.parent)

    def discard(self) -> None:
        """Leave nothing behind of a file that was not finished."""
        with contextlib.suppress(OSError):
            if self._writer is not None:
                self._writer.close()
            self._file.close()
        self._temporary.unlink(missing_ok=True)

    def _arrays(self, rows: Rows) -> tuple[dict[str, str], list[Any], list[Any]]:
        """Names with how each is best encoded, fields and arrays."""
        names: dict[str, str] = {}
        fields: list[Any] = []
        arrays: list[Any] = []

        def put(name: str, array: Any, encoding: str, **metadata: str) -> None:
            names[name] = encoding
            fields.append(pa.field(name, array.type, metadata=metadata or None))
            arrays.append(array)

        put("time_s", pa.array((rows.tick_ns - (self._first_ns or 0)) / 1e9), "BYTE_STREAM_SPLIT", unit="s")
        put("tick_ns", pa.array(rows.tick_ns), _DELTA, unit="ns")
        for time in self._times:
            put(time, _masked(rows.read_ns[time]), _DELTA, unit="ns")
        for c in self._columns:
            values, uncertainties = rows.values[c.name], rows.uncertainties[c.name]
            put(c.name, pa.array(values, from_pandas=True), _best(values), unit=c.unit)
            codes = pa.array(rows.qualities[c.name].astype(np.int8))
            put(f"{c.name}_quality", pa.DictionaryArray.from_arrays(codes, pa.array(_WORDS)), "")
            put(f"{c.name}_uncertainty", pa.array(uncertainties), _best(uncertainties), unit=c.unit)
            if c.raw is None:
                continue
            raw = rows.raw[c.name]
            said = {k: str(v) for k, v in c.raw.items()}
            if c.codes:
                put(f"{c.name}_raw", _masked(raw), _DELTA, **said)
            else:
                put(f"{c.name}_raw", pa.array(raw, from_pandas=True), _best(raw), **said)
        return names, fields, arrays

    def _open(self, schema: Any, names: dict[str, str], table: Any) -> pq.ParquetWriter:
        """A writer that encodes each column in the way that suits what the first row group holds."""
        return pq.ParquetWriter(
            self._file,
            schema,
            compression="zstd",
            compression_level=_ZSTD_LEVEL,
            use_dictionary=[n for n, encoding in names.items() if not encoding] or False,
            column_encoding={n: encoding for n, encoding in names.items() if encoding},
            write_statistics=[n for n in table.column_names if n in self._described],
        )


def _masked(numbers: Any) -> Any:
    return pa.array(np.ma.getdata(numbers), mask=np.ma.getmaskarray(numbers))


def _best(numbers: NDArray[np.float64]) -> str:
    """A converter has few different numbers, so a dictionary is short; a derived channel has many."""
    return "BYTE_STREAM_SPLIT" if len(np.unique(numbers)) > max(16, _MANY * len(numbers)) else ""


def read_about(path: Path) -> dict[str, Any]:
    """What a drive's samples say of themselves.

    Raises:
        ValueError: the file was not written by this program.
        OSError: it cannot be read.
    """
    try:
        metadata = pq.read_schema(path).metadata or {}
    except pa.ArrowInvalid as error:
        raise ValueError(f"{path} is no Parquet file: {error}") from error
    if METADATA_KEY not in metadata:
        raise ValueError(f"{path} holds no drive of this program; bring it in with: cabcanary import")
    about = json.loads(metadata[METADATA_KEY])
    if not isinstance(about, dict):
        raise ValueError(f"{path}: its description is damaged")  # noqa: TRY004 - one kind of error for a bad file
    return about
