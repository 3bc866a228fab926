"""Logs of other programs as plain series, by the kind of file; what is no log of an engine is refused."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.recorder.dating import UNKNOWN
from cabcanary.review.exchange.log_csv import read_csv
from cabcanary.review.exchange.log_mapping import MAPPING_HELP, TIME, Mapping, Target
from cabcanary.review.exchange.log_mdf import read_mdf4
from cabcanary.review.exchange.log_series import (
    Foreign,
    Series,
    qualities_of,
    refuse_back,
    refuse_twice,
    series_of,
    told_series,
)
from cabcanary.review.exchange.log_times import date_in
from cabcanary.review.list.drives import DriveError
from cabcanary.spelling import spelt
from cabcanary.store.archive import METADATA_KEY
from cabcanary.store.packed import unpack

if TYPE_CHECKING:
    from collections.abc import Callable
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


def read_foreign(file: Path, mapping: Mapping) -> Foreign:
    """Read a log by its ending: .csv, .parquet, .mf4.

    Raises:
        DriveError: it cannot be read, with the place.
    """
    ways: dict[str, Callable[[Path, Mapping], Foreign]] = {
        ".csv": read_csv,
        ".txt": read_csv,
        ".tsv": read_csv,
        ".parquet": _parquet,
        ".mf4": read_mdf4,
        ".mdf": read_mdf4,
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
    series = [replace(s, time_s=s.time_s - first) for s in log.series]
    return replace(log, rows_s=log.rows_s - first, series=series, start=log.start or date_in(float(first)))


def _refuse_afr(file: Path, series: Series) -> None:
    """Numbers that are no lambda but air to fuel by mass: under every limit's scale at once, and so never lean."""
    there = series.values[np.isfinite(series.values)]
    if series.unit != "lambda" or not len(there) or np.median(there) < _NO_LAMBDA:
        return
    low, high = there.min(), there.max()
    raise DriveError(
        f"{file}: '{series.name}' goes from {spelt(low, 4)} to {spelt(high, 4)}, "
        "which is AFR and not lambda; say in a file for "
        '--mapping the scale that it was logged in: unit = "lambda", afr_scale = 14.7 (or that of the log)'
    )


def _refuse_other_unit(file: Path, rows_s: NDArray[np.float64], *, sure_of_unit: bool) -> None:
    """Times that are no seconds: what they say, and how to say in what they are."""
    step = float(np.median(np.diff(rows_s))) if len(rows_s) > 1 else 0.0
    length, latest = float(rows_s[-1] - rows_s[0]), float(np.abs(rows_s).max())
    if latest > _LATEST_S:
        words = f"its times go up to {spelt(latest, 4)} s, which is no time in seconds"
    elif length >= _LONGEST_S:
        words = f"it would last {spelt(length, 4)} s"
    elif step >= _LONGEST_STEP_S and not sure_of_unit:
        words = f"its rows would be {spelt(step)} s apart"
    else:
        return
    raise DriveError(
        f'{file}: {words}; say in a file for --mapping what its times are in: time_unit = "ms" (or "s", "min" …)'
    )


# --- Parquet -----------------------------------------------------------------------------------------------


def _parquet(file: Path, mapping: Mapping) -> Foreign:
    import pyarrow as pa
    import pyarrow.parquet as pq

    try:
        table = pq.read_table(file)
    except (pa.ArrowInvalid, OSError) as error:
        raise DriveError(f"{file} is no Parquet file: {error}") from error
    if mapping.time not in table.column_names:
        raise DriveError(f"{file}: there is no column '{mapping.time}'; a mapping can name another one as the time")
    own = METADATA_KEY in (table.schema.metadata or {})
    # Our own seconds are those of whole milliseconds.
    exact = own and mapping.time == TIME and "tick_ns" in table.column_names
    rows_s = _own_times(table["tick_ns"]) if exact else _parquet_times(file, mapping, table[mapping.time])
    refuse_back(file, rows_s, range(1, len(rows_s) + 1))
    if own:
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
            series.append(series_of(target, rows_s, _floats(file, name, table[name])))
    refuse_twice(file, [s.name for s in series])
    return Foreign(rows_s, series, left_out, absent=mapping.absent(table.column_names))


def _own_times(column: Any) -> NDArray[np.float64]:
    tick_ns: NDArray[np.int64] = column.cast("int64").to_numpy()
    return (tick_ns - tick_ns[:1]) / 1e9


def _parquet_times(file: Path, mapping: Mapping, column: Any) -> NDArray[np.float64]:
    import pyarrow as pa

    if pa.types.is_timestamp(column.type):
        since_1970: NDArray[np.int64] = column.cast(pa.timestamp("ns", column.type.tz)).cast("int64").to_numpy()
        return since_1970 / 1e9
    return mapping.seconds(_floats(file, mapping.time, column))


def _own(file: Path, table: Any, rows_s: NDArray[np.float64]) -> Foreign:
    """Samples of this program, with qualities and uncertainties; of a drive that nobody has judged, its readings."""
    about: dict[str, Any] = json.loads(table.schema.metadata[METADATA_KEY])
    told: dict[str, str] = about["units"]
    read_at: dict[str, str] = about.get("read_at", {})
    series = []
    for name in [n for n in told if f"{n}_uncertainty" in told and n in table.column_names]:
        target, values = Target(name, told[name]), _floats(file, name, table[name])
        if about.get("settings") == "" and name in read_at:
            values = np.where(unpack(read_at[name], len(rows_s)), values, np.nan)
            series.append(series_of(target, rows_s, values))
            continue
        words, doubts = table[f"{name}_quality"].to_pylist(), _floats(file, name, table[f"{name}_uncertainty"])
        series.append(told_series(target, rows_s, values, qualities_of(file, name, words), doubts))
    start, clock = about.get("start"), about.get("clock_quality", UNKNOWN)
    return Foreign(rows_s, series, start=datetime.fromisoformat(start) if start else None, clock=clock)


def _floats(file: Path, name: str, column: Any) -> NDArray[np.float64]:
    try:
        found: NDArray[np.float64] = column.cast("float64").to_numpy().astype(np.float64)
    except Exception as error:
        raise DriveError(f"{file}: column '{name}' holds no numbers: {error}") from error
    return found
