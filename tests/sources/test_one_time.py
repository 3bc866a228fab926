"""Times as a drive keeps them: whole microseconds, and one for what was read together."""

from __future__ import annotations

import threading
from pathlib import Path

import pytest

from cabcanary.clock import Clock
from cabcanary.model import Reading
from cabcanary.processes.status import Backoff, Status
from cabcanary.sources.kernel.reader import TreeChannel, TreeReader
from cabcanary.sources.slot import Slots
from cabcanary.store.samples import Steps

pytestmark = pytest.mark.waits


MS = 1_000_000


class SteppingClock(Clock):
    """Goes on by so much at each look."""

    def __init__(self, step_ns: int) -> None:
        super().__init__()
        self._step, self._now, self._lock = step_ns, 0, threading.Lock()

    def now_ns(self) -> int:
        with self._lock:
            self._now += self._step
            return self._now


class Kept(Slots):
    """Slots that remember every reading of the first scans."""

    def __init__(self, count: int) -> None:
        super().__init__()
        self.all: list[Reading] = []
        self._count, self.full = count, threading.Event()

    def put(self, reading: Reading) -> None:
        super().put(reading)
        self.all.append(reading)
        if len(self.all) >= self._count:
            self.full.set()


@pytest.mark.parametrize("speed", [1.0, 5.0, 0.37])
def test_the_clock_goes_in_whole_microseconds(speed: float) -> None:
    clock = Clock(speed)
    assert {clock.now_ns() % 1000 for _ in range(1000)} == {0}


def test_a_time_that_a_source_has_worked_out_goes_in_the_clocks_steps() -> None:
    slots = Slots()
    slots.put(Reading("can", "rpm", 800.0, 5_000_999))
    assert slots.newest["can", "rpm"].time_ns == 5_000_000


def scans(tmp_path: Path, step_ns: int) -> Kept:
    channels = []
    for n in range(4):
        path = tmp_path / f"in_voltage{n}_raw"
        path.write_text("2000\n")
        channels.append(TreeChannel(f"voltage{n}", path, scale=1.25, offset=-8.0))
    slots = Kept(12)
    status = Status("adc", lambda *_: None)
    items = [c.item for c in channels]
    reader = TreeReader("adc", lambda: channels, items, 50.0, 1e6, SteppingClock(step_ns), slots, status, Backoff())
    reader.start()
    assert slots.full.wait(15)
    reader.stop()
    assert reader.join(15)
    return slots


def test_what_is_read_within_a_millisecond_carries_one_time_and_the_next_scan_another(tmp_path: Path) -> None:
    # 10 us pass at each look at the clock, and there are two for each channel.
    slots = scans(tmp_path, 10_000)
    times = [r.time_ns for r in slots.all[:12]]
    assert [len(set(times[n : n + 4])) for n in (0, 4, 8)] == [1, 1, 1]
    assert times[0] < times[4] < times[8]


def test_a_slow_scan_is_not_passed_off_as_read_at_once(tmp_path: Path) -> None:
    # 0.4 ms at each look: the fourth channel comes 2.4 ms after the first.
    slots = scans(tmp_path, 400_000)
    times = [r.time_ns for r in slots.all[:4]]
    assert times[3] - times[0] >= 1_600_000
    assert len(set(times)) >= 2


def test_a_converters_arithmetic_is_told_so_that_its_codes_can_be_kept(tmp_path: Path) -> None:
    slots = scans(tmp_path, 10_000)
    assert slots.steps["adc", "voltage2"] == Steps(1.25, -8.0)
    assert slots.newest["adc", "voltage2"].value == (2000 - 8) * 1.25
