"""The archive's limits of size, age and free space. Drives are removed in an order, each with an event."""

from __future__ import annotations

import contextlib
import os
import shutil
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cached_property
from typing import TYPE_CHECKING, Any

from cabcanary.recorder.dating import UNKNOWN
from cabcanary.recorder.waiting import room_taken
from cabcanary.spelling import spelt
from cabcanary.store.journal import read_blocks
from cabcanary.store.manifest import DRIVES, JOURNAL, Manifest, read_manifests, remove_drive

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from cabcanary.settings.schema import Archive

_GB = 1e9
#: Room for a day of driving. Below it drives go even if that cannot reach the limit: recording must go on.
_LAST_RESERVE = 200e6
#: What a power cut has left half written is of no use to anybody after this.
_LEFTOVERS_S = 86_400.0
#: The ending of a journal of which nothing could be read, and how long it lies there for whoever wants to look at it.
UNREADABLE, UNREADABLE_DAYS = ".unreadable", 30


@dataclass(slots=True)
class _Kept:
    path: Path
    manifest: Manifest
    size: int

    @property
    def rank(self) -> tuple[bool, str, str]:
        """The order of removal: drives without alerts, oldest first, then those with."""
        return bool(self.manifest.alerts), self.manifest.start, self.manifest.drive


@dataclass(slots=True)
class _Unreadable:
    """A journal that nothing could be made of."""

    path: Path
    since_s: float
    size: int


def make_room(folder: Path, limits: Archive, now: datetime | None) -> list[dict[str, Any]]:
    """Remove drives until the limits hold, and before them journals that nothing could be made of.

    One report for each, and one if that is not enough. `now` is the wall clock's time, or None while nobody knows it:
    then nothing goes by its age.
    """
    return _Room(folder, limits).make(now)


def has_a_block(path: Path) -> bool:
    """Whether anything in a journal can be read."""
    return next(read_blocks(path.read_bytes()), None) is not None


class _Room:
    def __init__(self, folder: Path, limits: Archive) -> None:
        self._folder, self._limits = folder, limits
        aside = [(p, p.stat()) for p in (folder / JOURNAL).glob(f"*{UNREADABLE}")]
        journals = sorted((_Unreadable(p, s.st_mtime, s.st_size) for p, s in aside), key=lambda u: u.since_s)
        # Where a block is whole there is something to be read, if not by this version: nobody throws that away.
        self._aside = [j for j in journals if not has_a_block(j.path)]
        self._kept_aside = sum(j.size for j in journals if j not in self._aside)
        self._reports: list[dict[str, Any]] = []

    @cached_property
    def _drives(self) -> list[_Kept]:
        """Every drive. Looked for only where one may have to go: at most starts there is room, and an archive of years
        would be read for nothing."""
        sizes = self._sizes
        # One of which only the manifest is left, or whose manifest is just being removed, takes next to nothing.
        return [_Kept(p, m, sizes.get((p.parent, m.drive), 0)) for p, m in read_manifests(self._folder)[0]]

    @cached_property
    def _sizes(self) -> dict[tuple[Path, str], int]:
        return _sizes(self._folder)

    @cached_property
    def _free(self) -> list[_Kept]:
        """Those that may go, in the order of removal."""
        return sorted((d for d in self._drives if not d.manifest.kept), key=lambda d: d.rank)

    def make(self, now: datetime | None) -> list[dict[str, Any]]:
        if now is not None:
            self._by_age(now)
        while reason := _too_full(self._folder, self._limits, self._taken):
            if not self._free and not self._aside:
                what = "only drives marked as kept are left; take some away or give the archive more room"
                # There is nothing to say about an archive that is empty: others fill this card.
                self._say_failed(f"{reason}, and {what}" if self._drives else f"{reason}; other files fill it")
                break
            if _in_vain(self._folder, self._limits, self._size(self._free)):
                self._say_failed(f"{reason}, and all drives together would not make room: other files fill the card")
                break
            if self._aside:
                self._discard(self._aside[0], reason)
            else:
                self._remove(self._free[0], reason)
        return self._reports

    def _by_age(self, now: datetime) -> None:
        for journal in list(self._aside):
            if journal.since_s <= 0:
                # Nobody knew the time when it was put aside.
                os.utime(journal.path, (now.timestamp(), now.timestamp()))
            elif now.timestamp() - journal.since_s > UNREADABLE_DAYS * 86_400:
                self._discard(journal, f"put aside more than {UNREADABLE_DAYS} days ago")
        if self._limits.oldest_days is not None:
            oldest = (now - timedelta(days=self._limits.oldest_days)).isoformat()
            months = (self._folder / DRIVES).glob("vehicle=*/month=*")
            if not any(m.name.removeprefix("month=") <= oldest[:7] for m in months):
                return
            # A drive whose date is not known well cannot be called old.
            for drive in [d for d in self._free if d.manifest.clock != UNKNOWN and d.manifest.start < oldest]:
                self._remove(drive, f"older than {spelt(self._limits.oldest_days)} days")

    def _over(self, size: int) -> bool:
        aside = sum(j.size for j in self._aside)
        return self._limits.largest_gb is not None and size + aside > self._limits.largest_gb * _GB

    def _size(self, drives: list[_Kept]) -> int:
        return sum(d.size for d in drives) + sum(j.size for j in self._aside)

    def _taken(self) -> int:
        """All that the archive's limit is about: what waits to be archived will be a part of it."""
        waiting = self._kept_aside + room_taken(self._folder)
        if "_drives" not in self.__dict__ and not self._over(sum(self._sizes.values()) + waiting):
            # Files without a manifest are in it, so it is at least what the drives take: no manifest need be read.
            return 0
        return self._size(self._drives) + waiting

    def _remove(self, drive: _Kept, why: str) -> None:
        remove_drive(drive.path)
        self._drives.remove(drive)
        self._free.remove(drive)
        words = f"drive {drive.manifest.drive} of {drive.manifest.start[:10]} removed: {why}"
        self._reports.append({"removed": drive.manifest.drive, "text": words})

    def _discard(self, journal: _Unreadable, why: str) -> None:
        journal.path.unlink()
        self._aside.remove(journal)
        words = f"{journal.path.name}, of which nothing could be read, removed: {why}"
        self._reports.append({"removed": journal.path.name, "text": words})

    def _say_failed(self, words: str) -> None:
        self._reports.append({"failed": "archive", "text": words})


def _in_vain(folder: Path, limits: Archive, removable: int) -> bool:
    """Whether somebody else has filled the card, and there is still some room: then no drive is given up for it."""
    left = shutil.disk_usage(folder).free
    return left > _LAST_RESERVE and left + removable < limits.free_gb * _GB


def _too_full(folder: Path, limits: Archive, size: Callable[[], int]) -> str:
    if limits.largest_gb is not None and size() > limits.largest_gb * _GB:
        return f"the archive is over {spelt(limits.largest_gb)} GB"
    if shutil.disk_usage(folder).free < limits.free_gb * _GB:
        return f"less than {spelt(limits.free_gb)} GB are free on the card"
    return ""


def _sizes(folder: Path) -> dict[tuple[Path, str], int]:
    """Bytes of all files of each drive, by its folder and name, from one look into each folder."""
    found: dict[tuple[Path, str], int] = {}
    for month in (folder / DRIVES).glob("vehicle=*/month=*"):
        with os.scandir(month) as files:
            for file in files:
                # A drive's name has no point in it.
                key = month, file.name.partition(".")[0]
                if not file.name.endswith(".new"):
                    with contextlib.suppress(FileNotFoundError):
                        found[key] = found.get(key, 0) + file.stat().st_size
    return found


def remove_leftovers(folder: Path, now: datetime | None = None) -> None:
    """Remove files that were never finished."""
    moment = (now or datetime.now(UTC)).timestamp()
    for path in (folder / DRIVES).glob("*/*/*.new"):
        if moment - path.stat().st_mtime > _LEFTOVERS_S:
            path.unlink(missing_ok=True)
