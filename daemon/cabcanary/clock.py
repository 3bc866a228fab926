"""The one clock: monotonic, in nanoseconds, and scaled on a bench so that a drive can be run faster.

Every process on the machine that uses the same speed sees the same time, because the clock is the
kernel's monotonic clock times the speed, without an origin of its own. A monotonic clock never jumps;
a small computer's wall clock does, when it first hears the time.
"""

from __future__ import annotations

import time

NS_PER_S = 1_000_000_000


class Clock:
    """Monotonic time in nanoseconds, running `speed` times as fast as the kernel's."""

    def __init__(self, speed: float = 1.0) -> None:
        if not 0.01 <= speed <= 1000:
            raise ValueError(f"a clock speed of {speed} is outside 0.01 to 1000")
        self.speed = speed

    def now_ns(self) -> int:
        """Monotonic time, ns."""
        now = time.monotonic_ns()
        return now if self.speed == 1.0 else int(now * self.speed)

    def real_s(self, clock_s: float) -> float:
        """How many seconds a person waits while this clock advances by `clock_s` seconds."""
        return clock_s / self.speed

    def real_until(self, deadline_ns: int) -> float:
        """Real seconds until this clock shows `deadline_ns`; not negative."""
        return max(0.0, (deadline_ns - self.now_ns()) / NS_PER_S / self.speed)


def wall_ns() -> int:
    """Wall-clock time, ns since 1970 UTC. For labels only: it may jump, so nothing is ever decided by it."""
    return time.time_ns()
