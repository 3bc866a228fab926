"""What is said: in the cab few words and the action first; elsewhere figures with band and limit."""

import json
from pathlib import Path

import pytest

from cabcanary.alerts import arrival
from cabcanary.alerts.words import action, alert_event, arrival_line, log_line, proof_line
from cabcanary.model import EventKind, Frame, Priority, Quality, Value
from cabcanary.plan.plan import load_plan
from cabcanary.rules.engine import Change
from cabcanary_bench.paths import config_folder

WARNING = Priority.WARNING


def raised(alert="over_boost", **changed):
    fields = {
        "time_ns": 5,
        "alert": alert,
        "state": "active, unacknowledged",
        "active": True,
        "acknowledged": False,
        "priority": WARNING,
        "blind": False,
        "say": "Boost too high",
        "do": "Lift off gently",
        "figures": "boost 9.1 ± 0.2 psi",
    }
    return Change(**{**fields, **changed})


def ended():
    return raised(state="normal", active=False, acknowledged=True, figures="")


@pytest.mark.parametrize(
    ("do", "said"),
    [
        ("Lift off gently", "Lift off gently"),
        ("Switch off loads, go home", "Switch off loads"),
        ("Stay off boost.", "Stay off boost"),
        ("Stop the engine as soon as it is safe", "Stop the engine as"),
    ],
)
def test_while_driving_the_action_is_four_words_at_most(do, said):
    assert action(do) == said
    assert len(said.split()) <= 4


def test_every_rule_of_the_bench_van_has_an_action_that_makes_sense_in_four_words():
    for rule in load_plan(config_folder() / "bench-van.toml").rules.rules:
        clause = rule.do.split(",")[0]
        assert len(clause.split()) <= 4, rule.id
        assert action(rule.do) == clause


def test_a_raised_alert_is_told_action_first_with_its_figure_its_band_and_its_limit():
    figures = "boost 9.1 ± 0.2 psi (likely above 8 psi)"
    event = alert_event(raised(figures=figures))
    assert event.text == f"Lift off gently. Boost too high. ({figures})"
    assert (event.time_ns, event.kind, event.what) == (5, EventKind.ALERT, "over_boost")
    assert (event.data["raised"], event.data["priority"], event.data["figures"]) == (True, "warning", figures)


def test_the_end_of_an_alert_is_not_told_as_an_alert():
    event = alert_event(ended())
    assert event.text == "Boost too high: normal"
    assert event.data["raised"] is False


def test_a_line_of_the_log_begins_with_the_time_and_the_priority():
    assert log_line(alert_event(raised()), 12.346).split()[:3] == ["12.35", "s", "WARNING"]
    assert log_line(alert_event(ended()), 1.0).split()[:3] == ["1.00", "s", "ALERT"]


# --- the start ------------------------------------------------------------------------------------------------------


def test_the_proof_says_in_one_line_what_sounded_what_is_lit_and_how_each_sensor_is():
    values = {
        "map": Value(99.02, Quality.GOOD, 0),
        "lambda": Value(None, Quality.WARMING, 0),
        "supply": Value(12.31, Quality.GOOD, 0),
        "engine_speed": Value(None, Quality.ABSENT, 0),
    }
    units = {"map": "kPa", "lambda": "lambda", "supply": "V", "engine_speed": "rpm"}
    line = proof_line(["buzzer"], True, Frame(0, values), units)
    assert line == (
        "start-up proof: sounded by buzzer; lamp lit; "
        "map 99.02 kPa; lambda WARMING; supply 12.31 V; engine_speed ABSENT"
    )


def test_a_start_without_anything_that_sounds_says_so_loudly():
    assert "NO SOUND" in proof_line([], False, None, {})
    assert "NO LAMP" in proof_line([], False, None, {})


# --- the arrival ----------------------------------------------------------------------------------------------------

MANIFEST = {
    "drive": "20261125T070000Z-ab12",
    "vehicle": "bench van",
    "stage": "compressor",
    "start": "2026-11-25T07:00:00.000Z",
    "length_s": 1500.0,
    "ticks": 75000,
    "recovered": False,
    "lost_blocks": 0,
    "lost_ticks": 0,
    "software": "0.1.0",
    "boost_unit": "psi",
    "peak_boost": 6.21,
    "leanest_under_boost": 0.8712,
    "leanest_at_boost": 4.13,
    "alerts": [{"alert": "lean_under_boost", "priority": "warning", "count": 2, "first_s": 30.0}],
}


def blind(t_s, *, active, what="cannot_see_lambda"):
    return {"t": int(t_s * 1e9), "kind": "alert", "what": what, "text": "", "active": active}


def lay(folder: Path, events, **changed):
    manifest = {**MANIFEST, **changed}
    place = folder / "drives" / "vehicle=bench-van" / "month=2026-11"
    place.mkdir(parents=True, exist_ok=True)
    (place / f"{manifest['drive']}.manifest.json").write_text(json.dumps(manifest))
    (place / f"{manifest['drive']}.events.jsonl").write_text("".join(json.dumps(e) + "\n" for e in events))


def test_the_arrival_line_says_minutes_peak_leanest_blind_and_alerts(tmp_path):
    lay(tmp_path, [blind(100, active=True), blind(112.4, active=False)])
    assert arrival_line(arrival.summary(tmp_path, MANIFEST["drive"])) == (
        "25 min; peak boost 6.2 psi; leanest under boost lambda 0.871 at 4.1 psi; blind 12 s; "
        "alerts: lean_under_boost ×2"
    )


def test_a_drive_without_boost_and_alerts_has_an_arrival_line_too(tmp_path):
    quiet = {"boost_unit": None, "peak_boost": None, "leanest_under_boost": None, "leanest_at_boost": None}
    lay(tmp_path, [], length_s=42.0, alerts=[], **quiet)
    assert arrival_line(arrival.summary(tmp_path, MANIFEST["drive"])) == "42 s; blind 0 s; no alerts"


def test_the_arrival_is_that_of_the_drive_that_is_asked_for(tmp_path):
    lay(tmp_path, [])
    lay(tmp_path, [], drive="20261124T070000Z-ffff", length_s=60.0)
    assert arrival.summary(tmp_path, "20261124T070000Z-ffff")["minutes"] == 1.0
    assert arrival.summary(tmp_path, "none") is None


@pytest.mark.parametrize("damage", ["", "{", "[]"])
def test_a_damaged_manifest_is_no_arrival_and_no_fault(tmp_path, damage):
    lay(tmp_path, [])
    next(tmp_path.glob("drives/*/*/*.manifest.json")).write_text(damage)
    assert arrival.summary(tmp_path, MANIFEST["drive"]) is None


def test_two_channels_blind_at_once_are_counted_once_and_one_that_stands_counts_to_the_end():
    events = [
        blind(10, active=True),
        blind(12, active=True, what="cannot_see_map"),
        blind(15, active=False),
        blind(20, active=False, what="cannot_see_map"),
        blind(50, active=True),
        blind(52, active=True),  # acknowledged: it stands all the same
    ]
    # 10 to 20, and 50 to 60.
    assert arrival.blind_seconds(events, int(60e9)) == pytest.approx(20.0)
