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
from cabcanary.store.journal import JournalFile, read_blocks
from cabcanary.store.manifest import DRIVES, JOURNAL, Manifest, read_manifests, remove_drive

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.settings.schema import Archive

_GB = 1e9
#: What is made free where the limit is out of reach, the first of these that can be had: recording must go on. A day of
#: driving; or one drive of two hours, with its journal, the finished parts and the file that is made of them.
_LAST_RESERVES = (200e6, 60e6)
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

    What can be reached is known before anything goes: for a limit that is out of reach, nothing is removed. One report
    for each, and one for a limit that cannot be kept. `now` is the wall clock's time, or None while nobody knows it:
    then nothing goes by its age.
    """
    return _Room(folder, limits).make(now)


def has_a_block(path: Path) -> bool:
    """Whether anything in a journal can be read."""
    with path.open("rb", buffering=0) as file:
        return next(read_blocks(JournalFile(file.fileno())), None) is not None


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
        self._keep_to_size()
        self._keep_free()
        return self._reports

    def _keep_to_size(self) -> None:
        """The archive's own size. Where what stays anyway is over it, no drive goes: each new one would go at once."""
        if self._limits.largest_gb is None:
            return
        reason, most = f"the archive is over {spelt(self._limits.largest_gb)} GB", self._limits.largest_gb * _GB
        taken = self._discard_aside(self._taken(), most, reason)
        if taken <= most:
            return
        if taken - self._size(self._free) > most:
            self._say_failed(f"{reason}, and {self._kept_fill()}")
        else:
            self._remove_oldest(taken - most, reason)

    def _keep_free(self) -> None:
        """Room on the card: as much of it as removing can reach, and nothing removed for what it cannot."""
        wanted, free = self._limits.free_gb * _GB, float(shutil.disk_usage(self._folder).free)
        if free >= wanted:
            return
        reason = f"less than {spelt(self._limits.free_gb)} GB are free on the card"
        free = -self._discard_aside(-free, -wanted, reason)
        most = free + self._size(self._free)
        goal = next((g for g in (wanted, *_LAST_RESERVES) if most >= g), 0.0)
        self._remove_oldest(
            goal - free, reason if goal == wanted else f"less than {spelt(goal / 1e6)} MB are free on the card"
        )
        if goal < wanted:
            self._say_failed(f"{reason}{self._why_not(most, wanted)}")

    def _why_not(self, most: float, wanted: float) -> str:
        """Why the room that is wanted cannot be had; `most` is what would be free without all that may go."""
        if not self._drives:
            # There is nothing to say about an archive that is empty.
            return "; other files fill it"
        if not self._free or most + self._size(self._drives) - self._size(self._free) >= wanted:
            return f", and {self._kept_fill()}"
        stays = "no drive is given up for it" if most >= min(_LAST_RESERVES) else "soon nothing can be recorded"
        return f", and all drives together would not make room: other files fill the card; {stays}"

    def _kept_fill(self) -> str:
        what = "drives marked as kept fill it" if self._free else "only drives marked as kept are left"
        return f"{what}; take some away or give the archive more room"

    def _discard_aside(self, taken: float, most: float, reason: str) -> float:
        """Journals that nothing could be made of go before any drive, also where that is not enough.

        Returns what is `taken` then, bytes.
        """
        for journal in list(self._aside):
            if taken > most:
                taken -= journal.size
                self._discard(journal, reason)
        return taken

    def _remove_oldest(self, too_much: float, reason: str) -> None:
        """Remove drives of so many bytes. It is reckoned, not looked at: some cards count what has gone only later."""
        for drive in list(self._free):
            if too_much > 0:
                too_much -= drive.size
                self._remove(drive, reason)

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
        return sum(d.size for d in drives)

    def _taken(self) -> int:
        """All that the archive's limit is about: what waits to be archived will be a part of it."""
        waiting = self._kept_aside + room_taken(self._folder)
        if "_drives" not in self.__dict__ and not self._over(sum(self._sizes.values()) + waiting):
            # Files without a manifest are in it, so it is at least what the drives take: no manifest need be read.
            return 0
        return self._size(self._drives) + sum(j.size for j in self._aside) + waiting

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
