"""Logs of other programs as plain series: CSV, Parquet, MDF4; and the mapping of foreign names and units."""

from __future__ import annotations

import contextlib
import csv
import gc
import json
import re
import sys
import tomllib
import traceback
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary import units
from cabcanary.review.list.drives import BELIEVED, DriveError
from cabcanary.review.progress import shown
from cabcanary.store.archive import METADATA_KEY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

_HEADING = re.compile(r"^\s*(?P<name>.*?)\s*\[(?P<unit>[^\[\]]*)\]\s*$")
_NAME = re.compile(r"^[a-z][a-z0-9_]{0,39}$")
_TIME = "time_s"
#: Seconds since 1970 are below this for some thousand years more; milliseconds since then have long been above.
_LATEST_S = 1e11
#: Whoever looks into an engine writes rows more often than this; milliseconds taken for seconds are mostly slower.
_LONGEST_STEP_S = 10.0
#: So far nanoseconds of 64 bits count.
_LONGEST_S = 2.0**63 / 1e9
_MAPPING_HELP = 'with --mapping FILE, and in it: "{name}" = {{ channel = "…", unit = "…" }}'


@dataclass(slots=True)
class Series:
    """One channel of a foreign log: its readings where there are any, each at its time (s, rising)."""

    name: str
    unit: str
    time_s: NDArray[np.float64]
    values: NDArray[np.float64]


@dataclass(slots=True)
class Foreign:
    """A foreign log: its channels, the times at which it has rows, and the columns that nobody asked for."""

    rows_s: NDArray[np.float64]
    series: list[Series]
    left_out: list[str] = field(default_factory=list)


class Mapping:
    """Foreign column names -> channel and unit. Without a file, headings must be `channel [unit]`.

    A mapping file is TOML: `time = "Time"`, optionally `time_unit = "ms"`, and `[columns]` with lines such as
    `"Lambda 1" = { channel = "lambda", unit = "lambda" }`. Columns that it does not name are left out; without that
    table the headings say it, as they do without a mapping.

    Raises:
        DriveError: the file is faulty; the message says why.
    """

    def __init__(self, file: Path | None = None) -> None:
        self.time, self._time_factor = _TIME, 1.0
        #: Somebody has said in which unit the times are.
        self.time_unit_said = False
        self._columns: dict[str, tuple[str, str]] | None = None
        if file is None:
            return
        try:
            content = tomllib.loads(file.read_text(encoding="utf-8"))
        except OSError as error:
            raise DriveError(f"{file} cannot be read: {error.strerror}") from error
        except ValueError as error:
            raise DriveError(f"{file}: {error}") from error
        self.time = str(content.get("time", _TIME))
        self.time_unit_said = "time_unit" in content
        try:
            self._time_factor = units.convert(1.0, str(content.get("time_unit", "s")), "s")
        except units.UnitError as error:
            raise DriveError(f"{file}: time_unit: {error}") from error
        columns = content.get("columns")
        named: dict[str, tuple[str, str]] = {}
        for name, target in columns.items() if isinstance(columns, dict) else ():
            if not isinstance(target, dict) or set(target) != {"channel", "unit"}:
                raise DriveError(f'{file}: write "{name}" = {{ channel = "map", unit = "kPa" }}')
            named[name] = _checked(str(target["channel"]), str(target["unit"]), f"{file}: {name}")
        self._columns = None if columns is None else named

    def seconds(self, numbers: NDArray[np.float64]) -> NDArray[np.float64]:
        """Times of the file in seconds."""
        return numbers if self._time_factor == 1.0 else numbers * self._time_factor

    def target(self, name: str, unit: str = "") -> tuple[str, str] | None:
        """Channel and unit of a column; None: it is left out. `unit` is what the file itself says, if it does.

        Raises:
            DriveError: nothing says what the column is.
        """
        if self._columns is not None:
            return self._columns.get(name)
        found = _HEADING.match(name)
        if found:
            return _checked(found["name"], found["unit"], f"column '{name}'")
        if unit:
            return _checked(name, unit, f"column '{name}'")
        raise DriveError(
            f"column '{name}' says no unit; head it '{name} [unit]', or name it {_MAPPING_HELP.format(name=name)}"
        )


def _checked(name: str, unit: str, where: str) -> tuple[str, str]:
    if not _NAME.match(name):
        raise DriveError(
            f"{where}: '{name}' is no channel's name (small letters, digits and _); name it "
            + _MAPPING_HELP.format(name=name)
        )
    try:
        return name, units.unit(unit).symbol
    except units.UnitError as error:
        raise DriveError(f"{where}: {error}") from error


def read_foreign(file: Path, mapping: Mapping) -> Foreign:
    """Read a log by its ending: .csv, .parquet, .mf4.

    Raises:
        DriveError: it cannot be read, with the place.
    """
    ways: dict[str, Callable[[Path, Mapping], Foreign]] = {
        ".csv": _csv,
        ".parquet": _parquet,
        ".mf4": _mdf4,
        ".mdf": _mdf4,
    }
    way = ways.get(file.suffix.lower())
    if way is None:
        raise DriveError(f"{file}: unknown kind of file; there are: .csv, .parquet, .mf4")
    if not file.is_file():
        raise DriveError(f"there is no file {file}")
    found = way(file, mapping)
    if not found.series:
        raise DriveError(f"{file}: none of its columns is a channel; name them {_MAPPING_HELP.format(name='Column')}")
    in_s = file.suffix.lower() in (".mf4", ".mdf")  # the format's own rule
    return _from_first(file, found, sure_of_unit=in_s or mapping.time_unit_said)


def _from_first(file: Path, log: Foreign, *, sure_of_unit: bool) -> Foreign:
    """The log with its times counted from the first row; large ones keep all their digits so, however they began."""
    first = log.rows_s[0]
    _refuse_other_unit(file, log.rows_s, sure_of_unit=sure_of_unit)
    series = [Series(s.name, s.unit, s.time_s - first, s.values) for s in log.series]
    return Foreign(log.rows_s - first, series, log.left_out)


def _refuse_other_unit(file: Path, rows_s: NDArray[np.float64], *, sure_of_unit: bool) -> None:
    """Times that are no seconds: what they say, and how to say in what they are."""
    step = float(np.median(np.diff(rows_s))) if len(rows_s) > 1 else 0.0
    length, latest = float(rows_s[-1] - rows_s[0]), float(np.abs(rows_s).max())
    if latest > _LATEST_S:
        words = f"its times go up to {latest:.4g} s, which is no time in seconds"
    elif length >= _LONGEST_S:
        words = f"it would last {length:.4g} s"
    elif step >= _LONGEST_STEP_S and not sure_of_unit:
        words = f"its rows would be {step:g} s apart"
    else:
        return
    raise DriveError(
        f'{file}: {words}; say in a file for --mapping what its times are in: time_unit = "ms" (or "s", "min" …)'
    )


# --- CSV ------------------------------------------------------------------------------------------------------------


def _csv(file: Path, mapping: Mapping) -> Foreign:
    try:
        with file.open(encoding="utf-8-sig", newline="") as lines:
            return _csv_rows(file, csv.reader(lines), mapping)
    except UnicodeDecodeError as error:
        raise DriveError(f"{file}: not in UTF-8 at byte {error.start}") from error
    except csv.Error as error:
        raise DriveError(f"{file}: {error}") from error


def _csv_rows(file: Path, reader: Any, mapping: Mapping) -> Foreign:
    head = [h.strip() for h in next(reader, [])]
    if mapping.time not in head or (mapping.time == _TIME and head[0] != _TIME):
        raise DriveError(f"{file}: line 1: the first column must be headed '{_TIME}', or a mapping must name the time")
    time_at = head.index(mapping.time)
    targets = {n: t for n, name in enumerate(head) if n != time_at and (t := mapping.target(name)) is not None}
    _refuse_twice(file, [name for name, _ in targets.values()])
    times: list[float] = []
    columns: dict[int, list[float]] = {n: [] for n in targets}
    for row in shown(reader, "reading", "lines"):
        if not row:
            continue
        line = reader.line_num
        if len(row) != len(head):
            raise DriveError(f"{file}: line {line} has {len(row)} cells, the heading {len(head)}")
        times.append(_number(file, line, mapping.time, row[time_at]))
        for n, column in columns.items():
            column.append(_number(file, line, head[n], row[n]))
    rows_s = mapping.seconds(np.asarray(times))
    _refuse_back(file, rows_s, first_line=2)
    left_out = [h for n, h in enumerate(head) if n not in targets and n != time_at]
    return Foreign(rows_s, [_series(*targets[n], rows_s, np.asarray(c)) for n, c in columns.items()], left_out)


def _number(file: Path, line: int, column: str, cell: str) -> float:
    text = cell.strip()
    if not text:
        if column == _TIME:
            raise DriveError(f"{file}: line {line}: no time")
        return float("nan")
    try:
        return float(text)
    except ValueError:
        hint = "; write decimals with a point" if "," in text else "; leave a cell empty where there is no value"
        raise DriveError(f"{file}: line {line}, column '{column}': '{text}' is no number{hint}") from None


# --- Parquet and MDF4 -----------------------------------------------------------------------------------------------


def _parquet(file: Path, mapping: Mapping) -> Foreign:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.read_table(file)
    except (pa.ArrowInvalid, OSError) as error:
        raise DriveError(f"{file} is no Parquet file: {error}") from error
    if mapping.time not in table.column_names:
        raise DriveError(f"{file}: there is no column '{mapping.time}'; a mapping can name another one as the time")
    rows_s = mapping.seconds(_floats(file, mapping.time, table[mapping.time]))
    _refuse_back(file, rows_s, first_line=1)
    if METADATA_KEY in (table.schema.metadata or {}):
        return _own(file, table, rows_s)
    series, left_out = [], []
    for name in table.column_names:
        if name == mapping.time:
            continue
        unit = ((table.schema.field(name).metadata or {}).get(b"unit") or b"").decode()
        kind = table.schema.field(name).type
        numeric = pa.types.is_floating(kind) or pa.types.is_integer(kind)
        target = mapping.target(name, unit) if numeric else None
        if target is None:
            left_out.append(name)
        else:
            series.append(_series(*target, rows_s, _floats(file, name, table[name])))
    _refuse_twice(file, [s.name for s in series])
    return Foreign(rows_s, series, left_out)


def _own(file: Path, table: Any, rows_s: NDArray[np.float64]) -> Foreign:
    """Samples of this program: the channels' values that are to be relied on."""
    told: dict[str, str] = json.loads(table.schema.metadata[METADATA_KEY])["units"]
    names = [n for n in told if f"{n}_uncertainty" in told and n in table.column_names]
    series = []
    for name in names:
        believed = np.isin(np.asarray(table[f"{name}_quality"].to_pylist(), dtype=str), BELIEVED)
        values = np.where(believed, _floats(file, name, table[name]), np.nan)
        series.append(_series(name, told[name], rows_s, values))
    return Foreign(rows_s, series)


def _floats(file: Path, name: str, column: Any) -> NDArray[np.float64]:
    try:
        found: NDArray[np.float64] = column.cast("float64").to_numpy().astype(np.float64)
    except Exception as error:
        raise DriveError(f"{file}: column '{name}' holds no numbers: {error}") from error
    return found


def _mdf4(file: Path, mapping: Mapping) -> Foreign:
    with opened_mdf(file) as source:
        return _mdf4_signals(file, source, mapping)


@contextlib.contextmanager
def opened_mdf(file: Path) -> Iterator[Any]:
    """An MDF file, opened by the library; whatever it cannot read becomes a DriveError."""
    try:
        from asammdf import MDF
    except ImportError as error:
        raise DriveError("MDF4 needs a library that is not here: pip install 'cabcanary[mdf]'") from error
    words = ""
    try:
        with MDF(file) as source:
            yield source
    except DriveError:
        raise
    except Exception as error:  # noqa: BLE001 - the library raises whatever a damaged file makes it stumble over
        words = str(error)
        _let_go(error)
    if words:
        raise DriveError(f"{file} cannot be read as MDF; it is cut short, damaged or something else ({words})")


def _let_go(error: Exception) -> None:
    """Drop what the library had half made of a file: it complains at its end, of which nobody needs to hear."""
    before, sys.unraisablehook = sys.unraisablehook, lambda _: None
    try:
        traceback.clear_frames(error.__traceback__)
        gc.collect()
    finally:
        sys.unraisablehook = before


def _mdf4_signals(file: Path, source: Any, mapping: Mapping) -> Foreign:
    series, left_out = [], []
    for signal in mdf_signals(source):
        numeric = signal.samples.dtype.kind in "iufb" and signal.samples.ndim == 1 and len(signal.timestamps)
        target = mapping.target(signal.name, signal.unit or "") if numeric else None
        if target is None:
            left_out.append(signal.name)
            continue
        values = signal.samples.astype(np.float64)
        invalid = getattr(signal, "invalidation_bits", None)
        if invalid is not None:
            values = np.where(np.asarray(invalid, dtype=bool), np.nan, values)
        series.append(_series(*target, np.asarray(signal.timestamps, dtype=np.float64), values))
    _refuse_twice(file, [s.name for s in series])
    times = [s.time_s for s in series]
    rows_s = max(times, key=len) if times else np.array([])
    return Foreign(rows_s, series, left_out)


def mdf_signals(source: Any) -> Iterator[Any]:
    """Every channel of an opened MDF file, with its own times."""
    for group in source.virtual_groups:
        yield from source.select(
            [(None, g, c) for g, cs in source.included_channels(group)[group].items() for c in cs],
            ignore_value2text_conversions=True,
            copy_master=True,
        )


# --- Common ---------------------------------------------------------------------------------------------------------


def _series(name: str, unit: str, time_s: NDArray[np.float64], values: NDArray[np.float64]) -> Series:
    there = np.isfinite(values)
    return Series(name, unit, time_s[there], values[there])


def _refuse_twice(file: Path, names: list[str]) -> None:
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise DriveError(f"{file}: two columns are the channel '{twice[0]}'; a mapping can choose one")


def _refuse_back(file: Path, rows_s: NDArray[np.float64], first_line: int) -> None:
    if not len(rows_s):
        raise DriveError(f"{file} has a heading and no rows")
    if not np.all(np.isfinite(rows_s)):
        raise DriveError(f"{file}: row {int(np.argmin(np.isfinite(rows_s))) + first_line} has no time")
    back = np.flatnonzero(np.diff(rows_s) <= 0)
    if len(back):
        line = int(back[0]) + 1 + first_line
        raise DriveError(
            f"{file}: row {line}: time does not go on ({rows_s[back[0] + 1]:g} s after {rows_s[back[0]]:g} s)"
        )
