"""Who hears that the daemon watches: systemd's watchdog, the watcher beside it, and once a person, when it is armed.

Neither is told by a program that merely runs: the rules must have run, and for the watcher an output must be there to
sound. A daemon that nobody can hear is as good as a stopped one, and the watcher has a line of its own. A restart
mends no wire, so the watchdog is fed without outputs too.
"""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.model import Event, EventKind
from cabcanary.processes.host import notify
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.processes.host import Heartbeat

#: How often the watcher hears the heartbeat, real seconds: ten could be lost before it sounds.
_HEARTBEAT_S = 0.2
_WATCHDOG_S = 1.0
#: Ticks that fail for so long are no watch, real seconds; until then a fault may be one of a moment.
_LONGEST_BROKEN_S = 1.0
#: Of /proc/[pid]/stat, counted behind the name: when the process began, in ticks from the computer's start (proc(5)).
_BEGAN = 19


class Vigil:
    """`deaf` says whether no output works any more. Times are real seconds."""

    def __init__(self, heartbeat: Heartbeat, deaf: Callable[[], bool]) -> None:
        self._heartbeat, self._deaf = heartbeat, deaf
        self._ran_s = self._beat_s = self._fed_s = float("-inf")

    def ran(self, now_s: float) -> None:
        """A tick has seen its frame, and every rule that can."""
        self._ran_s = now_s

    def tell(self, now_s: float) -> None:
        """Tell those whose time it is. Waits for nobody."""
        if now_s - self._ran_s > _LONGEST_BROKEN_S:
            return
        if now_s - self._beat_s > _HEARTBEAT_S:
            self._beat_s = now_s
            if not self._deaf():
                self._heartbeat.beat()
        if now_s - self._fed_s > _WATCHDOG_S:
            self._fed_s = now_s
            notify("WATCHDOG=1")


def armed(now_ns: int) -> Event:
    """That the first tick has looked at everything: how long after this program's start and the computer's."""
    boot_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    try:
        told = Path("/proc/self/stat").read_text(encoding="ascii", errors="replace").rpartition(")")[2].split()
        start_s = boot_s - int(told[_BEGAN]) / os.sysconf("SC_CLK_TCK")
    except (OSError, ValueError, IndexError):
        start_s = None
    since = "" if start_s is None else f"{spelt(start_s, 2)} s after its start and "
    text = f"armed {since}{spelt(boot_s, 3)} s after the computer's"
    data = {"after_start_s": start_s, "after_boot_s": boot_s}
    return Event(now_ns, EventKind.MONITOR, "armed", text, data)
