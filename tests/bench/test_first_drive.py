"""The bench drive, as a user runs it: `cabcanary bench --json` in a new folder."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from long_drive import BenchDrive

pytestmark = pytest.mark.waits


#: What the monitor promises: heard within half a second of the fault at the sensor's output.
PROMISED_S = 0.5


def test_the_bench_ends_well_and_says_nothing_but_its_result(bench_drive: BenchDrive) -> None:
    assert bench_drive.code == 0
    assert bench_drive.errors == b""
    assert {v["name"]: v["kept"] for v in bench_drive.result["verdicts"]} == {
        "clean pull": True,
        "overrun and back on": True,
        "lean": True,
        "over-boost": True,
        "wideband silent": True,
        "all the rest": True,
    }


@pytest.mark.parametrize("fault", ["lean", "over-boost", "wideband silent"])
def test_a_fault_is_heard_within_half_a_second_of_its_onset(bench_drive: BenchDrive, fault: str) -> None:
    verdict = next(v for v in bench_drive.result["verdicts"] if v["name"] == fault)
    assert 0 <= verdict["delay_s"] <= PROMISED_S, verdict["text"]


@pytest.mark.parametrize("stretch", ["clean pull", "overrun and back on", "all the rest"])
def test_without_a_fault_nothing_sounds(bench_drive: BenchDrive, stretch: str) -> None:
    verdict = next(v for v in bench_drive.result["verdicts"] if v["name"] == stretch)
    assert verdict["text"] == "silent, as it should be"


def test_each_fault_is_named_for_what_it_is_once_and_in_order(bench_drive: BenchDrive) -> None:
    raised = [e["what"] for e in bench_drive.events if e["kind"] == "alert" and e["raised"] and not e["past"]]
    assert raised == ["lean_under_boost", "over_boost", "cannot_see_lambda"]


def test_a_wideband_that_dies_under_boost_is_neither_lean_nor_silence(bench_drive: BenchDrive) -> None:
    blind = next(e for e in bench_drive.events if e["what"] == "cannot_see_lambda" and e["raised"])
    assert (blind["priority"], blind["blind"], blind["active"]) == ("warning", True, True)
    assert blind["say"] == "Cannot see mixture"
    sounds = [e["what"] for e in bench_drive.events if e["kind"] == "sound" and e["t"] >= blind["t"]]
    assert sounds == ["cannot_see", "silence"]


def test_alerts_go_when_their_condition_goes(bench_drive: BenchDrive) -> None:
    # 14 CFR 25.1322 (d): alerts must go away when the condition no longer exists.
    # At the lift-off a tick may come in which lambda is lean already and boost not yet gone: the mask of the fuel cut
    # keeps that quiet, as "suppressed".
    changes = [e for e in bench_drive.events if e["kind"] == "alert" and "state" in e and not e["past"]]
    stands = dict.fromkeys((e["what"] for e in changes), False)
    found = []
    for event in changes:
        if event["active"] != stands[event["what"]]:
            stands[event["what"]] = event["active"]
            found.append((event["what"], event["state"]))
    assert found == [
        ("lean_under_boost", "active, unacknowledged"),
        ("lean_under_boost", "normal"),
        ("over_boost", "active, unacknowledged"),
        ("over_boost", "normal"),
        ("cannot_see_lambda", "active, unacknowledged"),
        ("cannot_see_lambda", "normal"),
        # The pull is over, and the mixture is dark all the same: shown as news, without a sound.
        ("cannot_see_lambda", "active, acknowledged"),
        ("cannot_see_lambda", "normal"),
    ]
    assert {e["what"] for e in changes if e["state"] == "suppressed"} <= {"lean_under_boost"}
    last = {e["what"]: e["state"] for e in changes}
    assert set(last.values()) == {"normal"}


def test_the_drive_was_recorded_without_being_asked(bench_drive: BenchDrive) -> None:
    drive = bench_drive.drive
    assert (drive["recovered"], drive["lost_blocks"], drive["lost_ticks"]) == (False, 0, 0)
    assert bench_drive.samples.is_file()
    assert list((bench_drive.folder / "journal").glob("*")) == []


def test_what_was_heard_is_what_was_recorded(bench_drive: BenchDrive) -> None:
    recorded = [e for e in bench_drive.recorded if e["kind"] in ("alert", "sound")]
    heard = [
        {k: v for k, v in e.items() if k != "past"}
        for e in bench_drive.events
        if e["kind"] in ("alert", "sound") and e["t"] >= recorded[0]["t"]
    ]
    assert [e["what"] for e in recorded if e["kind"] == "alert" and e["raised"]] == [
        "limits_not_confirmed",
        "lean_under_boost",
        "over_boost",
        "cannot_see_lambda",
    ]
    assert heard == recorded
