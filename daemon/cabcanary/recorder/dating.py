"""When a drive was, by the wall clock. Its data go by the monotonic clock alone; the date is a label on them.

A small computer without a battery-backed clock starts with a wrong wall clock and learns the time when it first has
a network. Within one start of the machine the monotonic clock runs on, so an earlier drive is dated by a wall-clock
time learnt after it.
"""

from __future__ import annotations

import contextlib
import os
import statistics
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cabcanary.clock import boot_id, wall_is_synchronised, wall_ns
from cabcanary.clocks import make_clock
from cabcanary.store.boots import drives_of_boot
from cabcanary.store.manifest import (
    MARKS_ENDING,
    drive_folder,
    make_folder,
    write_atomically,
    write_manifest,
)

if TYPE_CHECKING:
    from pathlib import Path

SYNCHRONISED, SATELLITES = "synchronised", "by satellites"
AFTERWARDS, UNKNOWN = "dated afterwards", "not synchronised"
#: A kernel that is synchronised is within its own maximum error, and a receiver tells of a second within the next one;
#: without better knowledge a second is said.
_WITHIN_S = 1.0


@dataclass(frozen=True, slots=True)
class Fit:
    """What the wall clock, known to be right, showed at a monotonic time of one start of the machine, ns."""

    boot: str
    mono_ns: int
    wall_ns: int
    speed: float = 1.0

    def wall_at(self, mono_ns: int) -> float:
        """Wall-clock time of a monotonic time, ns."""
        return self.wall_ns - (self.mono_ns - mono_ns) / self.speed


@dataclass(frozen=True, slots=True)
class Dated:
    """A start, ISO 8601 in UTC, how it is known, and how far it may be off (s; None: nobody knows)."""

    start: str
    quality: str
    within_s: float | None


def known_time(speed: float, told: tuple[str, int, int] | None = None) -> Fit | None:
    """The current fit of wall clock to monotonic clock; None while this machine's time is not set.

    `told` is what a satellite receiver said: start of the machine, monotonic ns, wall ns. The system comes first.
    """
    if not wall_is_synchronised():
        return Fit(*told, speed) if told else None
    return Fit(boot_id(), make_clock(speed).now_ns(), wall_ns(), speed)


def dated(header: dict[str, Any], events: list[dict[str, Any]], first_ns: int | None, fit: Fit | None) -> Dated:
    """The time of a drive's first sample, by the best time known."""
    mono_ns, wall = header["clock"]
    speed = float(header.get("speed", 1.0))
    first_ns = mono_ns if first_ns is None else first_ns
    for quality, by in ((SYNCHRONISED, "system"), (SATELLITES, "gps")):
        offsets = [e["wall"] - e["t"] / speed for e in events if _vouches(e, by)]
        if not offsets:
            continue
        # The middle one: a clock that was set in mid-drive is seen on both sides of it.
        middle = statistics.median(offsets)
        spread = max(abs(o - middle) for o in offsets) / 1e9
        return Dated(_iso(middle + first_ns / speed), quality, round(max(spread, _WITHIN_S), 3))
    if fit is not None and fit.boot and fit.boot == header.get("boot"):
        return Dated(_iso(fit.wall_at(first_ns)), AFTERWARDS, _WITHIN_S)
    return Dated(_iso(wall - (mono_ns - first_ns) / speed), UNKNOWN, None)


def _vouches(event: dict[str, Any], by: str) -> bool:
    """Whether it is a note of the clock that somebody vouches for; older drives only knew of the system."""
    if event.get("kind") != "clock" or "wall" not in event:
        return False
    return bool(event.get("by", "system" if event.get("synchronised") else "") == by)


def date_afterwards(folder: Path, fit: Fit | None) -> list[dict[str, Any]]:
    """Date the archived drives of this start of the machine that nobody could date before; one report for each."""
    if fit is None or not fit.boot:
        return []
    reports = []
    for path, manifest in drives_of_boot(folder, fit.boot):
        if manifest.clock != UNKNOWN or manifest.speed != fit.speed:
            continue
        start = _iso(fit.wall_at(manifest.first_ns))
        changed = manifest.model_copy(update={"start": start, "clock": AFTERWARDS, "clock_within_s": _WITHIN_S})
        target = drive_folder(folder, manifest.vehicle, start)
        make_folder(target)
        marks = manifest.drive + MARKS_ENDING
        old = [] if target == path.parent else [p for p in path.parent.glob(f"{manifest.drive}.*") if p != path]
        for file in old:
            if file.name != marks:
                _have_also(file, target / file.name)
        # The manifest after its files, and the old one before its own: at no moment is there one without them.
        write_manifest(target / path.name, changed)
        if target != path.parent:
            path.unlink()
        for file in old:
            file.unlink()
        words = f"drive {manifest.drive} is now known to be of {start[:16].replace('T', ' ')} UTC"
        reports.append({"dated": manifest.drive, "text": words})
    return reports


def _have_also(file: Path, wanted: Path) -> None:
    with contextlib.suppress(FileExistsError):
        try:
            os.link(file, wanted)
        except FileExistsError:
            raise
        except OSError:
            # Some cards are formatted in a way that knows no second name of a file.
            write_atomically(wanted, file.read_bytes())


def _iso(wall_time_ns: float) -> str:
    moment = datetime.fromtimestamp(wall_time_ns / 1e9, UTC)
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")
