"""The daemon's machine in trouble: a full disk, a wall clock that jumps, a daemon that is killed."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import time

import pytest
from harness import command

from cabcanary_bench.faults.troubles import Machine

pytestmark = pytest.mark.waits


@pytest.fixture
def troubles(tmp_path, monkeypatch):
    """Says which troubles there are, and lets the belief in the old ones run out."""
    now = [100.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])

    def say(*lines: str) -> None:
        (tmp_path / "troubles").write_text("".join(f"{line}\n" for line in lines))
        now[0] += 1.0

    return say


@pytest.fixture
def machine(tmp_path) -> Machine:
    return Machine(tmp_path / "troubles", time_ns=lambda: 5_000_000_000)


def test_on_a_full_disk_no_journal_can_be_written_and_everything_else_can(tmp_path, machine, troubles):
    journal = os.open(tmp_path / "a.ccj", os.O_WRONLY | os.O_CREAT)
    other = os.open(tmp_path / "pins.jsonl", os.O_WRONLY | os.O_CREAT)
    assert machine.write(journal, b"abc") == 3
    troubles("disk_full")
    with pytest.raises(OSError, match="No space left on device") as caught:
        machine.write(journal, b"abc")
    assert caught.value.errno == errno.ENOSPC
    assert machine.write(other, b"abcd") == 4
    troubles()
    assert machine.write(journal, b"abc") == 3
    os.close(journal)
    os.close(other)
    assert (tmp_path / "a.ccj").read_bytes() == b"abcabc"


def test_the_wall_clock_jumps_by_what_it_is_told_and_back(machine, troubles):
    assert machine.time_ns() == 5_000_000_000
    troubles("disk_full", "clock_jump 3600")
    assert machine.time_ns() == 3_605_000_000_000
    troubles()
    assert machine.time_ns() == 5_000_000_000


@pytest.mark.timeout(120)
def test_a_daemon_that_is_killed_and_started_again_warns_and_has_lost_a_second_at_most(tmp_path):
    arguments = command("bench", "process-killed", "--speed", "3", "--json")
    done = subprocess.run(arguments, cwd=tmp_path, capture_output=True, text=True, timeout=100)
    assert done.stdout, done.stderr
    answer = json.loads(done.stdout)
    kept = {v["name"]: v["kept"] for v in answer["verdicts"]}
    assert list(kept) == ["it watches again", "all the rest", "recording"]
    assert next(v for v in answer["verdicts"] if v["name"] == "it watches again")["heard_s"] is not None
    assert [d["recovered"] for d in answer["drives"]] == [True, False]
    assert all(kept.values()), answer
    assert done.returncode == 0
