"""What the pages have said of a drive, where they may not write into the archive: their own folder beside it.

The pages speak to strangers, so they have a user of their own, who reads drives and writes here alone. A remark lies
over its drive's manifest wherever that is read (`manifest.laid_over`), and goes into it when the archive's owner next
writes to that drive.

Whoever reads here may be root, and whoever writes here may have been taken over. So nothing is read but a plain file of
bounded size, no link is followed, and a file is made under a name that nobody could know before.
"""

from __future__ import annotations

import errno
import os
import secrets
import stat
from contextlib import suppress
from typing import TYPE_CHECKING

from pydantic import BaseModel, ConfigDict

if TYPE_CHECKING:
    from pathlib import Path

REMARKS = "remarks"
#: Of one file, bytes: 200 notes of the longest kind in the longest spelling.
MOST_BYTES = 512 * 1024


class Remarks(BaseModel):
    """What was said of one drive since its manifest was written; `kept` is None where nothing was."""

    model_config = ConfigDict(extra="ignore", frozen=True)

    kept: bool | None = None
    notes: list[str] = []


def read_remarks(folder: Path, drive: str) -> Remarks:
    """What the pages have said of a drive under this state folder; nothing where that cannot be read."""
    with suppress(OSError, ValueError):
        file = os.open(_path(folder, drive), os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
        with open(file, "rb") as opened:
            if stat.S_ISREG(os.fstat(file).st_mode):
                return Remarks.model_validate_json(opened.read(MOST_BYTES + 1)[:MOST_BYTES])
    return Remarks()


def write_remarks(folder: Path, drive: str, remarks: Remarks) -> None:
    """Write them, whole or not at all.

    Raises:
        OSError: there is no folder for them (the installer makes it), it cannot be written to, or they are too many.
    """
    data = remarks.model_dump_json(indent=1).encode() + b"\n"
    if len(data) > MOST_BYTES:
        raise OSError(errno.EFBIG, "it has too many notes from the pages; write the next with: cabcanary drives note")
    target = _path(folder, drive)
    temporary = target.with_name(f".{secrets.token_hex(8)}.new")
    # The archive's owner is in no group of the pages, and the folder lets nobody else in.
    file = os.open(temporary, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
    try:
        with open(file, "wb") as opened:
            os.fchmod(file, 0o644)
            opened.write(data)
            opened.flush()
            os.fsync(file)
        temporary.replace(target)
    except BaseException:
        temporary.unlink(missing_ok=True)
        raise


def drop_remarks(folder: Path, drive: str) -> None:
    """Remove them: they have gone into the manifest, or their drive has gone.

    Raises:
        OSError: they cannot be removed.
    """
    with suppress(FileNotFoundError, NotADirectoryError):
        _path(folder, drive).unlink()


def _path(folder: Path, drive: str) -> Path:
    return folder / REMARKS / f"{drive}.json"
