"""The watcher and systemd's watchdog are told of a watch that runs and can be heard, and of nothing else."""

from __future__ import annotations

import pytest

from cabcanary.runtime import vigil as vigil_module
from cabcanary.runtime.vigil import Vigil, armed


class Beats:
    def __init__(self) -> None:
        self.count = 0

    def beat(self) -> bool:
        self.count += 1
        return True


@pytest.fixture
def fed(monkeypatch: pytest.MonkeyPatch) -> list[str]:
    told: list[str] = []
    monkeypatch.setattr(vigil_module, "notify", told.append)
    return told


def drive(vigil: Vigil, seconds: float, *, runs: bool, from_s: float = 0.0) -> None:
    for n in range(round(seconds * 50)):
        now_s = from_s + n / 50
        if runs:
            vigil.ran(now_s)
        vigil.tell(now_s)


def test_a_watch_that_runs_is_told_to_both(fed: list[str]) -> None:
    beats = Beats()
    drive(Vigil(beats, lambda: False), 10.0, runs=True)
    # systemd.service(5): at least every half of WatchdogSec, 3 s in our unit; the watcher bears two seconds without.
    assert len(fed) >= 7
    assert beats.count >= 40


def test_before_the_rules_have_run_nobody_is_told(fed: list[str]) -> None:
    beats = Beats()
    drive(Vigil(beats, lambda: False), 10.0, runs=False)
    assert (fed, beats.count) == ([], 0)


def test_ticks_that_fail_starve_both_within_a_second(fed: list[str]) -> None:
    beats = Beats()
    vigil = Vigil(beats, lambda: False)
    drive(vigil, 10.0, runs=True)
    before = (len(fed), beats.count)
    drive(vigil, 10.0, runs=False, from_s=10.0)
    assert len(fed) - before[0] <= 1
    assert beats.count - before[1] <= 5


def test_without_an_output_the_watcher_takes_over_and_nothing_is_restarted(fed: list[str]) -> None:
    beats = Beats()
    drive(Vigil(beats, lambda: True), 10.0, runs=True)
    assert beats.count == 0
    assert len(fed) >= 7


def test_when_it_was_armed_is_counted_from_both_starts() -> None:
    told = armed(5)
    # This test's own process and machine: both were there before it, and the machine first.
    assert 0.0 < told.data["after_start_s"] <= told.data["after_boot_s"]
    assert told.text.startswith("armed ")
