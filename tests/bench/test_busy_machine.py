"""A machine that is late is told as that, and no verdict is passed on the monitor."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from typing import TYPE_CHECKING, Any

import pytest
from drawn import Drawn

from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.rig import bench, patience, screen
from cabcanary_bench.rig.conductor import Conductor
from cabcanary_bench.rig.feed_reader import FeedLostError, Follower, MachineLateError
from cabcanary_bench.rig.patience import Patience, wants_to_run

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.waits


class Watch:
    """The kernel's monotonic clock, in the hands of a test."""

    def __init__(self) -> None:
        self.s = 1000.0

    def monotonic(self) -> float:
        return self.s


@pytest.fixture
def watch(monkeypatch: pytest.MonkeyPatch) -> Watch:
    made = Watch()
    monkeypatch.setattr(patience, "time", made)
    return made


@pytest.fixture
def running() -> Iterator[int]:
    """A process that always wants a processor."""
    process = subprocess.Popen([sys.executable, "-c", "while True: pass"])
    while not wants_to_run(process.pid):
        time.sleep(0.01)
    yield process.pid
    process.kill()
    process.wait()


@pytest.fixture
def asleep() -> Iterator[int]:
    """A process that waits for something."""
    process = subprocess.Popen([sys.executable, "-c", "print(flush=True); import time; time.sleep(600)"], stdout=-1)
    assert process.stdout is not None
    process.stdout.readline()
    while wants_to_run(process.pid):
        time.sleep(0.01)
    yield process.pid
    process.kill()
    process.wait()
    process.stdout.close()


def lasts(patience: Patience, watch: Watch, pids: list[int], look_s: float, longest_s: float = 1000.0) -> float:
    began = watch.s
    while not patience.spent(pids) and watch.s - began < longest_s:
        watch.s += look_s
    return watch.s - began


def test_one_that_waits_for_something_is_waited_for_as_long_as_was_said(watch: Watch, asleep: int) -> None:
    waited = Patience(5.0)
    assert lasts(waited, watch, [asleep], 0.01) == pytest.approx(5.0, abs=0.05)
    assert not waited.machine_late


def test_one_that_wants_a_processor_is_waited_for_twelve_times_as_long_and_not_for_ever(
    watch: Watch, running: int
) -> None:
    waited = Patience(5.0)
    assert lasts(waited, watch, [running], 0.01) == pytest.approx(60.0, abs=2.0)
    assert waited.machine_late


def test_what_the_bench_itself_has_slept_through_does_not_count(watch: Watch, asleep: int) -> None:
    # It comes to look once in 2 s: nobody knows what the other did in between.
    waited = Patience(5.0)
    assert lasts(waited, watch, [asleep], 2.0) == pytest.approx(200.0, abs=5.0)
    assert waited.machine_late


def test_who_gets_on_is_waited_for_anew(watch: Watch, asleep: int) -> None:
    waited = Patience(5.0)
    lasts(waited, watch, [asleep], 0.01, longest_s=4.0)
    waited.anew()
    assert lasts(waited, watch, [asleep], 0.01) == pytest.approx(5.0, abs=0.05)
    assert not waited.machine_late


def test_a_process_that_is_no_more_wants_nothing() -> None:
    process = subprocess.Popen([sys.executable, "-c", ""])
    process.wait()
    assert not wants_to_run(process.pid)


def test_a_daemon_that_gets_no_processor_at_its_start_is_not_called_absent(
    tmp_path: Path, running: int, asleep: int
) -> None:
    with pytest.raises(MachineLateError, match="was not up after"):
        Follower(tmp_path / "none.sock", 0, wait_s=0.2, pid=running)
    with pytest.raises(FeedLostError, match="no daemon serves") as error:
        Follower(tmp_path / "none.sock", 0, wait_s=0.5, pid=asleep)
    assert not isinstance(error.value, MachineLateError)


def test_time_that_goes_on_without_one_who_wants_a_processor_is_told(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(patience, "_SLOWNESS", 1.5)
    conductor = Conductor(tmp_path / "clock", ())
    code = "import sys, pathlib; from cabcanary.bench_clock import BenchClock\n"
    code += "clock = BenchClock(pathlib.Path(sys.argv[1])); clock.waiter()\nwhile True: pass"
    process = subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "clock")])
    try:
        while not conductor.waits_for(process.pid):
            time.sleep(0.01)
        conductor.until(conductor.now_ns + 1_000_000, 1.0)
    finally:
        process.kill()
        process.wait()
    assert len(conductor.machine.late) == 1
    assert conductor.machine.late[0].startswith("a part of the monitor waited ")


def test_one_that_hangs_in_truth_is_no_fault_of_the_machine(tmp_path: Path) -> None:
    conductor = Conductor(tmp_path / "clock", ())
    code = "import sys, pathlib, time; from cabcanary.bench_clock import BenchClock\n"
    code += "clock = BenchClock(pathlib.Path(sys.argv[1])); clock.waiter(); time.sleep(600)"
    process = subprocess.Popen([sys.executable, "-c", code, str(tmp_path / "clock")])
    try:
        while not conductor.waits_for(process.pid):
            time.sleep(0.01)
        conductor.until(conductor.now_ns + 1_000_000, 1.0)
    finally:
        process.kill()
        process.wait()
    assert conductor.machine.late == []


@pytest.fixture
def late_daemon(monkeypatch: pytest.MonkeyPatch) -> None:
    """The machine has no time for the daemon."""

    def never(*_: Any, **__: Any) -> Follower:
        raise MachineLateError("the daemon was not up after 120 s")

    monkeypatch.setattr("cabcanary_bench.rig.rig.Follower", never)


@pytest.mark.usefixtures("late_daemon")
def test_the_bench_says_first_that_it_did_not_grade_and_passes_no_verdict(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench.signal, "signal", lambda *_: None)
    assert bench.run_bench(FIRST_DRIVE, tmp_path / "a", 1.0, plain=True, as_json=False) == 1
    told = capsys.readouterr().out
    introduction, _, rest = told.partition("can follow")
    assert "NOT GRADED" not in introduction
    after = [line for line in rest.splitlines() if line][1:]
    assert after[0].startswith("NOT GRADED: this machine could not keep time")
    assert "the daemon was not up after 120 s" in after[1]
    assert "NO " not in told
    assert "Promised and kept" not in told
    assert "not protection" in told


@pytest.mark.usefixtures("late_daemon")
def test_a_program_is_told_too(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(bench.signal, "signal", lambda *_: None)
    assert bench.run_bench(FIRST_DRIVE, tmp_path / "a", 1.0, plain=True, as_json=True) == 1
    told = json.loads(capsys.readouterr().out)
    assert (told["graded"], told["verdicts"]) == (False, [])
    assert told["not_graded_because"] == ["the daemon was not up after 120 s"]


def test_the_report_fits_a_narrow_terminal(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    drawn = Drawn(40)

    class Terminal:
        isatty = staticmethod(lambda: True)
        flush = staticmethod(lambda: None)

        def write(self, text: str) -> int:
            drawn.write(text.replace("\n", "\r\n"))
            return len(text)

    rig = bench.Rig(tmp_path, FIRST_DRIVE, 1.0)
    try:
        rig.log = tmp_path / "l"
        rig.machine.was_late("a part of the monitor waited 60 s for a processor")
        monkeypatch.setattr(screen.sys, "stdout", Terminal())
        monkeypatch.setattr(screen, "terminal_size", lambda: (40, 24))
        screen.report(rig, [], [], [])
    finally:
        monkeypatch.undo()
        rig.close()
    lines = [line for line in drawn.lines if str(tmp_path) not in line]
    assert lines[1].startswith("NOT GRADED")
    assert all(len(line) <= 40 for line in lines)
