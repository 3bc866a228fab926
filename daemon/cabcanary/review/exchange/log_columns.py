"""What a foreign log holds, as a mapping file to begin with: for whoever wants to import it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.exchange.log_files import mdf_signals, opened_mdf
from cabcanary.review.list.drives import DriveError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class FoundColumn:
    """One column: its unit as the file gives it ("" if it does not), its numbers, and from where to where they go."""

    name: str
    unit: str
    count: int
    lowest: float | None
    highest: float | None


def columns_of(file: Path) -> list[FoundColumn]:
    """Every column of numbers in a CSV, Parquet or MDF4 file, the time's included.

    Raises:
        DriveError: it cannot be read, and why.
    """
    ways = {".csv": _csv, ".parquet": _parquet, ".mf4": _mdf4, ".mdf": _mdf4}
    way = ways.get(file.suffix.lower())
    if way is None:
        raise DriveError(f"{file}: unknown kind of file; there are: .csv, .parquet, .mf4")
    if not file.is_file():
        raise DriveError(f"there is no file {file}")
    return list(way(file))


def mapping_template(file: Path, columns: list[FoundColumn]) -> list[str]:
    """A mapping file in which every column waits to be named."""
    found = [
        f"# Columns of {file.name}. Take away the # before those that you want, and name channel and unit.",
        '# time = "time_s"',
        '# time_unit = "s"',
        "[columns]",
    ]
    for column in columns:
        name, unit = (json.dumps(text, ensure_ascii=False) for text in (column.name, column.unit or "…"))
        line = f'# {name} = {{ channel = "…", unit = {unit} }}'
        ends = "" if column.lowest is None else f" from {column.lowest:.6g} to {column.highest:.6g}"
        found.append(f"{line}  # {column.count} numbers{ends}")
    return found


def _found(name: str, unit: str, values: np.ndarray[tuple[int], np.dtype[np.float64]]) -> FoundColumn:
    there = values[np.isfinite(values)]
    if not len(there):
        return FoundColumn(name, unit, 0, None, None)
    return FoundColumn(name, unit, len(there), float(there.min()), float(there.max()))


def _csv(file: Path) -> Iterator[FoundColumn]:
    import pyarrow as pa
    import pyarrow.csv as pc

    try:
        table = pc.read_csv(file)
    except (pa.ArrowInvalid, OSError) as error:
        raise DriveError(f"{file} cannot be read as CSV: {error}") from error
    for name, column in zip(table.column_names, table.columns, strict=True):
        if _is_numeric(column.type):
            yield _found(name, "", column.cast("float64").to_numpy())


def _parquet(file: Path) -> Iterator[FoundColumn]:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        source = pq.ParquetFile(file)
    except (pa.ArrowInvalid, OSError) as error:
        raise DriveError(f"{file} is no Parquet file: {error}") from error
    with source:
        for field in source.schema_arrow:
            if _is_numeric(field.type):
                unit = ((field.metadata or {}).get(b"unit") or b"").decode()
                values = source.read(columns=[field.name])[field.name].cast("float64").to_numpy()
                yield _found(field.name, unit, values)


def _is_numeric(kind: object) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_floating(kind) or pa.types.is_integer(kind))


def _mdf4(file: Path) -> Iterator[FoundColumn]:
    with opened_mdf(file) as source:
        for signal in mdf_signals(source):
            if signal.samples.dtype.kind in "iufb" and signal.samples.ndim == 1:
                yield _found(signal.name, signal.unit or "", signal.samples.astype(np.float64))
