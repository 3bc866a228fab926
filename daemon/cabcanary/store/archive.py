"""The archive: one Parquet file of samples for each drive. Never imported by the daemon's own process."""

from __future__ import annotations

import contextlib
import io
import json
import os
import zlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from cabcanary.model import Quality
from cabcanary.store.manifest import sync_folder
from cabcanary.store.parquet_parts import CRC_KEY
from cabcanary.store.rows import Rows

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

METADATA_KEY = b"cabcanary"
#: A column with more different numbers than this share of its rows is better written byte by byte than as a dictionary.
_MANY = 0.25
#: Beside 6: a thirtieth less on the card for a thirtieth more of the archiver's time.
_ZSTD_LEVEL = 15
_DELTA = "DELTA_BINARY_PACKED"
#: So many rows of a number that lasts share their memory.
_REPEATED = 1000
_WORDS = [q.words for q in Quality]


@dataclass(frozen=True, slots=True)
class Column:
    """One channel of a drive.

    `raw` is None for a channel that is not measured; otherwise the metadata of its raw column: `unit` of the wire
    and, where the column holds a converter's whole codes, their offset and scale. `time` names the column with
    the times of its readings, and `later`, where there is one, the column with how much later than those it was read.
    """

    name: str
    unit: str
    raw: dict[str, Any] | None = None

    @property
    def codes(self) -> bool:
        """The raw column holds whole codes."""
        return self.raw is not None and ("scale" in self.raw or "parts" in self.raw)


def be_sparing() -> None:
    """Give memory back as soon as it is free. Arrow's own allocator keeps some of it for the next time."""
    pa.set_memory_pool(pa.system_memory_pool())


def give_back() -> None:
    """Give back to the system what is free but lies between what is not."""
    pa.default_memory_pool().release_unused()


def metadata_of(columns: list[Column], about: dict[str, Any]) -> dict[bytes, bytes]:
    """A file's metadata: what is said about the drive, and the units and raw numbers of its columns."""
    units = {"time_s": "s", "tick_ns": "ns", **{c.name: c.unit for c in columns}}
    units |= {f"{c.name}_uncertainty": c.unit for c in columns}
    units |= {f"{c.name}_raw": c.raw["unit"] for c in columns if c.raw is not None}
    raw = {c.name: c.raw for c in columns if c.raw is not None}
    return {METADATA_KEY: json.dumps({**about, "units": units, "raw": raw}, ensure_ascii=False).encode()}


class _Summed(io.BufferedWriter):
    """A file that sums up what is written: the CRC-32 so far."""

    crc = 0

    def write(self, data: Any) -> int:
        self.crc = zlib.crc32(data, self.crc)
        return super().write(data)


class SampleWriter:
    """Writes a drive's samples, row group by row group; the file is there whole or not at all.

    `tick_ns` is the monotonic time of each tick and `time_s` counts from the first one. Each channel gives `<name>`
    in its unit, `<name>_quality` in words, `<name>_uncertainty` and, if measured, `<name>_raw`. Units stand in each
    field's metadata and, with `about`, as JSON under the key "cabcanary" of the file's metadata, where every Parquet
    reader finds them. `time_s` begins at `first_ns`, or with the first row, and is rounded to milliseconds; for a log
    whose rows are closer than that, it is `exact`.
    """

    def __init__(
        self,
        path: Path,
        columns: list[Column],
        about: dict[str, Any],
        first_ns: int | None = None,
        *,
        exact: bool = False,
    ) -> None:
        self._path, self._columns = path, columns
        # What a backtest need not look at: a limit that no value of a row group reaches, qualities that are all good.
        self._described = {"time_s", "tick_ns", *(n for c in columns for n in (c.name, f"{c.name}_quality"))}
        self._times = list(dict.fromkeys(c.raw["time"] for c in columns if c.raw is not None and c.raw.get("time")))
        self._metadata = metadata_of(columns, about)
        self._temporary = path.with_name(path.name + ".new")
        self._file = _Summed(io.FileIO(self._temporary, "w"))
        self._writer: pq.ParquetWriter | None = None
        self._first_ns = first_ns
        self._exact = exact

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
                    {c.raw["later"]: masked for c in self._columns if c.raw is not None and "later" in c.raw},
                )
            )
        assert self._writer is not None
        # All but the footer has been written by now.
        self._writer.add_key_value_metadata({CRC_KEY: f"{self._file.crc:08x}"})
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
        words = _strings(_WORDS)

        def put(name: str, array: Any, encoding: str, **metadata: str) -> None:
            names[name] = encoding
            fields.append(pa.field(name, array.type, metadata=metadata or None))
            arrays.append(array)

        put("time_s", _array(self._seconds(rows.tick_ns)), "BYTE_STREAM_SPLIT", unit="s")
        put("tick_ns", _array(rows.tick_ns), _DELTA, unit="ns")
        for time in self._times:
            put(time, _masked(rows.read_ns[time]), _DELTA, unit=time[-2:])
        for c in self._columns:
            values, uncertainties = rows.values[c.name], rows.uncertainties[c.name]
            put(c.name, _numbers(values), _best(values), unit=c.unit)
            codes = _array(rows.qualities[c.name].astype(np.int8))
            put(f"{c.name}_quality", pa.DictionaryArray.from_arrays(codes, words), "")
            put(f"{c.name}_uncertainty", _array(uncertainties), _best(uncertainties), unit=c.unit)
            if c.raw is None:
                continue
            raw = rows.raw[c.name]
            said = {k: str(v) for k, v in c.raw.items()}
            if "later" in c.raw:
                put(c.raw["later"], _masked(rows.later_ns[c.raw["later"]]), "", unit=c.raw["later"][-2:])
            if c.codes:
                put(f"{c.name}_raw", _masked(raw), _DELTA, **said)
            else:
                put(f"{c.name}_raw", _numbers(raw), _best(raw), **said)
        return names, fields, arrays

    def _seconds(self, tick_ns: NDArray[np.int64]) -> NDArray[np.float64]:
        """Seconds from the first sample; the nanoseconds stand in `tick_ns`, in both they would be a twelfth of all."""
        since_ns = tick_ns - (self._first_ns or 0)
        return since_ns / 1e9 if self._exact else (since_ns + 500_000) // 1_000_000 / 1000

    def _open(self, schema: Any, names: dict[str, str], table: Any) -> pq.ParquetWriter:
        """A writer that encodes each column in the way that suits what the first row group holds."""
        return pq.ParquetWriter(
            self._file,
            schema,
            compression="zstd",
            compression_level=_ZSTD_LEVEL,
            use_dictionary=[n for n, encoding in names.items() if not encoding] or False,
            column_encoding={n: encoding for n, encoding in names.items() if encoding},
            write_page_checksum=True,
            write_statistics=[n for n in table.column_names if n in self._described],
        )


def _array(numbers: NDArray[Any], there: NDArray[np.bool_] | None = None) -> pa.Array:
    """Arrow's array over the same memory. `pa.array` would do it as well, and load pandas where that is installed."""
    if len(numbers) > _REPEATED and numbers.strides == (0,):
        return _repeating(numbers, there)
    numbers = np.ascontiguousarray(numbers)
    bits = None if there is None or np.all(there) else pa.py_buffer(np.packbits(there, bitorder="little"))
    kind = pa.from_numpy_dtype(numbers.dtype)
    return pa.Array.from_buffers(kind, len(numbers), [bits, pa.py_buffer(numbers)])


def _repeating(numbers: NDArray[Any], there: NDArray[np.bool_] | None) -> pa.ChunkedArray:
    """A number that lasts: one short array, over and over."""
    there = None if there is None else there[:_REPEATED]
    piece = _array(np.ascontiguousarray(numbers[:_REPEATED]), there)
    pieces, rest = divmod(len(numbers), _REPEATED)
    return pa.chunked_array([piece] * pieces + ([piece.slice(0, rest)] if rest else []))


def _strings(words: list[str]) -> pa.Array:
    data = [word.encode() for word in words]
    ends = np.cumsum([0, *map(len, data)]).astype(np.int32)
    return pa.Array.from_buffers(pa.string(), len(data), [None, pa.py_buffer(ends), pa.py_buffer(b"".join(data))])


def _numbers(numbers: NDArray[np.float64]) -> pa.Array:
    """NaN is no number."""
    return _array(numbers, ~np.isnan(numbers))


def _masked(numbers: Any) -> pa.Array:
    return _array(np.ma.getdata(numbers), ~np.ma.getmaskarray(numbers))


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
    try:
        about = json.loads(metadata[METADATA_KEY])
    except RecursionError as error:
        raise ValueError(f"{path}: its description is damaged: nested without end") from error
    if not isinstance(about, dict):
        raise ValueError(f"{path}: its description is damaged")  # noqa: TRY004 - one kind of error for a bad file
    return about
