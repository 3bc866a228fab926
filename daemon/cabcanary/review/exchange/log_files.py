"""Logs of other programs as plain series: CSV, Parquet, MDF4."""

from __future__ import annotations

import contextlib
import csv
import gc
import json
import sys
import traceback
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary import units
from cabcanary.review.exchange.log_mapping import MAPPING_HELP, TIME, Mapping, Target
from cabcanary.review.exchange.log_text import Form, TextLog, read_text
from cabcanary.review.exchange.log_times import CLOCK, NUMBER, date_in, format_of, has_zone, over_midnight, reader_of
from cabcanary.review.list.drives import BELIEVED, DriveError
from cabcanary.review.progress import shown
from cabcanary.store.archive import METADATA_KEY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from pathlib import Path

    from numpy.typing import NDArray

#: Seconds since 1970 are below this for some thousand years more; milliseconds since then have long been above.
_LATEST_S = 1e11
#: Whoever looks into an engine writes rows more often than this; milliseconds taken for seconds are mostly slower.
_LONGEST_STEP_S = 10.0
#: No mixture that burns is this lean, and AFR is never this rich: methanol's stoichiometric ratio is 6.5.
_NO_LAMBDA = 5.0
#: So far nanoseconds of 64 bits count.
_LONGEST_S = 2.0**63 / 1e9


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
    #: When it began, as the log itself says; how well that is known, in the words of a manifest.
    start: datetime | None = None
    clock: str = "imported"
    #: What nobody has said and was taken to be so, as lines of a mapping.
    guessed: list[str] = field(default_factory=list)
    #: A last line that the end of the file has cut short, and is left out.
    torn: str = ""
    #: Columns that the mapping names and the log does not have.
    absent: list[str] = field(default_factory=list)


def read_foreign(file: Path, mapping: Mapping) -> Foreign:
    """Read a log by its ending: .csv, .parquet, .mf4.

    Raises:
        DriveError: it cannot be read, with the place.
    """
    ways: dict[str, Callable[[Path, Mapping], Foreign]] = {
        ".csv": _csv,
        ".txt": _csv,
        ".tsv": _csv,
        ".parquet": _parquet,
        ".mf4": _mdf4,
        ".mdf": _mdf4,
    }
    way = ways.get(file.suffix.lower())
    if way is None:
        raise DriveError(f"{file}: unknown kind of file; there are: .csv, .txt, .tsv, .parquet, .mf4")
    if not file.is_file():
        raise DriveError(f"there is no file {file}")
    found = way(file, mapping)
    if not found.series:
        raise DriveError(f"{file}: none of its columns is a channel; name them {MAPPING_HELP.format(name='Column')}")
    for one in found.series:
        _refuse_afr(file, one)
    in_s = file.suffix.lower() in (".mf4", ".mdf")  # the format's own rule
    return _from_first(file, found, sure_of_unit=in_s or mapping.time_unit_said)


def _from_first(file: Path, log: Foreign, *, sure_of_unit: bool) -> Foreign:
    """The log with its times counted from the first row; large ones keep all their digits so, however they began."""
    first = log.rows_s[0]
    _refuse_other_unit(file, log.rows_s, sure_of_unit=sure_of_unit)
    series = [Series(s.name, s.unit, s.time_s - first, s.values) for s in log.series]
    return replace(log, rows_s=log.rows_s - first, series=series, start=log.start or date_in(float(first)))


def _refuse_afr(file: Path, series: Series) -> None:
    """Numbers that are no lambda but air to fuel by mass: under every limit's scale at once, and so never lean."""
    if series.unit != "lambda" or not len(series.values) or np.median(series.values) < _NO_LAMBDA:
        return
    low, high = series.values.min(), series.values.max()
    raise DriveError(
        f"{file}: '{series.name}' goes from {low:.4g} to {high:.4g}, which is AFR and not lambda; say in a file for "
        '--mapping the scale that it was logged in: unit = "lambda", afr_scale = 14.7 (or that of the log)'
    )


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
        return _csv_rows(file, read_text(file, mapping.form), mapping)
    except csv.Error as error:
        raise DriveError(f"{file}: {error}") from error


def _csv_rows(file: Path, log: TextLog, mapping: Mapping) -> Foreign:
    head, form = log.head, log.form
    if mapping.time not in head or (mapping.time == TIME and not mapping.time_said and head[0] != TIME):
        words = f"the first column must be headed '{TIME}', or a mapping must name the time"
        raise DriveError(f"{file}: line {form.heading_line}: {words}; --columns proposes one")
    time_at = head.index(mapping.time)
    names = [(n, name) for n, name in enumerate(head) if n != time_at]
    targets = {n: t for n, name in names if (t := mapping.target(name, log.units[n])) is not None}
    _refuse_twice(file, [t.channel for t in targets.values()])
    times: list[str] = []
    at: list[int] = []
    columns: dict[int, list[float]] = {n: [] for n in targets}
    for line, row in shown(log.rows(), "reading", "lines"):
        if len(row) != len(head):
            raise DriveError(f"{file}: line {line} has {len(row)} cells, the heading {len(head)}")
        times.append(row[time_at].strip())
        at.append(line)
        for n, column in columns.items():
            column.append(_number(file, line, head[n], row[n], form.decimal))
    rows_s, guessed = _times(file, log, mapping, times, at)
    _refuse_back(file, rows_s, at)
    return Foreign(
        rows_s,
        [_series(targets[n], rows_s, np.asarray(c)) for n, c in columns.items()],
        [h for n, h in names if n not in targets],
        guessed=[*_guesses(form, mapping), *guessed],
        torn=log.torn,
        absent=mapping.absent(head),
    )


def _guesses(form: Form, mapping: Mapping) -> list[str]:
    return [mapping_line(k, v) for k, v in form.unlike(Form()).items() if k not in mapping.form]


def mapping_line(key: str, value: object) -> str:
    """A line of a mapping file."""
    return f"{key} = {json.dumps(value, ensure_ascii=False)}"


def _times(
    file: Path, log: TextLog, mapping: Mapping, cells: list[str], lines: list[int]
) -> tuple[NDArray[np.float64], list[str]]:
    """Seconds, and what was guessed about them."""
    name = mapping.time
    first = next(iter(cells), "")
    form = mapping.form.get("time_format") or format_of(first)
    if form == NUMBER:
        numbers = np.asarray([_number(file, n, name, c, log.form.decimal) for n, c in zip(lines, cells, strict=True)])
        unit = log.units[log.head.index(name)]
        if unit and not mapping.time_unit_said:
            return numbers * _second(file, unit), []
        return mapping.seconds(numbers), []
    guessed = [] if "time_format" in mapping.form else [mapping_line("time_format", form)]
    read = reader_of(form, mapping.zone or UTC)
    found = np.empty(len(cells))
    for n, (line, cell) in enumerate(zip(lines, cells, strict=True)):
        try:
            found[n] = read(cell)
        except ValueError as error:
            raise DriveError(f"{file}: line {line}, column '{name}': {error}") from None
    if form == CLOCK:
        return over_midnight(found), guessed
    if mapping.zone is None and not has_zone(first):
        guessed.append(mapping_line("time_zone", "+00:00"))
    return found, guessed


def _second(file: Path, unit: str) -> float:
    try:
        return units.convert(1.0, unit, "s")
    except units.UnitError as error:
        raise DriveError(f"{file}: the time's unit: {error}; a mapping can say it: time_unit = …") from error


def _number(file: Path, line: int, column: str, cell: str, decimal: str = ".") -> float:
    text = cell.strip()
    if not text:
        if column == TIME:
            raise DriveError(f"{file}: line {line}: no time")
        return float("nan")
    try:
        return float(text if decimal == "." else text.replace(".", "?").replace(",", "."))
    except ValueError:
        comma = "," in text and decimal == "."
        hint = "; write decimals with a point" if comma else "; leave a cell empty where there is no value"
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
    rows_s = _parquet_times(file, mapping, table[mapping.time])
    _refuse_back(file, rows_s, range(1, len(rows_s) + 1))
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
            series.append(_series(target, rows_s, _floats(file, name, table[name])))
    _refuse_twice(file, [s.name for s in series])
    return Foreign(rows_s, series, left_out, absent=mapping.absent(table.column_names))


def _parquet_times(file: Path, mapping: Mapping, column: Any) -> NDArray[np.float64]:
    import pyarrow as pa

    if pa.types.is_timestamp(column.type):
        since_1970: NDArray[np.int64] = column.cast(pa.timestamp("ns", column.type.tz)).cast("int64").to_numpy()
        return since_1970 / 1e9
    return mapping.seconds(_floats(file, mapping.time, column))


def _own(file: Path, table: Any, rows_s: NDArray[np.float64]) -> Foreign:
    """Samples of this program: the channels' values that are to be relied on."""
    told: dict[str, str] = json.loads(table.schema.metadata[METADATA_KEY])["units"]
    names = [n for n in told if f"{n}_uncertainty" in told and n in table.column_names]
    series = []
    for name in names:
        believed = np.isin(np.asarray(table[f"{name}_quality"].to_pylist(), dtype=str), BELIEVED)
        values = np.where(believed, _floats(file, name, table[name]), np.nan)
        series.append(_series(Target(name, told[name]), rows_s, values))
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
    series, left_out, names = [], [], []
    for signal in mdf_signals(source):
        names.append(signal.name)
        numeric = signal.samples.dtype.kind in "iufb" and signal.samples.ndim == 1 and len(signal.timestamps)
        target = mapping.target(signal.name, signal.unit or "") if numeric else None
        if target is None:
            left_out.append(signal.name)
            continue
        values = signal.samples.astype(np.float64)
        invalid = getattr(signal, "invalidation_bits", None)
        if invalid is not None:
            values = np.where(np.asarray(invalid, dtype=bool), np.nan, values)
        series.append(_series(target, np.asarray(signal.timestamps, dtype=np.float64), values))
    _refuse_twice(file, [s.name for s in series])
    times = [s.time_s for s in series]
    rows_s = max(times, key=len) if times else np.array([])
    absent = mapping.absent([*left_out, *names])
    return Foreign(rows_s, series, left_out, start=_mdf_start(source), absent=absent)


def _mdf_start(source: Any) -> datetime | None:
    """When the file says that it begins; None where that is no date of our days."""
    start: datetime = source.header.start_time
    return date_in((start if start.tzinfo else start.replace(tzinfo=UTC)).timestamp())


def mdf_signals(source: Any) -> Iterator[Any]:
    """Every channel of an opened MDF file, with its own times."""
    for group in source.virtual_groups:
        yield from source.select(
            [(None, g, c) for g, cs in source.included_channels(group)[group].items() for c in cs],
            ignore_value2text_conversions=True,
            copy_master=True,
        )


# --- Common ---------------------------------------------------------------------------------------------------------


def _series(target: Target, time_s: NDArray[np.float64], values: NDArray[np.float64]) -> Series:
    there = np.isfinite(values)
    return Series(target.channel, target.unit, time_s[there], values[there] / target.afr_scale)


def _refuse_twice(file: Path, names: list[str]) -> None:
    twice = sorted({n for n in names if names.count(n) > 1})
    if twice:
        raise DriveError(f"{file}: two columns are the channel '{twice[0]}'; a mapping can choose one")


def _refuse_back(file: Path, rows_s: NDArray[np.float64], lines: Sequence[int]) -> None:
    """Times that are missing or do not rise; `lines` says where each row stands in the file."""
    if not len(rows_s):
        raise DriveError(f"{file} has a heading and no rows")
    if not np.all(np.isfinite(rows_s)):
        raise DriveError(f"{file}: row {lines[int(np.argmin(np.isfinite(rows_s)))]} has no time")
    back = np.flatnonzero(np.diff(rows_s) <= 0)
    if len(back):
        line = lines[int(back[0]) + 1]
        raise DriveError(
            f"{file}: row {line}: time does not go on ({rows_s[back[0] + 1]:g} s after {rows_s[back[0]]:g} s)"
        )
