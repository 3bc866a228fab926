"""Journals that wait to be archived: in which order, how much room they take, and what is known of them meanwhile."""

from __future__ import annotations

import contextlib
import fcntl
import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from cabcanary.store.journal import Block, BlockKind, decode_json, read_blocks
from cabcanary.store.manifest import JOURNAL
from cabcanary.store.samples import HEAD

if TYPE_CHECKING:
    from pathlib import Path

ENDING = ".ccj"
#: The ending of the folder that lies beside a journal while it is archived.
PARTS = ".parts"
#: A journal beyond this, bytes, is a long drive: some half an hour of 24 channels.
_LONG = 3_000_000
#: The first and the last blocks lie within so many bytes; a header holds all settings and rules.
_FRONT, _BACK = 2_000_000, 200_000


def in_turn(folder: Path) -> list[Path]:
    """The journals in the order in which they are archived: the newest first, and all short ones before a long one.

    What was driven last is asked for first, and a long drive that the power cuts off again and again must not keep the
    others waiting; its own finished parts stay.
    """
    found = [(_size(path) > _LONG, path) for path in sorted((folder / JOURNAL).glob(f"*{ENDING}"), reverse=True)]
    return [path for _, path in sorted(found, key=lambda f: f[0])]


def room_taken(folder: Path) -> int:
    """Bytes of the journals that are not archived yet, with their finished parts."""
    files = [*(folder / JOURNAL).glob(f"*{ENDING}"), *(folder / JOURNAL).glob(f"*{PARTS}/*")]
    return sum(_size(path) for path in files)


def remove_left_parts(folder: Path) -> None:
    """Remove parts whose journal is gone: it has been archived."""
    for parts in (folder / JOURNAL).glob(f"*{PARTS}"):
        if not parts.with_suffix(ENDING).exists():
            for file in parts.iterdir():
                file.unlink(missing_ok=True)
            parts.rmdir()


def waiting_drives(folder: Path) -> list[dict[str, Any]]:
    """What is known of each drive that is not archived yet, oldest first, as plain data.

    `drive`, `vehicle`, `stage`, `start` (what the clock showed), `length_s`, `bytes`, `parts` (finished ones), and
    `under_way`: a daemon writes it. What cannot be read is empty or None.
    """
    return [_known(path) for path in sorted((folder / JOURNAL).glob(f"*{ENDING}"))]


def _known(path: Path) -> dict[str, Any]:
    found: dict[str, Any] = {"drive": path.stem, "vehicle": "", "stage": "", "start": "", "length_s": None}
    found |= {"bytes": _size(path), "parts": len(list(path.with_suffix(PARTS).glob("*.part"))), "under_way": False}
    with contextlib.suppress(OSError, ValueError, KeyError, TypeError):
        with path.open("rb") as file:
            found["under_way"] = _is_held(file.fileno())
            front = file.read(_FRONT)
            file.seek(max(0, found["bytes"] - _BACK))
            back = file.read()
        header = _header(front)
        found |= {"vehicle": str(header["vehicle"]), "stage": str(header["stage"])}
        mono_ns, wall_ns = header["clock"]
        first, last = _time_of(front, first=True), _time_of(back, first=False)
        if first is not None and last is not None:
            found["length_s"] = round((last - first) / 1e9, 1)
        begun = wall_ns - (mono_ns - (mono_ns if first is None else first)) / float(header.get("speed", 1.0))
        moment = datetime.fromtimestamp(begun / 1e9, UTC).isoformat(timespec="milliseconds")
        found["start"] = moment.replace("+00:00", "Z")
    return found


def _header(data: bytes) -> dict[str, Any]:
    for block in read_blocks(data):
        if block.kind is BlockKind.HEADER:
            return decode_json(block.payload)
    raise ValueError("no header")


def _time_of(data: bytes, *, first: bool) -> int | None:
    """When the first block of samples begins, or the last one, monotonic ns."""
    times = (t for block in read_blocks(data) if (t := _begins(block)) is not None)
    return next(times, None) if first else max(times, default=None)


def _begins(block: Block) -> int | None:
    if block.kind is not BlockKind.SAMPLES or len(block.payload) < HEAD.size:
        return None
    _, _, unit, time = HEAD.unpack_from(block.payload)
    return int(time) * int(unit)


def _is_held(descriptor: int) -> bool:
    try:
        fcntl.flock(descriptor, fcntl.LOCK_SH | fcntl.LOCK_NB)
    except BlockingIOError:
        return True
    return False


def _size(path: Path) -> int:
    try:
        return os.stat(path).st_size  # noqa: PTH116 - a name that has just gone is no fault
    except OSError:
        return 0


def waiting_lines(waiting: list[dict[str, Any]]) -> list[str]:
    """A line for each drive that is not archived yet."""
    return [_line(w) for w in waiting]


def _line(known: dict[str, Any]) -> str:
    begun = known["start"][:19].replace("T", " ") + "?" if known["start"] else "nobody knows when"
    length = "" if known["length_s"] is None else f", {known['length_s'] / 60:.1f} minutes"
    where = f", {known['stage']}" if known["stage"] else ""
    state = "under way" if known["under_way"] else "not yet archived"
    parts = f", {known['parts']} parts of it done" if known["parts"] else ""
    return f"{state}: {begun}{length}{where}, {known['bytes'] / 1e6:.1f} MB{parts}  {known['drive']}"
