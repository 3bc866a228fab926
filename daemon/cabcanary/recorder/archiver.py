"""Journal -> archive, in a process of its own: closes finished drives and recovers those that were cut off.

`python -m cabcanary.recorder.archiver`; one line of JSON on standard input, {"folder": …}; one JSON object a
line on standard output for each drive. A journal that a live daemon holds is left alone. It ends when its standard
input ends, wherever it is: the next start goes on from there, and two at one journal would be in each other's way.
"""

from __future__ import annotations

import contextlib
import fcntl
import glob
import json
import os
import sys
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.clocks import make_clock
from cabcanary.processes.input_ends import end_with_input
from cabcanary.recorder.closing import Closing, manifest_of
from cabcanary.recorder.dating import Dated, date_afterwards, dated, known_time
from cabcanary.recorder.journal_drive import Drive, NewerFormatError
from cabcanary.recorder.parts import Parts
from cabcanary.recorder.retention import UNREADABLE, UNREADABLE_DAYS, has_a_block, make_room, remove_leftovers
from cabcanary.recorder.tidying import tidy
from cabcanary.recorder.waiting import PARTS, in_turn, remove_left_parts
from cabcanary.settings.schema import Archive
from cabcanary.store.archive import be_sparing, read_about
from cabcanary.store.boots import keep_index
from cabcanary.store.journal import JournalFile
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
    from collections.abc import Callable, Iterable, Iterator

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
    steps: list[Callable[[], Iterable[dict[str, Any]]]] = [
        partial(make_room, folder, limits, now),
        partial(each_archived, folder, fit),
        partial(date_afterwards, folder, fit),
        partial(tidy, folder),
        partial(make_room, folder, limits, now),
    ]
    told: set[str] = set()
    for step in steps:
        for report in _without_fail(step):
            if report["text"] not in told:
                told.add(report["text"])
                yield report
    with contextlib.suppress(OSError):
        remove_leftovers(folder)
        remove_left_parts(folder)
    with contextlib.suppress(OSError):
        keep_index(folder)


def _without_fail(step: Callable[[], Iterable[dict[str, Any]]]) -> Iterator[dict[str, Any]]:
    """The reports of one step; its fault must not keep the others from their work."""
    try:
        yield from step()
    except OSError as error:
        yield {"failed": "archive", "text": f"the archive cannot be kept: {error}"}
    except Exception as error:  # noqa: BLE001 - whatever it is, the next step is taken
        yield {"failed": "archive", "text": f"the archive cannot be kept: {type(error).__name__}: {error}"}


def archive_all(folder: Path, fit: Fit | None = None) -> list[dict[str, Any]]:
    """Archive every journal that no daemon holds; one report for each.

    `fit` is the current fit of the wall clock; drives of the same start of the machine are dated by it.
    """
    return list(each_archived(folder, fit))


def each_archived(folder: Path, fit: Fit | None = None) -> Iterator[dict[str, Any]]:
    """As `archive_all`, a report as soon as its drive is archived: the power may go before the next one is."""
    for path in in_turn(folder):
        try:
            descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC)
        except OSError:
            continue
        try:
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            yield _archive_one(folder, path, JournalFile(descriptor), fit)
        except BlockingIOError:
            continue
        except (OSError, ValueError) as error:
            yield {"failed": path.stem, "text": f"{path.name}: {error}"}
        except Exception as error:  # noqa: BLE001 - whatever one journal holds, the others are archived
            yield {"failed": path.stem, "text": f"{path.name}: {type(error).__name__}: {error}"}
        finally:
            os.close(descriptor)


def _archive_one(folder: Path, path: Path, journal: JournalFile, fit: Fit | None) -> dict[str, Any]:
    try:
        drive = Drive(journal)
    except NewerFormatError:
        raise
    except ValueError as error:
        # Nothing can be made of it, and nothing is thrown away: it moves out of the way of the next start.
        aside = path.rename(path.with_suffix(UNREADABLE))
        # From when on it lies there is said by whoever knows the time.
        os.utime(aside, (0, 0))
        how_long = ", for some of it is whole" if has_a_block(aside) else f" for {UNREADABLE_DAYS} days"
        return {"failed": path.stem, "text": f"{path.name}: {error}; kept as {aside.name}{how_long}"}
    name = drive.header["drive"]
    drive.header = {**drive.header, "drive": _free_name(folder, drive.header)}
    manifest = write_drive(folder, drive, fit, None, path.stem)
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


def write_drive(
    folder: Path, drive: Recorded, fit: Fit | None = None, like: Manifest | None = None, parts_name: str = ""
) -> Manifest:
    """Write a drive's Parquet file, its events and, last, its manifest.

    With `like` it is made from that drive, and begins when that one did. `parts_name` is the journal's, beside which
    finished parts lie until all of them are there.
    """
    header = drive.header
    note = ""
    try:
        plan: Plan | None = drive.plan()
    except SettingsError as error:
        plan, note = None, f"values could not be computed: {error}"
    parts = Parts(folder / JOURNAL / f"{parts_name or header['drive']}{PARTS}", drive, plan)
    parts.make()
    when = dated(header, drive.events, parts.first_ns if parts.ticks else None, fit)
    if like is not None:
        when = Dated(like.start, like.clock, like.clock_within_s)
    target = drive_folder(folder, header["vehicle"], when.start)
    make_folder(target)
    about = {k: header[k] for k in _ABOUT if k in header} | {"start": when.start, "clock_quality": when.quality}
    closing = Closing(
        first_ns=parts.first_ns,
        clock_within_s=when.within_s,
        recovered=drive.end is None if like is None else like.recovered,
        lost_blocks=drive.lost_blocks,
        lost_ticks=int((drive.end or {}).get("lost_ticks", 0)),
        lost_events=int((drive.end or {}).get("lost_events", 0)),
        note=note,
        made_from="" if like is None else like.drive,
    )
    # With it a manifest that was lost can be made again from this file and the events.
    about["closing"] = closing._asdict()
    samples = target / f"{header['drive']}.parquet"
    parts.join(samples, about)
    lines = "".join(json.dumps(e, ensure_ascii=False) + "\n" for e in sorted(drive.events, key=lambda e: e["t"]))
    write_atomically(target / f"{header['drive']}.events.jsonl", lines.encode())
    manifest = manifest_of(samples)
    write_atomically(target / f"{manifest.drive}{MANIFEST_ENDING}", manifest_json(manifest))
    parts.remove()
    return manifest


def _words(manifest: Manifest) -> str:
    how = "recovered after it was cut off" if manifest.recovered else "archived"
    lost = {"blocks": manifest.lost_blocks, "ticks": manifest.lost_ticks, "events": manifest.lost_events}
    words = " and ".join(f"{count} {what}" for what, count in lost.items() if count)
    return f"drive {manifest.drive} {how}: {manifest.length_s:.1f} s" + (f", {words} lost" if words else "")


def _be_modest() -> None:
    """Warnings come first: the others get the processor, and when memory runs out this process goes, not the daemon."""
    os.nice(10)
    be_sparing()
    with contextlib.suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text("500")


def main() -> int:
    """Archive the drives that wait, once."""
    _be_modest()
    settings = json.loads(sys.stdin.readline())
    end_with_input(sys.stdin.fileno())
    try:
        for report in keep_house(Path(settings["folder"]), settings):
            sys.stdout.write(json.dumps(report, ensure_ascii=False) + "\n")
            sys.stdout.flush()
    except BrokenPipeError:
        # The daemon was killed, and this is seen before the end of the input is.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
