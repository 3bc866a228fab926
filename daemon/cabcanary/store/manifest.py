"""Manifests: what a drive was, in one small file, so that drives can be listed without opening the archive."""

from __future__ import annotations

import contextlib
import glob
import json
import os
import re
import stat
import zlib
from typing import TYPE_CHECKING, Any

from pydantic import BaseModel, ConfigDict, ValidationError

from cabcanary.store.remarks import drop_remarks, read_remarks

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

DRIVES = "drives"
JOURNAL = "journal"
MANIFEST_ENDING = ".manifest.json"
MARKS_ENDING = ".marks.json"
#: Behind the ending of a manifest whose drive is being removed.
REMOVED = ".removed"


class AlertCount(BaseModel):
    """How often one alert was raised in a drive."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    alert: str
    priority: str
    count: int
    #: Seconds from the drive's first sample to the first time.
    first_s: float


class Manifest(BaseModel):
    """One archived drive. Unknown keys are left alone: a newer version may have written it."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    drive: str
    vehicle: str
    stage: str
    #: ISO 8601, UTC; `clock` says how well it is known.
    start: str
    length_s: float
    ticks: int
    #: The drive was cut off (power, kill) and put together from its journal.
    recovered: bool
    #: Blocks or ticks that did not reach the disk.
    lost_blocks: int
    lost_ticks: int
    #: Alerts among them: then the counts below are too low.
    lost_events: int = 0
    software: str
    boost_unit: str | None = None
    peak_boost: float | None = None
    #: The leanest lambda that lasted 0.3 s under boost, and the boost then. An earlier version took a single tick.
    leanest_under_boost: float | None = None
    leanest_at_boost: float | None = None
    #: Lambda that 95 % of all ticks under boost were not above; None too where an earlier version wrote this.
    lambda_95_under_boost: float | None = None
    alerts: list[AlertCount] = []
    #: Rules watched this drive; where none did, no alert means nothing.
    judged: bool = True
    #: What went wrong in putting it together, if anything did.
    note: str = ""
    #: How `start` is known: synchronised, dated afterwards, not synchronised, imported.
    clock: str = "not synchronised"
    #: How far `start` may be off, seconds; None where nobody knows.
    clock_within_s: float | None = None
    #: Which start of the machine, and what its monotonic clock said at the first sample: for dating it afterwards.
    boot: str = ""
    first_ns: int = 0
    speed: float = 1.0
    #: Kept by a person: retention leaves it for last.
    kept: bool = False
    notes: list[str] = []
    #: Made from another drive with other curves, or from another program's file.
    made_from: str = ""


def slug(name: str) -> str:
    """A name as part of a path."""
    return re.sub(r"[^a-z0-9]+", "-", name.lower()).strip("-") or "unnamed"


def drive_folder(folder: Path, vehicle: str, start: str) -> Path:
    """Where a drive is archived: partitioned by vehicle and month, as Hive-style data sets are."""
    return folder / DRIVES / f"vehicle={slug(vehicle)}" / f"month={start[:7]}"


def make_folder(folder: Path) -> None:
    """Make a folder of the archive with all above it. What root makes belongs to the owner of the folder above it, or
    the daemon, which is somebody else, could not write there afterwards."""
    above = folder.parent
    if not above.exists():
        make_folder(above)
    try:
        folder.mkdir()
    except FileExistsError:
        return
    if os.geteuid() == 0:
        owner = above.stat()
        # Some cards are formatted in a way that knows no owners; then nobody is kept from writing either.
        with contextlib.suppress(OSError):
            os.chown(folder, owner.st_uid, owner.st_gid)


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all, whatever happens to the power. One that was there keeps who
    may read it, and, where root writes, whose it is."""
    temporary = path.with_name(path.name + ".new")
    with temporary.open("wb") as file:
        with contextlib.suppress(FileNotFoundError):
            before = path.stat()
            # Some cards are formatted in a way that knows neither owners nor permissions.
            with contextlib.suppress(OSError):
                os.fchmod(file.fileno(), stat.S_IMODE(before.st_mode))
                if os.geteuid() == 0:
                    os.fchown(file.fileno(), before.st_uid, before.st_gid)
        file.write(data)
        file.flush()
        os.fsync(file.fileno())
    temporary.replace(path)
    sync_folder(path.parent)


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def read_manifests(folder: Path) -> tuple[list[tuple[Path, Manifest]], list[str]]:
    """All drives under a state folder, oldest first, with what the pages have said; and what cannot be read and why."""
    found, faults = [], []
    for path in sorted((folder / DRIVES).glob(f"vehicle=*/month=*/*{MANIFEST_ENDING}")):
        try:
            found.append((path, laid_over(folder, read_manifest(path))))
        except (OSError, ValidationError, ValueError) as error:
            faults.append(f"{path}: {str(error).splitlines()[0]}")
    return sorted(found, key=lambda f: (f[1].start, f[1].drive)), faults


def laid_over(folder: Path, manifest: Manifest) -> Manifest:
    """A manifest with what the pages have said of its drive. A note that has gone into it already is not told twice."""
    said = read_remarks(folder, manifest.drive)
    new = [note for note in said.notes if note not in manifest.notes]
    if not new and said.kept in (None, manifest.kept):
        return manifest
    kept = manifest.kept if said.kept is None else said.kept
    return manifest.model_copy(update={"kept": kept, "notes": [*manifest.notes, *new]})


def newest_first(folder: Path, vehicle: str) -> Iterator[tuple[Path, Manifest]]:
    """The drives of one vehicle, the newest first. A drive lies in the month of its start, so whoever needs a few does
    not read an archive of years."""
    for month in sorted((folder / DRIVES).glob(f"vehicle={slug(vehicle)}/month=*"), reverse=True):
        found = []
        for path in month.glob(f"*{MANIFEST_ENDING}"):
            with contextlib.suppress(OSError, ValueError):
                found.append((path, Manifest.model_validate_json(path.read_bytes())))
        yield from sorted(found, key=lambda f: (f[1].start, f[1].first_ns, f[1].drive), reverse=True)


def manifest_json(manifest: Manifest) -> bytes:
    """A manifest as its file holds it."""
    content: dict[str, Any] = manifest.model_dump()
    content["checksum"] = _checksum(content)
    return json.dumps(content, indent=1, ensure_ascii=False).encode() + b"\n"


def read_manifest(path: Path) -> Manifest:
    """A manifest from its file.

    Raises:
        ValueError: it is damaged.
        OSError: it cannot be read.
    """
    try:
        content = json.loads(path.read_bytes())
    except RecursionError as error:
        raise ValueError("it is damaged: nested without end") from error
    # Those of earlier versions have none.
    if isinstance(content, dict) and content.get("checksum", "") not in ("", _checksum(content)):
        raise ValueError("it is damaged: its checksum is another one")
    return Manifest.model_validate(content)


_PLAIN = json.JSONEncoder(sort_keys=True, separators=(",", ":"))


def _checksum(content: dict[str, Any]) -> str:
    """CRC-32 of the other keys, in the order of their names, as JSON without spaces."""
    others = {key: value for key, value in content.items() if key != "checksum"}
    return f"{zlib.crc32(_PLAIN.encode(others).encode()):08x}"


class Marks(BaseModel):
    """What was said of a drive after it was archived; it stands beside the manifest as well, which can be made anew."""

    model_config = ConfigDict(extra="ignore", frozen=True, allow_inf_nan=False)

    kept: bool = False
    notes: list[str] = []
    start: str
    clock: str
    clock_within_s: float | None


def write_manifest(path: Path, manifest: Manifest) -> None:
    """Write a manifest, and before it what of it stands nowhere else."""
    name = manifest.drive + MARKS_ENDING
    marks = Marks.model_validate(manifest.model_dump(include=set(Marks.model_fields)))
    write_atomically(path.with_name(name), marks.model_dump_json(indent=1).encode() + b"\n")
    write_atomically(path, manifest_json(manifest))


def files_of(manifest_path: Path) -> list[Path]:
    """All files of a drive, its manifest first."""
    drive = manifest_path.name.removesuffix(MANIFEST_ENDING)
    others = [p for p in manifest_path.parent.glob(f"{drive}.*") if p != manifest_path and not p.name.endswith(".new")]
    return [manifest_path, *sorted(others)]


def state_folder(beside: Path) -> Path:
    """The state folder of a file that lies where drives are archived (`drive_folder`); of another, no such folder."""
    above = beside.absolute().parents
    return above[min(3, len(above) - 1)]


def remove_drive(manifest_path: Path) -> None:
    """Remove a drive. The manifest goes first: without one a drive is not listed, so none is listed in pieces."""
    going = manifest_path.with_name(manifest_path.name + REMOVED)
    manifest_path.replace(going)
    sync_folder(manifest_path.parent)
    finish_removal(going)


def finish_removal(going: Path) -> None:
    """Remove what is left of a drive; `going` is its manifest under the name that says so, and goes last."""
    drive = going.name.removesuffix(MANIFEST_ENDING + REMOVED)
    for path in going.parent.glob(f"{glob.escape(drive)}.*"):
        if path != going:
            path.unlink(missing_ok=True)
    sync_folder(going.parent)
    with contextlib.suppress(OSError):  # a few bytes without a drive do no harm
        drop_remarks(state_folder(going), drive)
    going.unlink(missing_ok=True)
    sync_folder(going.parent)
