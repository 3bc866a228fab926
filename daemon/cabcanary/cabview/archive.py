"""The recorded drives as the pages need them: listed, one of them, with what it was; and what a person writes to it."""

from __future__ import annotations

import glob
import json
import os
import re
import threading
from collections import OrderedDict
from typing import TYPE_CHECKING, Any, NamedTuple

import pyarrow as pa

from cabcanary.alerts.arrival import blind_seconds
from cabcanary.alerts.why import why
from cabcanary.cabview.levels import DriveLevels
from cabcanary.cabview.quantities import words_of
from cabcanary.review.list.drives import keep_drive, note_drive, noted, samples_path
from cabcanary.store.archive import read_about
from cabcanary.store.manifest import DRIVES, MANIFEST_ENDING, Manifest, laid_over, read_manifest, read_manifests
from cabcanary.store.remarks import read_remarks, write_remarks

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    from cabcanary.display import Display

#: As drives are named; nothing in it that leads to another folder or stands for more than itself.
_NAME = re.compile(r"[A-Za-z0-9][A-Za-z0-9_.-]{0,119}")
LONGEST_NOTE = 500
#: Drives whose plots are kept at hand.
_DRIVES_KEPT = 2
#: Drives whose time without sight is remembered, as counted.
_BLIND_KEPT = 5000
#: Of a drive with more alerts than this the page tells the first ones.
_MOST_MOMENTS = 200


class NoSuchDriveError(LookupError):
    """There is no drive of this name."""


class Moment(NamedTuple):
    """Something that happened in a drive, at so many seconds from its start."""

    at_s: float
    kind: str
    words: str


class Listed(NamedTuple):
    """A drive, and for how many seconds of it something could not be seen."""

    manifest: Manifest
    blind_s: float


class Archive:
    """All drives under a daemon's folder. Its methods read files: they are called in a thread."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.Lock()
        self._writing = threading.Lock()
        self._levels: OrderedDict[tuple[str, int, int], DriveLevels] = OrderedDict()
        self._blind: dict[tuple[str, int], float] = {}

    def newest(self, skip: int, count: int) -> tuple[list[Listed], int, int]:
        """Some drives, the newest first; how many there are, and how many cannot be read."""
        found, faults = read_manifests(self.folder)
        some = found[::-1][skip : skip + count]
        return [Listed(m, self.blind_s(samples_path(p, m), m)) for p, m in some], len(found), len(faults)

    def manifests(self, most: int) -> list[Manifest]:
        """The newest drives."""
        return [m for _, m in read_manifests(self.folder)[0][::-1][:most]]

    def stages(self) -> list[str]:
        """The stages of all drives, that of the newest first."""
        return list(dict.fromkeys(m.stage for _, m in read_manifests(self.folder)[0][::-1]))

    def find(self, name: str) -> tuple[Path, Manifest]:
        """A drive's samples and its manifest, by its whole name.

        Raises:
            NoSuchDriveError: there is none.
        """
        if not _NAME.fullmatch(name):
            raise NoSuchDriveError(name)
        for path in (self.folder / DRIVES).glob(f"vehicle=*/month=*/{glob.escape(name)}{MANIFEST_ENDING}"):
            try:
                manifest = laid_over(self.folder, read_manifest(path))
            except (OSError, ValueError) as error:
                raise NoSuchDriveError(name) from error
            return samples_path(path, manifest), manifest
        raise NoSuchDriveError(name)

    def levels(self, name: str) -> DriveLevels:
        """A drive's plots.

        Raises:
            NoSuchDriveError: there is none, or its file cannot be read.
        """
        samples, _ = self.find(name)
        try:
            about = samples.stat()
            key = (str(samples), about.st_mtime_ns, about.st_size)
            with self._lock:
                if key not in self._levels:
                    self._levels[key] = DriveLevels(samples)
                    while len(self._levels) > _DRIVES_KEPT:
                        self._levels.popitem(last=False)
                self._levels.move_to_end(key)
                return self._levels[key]
        except (OSError, pa.ArrowException) as error:
            raise NoSuchDriveError(name) from error

    def units(self, samples: Path) -> dict[str, str]:
        """The units of a drive's channels, as its file says."""
        try:
            units: dict[str, str] = read_about(samples).get("units", {})
        except (OSError, ValueError):
            return {}
        return units

    def moments(self, samples: Path, manifest: Manifest, display: Display, above_air: Collection[str]) -> list[Moment]:
        """What was raised, acknowledged and noted, in its order; figures in the owner's units."""
        found = []
        for event in _events(samples):
            if event.get("kind") == "alert" and event.get("raised") and "state" in event:
                words = str(event.get("say") or event.get("text", "")).rstrip(".")
                figures = why(event, display, above_air, words_of)
                told = f"{words} ({figures})" if figures else words
                found.append(Moment(_at_s(event, manifest), str(event.get("priority", "")), told))
            elif event.get("kind") in ("acknowledge", "note"):
                found.append(Moment(_at_s(event, manifest), str(event["kind"]), str(event.get("text", ""))))
        return sorted(found)[:_MOST_MOMENTS]

    def note(self, name: str, words: str) -> None:
        """Write a note to a drive.

        Raises:
            NoSuchDriveError, DriveError, OSError: it cannot be written.
        """
        samples, manifest = self.find(name)
        # One at a time: each reads the notes and writes them back.
        with self._writing:
            if os.access(samples.parent, os.W_OK):
                note_drive(self.folder, manifest.drive, words[:LONGEST_NOTE])
            else:
                said = read_remarks(self.folder, manifest.drive)
                notes = [*said.notes, noted(words[:LONGEST_NOTE])]
                write_remarks(self.folder, manifest.drive, said.model_copy(update={"notes": notes}))

    def keep(self, name: str, *, kept: bool) -> None:
        """Mark a drive as kept, or take the mark away.

        Raises:
            NoSuchDriveError, DriveError, OSError: it cannot be written.
        """
        samples, manifest = self.find(name)
        with self._writing:
            if os.access(samples.parent, os.W_OK):
                keep_drive(self.folder, manifest.drive, kept=kept)
            else:
                said = read_remarks(self.folder, manifest.drive)
                write_remarks(self.folder, manifest.drive, said.model_copy(update={"kept": kept}))

    def blind_s(self, samples: Path, manifest: Manifest) -> float:
        """Seconds in which something could not be seen."""
        if not any(alert.alert.startswith("cannot_see_") for alert in manifest.alerts):
            return 0.0
        try:
            key = (manifest.drive, _events_path(samples).stat().st_mtime_ns)
        except OSError:
            return 0.0
        if key not in self._blind:
            if len(self._blind) > _BLIND_KEPT:
                self._blind.clear()
            end_ns = manifest.first_ns + int(manifest.length_s * 1e9)
            self._blind[key] = blind_seconds(_events(samples), end_ns)
        return self._blind[key]


def _events_path(samples: Path) -> Path:
    return samples.with_name(f"{samples.stem}.events.jsonl")


def _events(samples: Path) -> list[dict[str, Any]]:
    """A drive's events; a line that is damaged is left out."""
    try:
        lines = _events_path(samples).read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError:
        return []
    found = []
    for line in lines:
        try:
            event = json.loads(line)
        except (ValueError, RecursionError):
            continue
        if isinstance(event, dict) and isinstance(event.get("t"), int):
            found.append(event)
    return found


def _at_s(event: dict[str, Any], manifest: Manifest) -> float:
    return round(float(event["t"] - manifest.first_ns) / 1e9, 3)
