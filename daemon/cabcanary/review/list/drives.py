"""The list of recorded drives, and what a person does with one: find, keep, note, remove."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from cabcanary.alerts.words import mixture_under_boost
from cabcanary.recorder.dating import UNKNOWN
from cabcanary.store.manifest import Manifest, read_manifests, remove_drive, slug, write_manifest
from cabcanary.store.remarks import drop_remarks

#: Only values of these qualities are numbers to rely on; no dead sensor may look alive in a table.
BELIEVED = ("good", "saturated high", "saturated low")
#: What a drive says of its alerts that no rules have watched.
NOT_JUDGED = "not judged"

#: How a drive's name begins: with what the clock showed when the drive did.
_NAME = re.compile(r"(\d{8}T\d{6}Z)-")
#: A name and a start that are nearer than this say the same, s: a drive's first sample is of some seconds before, and a
#: clock that runs is corrected by as much.
_APART_S = 600.0


class DriveError(ValueError):
    """The request cannot be met with these drives; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which drives to list; an empty field does not filter. Days are as in 2026-11-25, in UTC, both included."""

    vehicle: str = ""
    stage: str = ""
    since: str = ""
    until: str = ""
    alert: str = ""
    kept: bool = False

    def holds(self, manifest: Manifest) -> bool:
        """Whether a drive is one of them."""
        return (
            (not self.vehicle or slug(self.vehicle) == slug(manifest.vehicle))
            and (not self.stage or self.stage.lower() in manifest.stage.lower())
            and (not self.since or manifest.start[: len(self.since)] >= self.since)
            and (not self.until or manifest.start[: len(self.until)] <= self.until)
            and (not self.alert or any(a.alert == self.alert for a in manifest.alerts))
            and (not self.kept or manifest.kept)
        )


def list_drives(folder: Path, wanted: Wanted | None = None) -> tuple[list[dict[str, Any]], list[str]]:
    """Every drive that is wanted as plain data, oldest first, and what could not be read."""
    found, faults = read_manifests(folder)
    wanted = wanted or Wanted()
    return [{**m.model_dump(), "path": str(samples_path(p, m))} for p, m in found if wanted.holds(m)], faults


def samples_path(manifest_path: Path, manifest: Manifest) -> Path:
    """The drive's Parquet file, beside its manifest."""
    return manifest_path.with_name(f"{manifest.drive}.parquet")


def find_drive(folder: Path, name: str) -> tuple[Path, Manifest]:
    """A drive's manifest by its name, the beginning of its name, its date written as names have it, or "last".

    Raises:
        DriveError: there is none, or more than one.
    """
    found, _ = read_manifests(folder)
    if name == "last":
        if not found:
            raise DriveError(f"there are no drives in {folder}")
        return found[-1]
    exact = [f for f in found if f[1].drive == name]
    # By its date as well, where its name is of a clock that was not set.
    fitting = exact or [f for f in found if f[1].drive.startswith(name) or _date_as_named(f[1].start).startswith(name)]
    if len(fitting) == 1:
        return fitting[0]
    if not fitting:
        raise DriveError(f"there is no drive '{name}' in {folder}; cabcanary drives lists them")
    some = ", ".join(m.drive for _, m in fitting[:3])
    raise DriveError(f"'{name}' begins the names of {len(fitting)} drives ({some} …); write more of it")


def find_samples(folder: Path, name: str) -> Path:
    """A drive's Parquet file, by its path or as `find_drive` finds it.

    Raises:
        DriveError: there is none, or more than one.
    """
    path = Path(name)
    if path.suffix == ".parquet" and path.is_file():
        return path
    return samples_path(*find_drive(folder, name))


def keep_drive(folder: Path, name: str, *, kept: bool) -> str:
    """Mark a drive as kept, so that it is never removed to make room, or take the mark away; returns a confirmation."""
    path, manifest = find_drive(folder, name)
    _write(folder, path, manifest.model_copy(update={"kept": kept}))
    return f"{manifest.drive} is {'kept: it is never removed to make room' if kept else 'no longer kept'}"


def note_drive(folder: Path, name: str, text: str) -> str:
    """Add a note to a drive; returns a confirmation."""
    words = noted(text)
    path, manifest = find_drive(folder, name)
    notes = [*manifest.notes, words]
    _write(folder, path, manifest.model_copy(update={"notes": notes}))
    return f"{manifest.drive}: {words}"


def noted(text: str) -> str:
    """A note as it is kept.

    Raises:
        DriveError: it has no words.
    """
    if not text.strip():
        raise DriveError("a note needs words, as in: cabcanary drives note last new hose clamps")
    return text.strip()


def _write(folder: Path, path: Path, manifest: Manifest) -> None:
    """Write a manifest that holds what the pages have said, which then need not say it any more."""
    write_manifest(path, manifest)
    drop_remarks(folder, manifest.drive)


def drop_drive(folder: Path, name: str, *, sure: bool) -> str:
    """Remove a drive for good; returns a confirmation.

    Raises:
        DriveError: nobody has said that this is meant, or the drive is marked as kept.
    """
    path, manifest = find_drive(folder, name)
    if manifest.kept:
        raise DriveError(f"{manifest.drive} is marked as kept; first: cabcanary drives release {manifest.drive}")
    if not sure:
        minutes = manifest.length_s / 60
        words = f"{manifest.drive} ({manifest.start[:16]}, {minutes:.1f} minutes) would be gone for good"
        raise DriveError(f"{words}; to remove it, add --yes")
    remove_drive(path)
    return f"{manifest.drive} is removed"


def table(drives: list[dict[str, Any]]) -> list[str]:
    """The drives as lines of text, with a head line."""
    rows: list[tuple[str, ...]] = [
        ("start (UTC)", "length", "stage", "peak boost", "leanest under boost", "alerts", "drive")
    ]
    rows += [_row(d) for d in drives]
    widths = [max(len(r[n]) for r in rows) for n in range(len(rows[0]))]
    lines = ["  ".join(cell.ljust(w) for cell, w in zip(row, widths, strict=True)).rstrip() for row in rows]
    found = lines[:1]
    for line, drive in zip(lines[1:], drives, strict=True):
        found += [line, *_about_name(drive), *(f"    note: {note}" for note in drive["notes"])]
    return found


def _date_as_named(start: str) -> str:
    return start[:19].replace("-", "").replace(":", "") + "Z"


def _about_name(drive: dict[str, Any]) -> list[str]:
    """Why a drive has another date in its name than it is of: the name was given when the drive began."""
    named = _NAME.match(drive["drive"])
    if named is None or drive["clock"] == UNKNOWN:
        return []
    try:
        showed = datetime.strptime(named[1], "%Y%m%dT%H%M%S%z")
    except ValueError:
        return []
    if abs((showed - datetime.fromisoformat(drive["start"])).total_seconds()) < _APART_S:
        return []
    return [f"    its name was given before the clock was set, which showed {showed:%Y-%m-%d %H:%M}"]


def _row(drive: dict[str, Any]) -> tuple[str, str, str, str, str, str, str]:
    marks = [w for w, is_so in (("recovered", drive["recovered"]), ("kept", drive["kept"])) if is_so]
    # A date that nobody vouches for is marked as such.
    doubt = "?" if drive["clock"] == UNKNOWN else ""
    return (
        drive["start"][:19].replace("T", " ") + doubt,
        _length(drive["length_s"]),
        drive["stage"],
        _figure(drive["peak_boost"], drive["boost_unit"]),
        _leanest(drive),
        _alerts(drive),
        drive["drive"] + (f" ({', '.join(marks)})" if marks else ""),
    )


def _length(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def _figure(value: float | None, unit: str | None) -> str:
    return "-" if value is None else f"{value:.1f} {unit}"


def _leanest(drive: dict[str, Any]) -> str:
    # Without settings nobody knows which gas is masked.
    return mixture_under_boost(drive) or ("-" if drive["judged"] or drive["boost_unit"] else NOT_JUDGED)


def _alerts(drive: dict[str, Any]) -> str:
    alerts: list[dict[str, Any]] = drive["alerts"]
    none = "none" if drive["judged"] else NOT_JUDGED
    return ", ".join(a["alert"] + (f" ×{a['count']}" if a["count"] > 1 else "") for a in alerts) or none
