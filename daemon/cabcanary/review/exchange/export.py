"""A drive for other programs: CSV, Parquet, or MDF4 (ASAM's measurement format)."""

from __future__ import annotations

import csv
import json
import shutil
import tempfile
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.alerts.words import mixture_under_boost
from cabcanary.recorder.archived_drive import ArchivedDrive
from cabcanary.review.list.drives import BELIEVED, NOT_JUDGED, DriveError
from cabcanary.review.progress import shown
from cabcanary.store.manifest import DRIVES, JOURNAL, MANIFEST_ENDING, Manifest

if TYPE_CHECKING:
    from collections.abc import Callable

_ROWS_AT_ONCE = 10_000


def export_drive(samples: Path, to: str, target: Path, folder: Path) -> list[Path]:
    """Write a drive as `to` (csv, parquet, mdf4) into `target`; returns the files made, all of them whole.

    `folder` is the daemon's, whose archive nothing is written into. An MDF4 file always ends in .mf4.

    Raises:
        DriveError: this cannot be done, and what to do.
        OSError: the target cannot be written; nothing is left of it.
    """
    targets = _targets(to, target, folder)
    try:
        drive = ArchivedDrive(samples)
    except (OSError, ValueError) as error:
        raise DriveError(str(error)) from error
    ways: dict[str, Callable[[ArchivedDrive, Path], None]] = {"csv": _csv, "parquet": _parquet, "mdf4": _mdf4}
    try:
        # Beside the target, so that the whole file only needs to be renamed.
        with tempfile.TemporaryDirectory(prefix=".cabcanary-export-", dir=target.parent) as parts:
            made = [Path(parts) / t.name for t in targets]
            ways[to](drive, made[0])
            _refuse_taken(targets)
            for part, whole in zip(made, targets, strict=True):
                part.replace(whole)
    except OSError as error:
        raise OSError(error.errno, error.strerror or str(error), str(targets[0])) from error
    return targets


def _targets(to: str, target: Path, folder: Path) -> list[Path]:
    """Every file that will be written; none of them is there, and none is in the archive."""
    if to == "mdf4" and target.suffix.lower() != ".mf4":
        target = target.with_name(f"{target.name}.mf4")
    if not target.parent.is_dir():
        raise DriveError(f"there is no folder {target.parent}; make it first, or name another with --output")
    targets = [target, _events_beside(target)] if to == "csv" else [target]
    place = target.resolve()
    for kept in (folder / DRIVES, folder / JOURNAL):
        if place.is_relative_to(kept.resolve()):
            raise DriveError(f"{target} would lie in the daemon's own {kept}; name a place outside it with --output")
    _refuse_taken(targets)
    return targets


def _refuse_taken(targets: list[Path]) -> None:
    for target in targets:
        if target.exists():
            raise DriveError(f"{target} is there already; name another file with --output, or remove it")


def _events_beside(target: Path) -> Path:
    return target.with_suffix(".events.jsonl")


def _channels(drive: ArchivedDrive) -> dict[str, str]:
    units: dict[str, str] = drive.header["units"]
    return {name: unit for name, unit in units.items() if f"{name}_uncertainty" in units}


def _csv(drive: ArchivedDrive, target: Path) -> None:
    """`time_s`, then `channel [unit]`; the events as JSON lines beside it. `cabcanary import` reads it."""
    import pyarrow.parquet as pq

    channels = _channels(drive)
    names = ["time_s", *(n for c in channels for n in (c, f"{c}_quality"))]
    with target.open("w", encoding="utf-8", newline="") as file, pq.ParquetFile(drive.samples) as source:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["time_s", *(f"{name} [{unit}]" for name, unit in channels.items())])
        batches = source.iter_batches(_ROWS_AT_ONCE, columns=names)
        for batch in shown(batches, "writing", "rows", source.metadata.num_rows, lambda b: int(b.num_rows)):
            part = batch.to_pydict()
            columns = [
                [v if q in BELIEVED else None for v, q in zip(part[c], part[f"{c}_quality"], strict=True)]
                for c in channels
            ]
            writer.writerows(zip([f"{t:.6f}" for t in part["time_s"]], *columns, strict=True))
    lines = (json.dumps(_timed(e, drive), ensure_ascii=False) + "\n" for e in drive.events)
    _events_beside(target).write_text("".join(lines), encoding="utf-8")


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


def _parquet(drive: ArchivedDrive, target: Path) -> None:
    shutil.copyfile(drive.samples, target)


def _mdf4(drive: ArchivedDrive, target: Path) -> None:
    """One signal a channel; what is not to be relied on is NaN and marked invalid; events in the file's comment."""
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
        # A reader that knows nothing of invalidation bits sees no number either.
        values = np.where(believed, table[name].to_numpy().astype(np.float64), np.nan)
        comment = f"{about['vehicle']}, {about['stage']}"
        signals.append(Signal(values, time_s, name=name, unit=unit, comment=comment, invalidation_bits=~believed))
    with MDF(version="4.10") as file:
        start = datetime.fromisoformat(about["start"])
        file.header.start_time = start
        # The library counts in floats, which lose the last of the nanoseconds.
        file.header.abs_time = round(start.timestamp() * 1000) * 1_000_000
        file.header.author = f"cabcanary {about['software']}"
        file.header.comment = "\n".join(
            [
                f"drive {about['drive']} of {about['vehicle']}, {about['stage']}",
                f"started {about['start']} ({about.get('clock_quality', '')})",
                *_figures(drive.samples),
                *_event_lines(drive),
            ]
        )
        file.append(signals, common_timebase=True)
        file.save(target, compression=2)


def _figures(samples: Path) -> list[str]:
    """The drive's figures as its list and its arrival tell them; none where its manifest cannot be read."""
    try:
        manifest = Manifest.model_validate_json(samples.with_name(f"{samples.stem}{MANIFEST_ENDING}").read_bytes())
    except (OSError, ValueError):
        return []
    found = [] if manifest.peak_boost is None else [f"peak boost {manifest.peak_boost:.1f} {manifest.boost_unit}"]
    mixture = mixture_under_boost(manifest.model_dump())
    found += [f"leanest under boost {mixture}"] if mixture else []
    return found + ([] if manifest.judged else [f"alerts {NOT_JUDGED}"])


def _event_lines(drive: ArchivedDrive) -> list[str]:
    start = first_ns(drive)
    told = [e for e in drive.events if e["kind"] in ("alert", "acknowledge", "note", "drive")]
    return [f"{(e['t'] - start) / 1e9:.3f} s  {e['kind']} {e['what']}: {e['text']}" for e in told]
