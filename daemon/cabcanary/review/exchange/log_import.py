"""A log from anywhere as a drive of the archive, so that it can be looked at and rules tried on it."""

from __future__ import annotations

import contextlib
import hashlib
import tempfile
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from cabcanary import __version__, units
from cabcanary.recorder.summary import Summary
from cabcanary.review.exchange.log_files import read_foreign
from cabcanary.review.exchange.log_frames import LogFrames
from cabcanary.review.exchange.log_mapping import Mapping
from cabcanary.review.list.drives import DriveError
from cabcanary.review.progress import shown
from cabcanary.store.archive import Column, SampleWriter, read_about
from cabcanary.store.manifest import (
    MANIFEST_ENDING,
    Manifest,
    drive_folder,
    make_folder,
    manifest_json,
    write_atomically,
)
from cabcanary.store.rows import ROWS_PER_GROUP, Rows

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.plan.plan import Plan
    from cabcanary.review.exchange.log_series import Foreign

#: Rows that are closer than this are not told apart to the millisecond.
_CLOSE_NS = 2_000_000


@dataclass(frozen=True, slots=True)
class Origin:
    """What the file does not say of itself."""

    vehicle: str
    stage: str = ""
    #: ISO 8601; empty: when the file was last changed, which is a guess and called one.
    start: str = ""


@dataclass(frozen=True, slots=True)
class BroughtIn:
    """The result of an import."""

    manifest: Manifest
    channels: list[str]
    #: Channels of the settings that were worked out of what the file holds.
    derived: list[str]
    left_out: list[str]
    #: Ticks in gaps of the log, at which the live code would have looked at silent wires.
    filled: int = 0
    #: The log, or whoever brought it in, said when it was.
    dated: bool = False
    #: A last line that the file's end has cut short; columns of the mapping that the log does not have.
    torn: str = ""
    absent: tuple[str, ...] = ()
    #: The same file had been brought in before; that drive is replaced, and its mark and notes are kept.
    replaced: bool = False


def bring_in(
    folder: Path, file: Path, mapping: Mapping, origin: Origin, plan: Plan | None = None, *, believe: bool = False
) -> BroughtIn:
    """Read a foreign log and archive it under `folder`. What had to be guessed about it is an error, unless `believe`.

    With a plan, values are converted to the units of its channels, and its derived channels are computed by the live
    code as far as the file holds what they are made of.

    Raises:
        DriveError: the file is faulty; the message says where and why.
    """
    log = read_foreign(file, mapping)
    if log.guessed and not believe:
        raise DriveError(_guessed(file, log.guessed))
    start, clock = _start(file, origin, log)
    target_units = _units(log, plan)
    frames = LogFrames(log, target_units, plan)
    derived, tick_ns = frames.derived, frames.tick_ns
    names = {**target_units, **{d.name: plan.channel_units[d.name] for d in derived if plan is not None}}
    drive = f"{start:%Y%m%dT%H%M%SZ}-{hashlib.sha256(file.read_bytes()).hexdigest()[:8]}"
    target = drive_folder(folder, origin.vehicle, start.isoformat())
    make_folder(target)
    before = _before(target / f"{drive}{MANIFEST_ENDING}")
    about = {
        "drive": drive,
        "vehicle": origin.vehicle,
        "stage": origin.stage,
        "software": __version__,
        "settings": plan.settings_text if plan else "",
        "rules": plan.rule_texts if plan else {},
        "channels": [],
        "begun": 0,
        "channels_state": {},
        "rules_state": {},
        "clock": [0, 0],
        "speed": 1.0,
        "boot": "",
        "start": _iso(start),
        "clock_quality": clock,
        "made_from": file.name,
        # Without settings nobody has judged it yet, and held values do not show where readings were.
        **({} if plan else {"read_at": frames.read_at(log)}),
    }
    summary = Summary(plan)
    close = bool(np.any(np.diff(frames.tick_ns) < _CLOSE_NS))
    writer = SampleWriter(target / f"{drive}.parquet", [Column(n, u) for n, u in names.items()], about, exact=close)
    try:
        _write(writer, frames, list(names), summary)
        writer.close()
    except BaseException:
        writer.discard()
        raise
    write_atomically(target / f"{drive}.events.jsonl", b"")
    manifest = Manifest(
        drive=drive,
        vehicle=origin.vehicle,
        stage=origin.stage,
        start=_iso(start),
        clock=clock,
        length_s=round(float(log.rows_s[-1] - log.rows_s[0]), 3),
        ticks=len(tick_ns),
        recovered=False,
        lost_blocks=0,
        lost_ticks=0,
        software=__version__,
        made_from=file.name,
        first_ns=int(tick_ns[0]),
        judged=False,
        kept=before.kept if before else False,
        notes=before.notes if before else [],
        **summary.result([], int(tick_ns[0])),
    )
    write_atomically(target / f"{drive}{MANIFEST_ENDING}", manifest_json(manifest))
    return BroughtIn(
        manifest,
        list(target_units),
        [d.name for d in derived],
        log.left_out,
        filled=frames.filled,
        dated=bool(origin.start) or log.start is not None,
        torn=log.torn,
        absent=tuple(log.absent),
        replaced=before is not None,
    )


def _guessed(file: Path, lines: list[str]) -> str:
    told = "\n".join(f"    {line}" for line in lines)
    return (
        f"{file} is not written as expected. It looks like this:\n{told}\n"
        "Nothing is brought in yet. If that is right, write these lines into a file for --mapping (--columns prints a "
        "whole one), or say --as-guessed"
    )


@contextlib.contextmanager
def with_settings(samples: Path, plan: Plan | None) -> Iterator[Path]:
    """The samples of a drive that says what its channels and rules are.

    That is the drive itself; of one that was brought in without settings, the same log brought in with those of `plan`,
    for as long as it is looked at.

    Raises:
        DriveError: it has no settings, and none are given; or these do not fit it.
    """
    try:
        about = read_about(samples)
    except (OSError, ValueError) as error:
        raise DriveError(str(error)) from error
    if about.get("settings") != "":
        yield samples
        return
    if plan is None:
        words = "was brought in without settings: say --config here, or import its log again with --config"
        raise DriveError(f"{samples.stem} {words}")
    origin = Origin(str(about.get("vehicle", "")), str(about.get("stage", "")), str(about.get("start", "")))
    with tempfile.TemporaryDirectory(prefix="cabcanary-") as temporary:
        made = bring_in(Path(temporary), samples, Mapping(), origin, plan).manifest
        yield drive_folder(Path(temporary), made.vehicle, made.start) / f"{made.drive}.parquet"


def _before(manifest: Path) -> Manifest | None:
    """The manifest of an earlier import of the same file; None if there is none."""
    try:
        return Manifest.model_validate_json(manifest.read_bytes())
    except (OSError, ValueError):
        return None


def _start(file: Path, origin: Origin, log: Foreign) -> tuple[datetime, str]:
    if not origin.start and log.start is not None:
        return log.start, log.clock
    if not origin.start:
        return datetime.fromtimestamp(file.stat().st_mtime, UTC), "not synchronised"
    try:
        start = datetime.fromisoformat(origin.start)
    except ValueError as error:
        raise DriveError(f"--start {origin.start}: write it as in 2026-11-25T08:30:00+01:00") from error
    return (start if start.tzinfo else start.replace(tzinfo=UTC)).astimezone(UTC), "imported"


def _iso(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _units(log: Foreign, plan: Plan | None) -> dict[str, str]:
    """Each channel of the file and the unit that it is kept in."""
    found = {}
    for series in log.series:
        wanted = plan.channel_units.get(series.name, series.unit) if plan is not None else series.unit
        if units.unit(wanted).dimension != units.unit(series.unit).dimension:
            words = f"'{series.name}' is in {series.unit} here and in {wanted} in the settings; they are unlike"
            raise DriveError(f"{words}. Map the column to another channel, or correct its unit")
        found[series.name] = wanted
    return found


def _write(writer: SampleWriter, frames: LogFrames, names: list[str], summary: Summary) -> None:
    tick_ns = frames.tick_ns
    starts = range(0, len(tick_ns), ROWS_PER_GROUP)
    for start in shown(starts, "computing", "rows", len(tick_ns), lambda _: ROWS_PER_GROUP):
        times = tick_ns[start : start + ROWS_PER_GROUP]
        made = [frames.at(start + n) for n in range(len(times))]
        for frame in made:
            summary.add(frame)
        nan = float("nan")
        writer.add(
            Rows(
                times,
                {n: np.array([nan if (v := f.values[n].value) is None else v for f in made]) for n in names},
                {n: np.array([f.values[n].quality for f in made], np.uint8) for n in names},
                {n: np.array([f.values[n].uncertainty for f in made]) for n in names},
            )
        )
