"""Logs in MDF4 as plain series."""

from __future__ import annotations

import contextlib
import gc
import sys
import traceback
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.review.exchange.log_series import Foreign, beside, refuse_twice, series_of, told_series
from cabcanary.review.exchange.log_times import date_in
from cabcanary.review.list.drives import DriveError

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from cabcanary.review.exchange.log_mapping import Mapping

#: How the author of an export begins.
OWN_AUTHOR = "cabcanary "


def read_mdf4(file: Path, mapping: Mapping) -> Foreign:
    """A log in MDF4.

    Raises:
        DriveError: it cannot be read, and why.
    """
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
    every = {} if mapping.names_columns or not _is_own(source) else {s.name: s for s in mdf_signals(source)}
    own = {n: told for n, s in every.items() if (told := beside(list(every), n, s.unit or ""))}
    apart = {name for told in own.values() for name in told}
    series, left_out, names = [], [], []
    for signal in every.values() or mdf_signals(source):
        if signal.name in apart:
            continue
        names.append(signal.name)
        numeric = signal.samples.dtype.kind in "iufb" and signal.samples.ndim == 1 and len(signal.timestamps)
        target = mapping.target(signal.name, signal.unit or "") if numeric else None
        if target is None:
            left_out.append(signal.name)
            continue
        times, values = np.asarray(signal.timestamps, dtype=np.float64), _valid(signal)
        if (told := own.get(signal.name)) is None:
            series.append(series_of(target, times, values))
            continue
        qualities = every[told.quality].samples.astype(np.uint8)
        doubts, within = (None if n is None else _valid(every[n]) for n in (told.uncertainty, told.within))
        series.append(told_series(target, times, values, qualities, doubts, within))
    refuse_twice(file, [s.name for s in series])
    rows_s = max((s.time_s for s in series), key=len) if series else np.array([])
    absent = mapping.absent([*left_out, *names])
    return Foreign(rows_s, series, left_out, start=_mdf_start(source), absent=absent)


def _is_own(source: Any) -> bool:
    """An export of this program, whose signals of quality mean what they say."""
    return str(source.header.author).startswith(OWN_AUTHOR)


def _valid(signal: Any) -> NDArray[np.float64]:
    values: NDArray[np.float64] = signal.samples.astype(np.float64)
    invalid = getattr(signal, "invalidation_bits", None)
    return values if invalid is None else np.where(np.asarray(invalid, dtype=bool), np.nan, values)


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
