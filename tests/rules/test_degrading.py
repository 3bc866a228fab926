"""A rule does without what a vehicle lacks where it can, and says so; a slip of the pen is an error."""

from pathlib import Path

import pytest

from cabcanary.model import UNKNOWN_KIND, Frame, Quality, Value
from cabcanary.rules.engine import Engine
from cabcanary.rules.names import Setting
from cabcanary.rules.rule_set import build_rules
from cabcanary.settings.load import rules_from_text

#: A vehicle with a wideband and a pressure sensor.
UNITS = {"lambda": "lambda", "map": "kPa", "boost": "psi"}
RULE = """
optional_channels = ["throttle", "engine_speed", "fuel_cut"]
[baselines.idle]
of = "map"
when = "boost < -3 psi"
[numbers]
much = "2 psi"
[[rule]]
id = "lean"
priority = "warning"
say = "Lean"
do = "Lift off gently"
blind_delay = "0.2 s"
{more}
"""


def built(more, units=UNITS, **setting):
    rules, problems = build_rules([rules_from_text(RULE.format(more=more), Path("r.toml"))], Setting(units, **setting))
    return rules, [f"{p.message}; {p.fix}" for p in problems]


def sounds(rules, **values):
    engine = Engine(rules.rules, {}, UNITS)
    good = {name: Value(float(x), Quality.GOOD, 0) for name, x in values.items()}
    found = []
    for n in range(50):
        found += engine.step(Frame(n * 20_000_000, dict(good)))
    return [c.alert for c in found if c.sounds]


def test_an_alternative_that_speaks_of_what_is_not_fitted_drops_out_and_the_rule_runs():
    rules, problems = built('when = "engine_speed > 3000 rpm and boost > much or boost > 8 psi"')
    assert not problems
    assert rules.rules[0].lacks == (("engine_speed", ""),)
    assert sounds(rules, boost=9, map=160) == ["lean"]
    assert sounds(rules, boost=5, map=135) == []


def test_a_suppression_that_cannot_be_known_is_left_out_and_its_cost_is_told():
    more = 'when = "boost > much and lambda > 0.9"\nsuppress_when = "fuel_cut"\n'
    more += '[rule.without]\nfuel_cut = "an overrun may sound"'
    rules, problems = built(more)
    assert not problems
    assert rules.rules[0].lacks == (("fuel_cut", "an overrun may sound"),)
    assert sounds(rules, **{"boost": 5, "map": 135, "lambda": 1.1}) == ["lean"]


def test_a_rule_with_its_own_way_without_a_channel_tells_what_that_costs():
    more = 'when = "not fitted throttle and boost > much"\n[rule.without]\nthrottle = "a lift may sound"'
    rules, problems = built(more)
    assert not problems
    assert rules.rules[0].lacks == (("throttle", "a lift may sound"),)
    assert built(more, UNITS | {"throttle": "%"})[0].rules[0].lacks == ()


def test_what_is_known_of_a_suppression_stays():
    rules, _ = built('when = "boost > much"\nsuppress_when = "fuel_cut or map < 130 kPa"')
    assert sounds(rules, boost=5, map=125) == []
    assert sounds(rules, boost=5, map=135) == ["lean"]


def test_a_rule_whose_core_is_missing_is_not_fitted():
    rules, problems = built('when = "boost > much and throttle > 50 %"')
    assert not problems
    assert [(n.id, n.channel) for n in rules.not_fitted] == [("lean", "throttle")]


@pytest.mark.parametrize(
    ("more", "name", "fix"),
    [
        ('when = "boost > much and lamda > 0.9"', "lamda", "did you mean lambda?"),
        ('when = "boost > much or lamda > 0.9"', "lamda", "did you mean lambda?"),
        ('when = "boost > much"\nsuppress_when = "fuel_cutt"', "fuel_cutt", "did you mean fuel_cut?"),
        ('when = "boost > much or not fitted throtle"', "throtle", "did you mean throttle?"),
        ('when = "boost > mutch"', "mutch", "did you mean much?"),
    ],
)
def test_a_slip_of_the_pen_is_an_error_with_the_likely_name(more, name, fix):
    rules, problems = built(more)
    assert rules.rules == ()
    assert problems == [f"there is no channel '{name}'; {fix}"]


def test_a_recording_from_before_the_list_of_what_may_lack_still_loads():
    rules, problems = built('when = "boost > much and oil_pressure < 100 kPa"', any_may_lack=True)
    assert not problems
    assert [n.channel for n in rules.not_fitted] == ["oil_pressure"]


def test_a_condition_can_ask_whether_a_channel_is_fitted():
    guarded = 'when = "boost > much and (not fitted throttle or throttle > 50 %)"'
    assert sounds(built(guarded)[0], boost=5, map=135) == ["lean"]
    with_it = built(guarded, {**UNITS, "throttle": "%"})[0]
    assert with_it.rules[0].lacks == ()
    assert sounds(with_it, boost=5, map=135, throttle=20) == []


@pytest.mark.parametrize(
    ("asked", "kind", "truth"),
    [
        ("compressor fitted", "turbo", True),
        ("compressor fitted", "", False),
        ("compressor fitted", UNKNOWN_KIND, True),
        ("compressor is 'turbo'", "turbo", True),
        ("compressor is 'turbo'", "displacement", False),
        ("compressor is 'turbo'", UNKNOWN_KIND, False),
        ("not compressor is 'turbo'", "", True),
    ],
)
def test_a_condition_can_ask_which_compressor_the_stage_has(asked, kind, truth):
    rules, problems = built(f'when = "{asked} and boost > much"', compressor=kind)
    assert not problems
    assert sounds(rules, boost=5, map=135) == (["lean"] if truth else [])


def test_a_kind_of_compressor_that_does_not_exist_is_an_error():
    assert "the kinds are displacement, centrifugal, turbo" in built("when = \"compressor is 'screw'\"")[1][0]


def test_until_a_baseline_is_measured_the_number_beside_it_holds():
    rules, problems = built('when = "map > baseline(idle, 40 kPa) + 6 kPa"')
    assert not problems
    assert rules.rules[0].lacks == (("baseline idle", ""),)
    assert sounds(rules, map=45, boost=-8) == []
    assert sounds(rules, map=47, boost=-8) == ["lean"]


def test_the_number_beside_a_baseline_is_in_its_unit():
    assert "the baseline 'idle' is pressure" in built('when = "map > baseline(idle, 40 rpm)"')[1][0]


def test_an_end_of_a_sensors_range_is_asked_by_name():
    rules, problems = built('when = "lambda > 0.97 * range_top(lambda)"', ends={"lambda": (0.68, 1.36)})
    assert not problems
    assert sounds(rules, **{"lambda": 1.30, "boost": 0, "map": 100}) == []
    assert sounds(rules, **{"lambda": 1.33, "boost": 0, "map": 100}) == ["lean"]


def test_an_end_that_nobody_knows_is_an_error():
    assert "the ends of 'lambda' are not known" in built('when = "lambda > range_top(lambda)"')[1][0]


# --- numbers in another file ----------------------------------------------------------------------------------------

CLAUSE = """
[[rule]]
id = "over"
priority = "warning"
say = "Boost too high"
do = "Lift off gently"
when = "boost > highest_boost"
"""


def test_numbers_tables_and_limits_may_stand_in_another_file_of_the_same_settings():
    numbers = rules_from_text('[numbers]\nhighest_boost = "6 psi"\n', Path("numbers.toml"))
    rules, problems = build_rules([numbers, rules_from_text(CLAUSE, Path("clauses.toml"))], Setting(UNITS))
    assert not problems
    assert sounds(rules, boost=6.5, map=145) == ["over"]


def test_a_file_with_a_number_of_its_own_keeps_it():
    numbers = rules_from_text('[numbers]\nhighest_boost = "6 psi"\n', Path("numbers.toml"))
    own = rules_from_text('[numbers]\nhighest_boost = "9 psi"\n' + CLAUSE, Path("clauses.toml"))
    rules, _ = build_rules([numbers, own], Setting(UNITS))
    assert sounds(rules, boost=6.5, map=145) == []


@pytest.mark.parametrize(
    ("text", "words"), [("2 psii", "psii"), ("boost", "there is no channel"), ("2 psi > 1 psi", "")]
)
def test_a_number_that_is_none_is_an_error(text, words):
    problems = build_rules([rules_from_text(f'[numbers]\na = "{text}"\n', Path("n.toml"))], Setting(UNITS))[1]
    assert words in problems[0].message
    assert problems[0].name == "numbers.a"
