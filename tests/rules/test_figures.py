"""What a message says of what a rule saw: each value with its band and unit, the limit, and how sure it had to be."""

from pathlib import Path

import pytest

from cabcanary.alerts.words import alert_event
from cabcanary.model import Frame, Quality, Value
from cabcanary.rules.engine import Engine
from cabcanary.rules.names import Setting
from cabcanary.rules.rule_set import build_rules
from cabcanary.settings.load import rules_from_text

RULE = """
[tables.ceiling]
of = "psi"
gives = "lambda"
points = [[2, 0.88], [5, 0.86], [8, 0.85]]
[[rule]]
id = "a"
priority = "warning"
say = "Something"
do = "Lift off gently"
when = "{when}"
"""


@pytest.mark.parametrize(
    ("when", "values", "said"),
    [
        ("boost > 8 psi", {"boost": 9.1}, "boost 9.1 psi (likely above 8 psi)"),
        ("certain boost > 8 psi", {"boost": (9.1, 0.2)}, "boost 9.1 ± 0.2 psi (certainly above 8 psi)"),
        ("possible boost > 8 psi", {"boost": (7.9, 0.2)}, "boost 7.9 ± 0.2 psi (possibly above 8 psi)"),
        ("supply < 12.5 V", {"supply": 11.92}, "supply 11.9 V (likely below 12.5 V)"),
        # Half way from 0.88 at 2 psi to 0.86 at 5 psi.
        (
            "boost > 2 psi and lambda > ceiling(boost)",
            {"boost": 3.5, "lambda": 0.93},
            "boost 3.5 psi (likely above 2 psi), lambda 0.93 (likely above 0.87)",
        ),
        # 55.2 kPa in the channel's own unit, and the limit as it was written.
        ("map > 1.3 bar", {"map": 140}, "map 140 kPa (likely above 1.3 bar)"),
        (
            "map - barometer > 30 kPa",
            {"map": 140, "barometer": 100},
            "map 140 kPa, barometer 100 kPa, map - barometer 40 kPa (likely above 30 kPa)",
        ),
        # The half of an "or" that does not hold is not told, nor what it alone speaks of.
        (
            "boost > 2 psi and (lambda < 0.95 or lambda > 1.06 or supply < 11 V)",
            {"boost": 3, "lambda": 1.1, "supply": 14},
            "boost 3 psi (likely above 2 psi), lambda 1.1 (likely above 1.06)",
        ),
        (
            "map > 300 kPa and boost > 1 psi or not mask and supply < 12 V",
            {"map": 140, "boost": 4, "mask": 0, "supply": 11},
            "mask 0, supply 11 V (likely below 12 V)",
        ),
        ("mask and boost > 1 psi", {"mask": 1, "boost": 2}, "mask 1, boost 2 psi (likely above 1 psi)"),
    ],
)
def test_a_message_says_what_was_seen_and_what_it_was_held_against(cab, when, values, said):
    van = cab(RULE.format(when=when))
    given = {k: Value(*(v[0], Quality.GOOD, 0, v[1])) if isinstance(v, tuple) else v for k, v in values.items()}
    (change,) = [c for c in van.tick(**given) if not c.blind]
    assert change.figures == said


def test_afr_stands_beside_lambda_where_the_owner_has_such_a_channel():
    text = RULE.format(when="boost > 2 psi and lambda > 0.9")
    units = {"boost": "psi", "lambda": "lambda", "afr": "ratio"}
    setting = Setting(units, shown_beside=(("lambda", "afr"),))
    rules, problems = build_rules([rules_from_text(text, Path("r.toml"))], setting)
    assert not problems
    engine = Engine(rules.rules, {}, units)
    # 0.93 of 14.7 and of 14.08 (E10): 13.67 and 13.09.
    now = {"boost": 3.5, "lambda": 0.93, "afr": 13.09}
    (change,) = engine.step(Frame(1, {n: Value(x, Quality.GOOD, 0) for n, x in now.items()}))
    assert change.figures == "boost 3.5 psi (likely above 2 psi), lambda 0.93 = AFR 13.1 (likely above 0.9)"


# --- as numbers -----------------------------------------------------------------------------------------------------


def measured(cab, when, **values):
    van = cab(RULE.format(when=when))
    (change,) = [c for c in van.tick(**values) if not c.blind]
    return list(change.measured)


def test_each_value_comes_as_a_number_with_its_unit_its_uncertainty_and_the_limits_it_was_held_against(cab):
    boost = Value(3.5, Quality.GOOD, 0, 0.25)
    assert measured(cab, "boost > 2 psi and lambda > ceiling(boost)", boost=boost, **{"lambda": 0.93}) == [
        {
            "channel": "boost",
            "unit": "psi",
            "quality": "good",
            "value": 3.5,
            "uncertainty": 0.25,
            "limits": [{"comparison": ">", "value": 2.0, "unit": "psi", "sureness": "likely"}],
        },
        {
            "channel": "lambda",
            "unit": "lambda",
            "quality": "good",
            "value": 0.93,
            # Half way from 0.88 at 2 psi to 0.86 at 5 psi.
            "limits": [{"comparison": ">", "value": 0.87, "unit": "lambda", "sureness": "likely"}],
        },
    ]


def test_a_limit_comes_in_the_unit_of_the_value_it_is_held_against(cab):
    (seen,) = measured(cab, "possible map > 1.3 bar", map=140)
    assert seen["unit"] == "kPa"
    assert seen["limits"] == [{"comparison": ">", "value": 130.0, "unit": "kPa", "sureness": "possible"}]


def test_a_number_that_is_worked_out_stands_behind_its_channels_under_the_words_of_the_rule(cab):
    seen = measured(cab, "map - barometer > 30 kPa and supply < 12 V", map=140, barometer=100, supply=11)
    assert [(s["channel"], s["value"], s["unit"]) for s in seen] == [
        ("map", 140.0, "kPa"),
        ("barometer", 100.0, "kPa"),
        ("supply", 11.0, "V"),
        ("map - barometer", 40.0, "kPa"),
    ]
    assert [[x["value"] for x in s.get("limits", [])] for s in seen] == [[], [], [12.0], [30.0]]


def test_a_value_at_the_end_of_its_range_says_that_it_is_at_least_that(cab):
    end = Value(1.3, Quality.SATURATED_HIGH, 0)
    (seen,) = measured(cab, "lambda > 1.06", **{"lambda": end})
    assert (seen["value"], seen["quality"], "uncertainty" in seen) == (1.3, "saturated high", False)
    # What is worked out from it is open on the same side.
    *_, ratio = measured(cab, "2 * lambda > 2.1", **{"lambda": end})
    assert (ratio["channel"], ratio["value"], ratio["quality"]) == ("2 * lambda", 2.6, "saturated high")


def test_an_interval_comes_as_its_middle_and_a_quarter_of_its_width(cab):
    # 8 to 10 psi: two standard uncertainties of 0.5 psi to each side.
    within = Value(9.0, Quality.WITHIN, 0, 0.5)
    first, doubled = measured(cab, "boost > 7 psi and 2 * boost > 15 psi", boost=within)
    assert (first["value"], first["uncertainty"], first["quality"]) == (9.0, 0.5, "within")
    assert (doubled["value"], doubled["uncertainty"], doubled["quality"]) == (18.0, 1.0, "within")


@pytest.mark.parametrize(("comparison", "seen", "end"), [(">", 0.95, 0.88), ("<", 0.80, 0.86)])
def test_of_a_limit_that_is_an_interval_the_end_is_told_that_must_be_passed_for_certain(cab, comparison, seen, end):
    # 2 to 5 psi: the ceiling lies from 0.88 down to 0.86.
    boost = Value(3.5, Quality.WITHIN, 0, 0.75)
    (mixture,) = [
        s
        for s in measured(cab, f"boost > 1 psi and lambda {comparison} ceiling(boost)", boost=boost, **{"lambda": seen})
        if s["channel"] == "lambda"
    ]
    assert mixture["limits"][0]["value"] == end


def test_what_a_person_did_has_nothing_measured_and_is_told_without(cab):
    van = cab(RULE.format(when="boost > 8 psi"))
    (change,) = [c for c in van.tick(boost=9.1) if not c.blind]
    assert alert_event(change).data["measured"] == list(change.measured)
    (taken,) = van.engine.acknowledge(change.time_ns + 1)
    assert taken.measured == ()
    assert "measured" not in alert_event(taken).data
