"""The one clock: monotonic, in nanoseconds, and scaled on a bench so that a drive can be run faster.

Every process on the machine that uses the same speed sees the same time, because the clock is the
kernel's monotonic clock times the speed, without an origin of its own. A monotonic clock never jumps;
a small computer's wall clock does, when it first hears the time.

It goes in whole microseconds: what a drive keeps is what the live program saw, to the last digit, and nobody pays for
nanoseconds that no wire has.
"""

from __future__ import annotations

import ctypes
import time
from pathlib import Path

NS_PER_S = 1_000_000_000
#: The step in which all times go.
STEP_NS = 1_000


class Clock:
    """Monotonic time in nanoseconds, in steps of a microsecond, running `speed` times as fast as the kernel's."""

    def __init__(self, speed: float = 1.0) -> None:
        if not 0.01 <= speed <= 1000:
            raise ValueError(f"a clock speed of {speed} is outside 0.01 to 1000")
        self.speed = speed

    def now_ns(self) -> int:
        """Monotonic time, ns."""
        now = time.monotonic_ns()
        if self.speed != 1.0:
            now = int(now * self.speed)
        return now - now % STEP_NS

    def real_s(self, clock_s: float) -> float:
        """How many seconds a person waits while this clock advances by `clock_s` seconds."""
        return clock_s / self.speed

    def real_until(self, deadline_ns: int) -> float:
        """Real seconds until this clock shows `deadline_ns`; not negative."""
        return max(0.0, (deadline_ns - self.now_ns()) / NS_PER_S / self.speed)


def wall_ns() -> int:
    """Wall-clock time, ns since 1970 UTC. For labels only: it may jump, so nothing is ever decided by it."""
    return time.time_ns()


#: What the kernel's ntp_gettime returns while nobody has told the machine the time (TIME_ERROR in <sys/timex.h>).
_TIME_ERROR = 5


def wall_is_synchronised() -> bool:
    """Whether the kernel holds the wall clock to be set by somebody who knows; False where it cannot say."""
    try:
        result: int = ctypes.CDLL(None).ntp_gettime(ctypes.create_string_buffer(256))
    except (OSError, AttributeError):
        return False
    return 0 <= result < _TIME_ERROR


def boot_id() -> str:
    """Which start of the machine this is: monotonic times of one are of no use in another."""
    try:
        return Path("/proc/sys/kernel/random/boot_id").read_text().strip()
    except OSError:
        return ""
