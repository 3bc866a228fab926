"""The one clock: monotonic, in nanoseconds, and scaled where a drive is played faster than it was driven.

Every process on the machine that uses the same speed sees the same time, because the clock is the
kernel's monotonic clock times the speed, without an origin of its own. A monotonic clock never jumps;
a small computer's wall clock does, when it first hears the time.

It goes in whole microseconds: what a drive keeps is what the live program saw, to the last digit, and nobody pays for
nanoseconds that no wire has.
"""

from __future__ import annotations

import ctypes
import select
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    import threading
    from collections.abc import Coroutine

NS_PER_S = 1_000_000_000
#: The step in which all times go.
STEP_NS = 1_000
#: The environment variable that names the clock of a bench; `bench_clock.py` says what that is.
BENCH_CLOCK = "CABCANARY_BENCH_CLOCK"


class Clock:
    """Monotonic time in nanoseconds, in steps of a microsecond, running `speed` times as fast as the kernel's.

    Whoever waits for a time in a thread of his own waits by this clock, since on a bench the bench owns the time.
    """

    #: Whether the time is a bench's and not the kernel's.
    on_bench = False

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

    def for_wires(self) -> Clock:
        """The clock of what answers on a wire: it knows nothing of this one's speed."""
        return Clock()

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait for an event, at most so many seconds of this clock; whether it came."""
        return event.wait(self.real_s(seconds))

    def wait_until(self, event: threading.Event, deadline_ns: int) -> bool:
        """Wait for an event until this clock shows a time; whether it came."""
        return event.wait(self.real_until(deadline_ns))

    def readable(self, descriptor: int, seconds: float) -> bool:
        """Wait until a descriptor can be read, at most so many seconds of this clock; whether it can.

        Raises:
            OSError: the descriptor is closed.
            ValueError: it is none.
        """
        return bool(select.select([descriptor], [], [], self.real_s(seconds))[0])

    def arrived(self, wire: str, count: int) -> None:
        """So many bytes of a wire have been read: of interest to a bench alone."""

    def sent(self, wire: str, count: int) -> None:
        """So many bytes have been put on a wire: of interest to a bench alone."""

    def run(self, main: Coroutine[Any, Any, None]) -> None:
        """Run a program in a loop whose time is this clock's."""
        # Here, because the archiver has a clock and no loop, and the loop's libraries take 3 MB.
        import asyncio

        asyncio.run(main)


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
