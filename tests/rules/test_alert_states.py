"""From a condition's truth to an alert's state: delays, deadband, suppression, acknowledging.

The words and their meaning are those of OPC 10000-9 (OPC UA Part 9), 5.8 and annex B.
"""

import json
from pathlib import Path

import pytest

from cabcanary.model import Priority, Quality, Value
from cabcanary.plan.plan import load_plan
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.settings.load import rules_from_text
from cabcanary.validation.problems import SettingsError

RULE = """
[[rule]]
id = "over_boost"
priority = "warning"
say = "Boost too high"
do = "Lift off gently"
when = "boost > 8 psi deadband 0.5 psi"
"""
DELAYED = RULE + 'on_delay = "0.1 s"\noff_delay = "0.2 s"\n'
ACTIVE, NORMAL = "active, unacknowledged", "normal"


def test_without_delays_an_alert_follows_its_condition(cab):
    van = cab(RULE)
    assert van.hold(100, boost=8.0) == []
    assert van.hold(100, boost=8.1) == [(0, "over_boost", ACTIVE)]
    assert van.hold(100, boost=7.4) == [(0, "over_boost", NORMAL)]


def test_the_on_delay_must_be_over_before_the_alert(cab):
    van = cab(DELAYED)
    van.hold(1000, boost=5)
    assert van.hold(1000, boost=9) == [(100, "over_boost", ACTIVE)]


def test_a_condition_that_does_not_hold_for_the_whole_on_delay_is_no_alert(cab):
    van = cab(DELAYED)
    van.hold(1000, boost=5)
    for _ in range(20):
        assert van.hold(80, boost=9) == []
        assert van.hold(0, boost=5) == []


def test_the_very_first_frame_counts_for_no_time(cab):
    assert cab(DELAYED).hold(1000, boost=9) == [(100, "over_boost", ACTIVE)]


def test_the_sequence_of_the_standards_figure(cab):
    # OPC 10000-9, B.1.5 with figure B.4, in words: a peak shorter than the on-delay is nothing; the value goes
    # beyond the limit and stays there, and the alarm is active at the end of the on-delay; a dip that stays
    # within the deadband is nothing; a dip beyond it that is shorter than the off-delay is nothing; the value
    # goes beyond the deadband and stays, and the alarm is over at the end of the off-delay.
    van = cab(DELAYED)
    assert van.hold(500, boost=6.0) == []
    assert van.hold(60, boost=8.5) == []
    assert van.hold(500, boost=6.0) == []
    assert van.hold(500, boost=8.5) == [(100, "over_boost", ACTIVE)]
    assert van.hold(500, boost=7.6) == []
    assert van.hold(160, boost=7.4) == []
    assert van.hold(500, boost=8.5) == []
    assert van.hold(500, boost=7.4) == [(200, "over_boost", NORMAL)]


def test_the_deadband_does_not_bring_the_alert_forward(cab):
    van = cab(RULE)
    van.hold(100, boost=5)
    assert van.hold(1000, boost=7.9) == []


def test_an_alert_that_has_gone_needs_the_full_limit_again(cab):
    van = cab(RULE)
    van.hold(100, boost=9)
    van.hold(100, boost=7.4)
    assert van.hold(1000, boost=7.9) == []
    assert van.hold(100, boost=8.1) == [(0, "over_boost", ACTIVE)]


# --- unknown ------------------------------------------------------------------------------------------------------


def test_unknown_pauses_the_on_delay_and_does_not_reset_it(cab):
    van = cab(DELAYED)
    van.hold(100, boost=5)
    assert van.hold(60, boost=9) == []
    assert [a for _, a, _ in van.hold(200, boost=None) if a == "over_boost"] == []
    # 60 ms are done; the time in which nobody could see is not counted, and the rest is 40 ms.
    assert [c for c in van.hold(100, boost=9) if c[1] == "over_boost"] == [(40, "over_boost", ACTIVE)]


def test_only_false_resets_the_on_delay(cab):
    van = cab(DELAYED)
    van.hold(100, boost=5)
    van.hold(60, boost=9)
    van.hold(0, boost=5)
    assert van.hold(200, boost=9) == [(100, "over_boost", ACTIVE)]


def test_an_active_alert_never_returns_through_unknown(cab):
    van = cab(DELAYED)
    van.hold(500, boost=9)
    assert [c for c in van.hold(60_000, boost=None) if c[1] == "over_boost"] == []
    assert van.state("over_boost") == ACTIVE


def test_but_with_the_key_off_and_the_engine_known_to_stand_it_does(cab):
    # The sensors go dark with the key: it would sound in a parked vehicle for ever.
    van = cab(DELAYED, running="running")
    van.hold(500, boost=9, running=1)
    assert [c for c in van.hold(5000, boost=None, running=None) if c[1] == "over_boost"] == []
    assert [c for c in van.hold(5000, running=0) if c[1] == "over_boost"] == [(200, "over_boost", NORMAL)]


def test_unknown_pauses_the_off_delay(cab):
    van = cab(DELAYED)
    van.hold(500, boost=9)
    van.hold(120, boost=5)
    van.hold(400, boost=None)
    assert [c for c in van.hold(500, boost=5) if c[1] == "over_boost"] == [(80, "over_boost", NORMAL)]


# --- suppression by logic -------------------------------------------------------------------------------------------

MASKED = DELAYED + 'suppress_when = "mask"\n'


def test_suppression_holds_back_a_trip_and_says_so(cab):
    van = cab(MASKED)
    assert van.hold(5000, boost=9, mask=1) == [(0, "over_boost", "suppressed")]


def test_after_suppression_the_whole_on_delay_counts(cab):
    van = cab(MASKED)
    van.hold(5000, boost=9, mask=1)
    assert van.hold(500, mask=0) == [(0, "over_boost", NORMAL), (100, "over_boost", ACTIVE)]


def test_suppression_never_ends_an_alert_that_stands(cab):
    van = cab(MASKED)
    van.hold(500, boost=9)
    assert van.hold(5000, mask=1) == []
    assert van.state("over_boost") == ACTIVE
    assert van.hold(500, boost=5) == [(200, "over_boost", NORMAL)]


def test_what_is_not_known_to_hold_suppresses_nothing(cab):
    van = cab(MASKED)
    assert van.hold(500, boost=9, mask=None) == [(100, "over_boost", ACTIVE)]


# --- acknowledging ---------------------------------------------------------------------------------------------------


def test_acknowledging_keeps_the_alert_active(cab):
    van = cab(DELAYED)
    van.hold(500, boost=9)
    (change,) = van.engine.acknowledge(van.now_ns)
    assert (change.active, change.acknowledged, change.state) == (True, True, "active, acknowledged")
    assert van.engine.acknowledge(van.now_ns) == []
    assert van.hold(5000, boost=9) == []


def test_an_acknowledged_alert_goes_with_its_condition(cab):
    # 14 CFR 25.1322(d): an alert is removed when its condition no longer exists.
    van = cab(DELAYED)
    van.hold(500, boost=9)
    van.engine.acknowledge(van.now_ns)
    assert van.hold(500, boost=5) == [(200, "over_boost", NORMAL)]


def test_a_new_trip_is_unacknowledged(cab):
    van = cab(DELAYED)
    van.hold(500, boost=9)
    van.engine.acknowledge(van.now_ns)
    van.hold(500, boost=5)
    assert van.hold(500, boost=9) == [(100, "over_boost", ACTIVE)]


# --- worse ----------------------------------------------------------------------------------------------------------

WORSE = DELAYED + 'worse = { excess = "boost - 8 psi", step = "2 psi" }\n'
LEAN = """
[tables.ceiling]
of = "psi"
gives = "lambda"
points = [[2, 0.88], [5, 0.86], [8, 0.85]]
[[rule]]
id = "lean"
priority = "warning"
say = "Lean under boost"
do = "Lift off gently"
when = "boost > 2 psi and lambda > ceiling(boost)"
off_delay = "0.5 s"
suppress_when = "mask"
[rule.inverse_time]
excess = "lambda - ceiling(boost)"
unit = "lambda"
points = [[0.0, 0.40], [0.03, 0.20], [0.05, 0.14], [0.15, 0.10]]
"""
ACKNOWLEDGED = "active, acknowledged"


def test_an_acknowledged_alert_that_grows_by_its_step_asks_again(cab):
    # ISA-18.2: an acknowledged alarm in re-alarm is unacknowledged again.
    van = cab(WORSE)
    van.hold(500, boost=8.5)
    van.engine.acknowledge(van.now_ns)
    assert van.hold(5000, boost=10.4) == []
    assert van.state("over_boost") == ACKNOWLEDGED
    assert van.hold(1000, boost=14) == [(0, "over_boost", ACTIVE)]
    van.engine.acknowledge(van.now_ns)
    assert van.hold(1000, boost=15.9) == []
    assert van.hold(1000, boost=16.1) == [(0, "over_boost", ACTIVE)]


def test_how_bad_it_was_before_the_acknowledgement_counts(cab):
    van = cab(WORSE)
    van.hold(500, boost=12)
    van.hold(500, boost=8.5)
    van.engine.acknowledge(van.now_ns)
    assert van.hold(5000, boost=13.9) == []
    assert van.hold(500, boost=14.1) == [(0, "over_boost", ACTIVE)]


def test_what_was_bad_in_an_earlier_trip_does_not_count(cab):
    van = cab(WORSE)
    van.hold(500, boost=14)
    van.hold(500, boost=5)
    van.hold(500, boost=8.5)
    van.engine.acknowledge(van.now_ns)
    assert van.hold(500, boost=11) == [(0, "over_boost", ACTIVE)]


def test_an_inverse_time_alert_asks_again_at_the_next_of_its_points(cab):
    # At 5 psi the ceiling is 0.86: 0.90 is 0.04 above it, in the band from 0.03 to 0.05; 1.15 lies beyond them all.
    van = cab(LEAN)
    van.hold(1000, boost=5, **{"lambda": 0.90})
    van.engine.acknowledge(van.now_ns)
    assert van.hold(5000, **{"lambda": 0.915}) == []  # beyond 0.05, and not by half: noise about a point asks nothing
    assert van.hold(500, **{"lambda": 0.925}) == [(0, "lean", ACTIVE)]
    van.engine.acknowledge(van.now_ns)
    assert van.hold(500, **{"lambda": 1.15}) == [(0, "lean", ACTIVE)]
    van.engine.acknowledge(van.now_ns)
    # Beyond all points: doubled, from 0.29 to 0.58.
    assert van.hold(500, **{"lambda": 1.43}) == []
    assert van.hold(500, **{"lambda": Value(1.5, Quality.SATURATED_HIGH, 0)}) == [(0, "lean", ACTIVE)]


def test_an_excess_that_is_not_known_or_suppressed_asks_nothing(cab):
    van = cab(LEAN)
    van.hold(1000, boost=5, mask=0, **{"lambda": 0.90})
    van.engine.acknowledge(van.now_ns)
    assert [c for c in van.hold(500, **{"lambda": None}) if c[1] == "lean"] == []
    assert van.hold(500, mask=1, **{"lambda": 1.3}) == []
    assert van.hold(500, mask=0) == [(0, "lean", ACTIVE)]


def test_a_saved_state_knows_how_bad_it_was(cab):
    first, second = cab(WORSE), cab(WORSE)
    first.hold(500, boost=12)
    first.hold(500, boost=8.5)
    first.engine.acknowledge(first.now_ns)
    second.engine.restore(json.loads(json.dumps(first.engine.state())))
    second.now_ns, second.values = first.now_ns, dict(first.values)
    assert second.hold(500, boost=13.9) == []
    assert second.hold(500, boost=14.1) == [(0, "over_boost", ACTIVE)]


@pytest.mark.parametrize(
    "line",
    ['worse = { excess = "boost - 8 psi" }', 'worse = { step = "2 psi" }'],
)
def test_half_a_step_is_a_problem_at_load(line):
    with pytest.raises(SettingsError, match="worse takes an excess and a step"):
        rules_from_text(RULE + line + "\n", Path("rules.toml"))


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ('worse = { excess = "boost - 8 psi", step = "2 V" }', "the excess is"),
        ('worse = { excess = "boost - 8 psi", step = "0 psi" }', "the excess is"),
        ('worse = { excess = "boost - 8 psi", step = "much" }', "the step"),
        ('worse = { excess = "boost > 8 psi", step = "2 psi" }', "condition"),
    ],
)
def test_a_step_that_cannot_be_is_a_problem_at_load(line, words):
    loaded = rules_from_text(RULE + line + "\n", Path("rules.toml"))
    _, (problem,) = build_rules([loaded], Setting({"boost": "psi"}))
    assert words in problem.message


def test_every_shipped_warning_asks_again_when_it_gets_worse():
    plan = load_plan(Path(__file__).parents[2] / "config" / "bench-van.toml")
    warnings = [r for r in plan.rules.rules if r.priority is Priority.WARNING]
    assert {r.id for r in warnings} >= {"lean_under_boost", "over_boost", "boost_lost", "belt_lost", "knock_prone"}
    assert [r.id for r in warnings if r.worse is None] == []


# --- what is told ------------------------------------------------------------------------------------------------


def test_a_change_tells_what_to_say_what_to_do_and_the_figures(cab):
    van = cab(RULE)
    (change,) = van.tick(boost=9.25)
    assert (change.alert, change.priority, change.blind) == ("over_boost", Priority.WARNING, False)
    assert (change.say, change.do, change.figures) == (
        "Boost too high",
        "Lift off gently",
        "boost 9.25 psi (likely above 8 psi)",
    )
    assert change.time_ns == van.now_ns


def test_a_value_at_its_end_is_told_as_at_least(cab):
    van = cab(RULE.replace("boost > 8 psi deadband 0.5 psi", "lambda > 0.88"))
    (change,) = van.tick(**{"lambda": Value(1.5, Quality.SATURATED_HIGH, 0)})
    assert change.figures == "lambda ≥1.5 (likely above 0.88)"


@pytest.mark.parametrize("word", ["warning", "caution", "advisory"])
def test_the_priority_is_the_one_written(cab, word):
    van = cab(RULE.replace('"warning"', f'"{word}"'))
    assert van.tick(boost=9)[0].priority.word == word


def test_each_rule_keeps_its_own_time(cab):
    van = cab(DELAYED + DELAYED.replace("over_boost", "later").replace("0.1 s", "0.5 s"))
    assert van.hold(600, boost=9) == [(100, "over_boost", ACTIVE), (500, "later", ACTIVE)]
