"""The monitor's own computer: what each item says, and that one that hangs costs no other."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cabcanary.clock import Clock
from cabcanary.model import Reading
from cabcanary.processes.status import Status
from cabcanary.sources.host import computer as this_computer
from cabcanary.sources.host.computer import HostReader, Readers, Recent, machine_readers
from cabcanary.sources.host.host_settings import ITEMS, HostSource
from cabcanary.sources.kind import OwnState
from cabcanary.sources.slot import Slots
from cabcanary_bench.wiring.host_files import HostFiles

pytestmark = pytest.mark.waits


#: For a machine that is busy with other things.
LONGEST_S = 15.0


def until(condition: Callable[[], object], what: str) -> None:
    ends = time.monotonic() + LONGEST_S
    while not condition():
        assert time.monotonic() < ends, f"waited in vain for {what}"
        time.sleep(0.002)


class Bench:
    """A source on a machine of files, and what it told."""

    def __init__(self, folder: Path) -> None:
        self.system = folder / "sys"
        self.clock, self.slots = Clock(), Slots()
        self.told: list[tuple[bool, str]] = []
        self.status = Status("computer", lambda _name, ok, words: self.told.append((ok, words)))
        self.reader: HostReader | None = None
        self.able, self.late = True, 0
        self.latency_s = 0.0
        own = OwnState(lambda: self.able, lambda: self.late, lambda: self.latency_s)
        self.machine: Readers = machine_readers(folder, own, self.clock, self.system)

    def start(self, *items: str, folder: Path | None = None, hung_after: str = "2 s") -> None:
        spec = HostSource(kind="host", rate_hz=10, folder=folder, hung_after=hung_after)
        self.reader = HostReader("computer", spec, items, self.clock, self.slots, self.status, self.machine)
        self.reader.start()

    def lay(self, path: str, content: object) -> None:
        file = self.system / "class" / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(f"{content}\n", encoding="utf-8")

    def reading(self, item: str) -> Reading | None:
        return self.slots.newest.get(("computer", item))

    def shows(self, item: str, value: float) -> None:
        until(lambda: (r := self.reading(item)) is not None and r.value == value, f"{item} to show {value}")

    def absent(self, item: str) -> str:
        until(lambda: (r := self.reading(item)) is not None and r.value is None, f"{item} to be absent")
        reading = self.reading(item)
        assert reading is not None
        return reading.reason


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    made = Bench(tmp_path)
    yield made
    if made.reader is not None:
        made.reader.stop()
        assert made.reader.join(LONGEST_S)


# --- the clock ------------------------------------------------------------------------------------------


def test_the_kernels_answer_about_its_clock_is_read_at_the_right_places() -> None:
    timex = this_computer._kernel_clock()
    assert abs(timex.seconds - time.time()) < 5.0
    # adjtimex(2): tick is between 900000/HZ and 1100000/HZ, with HZ = 100.
    assert 9_000 <= timex.tick <= 11_000
    # The kernel's MAXFREQ_SCALED: 500 ppm with 16 bits of fraction.
    assert timex.tolerance == 500 << 16


# include/uapi/linux/timex.h: STA_PLL 0x0001, STA_UNSYNC 0x0040, STA_NANO 0x2000.
@pytest.mark.parametrize(("status", "is_set"), [(0x2001, True), (0x2041, False), (0x0040, False), (0x0000, True)])
def test_the_clock_is_set_unless_the_kernel_calls_it_unsynchronised(monkeypatch, status: int, is_set: bool) -> None:
    class Kernel:
        def adjtimex(self, timex) -> int:
            timex._obj.status = status
            return 5  # TIME_ERROR, which stands for more than an unset clock

    monkeypatch.setattr(this_computer, "_LIBC", Kernel())
    assert this_computer.clock_is_set() is is_set


def test_a_kernel_that_does_not_answer_about_its_clock_is_no_unset_clock(bench: Bench, monkeypatch) -> None:
    class Filtered:
        def adjtimex(self, _timex) -> int:
            this_computer.ctypes.set_errno(1)
            return -1

    monkeypatch.setattr(this_computer, "_LIBC", Filtered())
    bench.start("clock_set")
    assert bench.absent("clock_set") == "the kernel does not tell about its clock (Operation not permitted)"


# --- the board and the card -------------------------------------------------------------------------------


def test_the_board_is_as_hot_as_its_hottest_zone(bench: Bench) -> None:
    bench.lay("thermal/thermal_zone0/temp", 48312)
    bench.lay("thermal/thermal_zone1/temp", 61050)
    bench.lay("thermal/thermal_zone2/temp", "nonsense")
    bench.lay("thermal/thermal_zone3/temp", -274000)  # THERMAL_TEMP_INVALID
    bench.start("board_temperature")
    bench.shows("board_temperature", 61.05)


def test_a_board_without_a_zone_that_tells_has_no_temperature(bench: Bench) -> None:
    bench.lay("thermal/thermal_zone0/temp", -274000)
    bench.start("board_temperature")
    assert bench.absent("board_temperature").endswith("class/thermal tells a temperature")
    assert bench.told == [(False, f"board_temperature: {bench.absent('board_temperature')}")]


def test_under_voltage_is_the_alarm_of_the_boards_own_chip(bench: Bench) -> None:
    bench.lay("hwmon/hwmon0/name", "cpu_thermal")
    bench.lay("hwmon/hwmon0/in0_lcrit_alarm", 1)
    bench.lay("hwmon/hwmon1/name", "rpi_volt")
    bench.lay("hwmon/hwmon1/in0_lcrit_alarm", 0)
    bench.start("under_voltage")
    bench.shows("under_voltage", 0.0)
    bench.lay("hwmon/hwmon1/in0_lcrit_alarm", 1)
    bench.shows("under_voltage", 1.0)


def test_a_board_that_does_not_watch_its_supply_says_so_once(bench: Bench) -> None:
    bench.lay("hwmon/hwmon0/name", "cpu_thermal")
    bench.lay("thermal/thermal_zone0/temp", 48000)
    bench.start("under_voltage", "board_temperature")
    bench.shows("board_temperature", 48.0)
    bench.lay("thermal/thermal_zone0/temp", 49000)
    bench.shows("board_temperature", 49.0)
    chips = bench.system / "class" / "hwmon"
    words = f"under_voltage: no hwmon chip named 'rpi_volt' under {chips}; it holds cpu_thermal"
    assert bench.told == [(False, words)]


def test_free_space_is_what_anybody_may_still_fill(bench: Bench, monkeypatch) -> None:
    # 1000 blocks, 300 free, 50 of them kept for root: 25 % of it all.
    monkeypatch.setattr(
        "os.statvfs", lambda _: os.statvfs_result((4096, 4096, 1000, 300, 250, 0, 0, 0, 0, 255)), raising=True
    )
    bench.start("free_space")
    bench.shows("free_space", 25.0)


def test_the_free_space_is_that_of_the_daemons_folder(tmp_path: Path) -> None:
    readers = machine_readers(tmp_path / "not there", None, Clock())
    with pytest.raises(FileNotFoundError):
        readers["free_space"]()
    assert 0.0 <= machine_readers(tmp_path, None, Clock())["free_space"]() <= 100.0


def test_a_card_that_was_mounted_read_only_is_told(bench: Bench, monkeypatch) -> None:
    # ST_RDONLY is 1 (statvfs(3)).
    flags = [0]
    monkeypatch.setattr(
        "os.statvfs", lambda _: os.statvfs_result((4096, 4096, 1000, 300, 250, 0, 0, 0, flags[0], 255)), raising=True
    )
    bench.start("card_read_only")
    bench.shows("card_read_only", 0.0)
    flags[0] = 1
    bench.shows("card_read_only", 1.0)


# --- the daemon itself ------------------------------------------------------------------------------------


def test_whether_the_recorder_can_write_is_followed(bench: Bench) -> None:
    bench.start("recording")
    bench.shows("recording", 1.0)
    bench.able = False
    bench.shows("recording", 0.0)
    bench.able = True
    bench.shows("recording", 1.0)


class HandClock(Clock):
    """A clock that the test sets."""

    def __init__(self) -> None:
        super().__init__()
        self.now_s = 100.0

    def now_ns(self) -> int:
        return int(self.now_s * 1e9)


def test_the_cards_slowest_sync_is_told_in_milliseconds(bench: Bench) -> None:
    bench.latency_s = 2.5
    bench.start("write_latency")
    bench.shows("write_latency", 2500.0)


def test_late_ticks_are_those_of_the_last_ten_seconds() -> None:
    clock, total = HandClock(), [3]
    recent = Recent(lambda: total[0], 10.0, clock)
    shown = []
    for second in range(1, 25):
        clock.now_s = 100.0 + second
        total[0] += {5: 2, 8: 1}.get(second, 0)
        shown.append(recent())
    # Two of second 5 until 15, one of second 8 until 18; what was before the start is no news.
    assert shown == [0] * 4 + [2] * 3 + [3] * 7 + [1] * 3 + [0] * 7


# --- hanging ------------------------------------------------------------------------------------------------


def test_a_card_that_does_not_answer_costs_its_free_space_and_nothing_else(bench: Bench, monkeypatch) -> None:
    answers, statvfs = threading.Event(), os.statvfs

    def dying(folder: Path) -> os.statvfs_result:
        answers.wait(LONGEST_S)
        return statvfs(folder)

    monkeypatch.setattr("os.statvfs", dying)
    bench.lay("thermal/thermal_zone0/temp", 48000)
    try:
        bench.start("free_space", "board_temperature", "recording", hung_after="0.3 s")
        assert bench.absent("free_space") == "does not answer; the others go on"
        threads = threading.active_count()
        bench.lay("thermal/thermal_zone0/temp", 52000)
        bench.shows("board_temperature", 52.0)
        bench.able = False
        bench.shows("recording", 0.0)
        assert bench.told == [(False, "free_space: does not answer; the others go on")]
        assert threading.active_count() == threads  # no thread is thrown after the one that hangs
    finally:
        answers.set()
    until(lambda: bench.told[-1][0], "the card to be there again")
    until(lambda: (r := bench.reading("free_space")) is not None and r.value is not None, "its free space")
    assert len(bench.told) == 2


def test_stopping_does_not_wait_for_what_hangs(bench: Bench, monkeypatch) -> None:
    answers = threading.Event()
    monkeypatch.setattr("os.statvfs", lambda _: answers.wait(LONGEST_S))
    try:
        bench.start("free_space", "recording", hung_after="0.1 s")
        bench.absent("free_space")
        assert bench.reader is not None
        bench.reader.stop()
        assert bench.reader.join(5.0)
        assert not answers.is_set()
    finally:
        answers.set()


def test_a_slow_answer_is_taken_with_its_own_time_and_is_no_hang(bench: Bench, monkeypatch) -> None:
    statvfs = os.statvfs
    # Longer than the look in which it was asked, shorter than a hang.
    monkeypatch.setattr("os.statvfs", lambda folder: time.sleep(0.25) or statvfs(folder))
    bench.start("free_space")
    until(lambda: (r := bench.reading("free_space")) is not None and r.value is not None, "the slow answer")
    assert all(ok for ok, _ in bench.told)


def test_a_fault_in_reading_one_item_is_told_of_and_the_others_go_on(bench: Bench) -> None:
    bench.machine["recording"] = lambda: 1 // 0
    bench.machine["free_space"] = lambda: 50.0
    bench.start("recording", "free_space")
    bench.shows("free_space", 50.0)
    assert "division" in bench.absent("recording")


# --- the stand-in -------------------------------------------------------------------------------------------


def test_what_has_a_file_is_read_from_it_and_the_rest_from_the_machine(bench: Bench, tmp_path: Path) -> None:
    bench.lay("thermal/thermal_zone0/temp", 48000)
    host = HostFiles(tmp_path / "host")
    host.write("board_temperature", 71.5)
    bench.start("board_temperature", "clock_set", "recording", folder=host.folder)
    bench.shows("board_temperature", 71.5)
    bench.shows("clock_set", 1.0)
    bench.shows("recording", 1.0)
    host.write("clock_set", 0)
    bench.shows("clock_set", 0.0)
    host.remove("board_temperature")
    bench.shows("board_temperature", 48.0)
    bench.able = False
    bench.shows("recording", 0.0)


@pytest.mark.parametrize("content", ["", "warm", "nan", "inf", "0.5", "2"])
def test_a_file_that_holds_no_state_is_none(bench: Bench, tmp_path: Path, content: str) -> None:
    host = HostFiles(tmp_path / "host")
    (host.folder / "clock_set").write_text(content)
    bench.start("clock_set", folder=host.folder)
    assert bench.absent("clock_set").startswith("gave ")


def test_a_folder_that_is_not_there_is_said_once_for_all_items(bench: Bench, tmp_path: Path) -> None:
    bench.start("clock_set", "recording", folder=tmp_path / "host")
    bench.absent("recording")
    assert bench.told == [(False, f"clock_set, recording: there is no stand-in folder {tmp_path / 'host'}")]


@pytest.mark.parametrize(("variable", "folder"), [(None, None), ("", None), ("/tmp/host", Path("/tmp/host"))])
def test_a_vehicle_without_the_benchs_variable_reads_the_machine(monkeypatch, variable, folder) -> None:
    monkeypatch.delenv("CABCANARY_BENCH_HOST", raising=False)
    if variable is not None:
        monkeypatch.setenv("CABCANARY_BENCH_HOST", variable)
    spec = HostSource.model_validate({"kind": "host", "folder": "${CABCANARY_BENCH_HOST:-}"})
    assert spec.folder == folder


def test_each_item_that_is_offered_can_be_read(tmp_path: Path) -> None:
    assert set(machine_readers(tmp_path, None, Clock())) == set(ITEMS)


def test_a_source_that_no_channel_reads_has_no_thread(bench: Bench) -> None:
    before = threading.active_count()
    bench.start()
    assert threading.active_count() == before
    assert bench.told == [(True, "no channel reads it")]
