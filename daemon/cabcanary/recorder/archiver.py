"""Journal -> archive, in a process of its own: closes finished drives and recovers those that were cut off.

`python -m cabcanary.recorder.archiver`; one line of JSON on standard input, {"folder": …}; one JSON object a
line on standard output for each drive. A journal that a live daemon holds is left alone.
"""

from __future__ import annotations

import contextlib
import fcntl
import glob
import json
import os
import sys
from dataclasses import dataclass
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.clocks import make_clock
from cabcanary.recorder.dating import Dated, date_afterwards, dated, known_time
from cabcanary.recorder.journal_drive import Drive, NewerFormatError
from cabcanary.recorder.layout import Survey, Table
from cabcanary.recorder.retention import UNREADABLE, UNREADABLE_DAYS, make_room, remove_leftovers
from cabcanary.recorder.summary import Summary
from cabcanary.settings.schema import Archive
from cabcanary.store.archive import ROWS_PER_GROUP, SampleWriter, read_about
from cabcanary.store.boots import keep_index
from cabcanary.store.manifest import (
    DRIVES,
    JOURNAL,
    MANIFEST_ENDING,
    Manifest,
    drive_folder,
    make_folder,
    manifest_json,
    sync_folder,
    write_atomically,
)
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from cabcanary.plan.plan import Plan
    from cabcanary.recorder.dating import Fit
    from cabcanary.recorder.journal_drive import Recorded


def keep_house(folder: Path, settings: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """Everything that is to be done to the archive now; a report for each thing done."""
    limits = Archive.model_validate(settings.get("archive", {}))
    clock = make_clock(float(settings.get("speed", 1.0)))
    fit = known_time(clock.speed, settings.get("told_time"))
    now = datetime.fromtimestamp(fit.wall_at(clock.now_ns()) / 1e9, UTC) if fit is not None else None
    if not (folder / JOURNAL).is_dir() and not (folder / DRIVES).is_dir():
        return
    # Room first, so that there is some for the drives to be archived; a card that cannot be written says so by itself.
    steps: list[Callable[[], list[dict[str, Any]]]] = [
        partial(make_room, folder, limits, now),
        partial(archive_all, folder, fit),
        partial(date_afterwards, folder, fit),
        partial(make_room, folder, limits, now),
    ]
    told: set[str] = set()
    for step in steps:
        try:
            reports = step()
        except OSError as error:
            reports = [{"failed": "archive", "text": f"the archive cannot be kept: {error}"}]
        except Exception as error:  # noqa: BLE001 - one step's fault must not keep the others from their work
            reports = [{"failed": "archive", "text": f"the archive cannot be kept: {type(error).__name__}: {error}"}]
        for report in reports:
            if report["text"] not in told:
                told.add(report["text"])
                yield report
    with contextlib.suppress(OSError):
        remove_leftovers(folder)
    with contextlib.suppress(OSError):
        keep_index(folder)


def archive_all(folder: Path, fit: Fit | None = None) -> list[dict[str, Any]]:
    """Archive every journal that no daemon holds; one report for each.

    `fit` is the current fit of the wall clock; drives of the same start of the machine are dated by it.
    """
    reports = []
    for path in sorted((folder / JOURNAL).glob("*.ccj")):
        try:
            descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            reports.append(_archive_one(folder, path, fit))
        except BlockingIOError:
            continue
        except (OSError, ValueError) as error:
            reports.append({"failed": path.stem, "text": f"{path.name}: {error}"})
        except Exception as error:  # noqa: BLE001 - whatever one journal holds, the others are archived
            reports.append({"failed": path.stem, "text": f"{path.name}: {type(error).__name__}: {error}"})
        finally:
            os.close(descriptor)
    return reports


def _archive_one(folder: Path, path: Path, fit: Fit | None) -> dict[str, Any]:
    try:
        drive = Drive(path.read_bytes())
    except NewerFormatError:
        raise
    except ValueError as error:
        # Nothing can be made of it, and nothing is thrown away: it moves out of the way of the next start.
        aside = path.rename(path.with_suffix(UNREADABLE))
        # From when on it lies there is said by whoever knows the time.
        os.utime(aside, (0, 0))
        return {"failed": path.stem, "text": f"{path.name}: {error}; kept as {aside.name} for {UNREADABLE_DAYS} days"}
    name = drive.header["drive"]
    drive.header = {**drive.header, "drive": _free_name(folder, drive.header)}
    manifest = write_drive(folder, drive, fit)
    path.unlink()
    sync_folder(path.parent)
    words = _words(manifest) + ("" if manifest.drive == name else f"; there was another drive {name} already")
    return {"archived": manifest.drive, "recovered": manifest.recovered, "text": words}


def _free_name(folder: Path, header: dict[str, Any]) -> str:
    """The drive's name; with a number behind it where another drive has that, whose files are never written over."""
    name = wanted = str(header["drive"])
    number = 1
    while any(
        not _is_same(p, header) for p in (folder / DRIVES).glob(f"vehicle=*/month=*/{glob.escape(name)}.parquet")
    ):
        number += 1
        name = f"{wanted}-{number}"
    return name


def _is_same(samples: Path, header: dict[str, Any]) -> bool:
    """Whether these are samples of this very drive, of which an earlier closing was cut off."""
    try:
        about = read_about(samples)
    except (OSError, ValueError):
        return False
    return all(about.get(key) == header.get(key) for key in ("boot", "clock", "begun"))


#: What of a journal's header goes into the archive: all that is needed to play the drive again.
_ABOUT = (
    "drive",
    "vehicle",
    "stage",
    "software",
    "settings",
    "rules",
    "baselines",
    "channels",
    "begun",
    "channels_state",
    "rules_state",
    "clock",
    "speed",
    "boot",
)


@dataclass(frozen=True, slots=True)
class _Closing:
    """What closing a drive has found out about it."""

    survey: Survey
    when: Dated
    note: str
    figures: dict[str, Any]


def write_drive(folder: Path, drive: Recorded, fit: Fit | None = None, like: Manifest | None = None) -> Manifest:
    """Write a drive's Parquet file, its events and, last, its manifest.

    With `like` it is made from that drive, and begins when that one did.
    """
    header = drive.header
    note = ""
    try:
        plan: Plan | None = drive.plan()
    except SettingsError as error:
        plan, note = None, f"values could not be computed: {error}"
    survey = Survey(drive)
    when = dated(header, drive.events, survey.first_ns if survey.ticks else None, fit)
    if like is not None:
        when = Dated(like.start, like.clock, like.clock_within_s)
    target = drive_folder(folder, header["vehicle"], when.start)
    make_folder(target)
    summary = Summary(plan)
    about = {k: header[k] for k in _ABOUT if k in header} | {"start": when.start, "clock_quality": when.quality}
    _write_samples(target / f"{header['drive']}.parquet", drive, plan, survey, summary, about)
    lines = "".join(json.dumps(e, ensure_ascii=False) + "\n" for e in sorted(drive.events, key=lambda e: e["t"]))
    write_atomically(target / f"{header['drive']}.events.jsonl", lines.encode())
    closing = _Closing(survey, when, note, summary.result(drive.events, survey.first_ns))
    manifest = _manifest(drive, closing)
    if like is not None:
        manifest = manifest.model_copy(update={"made_from": like.drive, "recovered": like.recovered})
    write_atomically(target / f"{manifest.drive}{MANIFEST_ENDING}", manifest_json(manifest))
    return manifest


def _write_samples(
    path: Path, drive: Recorded, plan: Plan | None, survey: Survey, summary: Summary, about: dict[str, Any]
) -> None:
    """Compute and write a row group at a time, so that a drive of hours takes the memory of minutes."""
    table = Table(drive.header, survey, plan)
    writer = SampleWriter(path, table.columns, about)
    try:
        walk = drive.walk_frames(plan) if plan is not None else ((tick, None) for tick in drive.walk())
        for tick, frame in walk:
            table.add(tick, frame)
            if frame is not None:
                summary.add(frame)
            if len(table) >= ROWS_PER_GROUP:
                writer.add(table.take())
        if len(table):
            writer.add(table.take())
        writer.close()
    except BaseException:
        writer.discard()
        raise


def _manifest(drive: Recorded, closing: _Closing) -> Manifest:
    header, survey, when = drive.header, closing.survey, closing.when
    return Manifest(
        drive=header["drive"],
        vehicle=header["vehicle"],
        stage=header["stage"],
        start=when.start,
        clock=when.quality,
        clock_within_s=when.within_s,
        boot=header.get("boot", ""),
        first_ns=survey.first_ns,
        speed=header.get("speed", 1.0),
        length_s=round((survey.last_ns - survey.first_ns) / 1e9, 3),
        ticks=survey.ticks,
        recovered=drive.end is None,
        lost_blocks=drive.lost_blocks,
        lost_ticks=int((drive.end or {}).get("lost_ticks", 0)),
        lost_events=int((drive.end or {}).get("lost_events", 0)),
        software=header["software"],
        note=closing.note,
        **closing.figures,
    )


def _words(manifest: Manifest) -> str:
    how = "recovered after it was cut off" if manifest.recovered else "archived"
    lost = {"blocks": manifest.lost_blocks, "ticks": manifest.lost_ticks, "events": manifest.lost_events}
    words = " and ".join(f"{count} {what}" for what, count in lost.items() if count)
    return f"drive {manifest.drive} {how}: {manifest.length_s:.1f} s" + (f", {words} lost" if words else "")


def _be_modest() -> None:
    """Warnings come first: the others get the processor, and when memory runs out this process goes, not the daemon."""
    os.nice(10)
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500")


def main() -> int:
    """Archive the drives that wait, once."""
    _be_modest()
    settings = json.loads(sys.stdin.readline())
    try:
        for report in keep_house(Path(settings["folder"]), settings):
            sys.stdout.write(json.dumps(report, ensure_ascii=False) + "\n")
            sys.stdout.flush()
    except BrokenPipeError:
        # The daemon was killed meanwhile: the drives are archived all the same, and nobody is left to hear of it.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
    return 0


if __name__ == "__main__":
    sys.exit(main())
