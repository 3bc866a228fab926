"""Scenario files: every mistake is told with its line, and the shipped ones keep what they promise."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cabcanary.cli.main import main
from cabcanary.validation.problems import SettingsError
from cabcanary_bench.drives.expectations import Heard, Raised, judge, judge_kept
from cabcanary_bench.drives.expected import Expectation, Kept
from cabcanary_bench.drives.scenario import Phase, Scenario
from cabcanary_bench.drives.scenario_files import FIRST, find_scenario, read_scenario, shipped
from cabcanary_bench.drives.verdict import PinSound
from cabcanary_bench.drives.wltc import speed_at
from cabcanary_bench.faults.faults import FaultKind
from cabcanary_bench.paths import scenario_folder
from cabcanary_bench.rig.dry_run import dry_run, needs_wires

SHIPPED = sorted(path.stem for path in scenario_folder().glob("*.toml"))

SMALL = """\
about = "a small one"
length = "30 s"
may_sound = ["boost_low"]

[[driver]]
at = "0 s"
key = "on"

[[driver]]
at = "2 s"
key = "start"

[[driver]]
at = "4 s"
name = "off we go"
speed = "72 km/h"
within = "10 s"
grade = "3 %"

[[driver]]
at = "9 s"
pedal = "100 %"
gear = 3

[[driver]]
at = "20 s"
trace = "1167 s"
pedal = "free"

[[fault]]
name = "bang"
kind = "hose_off"
at = "15 s"

[[expect]]
sounds = "boost_lost"
after = "bang"
within = "2 s"
"""


@pytest.fixture
def written(tmp_path):
    def write(text: str = SMALL, *changes: tuple[str, str]) -> Path:
        for old, new in changes:
            assert text.count(old) == 1, old
            text = text.replace(old, new)
        path = tmp_path / "mine.toml"
        path.write_text(text)
        return path

    return write


def problems(path: Path) -> list[str]:
    with pytest.raises(SettingsError) as caught:
        read_scenario(path)
    return [str(p).replace(f"{path}:", "") for p in caught.value.problems]


# --- what a file says ---------------------------------------------------------------------------------------


def test_what_the_driver_does_holds_until_the_next_entry(written):
    drive = read_scenario(written())
    assert [(p.start_s, p.end_s, p.name) for p in drive.phases] == [
        (0, 2, "key on"),
        (2, 4, "start"),
        (4, 9, "off we go"),
        (9, 20, "drive"),
        (20, 30, "drive"),
    ]
    assert [(p.key_on, p.crank) for p in drive.phases] == [(True, False), (True, True), *[(True, False)] * 3]
    # 72 km/h within 10 s from 4 s on: a third of it is there after 10/3 s, and what was begun goes on after 9 s.
    assert drive.input(4.0).target_speed_km_h == 0
    assert drive.input(4 + 10 / 3).target_speed_km_h == pytest.approx(24)
    assert drive.input(11.5).target_speed_km_h == pytest.approx(54)
    assert drive.input(19.0).target_speed_km_h == pytest.approx(72)
    assert [drive.input(t).grade_percent for t in (3.0, 12.0)] == [0, pytest.approx(3)]
    assert [drive.input(t).pedal_percent for t in (8.9, 9.1, 20.1)] == [None, pytest.approx(100), None]
    assert [drive.input(t).gear for t in (8.9, 9.1, 20.1)] == [None, 3, 3]
    assert drive.input(25.0).target_speed_km_h == pytest.approx(speed_at(1172.0))


def test_what_goes_wrong_and_what_must_sound_is_in_it(written):
    drive = read_scenario(written())
    (fault,) = drive.faults
    assert (fault.kind, fault.start_s, fault.severity) == (FaultKind.HOSE_OFF, 15.0, 1.0)
    assert fault.strength(29.99) == 1.0
    assert drive.expectations == (
        Expectation("sounds boost_lost", "sounds", ("boost_lost",), start_s=15.0, end_s=30.0, within_s=2.0),
    )
    assert (drive.kept, drive.may_sound) == (Kept(1, 0, 0.0), ("boost_low",))


def test_a_gear_is_held(written):
    drive = read_scenario(written())
    van = drive.vehicle()
    for n in range(1800):
        truth = van.step(0.01, drive.input(n * 0.01))
    assert truth.gear == 3


# --- what is wrong with one ------------------------------------------------------------------------------------


def test_every_mistake_is_told_at_once_with_its_line(written):
    path = written(
        SMALL,
        ('kind = "hose_off"', 'kind = "hose_of"'),
        ('within = "10 s"', "within = 10"),
        ('after = "bang"', 'after = "bong"'),
        ('sounds = "boost_lost"', 'sounds = "boost_lots"'),
        ('length = "30 s"', 'lenght = "30 s"'),
    )
    told = problems(path)
    assert [line.split(":")[0] for line in told] == ["1", "2", "17", "32", "36", "37"]
    assert told[0] == '1:1: length: this key is missing\n    fix: add length = "60 s"'
    assert told[1] == "2:1: lenght: unknown key\n    fix: did you mean 'length'?"
    assert told[2] == '17:1: driver[3].within: a time has a unit\n    fix: write it as in "0.3 s", not 10'
    assert told[3] == "32:1: fault[1].kind: there is no fault 'hose_of'\n    fix: did you mean 'hose_off'?"
    assert "there is no alert 'boost_lots'\n    fix: did you mean 'boost_lost'" in told[4]
    assert told[5].startswith(
        "37:1: expect[1].after: nothing in this file is named 'bong'\n    fix: did you mean 'bang'"
    )


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('at = "9 s"', 'at = "3 s"', "3 s is not after 4 s and before the length, 30 s"),
        ('at = "0 s"', 'at = "1 s"', "the driver's first doing must be at 0 s"),
        ('trace = "1167 s"', 'trace = "1795 s"', "the trace ends at 1800 s, before this stretch does"),
        ('trace = "1167 s"', 'trace = "1 s"\nspeed = "1 km/h"', "speed and trace exclude each other"),
        ('at = "15 s"', 'at = "15 s"\nuntil = "12 s"', "this begins at 15 s and has ended by then"),
        ('sounds = "boost_lost"', 'tells = "a b"\nsilent = "everything"', "this expects not exactly one thing"),
        ('speed = "72 km/h"', 'speed = "72 psi"', "pressure"),
        ('speed = "72 km/h"', "speed = 72", 'write it with its unit, as in "1 km/h"'),
        ("gear = 3", "gear = 0", "gear"),
    ],
)
def test_what_cannot_be_is_refused_in_words(written, old, new, words):
    told = problems(written(SMALL, (old, new)))
    assert any(words in line for line in told), told
    assert all("fix: " in line for line in told), told


def test_a_scenario_that_is_not_there_is_answered_with_what_is(capsys):
    assert main(["bench", "pump-lots"]) == 2
    assert "there is no such scenario\n    fix: did you mean 'pump-lost'?" in capsys.readouterr().err


# --- the shipped ones ------------------------------------------------------------------------------------------


def test_they_are_listed_with_what_they_are_for(capsys):
    assert main(["bench", "--list"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert [line.split()[0] for line in lines] == [FIRST, *SHIPPED]
    assert len(SHIPPED) >= 12
    assert main(["bench", "--list", "--json"]) == 0
    assert {e["name"]: e["about"] for e in json.loads(capsys.readouterr().out)} == shipped()


@pytest.mark.parametrize("name", [n for n in SHIPPED if not needs_wires(find_scenario(n))])
def test_a_shipped_scenario_keeps_what_it_promises(name):
    assert [v for v in dry_run(find_scenario(name)) if not v.kept] == []


def test_only_troubles_of_the_machine_need_the_wires():
    assert [n for n in SHIPPED if needs_wires(find_scenario(n))] == [
        "clock-jump",
        "disk-full",
        "plug-out-and-in",
        "process-killed",
    ]
    assert main(["bench", "disk-full", "--without-wires"]) == 2


def test_without_wires_a_scenario_that_is_not_kept_ends_with_1(written, capsys):
    path = written(SMALL, ('kind = "hose_off"', 'kind = "feed_live"'))
    assert main(["bench", str(path), "--without-wires", "--json"]) == 1
    answer = json.loads(capsys.readouterr().out)
    assert {v["name"]: v["kept"] for v in answer["verdicts"]}["sounds boost_lost"] is False


# --- the judge ---------------------------------------------------------------------------------------------------


def scenario(*expectations: Expectation, may_sound: tuple[str, ...] = ()) -> Scenario:
    return Scenario("s", 60.0, (Phase("p", 0.0, 60.0, 0.0),), expectations=expectations, may_sound=may_sound)


def heard(*raised: Raised, shows: float | None = None, **rest) -> Heard:
    return Heard(raised, rest.pop("told", ()), lambda *_: shows, **rest)


LEAN = Expectation("lean", "sounds", ("lean_under_boost",), 10.0, 20.0, 0.5, "lean")
RAISED = Raised(12.3, "lean_under_boost", "warning")


def kept(drive: Scenario, what: Heard) -> dict[str, bool]:
    return {v.name: v.kept for v in judge(drive, what)}


def test_a_delay_counts_from_when_the_sensors_show_it():
    assert kept(scenario(LEAN), heard(RAISED, shows=12.0)) == {"lean": True, "all the rest": True}
    assert kept(scenario(LEAN), heard(RAISED, shows=11.7))["lean"] is False
    assert kept(scenario(LEAN), heard(RAISED, shows=None))["lean"] is False
    assert kept(scenario(LEAN), heard(shows=12.0)) == {"lean": False, "all the rest": True}


def test_what_the_buzzer_did_counts_and_not_what_was_meant():
    cab = [(12.3, "lean_under_boost")]
    good = heard(RAISED, shows=12.0, cab=cab, pins=[PinSound(12.31, 1600.0)])
    assert kept(scenario(LEAN), good)["lean"] is True
    dumb = heard(RAISED, shows=12.0, cab=cab, pins=[PinSound(12.31, 700.0)])
    assert kept(scenario(LEAN), dumb)["lean"] is False
    late = heard(RAISED, shows=12.0, cab=cab, pins=[PinSound(12.6, 1600.0)])
    assert kept(scenario(LEAN), late)["lean"] is False


def test_what_nobody_expected_must_not_sound():
    other = Raised(30.0, "supply_low", "caution")
    start = Raised(0.5, "limits_not_confirmed", "caution")
    assert kept(scenario(LEAN), heard(RAISED, other, start, shows=12.0)) == {"lean": True, "all the rest": False}
    allowed = scenario(LEAN, may_sound=("supply_low",))
    assert kept(allowed, heard(RAISED, other, start, shows=12.0)) == {"lean": True, "all the rest": True}
    again = RAISED._replace(time_s=40.0)
    assert kept(scenario(LEAN), heard(RAISED, again, shows=12.0))["all the rest"] is False


def test_silence_may_be_asked_of_one_alert_or_of_all():
    only = Expectation("quiet", "silent", ("cannot_see_lambda",), 0.0, 60.0)
    assert kept(scenario(LEAN, only), heard(RAISED, shows=12.0))["quiet"] is True
    every = Expectation("quiet", "silent", (), 0.0, 60.0)
    assert kept(scenario(LEAN, every), heard(RAISED, shows=12.0))["quiet"] is False


def test_what_the_monitor_must_tell_is_looked_for_among_its_events():
    tells = Expectation("said", "tells", ("recorder failed",), 10.0, 60.0, 2.0)
    assert kept(scenario(tells), heard(told=[(11.0, "recorder failed")]))["said"] is True
    assert kept(scenario(tells), heard(told=[(13.0, "recorder failed")]))["said"] is False
    assert kept(scenario(tells), heard(told=[(9.0, "recorder failed")]))["said"] is False


def drive_of(**changed) -> dict[str, object]:
    return {"recovered": False, "lost_ticks": 0, "length_s": 10.0, "ticks": 500, "first_ns": 0, **changed}


def test_what_a_kill_costs_is_what_lies_between_the_last_tick_and_the_kill():
    wanted = Kept(drives=2, recovered=1, lost_s=1.0)
    both = [drive_of(recovered=True), drive_of(first_ns=20_000_000_000)]
    assert judge_kept(wanted, both, [10_800_000_000]).kept is True
    assert judge_kept(wanted, both, [11_100_000_000]).kept is False
    assert judge_kept(wanted, both[:1], [10_800_000_000]).kept is False
    assert judge_kept(Kept(), [drive_of(lost_ticks=3)], []).kept is False


def test_the_guides_example_is_one(written):
    guide = Path(__file__).parents[2] / "simulators" / "README.md"
    text = guide.read_text(encoding="utf-8").split("## Scenarios")[1].split("```toml\n")[1].split("```")[0]
    drive = read_scenario(written(text))
    assert [e.what for e in drive.expectations] == ["sounds", "silent"]
    assert {p.name for p in drive.phases} >= {"pull"}
