"""How long the bench waits for somebody in real time, so that a busy machine is not taken for a fault of his.

What the bench owns the time of cannot be late. A few waits are in real time all the same: for a process that starts or
stops, and for one that does not get on. Such a wait counts only what was waited for in vain: the bench's own standing
still counts for nothing, and a time in which those waited for had work and wanted a processor counts for little.
"""

from __future__ import annotations

import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

#: One look counts at most this, real seconds: the bench itself got no processor for the rest.
_LONGEST_LOOK_S = 0.05
#: A process that could run, or waits for the disk, is waited for so many times as long: it gets on, however slowly. It
#: has an end all the same, for one that goes round in circles.
_SLOWNESS = 12.0
#: How often processes are looked at, real seconds: it reads a file for each of their threads.
_LOOK_AT_S = 0.1


class Patience:
    """A wait for processes `pids`, of so many seconds of a machine that has time for them."""

    def __init__(self, seconds: float) -> None:
        self._seconds = seconds
        self._counted = 0.0
        self._began = self._last = time.monotonic()
        self._looked_at, self._wants = self._began, False

    def spent(self, pids: Iterable[int] = ()) -> bool:
        """Whether it has come to its end; to be asked again and again while one waits."""
        now = time.monotonic()
        if now - self._looked_at >= _LOOK_AT_S:
            self._looked_at, self._wants = now, any(wants_to_run(pid) for pid in pids)
        counts = min(now - self._last, _LONGEST_LOOK_S)
        self._counted += counts / _SLOWNESS if self._wants else counts
        self._last = now
        return self._counted > self._seconds

    @property
    def machine_late(self) -> bool:
        """Whether it lasted more than twice its time: the machine had none for those waited for."""
        return self._last - self._began > 2.0 * self._seconds

    @property
    def waited_s(self) -> float:
        """How long it has lasted, real seconds."""
        return self._last - self._began

    def anew(self) -> None:
        """Somebody got on: from here on the wait begins again."""
        self._counted, self._wants = 0.0, False
        self._began = self._last = self._looked_at = time.monotonic()


def wants_to_run(pid: int) -> bool:
    """Whether any thread of a process runs, could run, or waits for the disk: states R and D of proc(5).

    The thread that asks is left out, as it always runs.
    """
    asks = str(threading.get_native_id())
    for stat in Path(f"/proc/{pid}/task").glob("*/stat"):
        if stat.parent.name == asks:
            continue
        try:
            state = stat.read_text(encoding="utf-8", errors="replace").rpartition(")")[2].split()[0]
        except (OSError, IndexError):
            continue  # it has just ended
        if state in ("R", "D"):
            return True
    return False


class Machine:
    """Whether this machine kept up. What it was late with is told once, by words for a person."""

    def __init__(self) -> None:
        self.late: list[str] = []

    def was_late(self, words: str) -> None:
        """It could not keep time: nothing that was heard is graded."""
        if words not in self.late:
            self.late.append(words)
