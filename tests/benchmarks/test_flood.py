"""A serial port that floods costs little, and costs no other source its tick. Nothing here can fail by time."""

from __future__ import annotations

import contextlib
import itertools
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from can_process import cpu_s
from harness import Message, Ride

from cabcanary_bench.wiring.serial_pty import SerialPty

pytestmark = pytest.mark.in_time


_SECONDS = 3.0
#: 115200 baud are ten bits a byte: start, eight, stop.
_BYTES_PER_S = 11_520
#: The issue's bar at 115200 baud, as a share of one core.
_BAR = 0.20
#: What flooded memory may grow by. A line holds 200 bytes at most, and one read 4 kB.
_MOST_GROWTH_KB = 20_000
#: In the drive's warm cruise: the engine runs, nothing is wrong.
_FROM_S = 60.0
#: Random bytes to a descriptor: at a rate per second, or as fast as it takes them (0).
_FLOODER = """
import os, random, select, sys, time
descriptor, rate = int(sys.argv[1]), int(sys.argv[2])
noise, at, sent, began = random.Random(5).randbytes(1 << 20), 0, 0, time.monotonic()
while True:
    if rate:
        time.sleep(0.01)
        due = int((time.monotonic() - began) * rate) - sent
    else:
        due = 4096
        select.select([], [descriptor], [])
    while due > 0:
        try:
            went = os.write(descriptor, noise[at : at + min(due, 4096)])
        except BlockingIOError:
            if rate:
                sent += due
            break
        at, sent, due = (at + went) % (len(noise) - 8192), sent + went, due - went
"""


@dataclass(frozen=True)
class Cost:
    """What one phase was like."""

    share: float
    rss_kb: tuple[int, int]
    gaps_ms: list[float]
    frames: list[Message]

    def gap(self, share: float) -> float:
        return sorted(self.gaps_ms)[int(share * (len(self.gaps_ms) - 1))]


def rss_kb(pid: int) -> int:
    lines = Path(f"/proc/{pid}/status").read_text(encoding="ascii").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith("VmRSS"))


@contextlib.contextmanager
def flooding(pty: SerialPty, rate: int | None) -> Iterator[None]:
    """Random bytes, in a process of their own so that the van keeps its time; None: silence."""
    if rate is None:
        yield
        return
    arguments = [sys.executable, "-c", _FLOODER, str(pty.fileno()), str(rate)]
    flooder = subprocess.Popen(arguments, pass_fds=[pty.fileno()])
    try:
        yield
        assert flooder.poll() is None
    finally:
        flooder.kill()
        flooder.wait()


def phase(driven: Ride, pty: SerialPty, rate: int | None) -> Cost:
    with flooding(pty, rate):
        time.sleep(1.0)
        seen, before = len(driven.told.frames), rss_kb(driven.pid)
        spent, began = cpu_s(driven.pid), time.monotonic()
        time.sleep(_SECONDS)
        share = (cpu_s(driven.pid) - spent) / (time.monotonic() - began)
        frames = driven.told.frames[seen:]
    # Noise moves the last digits of every reading, so a new value is a new reading.
    fresh = [b["t"] for a, b in itertools.pairwise(frames) if a["values"]["map"][0] != b["values"]["map"][0]]
    gaps = [(b - a) / 1e6 for a, b in itertools.pairwise(fresh)]
    return Cost(share, (before, rss_kb(driven.pid)), gaps, frames)


def test_what_a_flooded_port_costs_beside_a_silent_one(
    ride: Callable[..., Ride], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pty = SerialPty(tmp_path / "tty-flood")
    try:
        driven = ride(speed=1.0, own_time=False)
        driven.rig.skip(_FROM_S)
        driven.start(CABCANARY_BENCH_WIDEBAND=str(pty.link))
        driven.ready()
        driven.rig.start_van()
        driven.frame("a pressure", lambda v: v["map"][1] == "good" and v["engine_running"][0] == 1.0)
        time.sleep(1.0)
        costs = {
            "silent": phase(driven, pty, None),
            "random bytes, 115200 baud": phase(driven, pty, _BYTES_PER_S),
            "random bytes, as fast as it goes": phase(driven, pty, 0),
            "silent again": phase(driven, pty, None),
        }
    finally:
        pty.close()
    base = costs["silent"]
    with capsys.disabled():
        print("\n  the daemon            CPU of a core      memory, kB        gaps between pressures, p50 and p99, ms")
        for name, c in costs.items():
            print(
                f"  {name:<34} {100 * c.share:5.1f} %  ×{c.share / base.share:4.1f}   {c.rss_kb[0]} to {c.rss_kb[1]}"
                f"   {c.gap(0.5):5.1f} ×{c.gap(0.5) / base.gap(0.5):.2f}  {c.gap(0.99):5.1f}"
                f" ×{c.gap(0.99) / base.gap(0.99):.2f}"
            )
        met = costs["random bytes, 115200 baud"].share < _BAR
        print(f"  under {100 * _BAR:.0f} % of a core at 115200 baud: {'yes' if met else 'NO'}")
    for name, c in costs.items():
        assert len(c.frames) > 100, name
        assert driven.not_good(c.frames, "map") == {}, name
        assert c.rss_kb[1] - base.rss_kb[0] < _MOST_GROWTH_KB, name
