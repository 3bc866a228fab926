"""Unknown while it matters is an alert of its own: how soon, how often, at which priority and for which wire."""

import json

import pytest

from cabcanary.alerts.words import cab_words
from cabcanary.model import USABLE, Priority, Quality, Value

LEAN = """
[[rule]]
id = "lean_under_boost"
priority = "warning"
say = "Lean under boost"
do = "Lift off gently"
when = "boost > 2 psi and lambda > 0.88"
blind_delay = "0.2 s"
"""
OVER = """
[[rule]]
id = "over_boost"
priority = "caution"
say = "Boost too high"
do = "Lift off gently"
when = "boost > 8 psi"
blind_delay = "0.2 s"
"""
DRIVING = {"boost": 5, "map": 135, "barometer": 101, "lambda": 0.82, "engine_speed": 3000, "running": 1}
IDLE = {"boost": -9, "map": 35, "barometer": 101, "lambda": 1.0, "engine_speed": 800, "running": 1}
WARMING = Value(None, Quality.WARMING, 0, reason="status=heating")
ACTIVE, NORMAL = "active, unacknowledged", "normal"


def blind(changes):
    return [c for c in changes if c[1].startswith("cannot_see_")]


def test_a_sensor_that_dies_under_boost_is_told_after_the_blind_delay(cab):
    van = cab(LEAN)
    assert van.hold(1000, **DRIVING) == []
    assert van.hold(1000, **{"lambda": None}) == [(180, "cannot_see_lambda", ACTIVE)]


@pytest.mark.parametrize("quality", [q for q in Quality if q not in USABLE])
def test_whatever_makes_a_value_useless_makes_the_rule_blind(cab, quality):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    assert blind(van.hold(1000, **{"lambda": Value(0.8, quality, 0)}))


def test_a_dead_sensor_that_does_not_matter_is_not_told(cab):
    van = cab(LEAN)
    assert van.hold(60_000, **IDLE | {"lambda": None}) == []


def test_it_is_told_once_and_ends_when_the_sensor_is_back(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    assert len(van.hold(30_000, **{"lambda": None})) == 1
    # The timer drains four times as slowly as it fills, so that a flickering wire does not end it.
    assert van.hold(5000, **DRIVING) == [(780, "cannot_see_lambda", NORMAL)]


def test_after_a_long_silence_a_patient_rule_is_well_again_within_seconds(cab):
    van = cab(LEAN.replace('"0.2 s"', '"20 s"'))
    van.hold(1000, **DRIVING)
    assert blind(van.hold(60_000, **{"lambda": None}))
    # A second of blindness is left at most, and it drains four times as slowly as it fills.
    ((after_ms, alert, state),) = van.hold(20_000, **DRIVING)
    assert (alert, state) == ("cannot_see_lambda", NORMAL)
    assert 3_500 < after_ms <= 4_100


def test_a_wire_that_flickers_is_heard(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    told = []
    for _ in range(100):
        told += van.hold(0, **{"lambda": None}) + van.hold(40, **{"lambda": 0.82})
    assert [(a, s) for _, a, s in told] == [("cannot_see_lambda", ACTIVE)]


def test_a_single_lost_line_now_and_then_is_not_heard(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    told = []
    for _ in range(200):
        told += van.hold(0, **{"lambda": None}) + van.hold(980, **{"lambda": 0.82})
    assert told == []


def test_a_tick_that_comes_late_counts_as_a_tenth_of_a_second_of_blindness(cab):
    # Nobody looked meanwhile. Two late ticks make up the delay of 0.2 s; one, and a moment less than another, do not.
    for second_ns, told in ((99_999_999, 0), (100_000_000, 1), (60_000_000_000, 1)):
        van = cab(LEAN)
        van.hold(1000, **DRIVING)
        assert van.tick(60_000_000_000, **{"lambda": None}) == []
        assert [c.alert for c in van.tick(second_ns)] == ["cannot_see_lambda"] * told


def test_a_tick_that_comes_late_counts_as_a_tenth_of_a_second_of_sight(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    van.hold(1000, **{"lambda": None})
    # The timer of 0.2 s drains by a quarter of 0.1 s a late tick: eight of them.
    assert [[c.state for c in van.tick(60_000_000_000, **DRIVING)] for _ in range(8)] == [[]] * 7 + [[NORMAL]]


def test_one_dead_wire_is_one_alert_however_many_rules_need_it(cab):
    van = cab(LEAN + OVER)
    van.hold(1000, **DRIVING)
    dead = {"map": None, "boost": Value(None, Quality.ABSENT, 0, reason="map: unplugged")}
    assert [(a, s) for _, a, s in van.hold(2000, **dead)] == [("cannot_see_map", ACTIVE)]


def test_a_derived_channel_is_told_by_the_wire_at_its_root(cab):
    van = cab(OVER)
    van.hold(1000, **DRIVING)
    assert blind(van.hold(1000, barometer=None, boost=None))[0][1] == "cannot_see_barometer"


def test_two_dead_wires_are_two_alerts(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    told = van.hold(1000, **{"lambda": None, "map": None, "boost": None})
    assert sorted(a for _, a, _ in told) == ["cannot_see_lambda", "cannot_see_map"]


def test_the_loudest_rule_that_is_blind_gives_the_priority(cab):
    van = cab(OVER + OVER.replace('"over_boost"', '"far_over_boost"').replace("caution", "warning").replace("8", "12"))
    van.hold(1000, **DRIVING)
    van.hold(1000, map=None, boost=None)
    changes = van.engine.acknowledge(van.now_ns)
    assert {c.priority for c in changes} == {Priority.WARNING}


def test_the_message_says_what_cannot_be_seen_why_and_what_to_do(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    dead = Value(None, Quality.OUT_OF_RANGE, 0, reason="0.02 V: shorted to ground or unplugged")
    changes = [c for _ in range(60) for c in van.tick(**{"lambda": dead})]
    assert [(c.say, c.do, c.figures, c.blind) for c in changes] == [
        ("Cannot see lambda", "Stay off boost", "0.02 V: shorted to ground or unplugged", True)
    ]


def test_boost_during_warm_up_is_a_caution(cab):
    van = cab(LEAN)
    changes = [c for _ in range(60) for c in van.tick(**DRIVING | {"lambda": WARMING})]
    assert [(c.alert, c.priority, c.say, c.do) for c in changes] == [
        ("cannot_see_lambda", Priority.CAUTION, "Lambda still warming up", "Stay off boost")
    ]


def test_a_sensor_that_is_warm_now_is_no_warning_because_it_was_not_under_boost(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING | {"lambda": WARMING})
    changes = [c for _ in range(300) for c in van.tick(**DRIVING)]
    assert [(c.alert, c.state) for c in changes] == [("cannot_see_lambda", NORMAL)]


def test_a_lost_pressure_is_to_blame_and_not_the_sensor_that_still_warms_up(cab):
    van = cab(LEAN)
    van.hold(1000, **IDLE | {"lambda": WARMING})
    told = blind(van.hold(80_000, map=None, boost=None))
    assert [(name, state) for _, name, state in told] == [("cannot_see_map", ACTIVE)]
    # For longer than any sensor takes to warm up: now it is dead as well.
    told = blind(van.hold(15_000))
    assert [(name, state) for _, name, state in told] == [("cannot_see_lambda", ACTIVE)]


def test_nor_is_it_once_it_is_warm_while_a_window_still_remembers_the_pressure(cab):
    van = cab(LEAN.replace("boost > 2 psi", "highest(boost, 1 s) > 2 psi").replace("0.2 s", "1.2 s"))
    van.hold(1000, **IDLE | {"lambda": WARMING})
    told = blind(van.hold(5000, map=None, boost=None))
    assert [(name, state) for _, name, state in told] == [("cannot_see_map", ACTIVE)]
    # For a second nobody knows how high boost has been. Both sensors are there.
    told = blind(van.hold(980, map=135, boost=5, **{"lambda": 0.9}))
    assert told == []
    # A wire that goes dark in just that second is one that is lost.
    told = blind(van.hold(1500, **{"lambda": None}))
    assert [(name, state) for _, name, state in told if state == ACTIVE] == [("cannot_see_lambda", ACTIVE)]


def test_one_more_sensor_behind_a_blind_rule_is_told_half_a_second_later(cab):
    # A key that is turned beside a frozen pressure line: the wideband is dark before the engine is known to stand.
    van, burning = cab(LEAN), DRIVING | {"lambda": 0.9}
    van.hold(1000, **DRIVING)
    assert blind(van.hold(2000, **burning | {"map": None, "boost": None})) == [(180, "cannot_see_map", ACTIVE)]
    assert blind(van.hold(400, **{"lambda": None})) == []
    assert blind(van.hold(400, **{"lambda": 0.9})) == []
    # A state that is saved meanwhile waits no longer for it.
    van.hold(300, **{"lambda": None})
    van.engine.restore(json.loads(json.dumps(van.engine.state())))
    assert blind(van.hold(2000)) == [(180, "cannot_see_lambda", ACTIVE)]


def test_another_sensor_that_blinds_it_instead_is_told_at_once(cab):
    van, burning = cab(LEAN), DRIVING | {"lambda": 0.9}
    van.hold(1000, **DRIVING)
    van.hold(2000, **burning | {"map": None, "boost": None})
    told = blind(van.hold(1000, **burning | {"lambda": None}))
    assert (0, "cannot_see_lambda", ACTIVE) in told


def test_a_sensor_that_dies_while_it_warms_up_is_a_warning_again(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING | {"lambda": WARMING})
    changes = [c for _ in range(60) for c in van.tick(**{"lambda": None})]
    assert [(c.priority, c.state) for c in changes] == [(Priority.WARNING, ACTIVE)]


def test_a_sensor_that_never_gets_warm_is_dead_like_any_other(cab):
    # Wide-range sensors are ready 10 to 30 s after their power (common practice, no source).
    van = cab(LEAN)
    van.hold(95_000, **IDLE | {"lambda": WARMING})
    changes = [c for _ in range(60) for c in van.tick(**DRIVING | {"lambda": WARMING})]
    assert [(c.alert, c.priority) for c in changes] == [("cannot_see_lambda", Priority.WARNING)]


def test_a_rule_that_is_false_either_way_is_not_blind(cab):
    # A rich mixture is no lean one, whatever the boost: Kleene's false and unknown is false.
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    assert van.hold(5000, map=None, boost=None) == []


# --- how soon ---------------------------------------------------------------------------------------------------

PATIENT = OVER + 'blind_urgent_when = "boost > 1 psi"\nblind_delay_otherwise = "3 s"\n'


def test_under_boost_blindness_is_urgent(cab):
    van = cab(PATIENT)
    van.hold(1000, **DRIVING)
    assert van.hold(5000, map=None, boost=None) == [(180, "cannot_see_map", ACTIVE)]


def test_a_wire_that_dies_at_idle_is_given_longer(cab):
    van = cab(PATIENT)
    van.hold(1000, **IDLE)
    assert van.hold(5000, map=None, boost=None) == [(2980, "cannot_see_map", ACTIVE)]


def test_urgency_is_as_last_known(cab):
    # Boost itself goes dark under boost: that it was there is remembered.
    van = cab(PATIENT)
    van.hold(1000, **IDLE)
    van.hold(100, **DRIVING)
    assert van.hold(1000, map=None, boost=None) == [(180, "cannot_see_map", ACTIVE)]


TWO_SIGNS = PATIENT.replace("boost > 1 psi", "boost > 1 psi or engine_speed > 3000 rpm")


def test_another_sign_of_load_makes_it_urgent_when_boost_itself_is_lost_before(cab):
    van = cab(TWO_SIGNS)
    van.hold(1000, **IDLE | {"engine_speed": 800})
    assert van.hold(1000, map=None, boost=None) == []
    assert van.hold(1000, engine_speed=3500) == [(0, "cannot_see_map", ACTIVE)]


def test_and_once_that_sign_is_gone_it_is_as_patient_as_before(cab):
    van = cab(TWO_SIGNS)
    van.hold(1000, **IDLE | {"engine_speed": 800})
    van.hold(0, map=None, boost=None, engine_speed=3500)
    # Lost at idle, and a moment of speed: the rest of its time is the patient one.
    assert van.hold(2000, engine_speed=800) == []


def test_started_without_a_word_of_the_engine_ignorance_is_no_idle(cab):
    # Nothing has ever said that there is no boost: four seconds for sensors to speak up, then it is told.
    van = cab(PATIENT.replace('"3 s"', '"8 s"'))
    assert van.hold(7000, map=None, boost=None) == [(4000, "cannot_see_map", ACTIVE)]


NOT_SPOKEN = LEAN + 'blind_urgent_when = "boost > 1 psi"\nblind_delay_otherwise = "8 s"\n'


def test_started_in_mid_pull_a_source_has_two_seconds_to_speak(cab):
    van = cab(NOT_SPOKEN)
    assert van.hold(3000, **DRIVING | {"lambda": None}) == [(2000, "cannot_see_lambda", ACTIVE)]


def test_what_has_spoken_once_and_is_lost_has_no_such_time(cab):
    van = cab(NOT_SPOKEN)
    van.hold(0, **DRIVING | {"lambda": None})
    van.hold(0, **DRIVING)
    assert blind(van.hold(1000, **{"lambda": None})) == [(180, "cannot_see_lambda", ACTIVE)]


def test_a_sign_that_is_not_there_takes_nothing_from_one_that_says_idle(cab):
    van = cab(TWO_SIGNS)
    van.hold(5000, **IDLE | {"engine_speed": None})
    assert van.hold(5000, map=None, boost=None) == [(2980, "cannot_see_map", ACTIVE)]


def test_ignorance_goes_on_where_a_saved_state_left_it(cab):
    patient = PATIENT.replace('"3 s"', '"8 s"')
    first, second = cab(patient), cab(patient)
    first.hold(3500, map=None, boost=None)
    second.engine.restore(json.loads(json.dumps(first.engine.state())))
    second.now_ns, second.values = first.now_ns, dict(first.values)
    assert second.hold(1500) == first.hold(1500) == [(480, "cannot_see_map", ACTIVE)]


# --- when nobody drives ---------------------------------------------------------------------------------------------


def test_with_the_engine_known_to_stand_nothing_is_blind(cab):
    van = cab(LEAN, running="running")
    assert van.hold(60_000, **IDLE | {"running": 0, "map": None, "boost": None, "lambda": None}) == []


def test_whether_it_runs_must_be_known_for_that(cab):
    van = cab(LEAN, running="running")
    assert blind(van.hold(1000, **IDLE | {"running": None, "map": None, "boost": None, "lambda": None}))


def test_blindness_that_was_told_ends_when_the_engine_stands(cab):
    van = cab(LEAN, running="running")
    van.hold(1000, **DRIVING | {"lambda": None})
    assert van.hold(100, running=0) == [(0, "cannot_see_lambda", NORMAL)]


def test_every_other_alert_is_watched_on_with_the_engine_standing(cab):
    van = cab(OVER, running="running")
    assert van.hold(100, boost=9, running=0) == [(0, "over_boost", ACTIVE)]


# --- what never hides it ----------------------------------------------------------------------------------------------


def test_suppression_never_hides_blindness(cab):
    van = cab(LEAN + 'suppress_when = "mask"\n')
    van.hold(1000, **DRIVING | {"mask": 1})
    assert van.hold(1000, **{"lambda": None}) == [(180, "cannot_see_lambda", ACTIVE)]


def test_a_value_at_its_end_that_proves_nothing_is_blindness(cab):
    van = cab(LEAN.replace("0.88", "1.6"))
    van.hold(1000, **DRIVING)
    told = van.hold(1000, **{"lambda": Value(1.5, Quality.SATURATED_HIGH, 0)})
    assert [(a, s) for _, a, s in told] == [("cannot_see_lambda", ACTIVE)]


def test_a_division_by_zero_is_blindness_too_and_blames_no_sensor_that_is_fine(cab):
    van = cab(OVER.replace("boost > 8 psi", "map / barometer > 2"))
    changes = [c for _ in range(50) for c in van.tick(**DRIVING | {"barometer": 0})]
    assert [(c.alert, c.say, c.blind) for c in changes] == [
        ("cannot_see_rule_over_boost", "Cannot judge: Boost too high", True)
    ]
    assert changes[0].figures.endswith("a division by what may be zero")
    # Once a wire is lost, that one is told, and the rule's own alert goes.
    told = blind(van.hold(8000, map=None))
    assert told == [(0, "cannot_see_map", ACTIVE), (0, "cannot_see_rule_over_boost", NORMAL)]
    assert blind(van.hold(8000, map=135, barometer=101))[-1][1:] == ("cannot_see_map", NORMAL)


def test_a_blind_rule_of_its_own_can_be_acknowledged_and_goes_on_from_a_saved_state(cab):
    text = OVER.replace("boost > 8 psi", "map / barometer > 2")
    van, again = cab(text), cab(text)
    van.hold(1000, **DRIVING | {"barometer": 0})
    again.engine.restore(json.loads(json.dumps(van.engine.state())))
    again.now_ns, again.values = van.now_ns, dict(van.values)
    assert again.engine.acknowledge(van.now_ns) == van.engine.acknowledge(van.now_ns) != []
    assert again.hold(8000, barometer=101) == van.hold(8000, barometer=101) != []


CALLED = {"lambda": "mixture", "boost": "boost", "map": "manifold pressure"}


@pytest.mark.parametrize(
    ("dead", "spoken"),
    [
        (Value(None, Quality.OUT_OF_RANGE, 0), "Cannot see mixture: wire broken or shorted."),
        (Value(0.8, Quality.STUCK, 0), "Cannot see mixture: it does not move."),
        (Value(0.8, Quality.STALE, 0), "Cannot see mixture: nothing new from it."),
        (Value(None, Quality.ABSENT, 0), "Cannot see mixture: no value from it."),
        (Value(0.8, Quality.IMPLAUSIBLE, 0), "Cannot see mixture: it cannot be true."),
        (WARMING, "Mixture still warming up."),
    ],
)
def test_the_cab_hears_a_persons_name_of_the_channel_and_why_it_cannot_be_seen(cab, dead, spoken):
    van = cab(LEAN, called=CALLED)
    changes = [c for _ in range(50) for c in van.tick(**DRIVING | {"lambda": dead})]
    assert [cab_words(c) for c in changes] == [f"Stay off boost. {spoken}"]


def test_acknowledging_blindness_leaves_it_standing(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    van.hold(1000, **{"lambda": None})
    van.engine.acknowledge(van.now_ns)
    assert van.hold(30_000, **{"lambda": None}) == []
    assert van.state("cannot_see_lambda") == "active, acknowledged"


# --- windows ------------------------------------------------------------------------------------------------------

FLAT = (
    OVER.replace("boost > 8 psi", "highest(map, 1 s) - lowest(map, 1 s) < 2 kPa and lambda > 0.9")
    .replace('"0.2 s"', '"1.5 s"')
    .replace("over_boost", "flat")
)


def test_a_window_that_still_holds_what_was_not_known_is_the_fault_of_the_wire_that_was_dark(cab):
    van = cab(FLAT)
    van.hold(3000, **DRIVING | {"lambda": 1.0, "map": 100})
    told = []
    for _ in range(20):
        # One bad reading of the pressure in every 0.4 s keeps its window unknown; the mixture is seen all the time.
        told += van.hold(0, map=None) + van.hold(380, map=100)
    assert [(a, s) for _, a, s in told] == [("cannot_see_map", ACTIVE)]


def test_who_was_to_blame_once_is_not_to_blame_for_ever(cab):
    van = cab(LEAN)
    van.hold(1000, **DRIVING)
    van.hold(1000, **{"lambda": None})
    van.hold(5000, **{"lambda": 0.82})
    told = van.hold(1000, boost=None, map=None, **{"lambda": 0.95})
    assert [(a, s) for _, a, s in told] == [("cannot_see_map", ACTIVE)]


def test_a_program_is_told_what_is_wrong_with_the_channel_and_no_number_of_it(cab):
    van = cab(OVER)
    van.hold(1000, boost=5)
    told = [c for _ in range(100) for c in van.tick(boost=None, map=Value(3.0, Quality.STUCK, 0)) if c.blind]
    assert told[0].measured == ({"channel": "map", "unit": "kPa", "quality": "stuck"},)
    ended = [c for _ in range(500) for c in van.tick(boost=5, map=135) if c.blind]
    assert [c.measured for c in ended] == [()]
