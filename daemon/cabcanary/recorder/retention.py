"""What the archive may take: size, age and free space. What must make room goes in an order, and each is told of."""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Any

from cabcanary.recorder.dating import UNKNOWN
from cabcanary.store.manifest import DRIVES, Manifest, files_of, read_manifests, remove_drive

if TYPE_CHECKING:
    from pathlib import Path

    from cabcanary.settings.schema import Archive

_GB = 1e9
#: Room for a day of driving. Below it drives go even if that cannot reach the limit: recording must go on.
_LAST_RESERVE = 200e6
#: What a power cut has left half written is of no use to anybody after this.
_LEFTOVERS_S = 86_400.0


@dataclass(slots=True)
class _Kept:
    path: Path
    manifest: Manifest
    size: int

    @property
    def rank(self) -> tuple[bool, str, str]:
        """What goes first sorts first: drives without alerts, oldest first, then those with."""
        return bool(self.manifest.alerts), self.manifest.start, self.manifest.drive


def make_room(folder: Path, limits: Archive, now: datetime | None) -> list[dict[str, Any]]:
    """Remove drives until the limits hold; one report for each, and one if that is not enough.

    `now` is the wall clock's time, or None while nobody knows it: then nothing goes by its age.
    """
    drives = [_Kept(p, m, _size(p)) for p, m in read_manifests(folder)[0]]
    free = sorted((d for d in drives if not d.manifest.kept), key=lambda d: d.rank)
    reports = []

    def remove(drive: _Kept, why: str) -> None:
        remove_drive(drive.path)
        drives.remove(drive)
        free.remove(drive)
        words = f"drive {drive.manifest.drive} of {drive.manifest.start[:10]} removed: {why}"
        reports.append({"removed": drive.manifest.drive, "text": words})

    if limits.oldest_days is not None and now is not None:
        oldest = (now - timedelta(days=limits.oldest_days)).isoformat()
        # A drive whose date is not known well cannot be called old.
        for drive in [d for d in free if d.manifest.clock != UNKNOWN and d.manifest.start < oldest]:
            remove(drive, f"older than {limits.oldest_days:g} days")
    while reason := _too_full(folder, limits, sum(d.size for d in drives)):
        if not free:
            words = f"{reason}, and only drives marked as kept are left; take some away or give the archive more room"
            # There is nothing to say about an archive that is empty: others fill this card.
            reports.append({"failed": "archive", "text": words if drives else f"{reason}; other files fill it"})
            break
        if _in_vain(folder, limits, sum(d.size for d in free)):
            words = f"{reason}, and all drives together would not make room: other files fill the card"
            reports.append({"failed": "archive", "text": words})
            break
        remove(free[0], reason)
    return reports


def _in_vain(folder: Path, limits: Archive, removable: int) -> bool:
    """Whether somebody else has filled the card, and there is still some room: then no drive is given up for it."""
    left = shutil.disk_usage(folder).free
    return left > _LAST_RESERVE and left + removable < limits.free_gb * _GB


def _too_full(folder: Path, limits: Archive, size: int) -> str:
    if limits.largest_gb is not None and size > limits.largest_gb * _GB:
        return f"the archive is over {limits.largest_gb:g} GB"
    if shutil.disk_usage(folder).free < limits.free_gb * _GB:
        return f"less than {limits.free_gb:g} GB are free on the card"
    return ""


def _size(manifest_path: Path) -> int:
    return sum(f.stat().st_size for f in files_of(manifest_path))


def remove_leftovers(folder: Path, now: datetime | None = None) -> None:
    """Remove files that were never finished."""
    moment = (now or datetime.now(UTC)).timestamp()
    for path in (folder / DRIVES).glob("*/*/*.new"):
        if moment - path.stat().st_mtime > _LEFTOVERS_S:
            path.unlink(missing_ok=True)
