"""`cabcanary bench --measure`: every figure is there, and counted by somebody else as well. No figure is judged."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time

import psutil
import pytest
from harness import command

from cabcanary_bench.measure.measure import run_measure
from cabcanary_bench.measure.processes import helpers, spent
from cabcanary_bench.measure.ticks import SIZES, tick_figures

pytestmark = pytest.mark.waits


def test_each_size_of_vehicle_is_measured_at_its_rates() -> None:
    figures = list(tick_figures(0.2))
    named = [f.what for f in figures if f.beside]
    assert named[: len(SIZES)] == [f"{c} channels, {r} rules, 50 Hz" for c, r in SIZES]
    assert named[len(SIZES) :] == ["24 channels, 40 rules, 100 Hz", "24 channels, 40 rules, 200 Hz"]
    assert all(f.value > 0 for f in figures)
    # More channels and more rules cost more: the same machine, one after the other.
    least, _, _, most = (next(f.value for f in figures if f.what == name) for name in named[: len(SIZES)])
    assert most > least


BUSY = """
import subprocess, sys, threading, time
child = subprocess.Popen([sys.executable, "-m", "http.server", "--bind", "127.0.0.1", "0"], stdout=-3, stderr=-3)
held = bytearray(b"x" * 30_000_000)
print(child.pid, flush=True)
ends = time.process_time() + 0.5
while time.process_time() < ends:
    pass
print("spent", flush=True)
def wake():
    for _ in range(50):
        time.sleep(0.002)
# In a thread of its own, which is still there when it is counted.
done, counted = threading.Event(), threading.Event()
threading.Thread(target=lambda: (wake(), done.set(), counted.wait()), daemon=True).start()
done.wait()
print("slept", flush=True)
sys.stdin.read()
child.kill()
"""


def test_a_process_is_counted_as_another_library_counts_it() -> None:
    busy = subprocess.Popen([sys.executable, "-c", BUSY], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert busy.stdout is not None
    try:
        child = int(busy.stdout.readline())
        busy.stdout.readline()
        before = spent(busy.pid)
        busy.stdout.readline()
        after, other = spent(busy.pid), psutil.Process(busy.pid)
        times, memory = other.cpu_times(), other.memory_full_info()
        assert after.cpu_s == pytest.approx(times.user + times.system, abs=0.05)
        assert after.memory_mb == pytest.approx(memory.pss / 2**20, rel=0.1)
        assert after.woken - before.woken >= 50
        until = time.monotonic() + 20
        while "http.server" not in helpers(busy.pid).get(child, "") and time.monotonic() < until:
            time.sleep(0.05)
        assert "http.server" in helpers(busy.pid)[child]
    finally:
        busy.communicate("")


def test_the_table_has_every_part_for_a_program_too(capsys: pytest.CaptureFixture[str]) -> None:
    assert run_measure(0.3, as_json=True) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["machine"]["cores"] == os.cpu_count()
    assert len({f["part"] for f in told["figures"]}) == 3
    what = {f["what"] for f in told["figures"]}
    assert {"from its start to armed", "daemon: of a core", "can reader: memory", "journal, of an hour"} < what
    assert {"all rules over it again", "report"} < what


def test_it_takes_no_scenario_and_no_vehicle() -> None:
    for more in (["over-boost"], ["--config", "config/bench-van.toml"]):
        done = subprocess.run(command("bench", "--measure", *more), capture_output=True, text=True, check=False)
        assert done.returncode == 2
        assert "neither a scenario nor a vehicle" in done.stderr
