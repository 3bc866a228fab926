"""Which clock this process has."""

from __future__ import annotations

import os

from cabcanary.clock import BENCH_CLOCK, Clock


def make_clock(speed: float) -> Clock:
    """The clock of this process: the bench's, where the environment names one, else the kernel's times `speed`.

    Raises:
        ValueError: no such speed.
    """
    if BENCH_CLOCK in os.environ:
        from cabcanary.bench_clock import bench_clock

        return bench_clock()
    return Clock(speed)
