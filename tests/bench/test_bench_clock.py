"""The bench's own time: nobody is overtaken by it, and nothing on a wire is."""

from __future__ import annotations

import asyncio
import os
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING

import pytest

from cabcanary.bench_clock import FIRST_WAITER, WAITERS, BenchClock
from cabcanary.clock import BENCH_CLOCK, NS_PER_S, Clock
from cabcanary.clocks import make_clock
from cabcanary_bench.rig.conductor import Conductor
from cabcanary_bench.wiring.serial_pty import SerialPty

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

S = NS_PER_S
FAST = float("inf")


class Bench:
    """A conductor, and what it does in a thread of its own."""

    def __init__(self, folder: Path, wires: tuple[SerialPty, ...] = ()) -> None:
        self.conductor = Conductor(folder / "clock", wires)
        self.clock = BenchClock(folder / "clock")
        self.begun = self.clock.now_ns()

    def go(self, seconds: float, speed: float = FAST) -> threading.Thread:
        thread = threading.Thread(target=self.conductor.until, args=(self.begun + round(seconds * S), speed))
        thread.start()
        return thread

    @property
    def s(self) -> float:
        return (self.clock.now_ns() - self.begun) / S


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    made.conductor.close()


def test_time_goes_to_the_very_moment_that_is_waited_for_and_stands_there(bench: Bench) -> None:
    seen = []

    def work() -> None:
        for n in (0.5, 1.25, 3.0):
            bench.clock.wait_until(threading.Event(), bench.begun + round(n * S))
            time.sleep(0.05)  # slow work: time stands
            seen.append(bench.s)

    worker = threading.Thread(target=work)
    worker.start()
    while not bench.conductor.waits_for(os.getpid()):
        time.sleep(0.001)
    began = time.monotonic()
    going = bench.go(10.0)
    worker.join(5)
    going.join(5)
    assert seen == [0.5, 1.25, 3.0]
    assert bench.s == 10.0
    assert time.monotonic() - began < 5.0


def test_two_that_wait_are_never_more_than_their_own_next_time_apart(bench: Bench) -> None:
    # Each notes the times that it sees; merged by the order in which they were noted they must not go back.
    notes: list[float] = []
    lock = threading.Lock()

    def work(period_s: float) -> None:
        n = 0
        while (n := n + 1) * period_s <= 2.0:
            bench.clock.wait_until(threading.Event(), bench.begun + round(n * period_s * S))
            with lock:
                notes.append(round(bench.s, 6))
                assert notes[-1] == pytest.approx(n * period_s, abs=1e-6)

    workers = [threading.Thread(target=work, args=(period,)) for period in (0.02, 0.03)]
    for worker in workers:
        worker.start()
    while sum(bench.conductor._words[FIRST_WAITER + 2 * n] > 0 for n in range(WAITERS)) < 2:
        time.sleep(0.001)
    going = bench.go(2.0)
    for thread in (*workers, going):
        thread.join(20)
    assert len(notes) == 100 + 66
    assert notes == sorted(notes)


def test_a_loop_sleeps_in_the_bench_s_time(bench: Bench) -> None:
    found = []

    async def main() -> None:
        for _ in range(3):
            await asyncio.sleep(20.0)
            found.append(bench.s)

    worker = threading.Thread(target=bench.clock.run, args=(main(),))
    worker.start()
    while not bench.conductor.waits_for(os.getpid()):
        time.sleep(0.001)
    began = time.monotonic()
    going = bench.go(61.0)
    worker.join(10)
    assert found == pytest.approx([20.0, 40.0, 60.0], abs=1e-5)
    assert time.monotonic() - began < 10.0  # a minute of the bench's time
    going.join(5)


def test_a_loop_still_hears_what_comes_between_two_times(bench: Bench) -> None:
    heard = []

    async def main() -> None:
        reading, writing = os.pipe()
        asyncio.get_running_loop().add_reader(reading, lambda: heard.append(os.read(reading, 10)))
        os.write(writing, b"x")
        await asyncio.sleep(1.0)
        os.close(writing)
        asyncio.get_running_loop().remove_reader(reading)
        os.close(reading)

    worker = threading.Thread(target=bench.clock.run, args=(main(),))
    worker.start()
    while not bench.conductor.waits_for(os.getpid()):
        time.sleep(0.001)
    bench.go(2.0).join(10)
    worker.join(5)
    assert heard == [b"x"]


def test_bytes_on_a_wire_hold_the_time_until_they_are_read(tmp_path: Path) -> None:
    port = SerialPty(tmp_path / "tty")
    bench = Bench(tmp_path, (port,))
    host = os.open(tmp_path / "tty", os.O_RDONLY | os.O_NOCTTY)
    # The host listens: from the first byte that it reads on, time waits for it.
    port.write(b"a")
    bench.clock.arrived(str(port.link), len(os.read(host, 10)))
    bench.go(1.0).join(5)
    assert bench.s == 1.0
    port.write(b"hello")
    going = bench.go(2.0)
    time.sleep(0.1)
    assert bench.s == 1.0
    bench.clock.arrived(str(port.link), len(os.read(host, 10)))
    going.join(5)
    assert bench.s == 2.0
    # Where nobody reads any more, time goes on all the same, after five seconds.
    port.write(b"lost")
    bench.go(3.0).join(15)
    assert bench.s == 3.0
    os.close(host)
    port.close()


def test_what_the_host_has_sent_holds_the_time_until_it_is_answered(tmp_path: Path) -> None:
    port = SerialPty(tmp_path / "tty")
    bench = Bench(tmp_path, (port,))
    port.write(b"a")
    bench.clock.arrived(str(port.link), 1)
    bench.go(1.0).join(5)
    bench.clock.sent(str(port.link), 3)
    going = bench.go(2.0)
    time.sleep(0.1)
    assert bench.s == 1.0
    port.taken += 3
    going.join(5)
    assert bench.s == 2.0
    port.close()


def test_a_process_that_died_at_its_work_holds_nothing_up(bench: Bench) -> None:
    path = str(bench.conductor._page.path)
    code = "import os, sys, pathlib; from cabcanary.bench_clock import BenchClock\n"
    code += "clock = BenchClock(pathlib.Path(sys.argv[1])); clock.waiter(); os._exit(0)"
    subprocess.run([sys.executable, "-c", code, path], timeout=60, check=True)
    assert any(bench.conductor._words[FIRST_WAITER + 2 * n] for n in range(WAITERS))
    bench.go(5.0).join(5)
    assert bench.s == 5.0
    assert not any(bench.conductor._words[FIRST_WAITER + 2 * n] for n in range(WAITERS))


def test_one_that_hangs_is_left_behind_and_time_then_goes_as_real_time_does(bench: Bench) -> None:
    done = threading.Event()

    def hang() -> None:
        bench.clock.waiter()  # at work, for ever
        done.wait()

    worker = threading.Thread(target=hang)
    worker.start()
    while not bench.conductor.waits_for(os.getpid()):
        time.sleep(0.001)
    began = time.monotonic()
    bench.go(0.5).join(10)
    took = time.monotonic() - began
    done.set()
    worker.join()
    assert bench.s == 0.5
    assert took >= 1.0 + 0.4  # the patience, and half a second but for what may be made up


def test_a_thread_s_place_is_free_again_when_it_ends(bench: Bench) -> None:
    for _ in range(WAITERS + 10):
        worker = threading.Thread(target=lambda: bench.clock.wait(threading.Event(), 0.0))
        worker.start()
        worker.join(5)
    assert not bench.conductor.waits_for(os.getpid())


def test_a_speed_that_is_asked_for_is_not_exceeded(bench: Bench) -> None:
    began = time.monotonic()
    bench.go(2.0, speed=10.0).join(10)
    assert bench.s == 2.0
    assert time.monotonic() - began >= 0.2 - 0.06  # a lateness of 0.05 s may be made up for


def test_the_environment_chooses_the_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(BENCH_CLOCK, raising=False)
    assert type(make_clock(3.0)) is Clock
    conductor = Conductor(tmp_path / "clock", ())
    monkeypatch.setenv(BENCH_CLOCK, str(tmp_path / "clock"))
    chosen = make_clock(3.0)
    assert chosen.on_bench
    assert chosen.now_ns() == conductor.now_ns
    # And every process that is started sees the same time.
    code = "from cabcanary.clocks import make_clock; print(make_clock(1.0).now_ns())"
    said = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=60, check=True).stdout
    assert int(said) == conductor.now_ns
