"""A machine in trouble: a full disk, a wall clock that jumps, as a process on it meets them.

Which troubles there are stands in a small file that the rig rewrites, named by CABCANARY_BENCH_TROUBLES.
"""

from __future__ import annotations

import errno
import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

TROUBLES_VARIABLE = "CABCANARY_BENCH_TROUBLES"
DISK_FULL, CLOCK_JUMP = "disk_full", "clock_jump"
#: How long an answer about the troubles is believed, real s.
_BELIEVED_S = 0.05
_JOURNAL_ENDING = ".ccj"


class Machine:
    """The machine as it stands: `write` and `time_ns` as the operating system's own, but for the troubles.

    A line of the file is a trouble's name, for the clock followed by how far it has jumped, in s.
    """

    def __init__(
        self, file: Path, write: Callable[[int, bytes], int] = os.write, time_ns: Callable[[], int] = time.time_ns
    ) -> None:
        self._file, self._write, self._time_ns = file, write, time_ns
        self._troubles: dict[str, str] = {}
        self._read_at = -_BELIEVED_S

    def _now(self) -> dict[str, str]:
        now = time.monotonic()
        if now - self._read_at >= _BELIEVED_S:
            self._read_at = now
            try:
                lines = self._file.read_text(encoding="ascii").splitlines()
            except OSError:
                lines = []
            self._troubles = {name: rest for name, _, rest in (line.partition(" ") for line in lines)}
        return self._troubles

    def write(self, descriptor: int, data: bytes) -> int:
        """Write; a journal's file has no room while the disk is full.

        Raises:
            OSError: no space left on device.
        """
        if DISK_FULL in self._now() and _is_journal(descriptor):
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return self._write(descriptor, data)

    def time_ns(self) -> int:
        """The wall clock, ns since 1970."""
        return self._time_ns() + int(float(self._now().get(CLOCK_JUMP) or 0.0) * 1e9)


def _is_journal(descriptor: int) -> bool:
    try:
        return str(Path(f"/proc/self/fd/{descriptor}").readlink()).endswith(_JOURNAL_ENDING)
    except OSError:
        return False
