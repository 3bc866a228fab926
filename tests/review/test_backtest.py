"""Other rules on drives of the past, as a person asks for them; and the same alerts as live."""

import json
import os
import pty
import shutil
import signal
import subprocess
import sys
import termios
import time
from dataclasses import replace
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest
from archived_drive import Press, archived
from small_drive import small_drive

from cabcanary.alerts.words import alert_event
from cabcanary.cli.main import main
from cabcanary.recorder import journal_drive
from cabcanary.review.backtest.backtest import backtest
from cabcanary.review.backtest.results import Task
from cabcanary.review.backtest.rule_choice import RuleSource
from cabcanary.review.list import row_groups as stored
from cabcanary.review.list.row_groups import StoredColumns
from cabcanary_bench.drives.generator import DriveKind, faulty, ordinary
from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.faults.kinds import FaultKind

# --- live equals backtest --------------------------------------------------------------------------------------------

ACKNOWLEDGE = {"do": "acknowledge"}


def shelve(alert, seconds=20):
    return {"do": "shelve", "alert": alert, "seconds": seconds}


LIVE = {
    "lean, over-boost, a wideband gone silent": (FIRST_DRIVE, ()),
    "acknowledged, put aside, brought back": (
        FIRST_DRIVE,
        (
            Press(170.0, ACKNOWLEDGE),
            Press(194.3, shelve("over_boost")),
            Press(196.0, {"do": "unshelve", "alert": "over_boost"}),
            Press(223.5, ACKNOWLEDGE),
        ),
    ),
    "an alternator that fails": (faulty(3, FaultKind.ALTERNATOR_DEAD), (Press(100.0, shelve("supply_low", 60)),)),
    "a cold start": (ordinary(2, DriveKind.COLD_START, minutes=4), ()),
}


SHORTER = ("acknowledged, put aside, brought back",)


@pytest.mark.parametrize("name", [n if n in SHORTER else pytest.param(n, marks=pytest.mark.long) for n in LIVE])
def test_a_backtest_gives_the_very_alert_events_of_the_live_drive(name, tmp_path, monkeypatch):
    scenario, presses = LIVE[name]
    monkeypatch.setattr(journal_drive, "BLOCKS_PER_PIECE", 150)
    driven = archived(tmp_path, scenario, 1, presses=presses)
    result = backtest(Task(str(driven.samples), RuleSource()))
    live = [e for e in driven.told if e["t"] >= driven.first_ns]
    # Ids, states and tick times, and every word and figure of the messages too.
    assert [alert_event(c).as_json() for c in result.after.changes] == live
    assert live or "cold" in name
    # In how many pieces a drive is taken must not show: here each row group is one.
    monkeypatch.setattr(stored, "ROWS_PER_BLOCK", 1)
    assert len(StoredColumns(driven.samples).blocks) > 1
    assert backtest(Task(str(driven.samples), RuleSource())) == result


# --- small drives with known figures ---------------------------------------------------------------------------------

RULES = """
optional_channels = ["oil_pressure"]
[tables.ceiling]
of = "kPa"
gives = "lambda"
points = [[110, 0.88], [150, 0.85]]

[[rule]]
id = "lean"
priority = "warning"
say = "Lean under boost"
do = "Lift off gently"
when = "map > 115 kPa deadband 2 kPa and lambda > ceiling(map) deadband 0.01"
on_delay = "0.12 s"
off_delay = "0.5 s"
blind_delay = "0.2 s"

[[rule]]
id = "over"
priority = "warning"
say = "Boost too high"
do = "Lift off gently"
when = "map > 160 kPa"
on_delay = "0.2 s"

[[rule]]
id = "hot"
priority = "caution"
say = "Too hot"
do = "Ease off"
when = "coolant > 100 °C deadband 2 K"
on_delay = "3 s"

[[rule]]
id = "oil"
priority = "advisory"
say = "Oil low"
do = "Stop"
when = "oil_pressure < 100 kPa"
"""


def a_pull(top_kpa, lean=False):
    """20 s of idle, a pull of 5 s from 10 s on; coolant that stands above 100 °C for two seconds at 16 s."""

    def values(s):
        pull = 10 <= s < 15
        mixture = 0.93 if lean and 12 <= s < 14 else 0.81 if pull else 1.0
        coolant = 101.5 if 16 <= s < 18 else 85.0
        return {"lambda": mixture, "map": top_kpa if pull else 34.0, "coolant": coolant}

    return values


@pytest.fixture(scope="module")
def drives(tmp_path_factory):
    """Three drives: quiet, lean at 12 s for two seconds, and one with 155 kPa."""
    folder = tmp_path_factory.mktemp("drives")
    for name, values in {"quiet": a_pull(150), "lean": a_pull(150, lean=True), "high": a_pull(155)}.items():
        made = tmp_path_factory.mktemp(name)
        driven = small_drive(made, RULES, 20, values)
        shutil.copy(driven.samples, folder / f"{name}.parquet")
    (folder / "rules.toml").write_text(RULES)
    return folder


def asked(capsys, *arguments):
    code = main(["backtest", *map(str, arguments), "--workers", "1"])
    out, err = capsys.readouterr()
    return code, out, err


def as_json(capsys, *arguments):
    code, out, _ = asked(capsys, *arguments, "--json")
    assert code == 0
    return json.loads(out)


def total(found, rule, which="after"):
    return next(t[which] for t in found["totals"] if t["rule"] == rule)


def test_what_would_have_sounded_is_told_per_rule_and_per_drive(drives, capsys):
    code, out, err = asked(capsys, drives)
    assert (code, err) == (0, "")
    lines = [" ".join(line.split()) for line in out.splitlines()]
    # Lean from 12 s on; 0.12 s of on-delay; gone at 14 s and 0.5 s of off-delay: it stands for 2.4 s.
    assert any(line.startswith("lean warning 1 1 2.4 s") for line in lines)
    assert any("lean at 0:12.1 (2.4 s)" in line for line in lines)
    assert "silent: over, hot" in lines
    assert "not fitted in 3 of 3 drives: oil needs a channel 'oil_pressure'" in lines
    assert "This is a monitor, not protection." in out


def test_before_and_after_a_change_stand_side_by_side(drives, tmp_path, capsys):
    changed = tmp_path / "changed.toml"
    changed.write_text(
        RULES.replace("map > 160 kPa", "map > 152 kPa").replace("0.88], [150, 0.85", "0.98], [150, 0.95")
    )
    found = as_json(capsys, drives, "--rules", changed, "--against", drives / "rules.toml")
    assert (total(found, "lean", "before")["alarms"], total(found, "lean")["alarms"]) == (1, 0)
    assert (total(found, "over", "before")["alarms"], total(found, "over")["alarms"]) == (0, 1)
    by_name = {Path(d["path"]).stem: d for d in found["drives"]}
    assert [a["alert"] for a in by_name["lean"]["before"]["alarms"]] == ["lean"]
    assert [a["alert"] for a in by_name["high"]["after"]["alarms"]] == ["over"]
    assert (found["load_against"]["alarms"], found["load"]["alarms"]) == (1, 1)
    # The rules that they were driven with are those of the file.
    assert as_json(capsys, drives, "--rules", changed, "--against")["totals"] == found["totals"]


def test_alarm_load_is_alarms_in_ten_minutes_and_the_time_that_any_stood(drives, capsys):
    load = as_json(capsys, drives)["load"]
    # One alarm in three drives of 20 s (the last tick is at 19.98 s) is 10 in ten minutes.
    assert load["per_ten_minutes"] == pytest.approx(600 / (3 * 19.98))
    assert load["seconds_in_alarm"] == pytest.approx(2.4, abs=0.05)
    assert (load["silent_drives"], load["most_in_ten_minutes"], load["floods"]) == (2, 1, 0)
    # More than two in ten minutes cannot be managed (EEMUA 191, from memory).
    assert load["verdict"] == "more than can be managed"


def test_the_closest_misses_say_how_near_and_when(drives, capsys):
    misses = {m["rule"]: m for m in as_json(capsys, drives)["misses"]}
    # Above 100 °C from 16 s to 18 s, of the 3 s that it takes.
    assert misses["hot"]["held_s"] == pytest.approx(2.0, abs=0.1)
    assert misses["hot"]["wanted_s"] == 3.0
    # The highest of 155 kPa with 2 mV of noise (0.115 kPa): within four of its deviations.
    assert misses["over"]["value"] == pytest.approx(155.25, abs=0.25)
    assert (misses["over"]["limit"], misses["over"]["unit"]) == (pytest.approx(160.0), "kPa")
    assert 10.0 <= misses["over"]["at_s"] < 15.0
    # What has sounded has not missed.
    assert "lean" not in misses


def test_a_miss_counts_only_where_all_else_held(drives, capsys, tmp_path):
    rules = tmp_path / "rules.toml"
    rules.write_text(RULES.replace('when = "map > 160 kPa"', 'when = "map > 120 kPa and lambda > 1.05"'))
    misses = {m["rule"]: m for m in as_json(capsys, drives, "--rules", rules)["misses"]}
    # Lambda is 1.0 at idle, where there is no pressure; under pressure it comes to 0.93 (± 0.002 of noise).
    assert misses["over"]["value"] == pytest.approx(0.935, abs=0.006)
    assert misses["over"]["comparison"] == "lambda > 1.05"


INVERSE = """
[[rule]]
id = "over"
priority = "warning"
say = "Boost too high"
do = "Lift off gently"
when = "map > 140 kPa"
[rule.inverse_time]
excess = "map - 140 kPa"
unit = "kPa"
points = [[0, 100.0], [10, 10.0], [20, 2.0]]
drains_in = "60 s"

[[rule]]
id = "held_back"
priority = "warning"
say = "Boost too high"
do = "Lift off gently"
when = "map > 140 kPa"
suppress_when = "lambda < 0.9"
"""


def test_damage_that_did_not_trip_and_what_was_held_back_are_misses(drives, capsys, tmp_path):
    rules = tmp_path / "rules.toml"
    rules.write_text(INVERSE)
    misses = {m["rule"]: m for m in as_json(capsys, drives / "quiet.parquet", "--rules", rules)["misses"]}
    # 10 kPa of excess are borne for 10 s, and the pull lasts for 5 s: half of what trips.
    assert misses["over"]["damage"] == pytest.approx(0.5, abs=0.02)
    # 0.81 of lambda under pressure holds the other back, from 10 s on.
    assert (misses["held_back"]["suppressed"], round(misses["held_back"]["at_s"])) == (True, 10)


# --- sweeps -----------------------------------------------------------------------------------------------------------


def test_a_sweep_says_what_each_limit_would_have_cost(drives, capsys, tmp_path):
    picture = tmp_path / "over.svg"
    arguments = ("--sweep", "over", "--range", "145", "157", "--steps", "5", "--plot", picture)
    sweep = as_json(capsys, drives, *arguments)["sweeps"][0]
    # 150 kPa in two drives and 155 kPa in the third, each for one pull; 160 kPa is what stands in the rule.
    assert [(v["value"], v["alarms"], v["drives"]) for v in sweep["values"]] == [
        (145.0, 3, 3),
        (148.0, 3, 3),
        (151.0, 1, 1),
        (154.0, 1, 1),
        (157.0, 0, 0),
        (160.0, 0, 0),
    ]
    assert (sweep["now"], sweep["suggested"], sweep["unit"]) == (160.0, 157.0, "kPa")
    drawing = ET.parse(picture).getroot()
    assert len(drawing.findall("{http://www.w3.org/2000/svg}circle")) == 6


def test_a_sweep_knows_good_drives_from_those_that_should_sound(drives, capsys):
    code, out, _ = asked(
        capsys,
        drives / "quiet.parquet",
        "--bad",
        drives / "high.parquet",
        "--sweep",
        "over",
        "--range",
        "148.25",
        "160.25",
    )
    assert code == 0
    # 150 kPa with noise of 0.115 kPa: two of its deviations above are silent for 0.2 s, and 155 kPa are far beyond.
    assert "Tightest value that is silent on every good drive: 150.2 kPa" in out
    assert "It would have caught 1 of 1 drive that should sound." in out
    assert "What drives have borne is no proof of what the engine bears." in out


def test_a_sweep_takes_the_excess_of_an_inverse_time_rule_along(drives, capsys, tmp_path):
    rules = tmp_path / "rules.toml"
    rules.write_text(INVERSE)
    arguments = ("--rules", rules, "--sweep", "over", "--range", "130", "140", "--steps", "2")
    sweep = as_json(capsys, drives / "quiet.parquet", *arguments)["sweeps"][0]
    # 150 kPa for 5 s: 20 kPa of excess are borne for 2 s, 10 kPa for 10 s.
    assert [(v["value"], v["alarms"]) for v in sweep["values"]] == [(130.0, 1), (140.0, 0)]


def test_limits_are_suggested_for_every_rule_at_once(drives, capsys):
    code, out, _ = asked(capsys, drives, "--sweep", "all")
    assert code == 0
    lines = {line.split()[0]: " ".join(line.split()) for line in out[out.index("Limits:") :].splitlines() if line}
    # Steps of 5 kPa; 155 kPa is the highest, and its noise passes that for less than the 0.2 s that it takes.
    assert lines["over"].startswith("over 160 kPa 0 155 kPa")
    # The lean drive is 0.08 beyond the ceiling (0.93 over 0.85), and the widest tried is 0.06.
    assert lines["lean"].startswith("lean +0 lambda 1 none of these")
    # 101.5 °C stand for two of the three seconds that it takes, and 85 °C for ever: steps of 5 K.
    assert lines["hot"].startswith("hot 100 °C 0 90 °C")


def test_a_limit_from_a_table_is_swept_by_what_is_added_to_it(drives, capsys):
    sweep = as_json(capsys, drives, "--sweep", "lean:lambda", "--range", "0", "0.2", "--steps", "5")["sweeps"][0]
    # The ceiling is 0.85 at 150 kPa, and the lean pull shows 0.93 ± 0.002: 0.05 more is passed, 0.10 more is not.
    assert [(v["value"], v["alarms"]) for v in sweep["values"]] == [(0, 1), (0.05, 1), (0.1, 0), (0.15, 0), (0.2, 0)]
    assert (sweep["added"], sweep["suggested"]) == (True, 0.1)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--sweep", "ovr"], "there is no rule 'ovr' to vary"),
        (["--sweep", "over:coolant"], "rule 'over' has no limit of 'coolant'"),
        (["--sweep", "over", "--range", "9", "8"], "from a lower value to a higher one"),
        (["--plot", "x.svg"], "go with --sweep RULE"),
        (["--sweep", "over", "lean", "--plot", "x.svg"], "go with the sweep of one rule"),
    ],
)
def test_what_cannot_be_swept_is_said(drives, capsys, arguments, words):
    code, _, err = asked(capsys, drives, *arguments)
    assert code == 2
    assert words in err


# --- which drives, and what is wrong with them ------------------------------------------------------------------------


def test_drives_are_named_by_file_folder_or_name(drives, capsys, tmp_path):
    start = FIRST_DRIVE.phases[:3]
    driven = archived(tmp_path, replace(FIRST_DRIVE, length_s=start[-1].end_s, phases=start, faults=(), marks=()), 1)
    name = driven.samples.stem
    for arguments in (
        [driven.samples],
        [tmp_path],
        [name, "--folder", tmp_path],
        [name[:6], "--folder", tmp_path],
        ["last", "--folder", tmp_path],
    ):
        found = as_json(capsys, *arguments)
        assert [d["drive"] for d in found["drives"]] == [name]
    assert len(as_json(capsys, drives, drives / "lean.parquet")["drives"]) == 3


@pytest.mark.parametrize(
    ("names", "words"),
    [
        (["2026", "--folder", "."], "there is no drive '2026'"),
        (["nowhere/x.parquet"], "there is no file or folder nowhere/x.parquet"),
        (["."], "there are no drives in ."),
    ],
)
def test_nothing_of_a_name_is_an_error(names, words, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = asked(capsys, *names)
    assert (code, out) == (2, "")
    assert words in err


def test_a_broken_drive_is_named_and_the_others_are_tried(drives, capsys, tmp_path):
    for file in drives.glob("*.parquet"):
        shutil.copy(file, tmp_path)
    whole = (tmp_path / "lean.parquet").read_bytes()
    (tmp_path / "lean.parquet").write_bytes(whole[: len(whole) // 2])
    hurt = bytearray((tmp_path / "high.parquet").read_bytes())
    hurt[4 : len(hurt) * 6 // 10] = bytes(len(hurt) * 6 // 10 - 4)
    (tmp_path / "high.parquet").write_bytes(hurt)
    code, out, err = asked(capsys, tmp_path)
    assert code == 1
    assert "1 drive, " in out
    assert "lean.parquet: NOT tried: cannot be read" in err
    assert "high.parquet: NOT tried: " in err


def test_faulty_rules_are_an_error_with_their_line(drives, capsys, tmp_path):
    for text, words in (
        (RULES.replace("map > 160 kPa", "map > 160 V"), "rules.toml:"),
        (RULES.replace('priority = "caution"', 'priority = "loud"'), "rules.toml:"),
    ):
        rules = tmp_path / "rules.toml"
        rules.write_text(text)
        code, out, err = asked(capsys, drives, "--rules", rules)
        assert (code, out) == (2, "")
        assert words in err


# --- many drives ------------------------------------------------------------------------------------------------------


def many(folder, drives, count):
    for n in range(count):
        os.link(drives / "lean.parquet", folder / f"{n:03d}.parquet")


def test_several_processes_give_what_one_gives(drives, capsys, tmp_path):
    many(tmp_path, drives, 9)
    one = as_json(capsys, tmp_path)
    assert main(["backtest", str(tmp_path), "--workers", "3", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == one
    assert len(one["drives"]) == 9


def test_a_terminal_shows_how_far_it_is(drives):
    main_side, terminal = pty.openpty()
    termios.tcsetwinsize(terminal, (24, 80))
    os.set_blocking(main_side, False)
    code = "import sys; from cabcanary.cli.main import main; sys.exit(main())"
    command = [sys.executable, "-c", code, "backtest", str(drives), "--workers", "1", "--json"]
    done = subprocess.run(command, stdout=subprocess.PIPE, stderr=terminal, check=True, timeout=120)
    shown = os.read(main_side, 100_000).decode()
    os.close(terminal)
    os.close(main_side)
    assert "/3 [" in shown
    assert len(json.loads(done.stdout)["drives"]) == 3


@pytest.mark.parametrize("processes", [2, 3, 4], ids=["as the first helper starts", "in mid-start", "at work"])
def test_ctrl_c_ends_it_without_a_trace_and_leaves_nobody_behind(drives, tmp_path, processes):
    many(tmp_path, drives, 900)
    command = [sys.executable, "-c", "import sys; from cabcanary.cli.main import main; sys.exit(main())"]
    process = subprocess.Popen(
        [*command, "backtest", str(tmp_path), "--workers", "2"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    try:
        seen = _until_in_session(process, lambda n: n >= processes)
        os.killpg(process.pid, signal.SIGINT)
        out, err = process.communicate(timeout=60)
        assert (process.returncode, out) == (1, "")
        assert "Traceback" not in err
        assert seen >= processes
        assert _until_in_session(process, lambda n: n == 0) == 0
    finally:
        for left in _in_session(process.pid):
            os.kill(left, signal.SIGKILL)


def _until_in_session(process, enough):
    """How many processes a session has, once they are enough, or after a minute."""
    deadline = time.monotonic() + 60
    while not enough(n := len(_in_session(process.pid))) and time.monotonic() < deadline:
        time.sleep(0.005)
    return n


def _in_session(session):
    """Processes of a session that are alive."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            fields = stat.read_text().rpartition(")")[2].split()
        except OSError:
            continue
        if int(fields[3]) == session and fields[0] != "Z":
            found.append(int(stat.parent.name))
    return found


def test_a_dask_cluster_gives_what_this_machine_gives(drives, capsys):
    from distributed import LocalCluster

    here = as_json(capsys, drives)
    with LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None, protocol="tcp"
    ) as cluster:
        code = main(["backtest", str(drives), "--scheduler", cluster.scheduler_address, "--json"])
        assert (code, json.loads(capsys.readouterr().out)) == (0, here)


def test_a_scheduler_that_is_not_there_is_said(drives, capsys):
    code, _, err = asked(capsys, drives, "--scheduler", "tcp://127.0.0.1:9")
    assert code == 2
    assert "there is no Dask scheduler at tcp://127.0.0.1:9" in err
