"""A drive for other programs: CSV, Parquet, or MDF4 (ASAM's measurement format)."""

from __future__ import annotations

import csv
import json
import shutil
from datetime import datetime
from functools import partial
from typing import TYPE_CHECKING, Any

from cabcanary.alerts.words import mixture_under_boost
from cabcanary.model import Quality
from cabcanary.recorder.archived_drive import ArchivedDrive
from cabcanary.review.exchange.log_mdf import OWN_AUTHOR
from cabcanary.review.list.drives import BELIEVED, NOT_JUDGED, DriveError
from cabcanary.review.new_files import refuse_place, refuse_taken, write_whole
from cabcanary.review.progress import shown
from cabcanary.store.manifest import MANIFEST_ENDING, Manifest

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_ROWS_AT_ONCE = 10_000
_WITHIN = (Quality.WITHIN.words,)
_NUMBERS = {q.words: int(q) for q in Quality}


def export_drive(samples: Path, to: str, target: Path, folder: Path, *, compressed: bool = True) -> list[Path]:
    """Write a drive as `to` (csv, parquet, mdf4) into `target`; returns the files made, all of them whole.

    `folder` is the daemon's, whose archive nothing is written into. An MDF4 file always ends in .mf4; its data blocks
    are `compressed` (##DZ), which not every program can open, or plain (##DT).

    Raises:
        DriveError: this cannot be done, and what to do.
        OSError: the target cannot be written; nothing is left of it.
    """
    targets = _targets(to, target, folder)
    try:
        drive = ArchivedDrive(samples)
    except (OSError, ValueError) as error:
        raise DriveError(str(error)) from error
    mdf4 = partial(_mdf4, compressed=compressed)
    ways: dict[str, Callable[[ArchivedDrive, Path], None]] = {"csv": _csv, "parquet": _parquet, "mdf4": mdf4}
    write_whole(targets, lambda made: ways[to](drive, made[0]))
    return targets


def _targets(to: str, target: Path, folder: Path) -> list[Path]:
    """Every file that will be written; none of them is there, and none is in the archive."""
    if to == "mdf4" and target.suffix.lower() != ".mf4" and target.name and not target.is_dir():
        target = target.with_name(f"{target.name}.mf4")
    refuse_place(target, folder)
    targets = [target, _events_beside(target)] if to == "csv" else [target]
    refuse_taken(targets)
    return targets


def _events_beside(target: Path) -> Path:
    return target.with_suffix(".events.jsonl")


def _channels(drive: ArchivedDrive) -> dict[str, str]:
    units: dict[str, str] = drive.header["units"]
    return {name: unit for name, unit in units.items() if f"{name}_uncertainty" in units}


def _csv(drive: ArchivedDrive, target: Path) -> None:
    """`time_s`, then `channel [unit]`, behind them quality and uncertainty of each; events as JSON lines beside it.

    A value that is not to be relied on is an empty cell. `cabcanary import` reads all of it.
    """
    import pyarrow.parquet as pq

    channels, within = _channels(drive), _within(drive)
    names = ["tick_ns", *(n for c in channels for n in (c, f"{c}_quality", f"{c}_uncertainty"))]
    head = ["time_s", *(f"{name} [{unit}]" for name, unit in channels.items())]
    for name, unit in channels.items():
        head += [f"{name}_quality", f"{name}_uncertainty [{unit}]"]
        head += [f"{name}_within [{unit}]"] if name in within else []
    begun_ns = first_ns(drive)
    with target.open("w", encoding="utf-8", newline="") as file, pq.ParquetFile(drive.samples) as source:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(head)
        batches = source.iter_batches(_ROWS_AT_ONCE, columns=names)
        for batch in shown(batches, "writing", "rows", source.metadata.num_rows, lambda b: int(b.num_rows)):
            part = batch.to_pydict()
            columns = [_only(part[c], part[f"{c}_quality"], BELIEVED) for c in channels]
            for c in channels:
                columns += [part[f"{c}_quality"], part[f"{c}_uncertainty"]]
                columns += [_only(part[c], part[f"{c}_quality"], _WITHIN)] if c in within else []
            writer.writerows(zip([f"{(t - begun_ns) / 1e9:.6f}" for t in part["tick_ns"]], *columns, strict=True))
    lines = (json.dumps(_timed(e, drive), ensure_ascii=False) + "\n" for e in drive.events)
    _events_beside(target).write_text("".join(lines), encoding="utf-8")


def _only(values: list[Any], qualities: list[str], wanted: tuple[str, ...]) -> list[Any]:
    return [v if q in wanted else None for v, q in zip(values, qualities, strict=True)]


def _within(drive: ArchivedDrive) -> set[str]:
    """Channels that are an interval somewhere in the drive: its middle stands apart, as it is no value to rely on."""
    import pyarrow.parquet as pq

    found: set[str] = set()
    with pq.ParquetFile(drive.samples) as source:
        for name in _channels(drive):
            for group in range(source.num_row_groups):
                column = source.read_row_group(group, columns=[f"{name}_quality"])[f"{name}_quality"]
                if set(_WITHIN) & set(column.unique().to_pylist()):
                    found.add(name)
                    break
    return found


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


def _mdf4(drive: ArchivedDrive, target: Path, *, compressed: bool) -> None:
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
    tick_ns = table["tick_ns"].to_numpy()
    time_s = (tick_ns - tick_ns[:1]) / 1e9
    about = drive.header
    comment, within = f"{about['vehicle']}, {about['stage']}", _within(drive)
    signals = []

    def put(name: str, unit: str, numbers: Any, **more: Any) -> None:
        signals.append(Signal(numbers, time_s, name=name, unit=unit, comment=comment, **more))

    for name, unit in _channels(drive).items():
        words = table[f"{name}_quality"].to_numpy(zero_copy_only=False).astype(str)
        believed, values = np.isin(words, BELIEVED), table[name].to_numpy().astype(np.float64)
        # A reader that knows nothing of invalidation bits sees no number either.
        put(name, unit, np.where(believed, values, np.nan), invalidation_bits=~believed)
        put(f"{name}_quality", "", np.array([_NUMBERS[w] for w in words], np.uint8), conversion=_in_words())
        put(f"{name}_uncertainty", unit, table[f"{name}_uncertainty"].to_numpy().astype(np.float64))
        if name in within:
            apart = words == _WITHIN[0]
            put(f"{name}_within", unit, np.where(apart, values, np.nan), invalidation_bits=~apart)
    with MDF(version="4.10") as file:
        start = datetime.fromisoformat(about["start"])
        file.header.start_time = start
        # The library counts in floats, which lose the last of the nanoseconds.
        file.header.abs_time = round(start.timestamp() * 1000) * 1_000_000
        file.header.comment = "\n".join(
            [
                f"drive {about['drive']} of {about['vehicle']}, {about['stage']}",
                f"started {about['start']} ({about.get('clock_quality', '')})",
                *_figures(drive.samples),
                *_event_lines(drive),
            ]
        )
        # Behind the comment: whoever sets that forgets the author.
        file.header.author = f"{OWN_AUTHOR}{about['software']}"
        file.append(signals, common_timebase=True)
        # 2: transposed, then deflated.
        file.save(target, compression=2 if compressed else 0)


def _in_words() -> dict[str, Any]:
    """Value to text, as MDF4 has it: a reader shows the quality in words."""
    return {k: v for q in Quality for k, v in ((f"val_{int(q)}", int(q)), (f"text_{int(q)}", q.words.encode()))}


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
