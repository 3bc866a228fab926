"""What a foreign log holds, as a mapping file to begin with: for whoever wants to import it."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary import units
from cabcanary.review.exchange.log_csv import mapping_line
from cabcanary.review.exchange.log_mdf import mdf_signals, opened_mdf
from cabcanary.review.exchange.log_text import Form, read_text
from cabcanary.review.exchange.log_times import ISO, NUMBER, format_of, has_zone, over_midnight, reader_of, zone_of
from cabcanary.review.list.drives import DriveError
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

#: A heading with its unit behind it in brackets of either kind.
_WITH_UNIT = re.compile(r"^\s*(.*?)\s*[\[(]([^\[\]()]*)[\])]\s*$")
_TIME = re.compile(r"^(time|timestamp|date ?time|elapsed|zeit|t)\b|_time\b|^time", re.IGNORECASE)
#: What a heading may mean: words that people use, and the channel's standard name. The first that fits is proposed.
_MEANINGS = (
    (r"\b(lambda|afr|air.?fuel|λ)\b", "lambda", units.DIMENSIONLESS),
    (r"\bboost\b", "boost", units.PRESSURE),
    (r"\b(baro|barometric|barometer|ambient pressure)", "barometer", units.PRESSURE),
    (r"\b(map|manifold)", "map", units.PRESSURE),
    (r"\b(rpm|engine.?speed|speed)\b", "engine_speed", units.ANGULAR_SPEED),
    (r"\b(vehicle.?speed|speed)\b", "vehicle_speed", units.SPEED),
    (r"\b(tps|throttle)", "throttle", units.DIMENSIONLESS),
    (r"\b(coolant|ect|clt)\b", "coolant", units.TEMPERATURE),
    (r"\b(iat|charge|intake.*temp)", "charge_temperature", units.TEMPERATURE),
    (r"\b(battery|supply|volts?)\b", "supply", units.VOLTAGE),
)
_AFR = re.compile(r"\b(afr|air.?fuel)\b", re.IGNORECASE)
#: Numbers of a wideband above this are AFR, whatever the heading says.
_AFR_FROM = 5.0
#: Steps between rows, in the number that the file gives: above this they are milliseconds.
_MS_FROM = 2.0


@dataclass(frozen=True, slots=True)
class FoundColumn:
    """One column: its unit as the file gives it ("" if it does not), its numbers, and from where to where they go."""

    name: str
    unit: str
    count: int
    lowest: float | None
    highest: float | None


@dataclass(slots=True)
class Found:
    """A foreign file: its columns, and lines of a mapping that say how it is written and which column is the time."""

    columns: list[FoundColumn] = field(default_factory=list)
    written: list[str] = field(default_factory=list)
    time: str = ""


def columns_of(file: Path) -> list[FoundColumn]:
    """Every column of numbers in a CSV, Parquet or MDF4 file, the time's included.

    Raises:
        DriveError: it cannot be read, and why.
    """
    return look_into(file).columns


def look_into(file: Path) -> Found:
    """What a file holds and how it seems to be written.

    Raises:
        DriveError: it cannot be read, and why.
    """
    ways = {".csv": _csv, ".txt": _csv, ".tsv": _csv, ".parquet": _parquet, ".mf4": _mdf4, ".mdf": _mdf4}
    way = ways.get(file.suffix.lower())
    if way is None:
        raise DriveError(f"{file}: unknown kind of file; there are: .csv, .txt, .tsv, .parquet, .mf4")
    if not file.is_file():
        raise DriveError(f"there is no file {file}")
    return way(file)


def mapping_template(file: Path, found: Found) -> list[str]:
    """A whole mapping file: what is sure enough to be proposed stands, the rest waits behind a # to be named."""
    lines = [
        f"# Proposed for {file.name}: look at each line before you believe it, and keep it as a file for --mapping.",
        "# A line that begins with # is left out: name its channel and unit, and take the # away.",
        *found.written,
        "[columns]",
    ]
    taken: set[str] = set()
    for column in found.columns:
        if column.name == found.time:
            continue
        lines.append(_proposed(column, taken))
    return lines


def _proposed(column: FoundColumn, taken: set[str]) -> str:
    channel, unit, afr = _meaning(column)
    sure = bool(channel and unit and channel not in taken and not afr)
    name = json.dumps(column.name, ensure_ascii=False)
    told = f'channel = "{channel or "…"}", unit = {json.dumps(unit or column.unit or "…", ensure_ascii=False)}'
    if afr:
        told += ', afr_scale = "…"'
    if sure:
        taken.add(channel)
    ends = ""
    if column.lowest is not None and column.highest is not None:
        ends = f" from {spelt(column.lowest)} to {spelt(column.highest)}"
    hint = "; AFR: write the scale that it was logged in, such as 14.7" if afr else ""
    return f"{'' if sure else '# '}{name} = {{ {told} }}  # {column.count} numbers{ends}{hint}"


def _meaning(column: FoundColumn) -> tuple[str, str, bool]:
    """Channel and unit as far as name and numbers tell, and whether the numbers are AFR."""
    with_unit = _WITH_UNIT.match(column.name)
    name, symbol = with_unit.groups() if with_unit else (column.name, column.unit)
    symbol = symbol or column.unit
    words = re.sub(r"[_.\d]+", " ", name).strip()
    try:
        unit = units.unit(symbol) if symbol else None
    except units.UnitError:
        unit = None
    for pattern, channel, dimension in _MEANINGS:
        if re.search(pattern, words, re.IGNORECASE) and (unit is None or unit.dimension == dimension):
            if channel != "lambda":
                return channel, unit.symbol if unit else "", False
            afr = bool(_AFR.search(f"{name} {symbol}")) or (column.highest or 0.0) > _AFR_FROM
            return channel, "lambda", afr
    return "", unit.symbol if unit else "", False


def _found(name: str, unit: str, values: NDArray[np.float64]) -> FoundColumn:
    there = values[np.isfinite(values)]
    if not len(there):
        return FoundColumn(name, unit, 0, None, None)
    return FoundColumn(name, unit, len(there), float(there.min()), float(there.max()))


def _csv(file: Path) -> Found:
    try:
        log = read_text(file, {})
        rows = [row for _, row in log.rows() if len(row) == len(log.head)]
    except csv.Error as error:
        raise DriveError(f"{file} cannot be read as CSV: {error}") from error
    if not rows:
        raise DriveError(f"{file} cannot be read as CSV: no rows under a heading")
    found = Found(written=[mapping_line(k, v) for k, v in log.form.unlike(Form()).items()])
    decimal = log.form.decimal
    columns = {n: np.array([_lenient(row[n], decimal) for row in rows]) for n in range(len(log.head))}
    forms = {n: format_of(rows[0][n]) for n in columns}
    named = [n for n, name in enumerate(log.head) if _TIME.search(name) and _rises(columns[n], forms[n], rows, n)]
    at = next(iter([*named, *(n for n in columns if _rises(columns[n], forms[n], rows, n))]), None)
    if at is not None:
        found.time = log.head[at]
        found.written += _about_time(log.head[at], log.units[at], columns[at], forms[at], rows[0][at])
    for n, name in enumerate(log.head):
        if n == at or np.isfinite(columns[n]).any():
            found.columns.append(_found(name, log.units[n], columns[n]))
    return found


def _lenient(cell: str, decimal: str) -> float:
    try:
        return float(cell.strip() if decimal == "." else cell.strip().replace(",", "."))
    except ValueError:
        return float("nan")


def _rises(numbers: NDArray[np.float64], form: str, rows: list[list[str]], n: int) -> bool:
    """Whether a column could be the time."""
    if form != NUMBER:
        read = reader_of(form, zone_of("+00:00"))
        try:
            numbers = over_midnight(np.array([read(row[n].strip()) for row in rows]))
        except ValueError:
            return False
    return len(numbers) > 1 and bool(np.all(np.isfinite(numbers)) and np.all(np.diff(numbers) > 0))


def _about_time(name: str, unit: str, numbers: NDArray[np.float64], form: str, first: str) -> list[str]:
    """Lines that say which column the time is, and how it is written."""
    lines = [mapping_line("time", name)]
    if form != NUMBER:
        lines.append(mapping_line("time_format", form))
        return lines + ([mapping_line("time_zone", "+00:00")] if form == ISO and not has_zone(first) else [])
    with_unit = _WITH_UNIT.match(name)
    symbol = with_unit[2] if with_unit else unit
    if not symbol and float(np.median(np.diff(numbers))) >= _MS_FROM:
        symbol = "ms"
    return lines + ([mapping_line("time_unit", symbol)] if symbol and symbol != "s" else [])


def _parquet(file: Path) -> Found:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        source = pq.ParquetFile(file)
    except (pa.ArrowInvalid, OSError) as error:
        raise DriveError(f"{file} is no Parquet file: {error}") from error
    found = Found()
    with source:
        for column in source.schema_arrow:
            numbers = _numbers(source, column)
            if numbers is None:
                continue
            unit = ((column.metadata or {}).get(b"unit") or b"").decode()
            found.columns.append(_found(column.name, unit, numbers))
            if not found.time and _TIME.search(column.name) and _rises(numbers, NUMBER, [], 0):
                found.time = column.name
                found.written = _about_time(column.name, unit, numbers, NUMBER, "")
                if pa.types.is_timestamp(column.type):
                    found.written = found.written[:1]
    return found


def _numbers(source: Any, column: Any) -> NDArray[np.float64] | None:
    import pyarrow as pa

    kind = column.type
    table = source.read(columns=[column.name])[column.name]
    if pa.types.is_timestamp(kind):
        table = table.cast(pa.timestamp("ns", kind.tz)).cast("int64")
    elif not (pa.types.is_floating(kind) or pa.types.is_integer(kind)):
        return None
    numbers: NDArray[np.float64] = table.cast("float64").to_numpy()
    return numbers


def _mdf4(file: Path) -> Found:
    with opened_mdf(file) as source:
        return Found(list(_mdf4_columns(source)))


def _mdf4_columns(source: Any) -> Iterator[FoundColumn]:
    for signal in mdf_signals(source):
        if signal.samples.dtype.kind in "iufb" and signal.samples.ndim == 1:
            yield _found(signal.name, signal.unit or "", signal.samples.astype(np.float64))
