"""A drive for other programs: CSV, Parquet, or MDF4 (ASAM's measurement format)."""

from __future__ import annotations

import csv
import json
import shutil
from typing import TYPE_CHECKING, Any

from cabcanary.recorder.archived import ArchivedDrive
from cabcanary.review.drives import BELIEVED, DriveError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

_ROWS_AT_ONCE = 10_000


def export_drive(samples: Path, to: str, target: Path) -> list[Path]:
    """Write a drive as `to` (csv, parquet, mdf4) into `target`; returns the files made.

    Raises:
        DriveError: this cannot be done, and what to do.
    """
    if target.exists():
        raise DriveError(f"{target} is there already; name another file with --output, or remove it")
    try:
        drive = ArchivedDrive(samples)
    except (OSError, ValueError) as error:
        raise DriveError(str(error)) from error
    ways: dict[str, Callable[[ArchivedDrive, Path], list[Path]]] = {"csv": _csv, "parquet": _parquet, "mdf4": _mdf4}
    return ways[to](drive, target)


def _channels(drive: ArchivedDrive) -> dict[str, str]:
    units: dict[str, str] = drive.header["units"]
    return {name: unit for name, unit in units.items() if f"{name}_uncertainty" in units}


def _csv(drive: ArchivedDrive, target: Path) -> list[Path]:
    """`time_s`, then `channel [unit]`; the events as JSON lines beside it. `cabcanary import` reads it."""
    import pyarrow.parquet as pq

    channels = _channels(drive)
    names = ["time_s", *(n for c in channels for n in (c, f"{c}_quality"))]
    with target.open("w", encoding="utf-8", newline="") as file, pq.ParquetFile(drive.samples) as source:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["time_s", *(f"{name} [{unit}]" for name, unit in channels.items())])
        for batch in source.iter_batches(_ROWS_AT_ONCE, columns=names):
            part = batch.to_pydict()
            columns = [
                [v if q in BELIEVED else None for v, q in zip(part[c], part[f"{c}_quality"], strict=True)]
                for c in channels
            ]
            writer.writerows(zip([f"{t:.6f}" for t in part["time_s"]], *columns, strict=True))
    events = target.with_suffix(".events.jsonl")
    lines = (json.dumps(_timed(e, drive), ensure_ascii=False) + "\n" for e in drive.events)
    events.write_text("".join(lines), encoding="utf-8")
    return [target, events]


def _timed(event: dict[str, Any], drive: ArchivedDrive) -> dict[str, Any]:
    return {"time_s": round((event["t"] - first_ns(drive)) / 1e9, 6), **event}


def first_ns(drive: ArchivedDrive) -> int:
    """The monotonic time of the first sample, ns: where `time_s` counts from."""
    import pyarrow.parquet as pq

    with pq.ParquetFile(drive.samples) as file:
        if not file.metadata.num_rows:
            return 0
        first: int = file.read_row_group(0, columns=["tick_ns"])["tick_ns"][0].as_py()
        return first


def _parquet(drive: ArchivedDrive, target: Path) -> list[Path]:
    shutil.copyfile(drive.samples, target)
    return [target]


def _mdf4(drive: ArchivedDrive, target: Path) -> list[Path]:
    """One signal a channel, values that are not to be relied on marked invalid; events in the file's comment."""
    try:
        from asammdf import MDF, Signal
    except ImportError as error:
        raise DriveError(
            "MDF4 needs a library that is not here; install it with: pip install 'cabcanary[mdf]'"
        ) from error
    import numpy as np
    import pyarrow.parquet as pq

    table = pq.read_table(drive.samples)
    time_s = table["time_s"].to_numpy()
    about = drive.header
    signals = []
    for name, unit in _channels(drive).items():
        believed = np.isin(table[f"{name}_quality"].to_numpy(zero_copy_only=False).astype(str), BELIEVED)
        values = _filled(table[name])
        comment = f"{about['vehicle']}, {about['stage']}"
        signals.append(Signal(values, time_s, name=name, unit=unit, comment=comment, invalidation_bits=~believed))
    with MDF(version="4.10") as file:
        file.header.author = f"cabcanary {about['software']}"
        file.header.comment = "\n".join(
            [
                f"drive {about['drive']} of {about['vehicle']}, {about['stage']}",
                f"started {about['start']} ({about.get('clock_quality', '')})",
                *_event_lines(drive),
            ]
        )
        file.append(signals, common_timebase=True)
        file.save(target, overwrite=True, compression=2)
    return [target]


def _filled(column: Any) -> NDArray[Any]:
    import numpy as np

    filled: NDArray[Any] = np.nan_to_num(column.to_numpy().astype(np.float64), nan=0.0)
    return filled


def _event_lines(drive: ArchivedDrive) -> list[str]:
    start = first_ns(drive)
    told = [e for e in drive.events if e["kind"] in ("alert", "acknowledge", "note", "drive")]
    return [f"{(e['t'] - start) / 1e9:.3f} s  {e['kind']} {e['what']}: {e['text']}" for e in told]
