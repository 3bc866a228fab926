"""What is wrong with a condition, and where."""

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary import units
from cabcanary.expressions.names import ConditionError, Names, Table, UnknownNameError
from cabcanary.expressions.parse import parse_condition
from cabcanary.expressions.scalar import compile_condition
from cabcanary.expressions.tree import channels_in, comparisons_in
from cabcanary.rules.engine import Engine
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.settings.load import rules_from_text

CHANNELS = {"boost": "psi", "lambda": "lambda", "supply": "V", "engine_speed": "rpm", "mask": "state"}
TABLES = {"ceiling": Table(units.PRESSURE, units.DIMENSIONLESS, (0.0, 1.0), (0.9, 0.8))}
NAMES = Names(CHANNELS, TABLES)


@pytest.mark.parametrize(
    ("text", "line", "column", "words", "fix"),
    [
        ("boost > 2 V", 1, 1, "compares pressure with voltage", "same kind of unit"),
        ("mask and boost > 2 V", 1, 10, "compares pressure with voltage", "same kind of unit"),
        ("boost > 2", 1, 1, "compares pressure with a plain number", "same kind of unit"),
        ("boost > 2 psi deadband 1 V", 1, 24, "deadband's unit", "comparison's unit"),
        ("boost + supply > 2 psi", 1, 1, "adds pressure and voltage", "only like"),
        ("boost > 2 psie", 1, 11, "unknown unit 'psie'", "did you mean psi"),
        ("lambda > 12.5 AFR", 1, 15, "AFR means nothing without its fuel", "lambda value"),
        ("bost > 2 psi", 1, 1, "no channel 'bost'", "did you mean boost"),
        ("lambda > cieling(boost)", 1, 10, "no table or function 'cieling'", "did you mean ceiling"),
        ("lambda > ceiling(supply)", 1, 18, "table of pressure, and this is voltage", "'of'"),
        ("boost", 1, 1, "a number, not a condition", "compare it"),
        ("boost and mask", 1, 1, "a number, not a condition", "compare it"),
        ("(boost > 2 psi) > 1", 1, 2, "a condition, not a number", "quantity"),
        ("boost == 2 psi", 1, 7, "did not expect", "compare with"),
        ("boost > = 2 psi", 1, 9, "did not expect", "compare with"),
        ("boost >> 2 psi", 1, 8, "did not expect", "reads like"),
        ("boost > 2 psi\nand supply > 11 V\nand ? > 3", 3, 5, "did not expect", "reads like"),
        ("boost > 2 psi and", 1, 18, "stops too early", "complete"),
        ("(boost > 2 psi", 1, 15, "stops too early", "complete"),
        ("", 1, 1, "stops too early", "complete"),
        ("boost > 1e999 psi", 1, 9, "too large", "smaller"),
    ],
)
def test_a_faulty_condition_is_pointed_at(text, line, column, words, fix):
    with pytest.raises(ConditionError) as caught:
        parse_condition(text, NAMES)
    assert words in caught.value.message
    assert fix in caught.value.fix
    assert (caught.value.line, caught.value.column) == (line, column)


def test_a_channel_that_is_not_there_is_told_apart_from_other_faults():
    with pytest.raises(UnknownNameError) as caught:
        parse_condition("fuel_pressure > 3 bar", NAMES)
    assert caught.value.name == "fuel_pressure"


@pytest.mark.parametrize(
    "text",
    [
        "boost>2psi and lambda>ceiling(boost)",
        "boost > 2 psi deadband 0.3 psi and lambda > ceiling(boost) deadband 0.01",
        "not mask or boost >= 8 psi",
        "boost * 2 - 1 psi > 5e-1 bar",
        "engine_speed > 600 rpm\n  and supply < 12.5 V",
        "boost / 1 psi > 3",
    ],
)
def test_what_people_write_is_understood(text):
    assert parse_condition(text, NAMES)


@pytest.mark.parametrize(
    "text",
    [
        "not " * 450 + "mask",
        "-" * 900 + "boost > 1 psi",
        "1" + "+1" * 900 + " > 0",
        "1" + "*1" * 900 + " > 0",
        "ceiling(" * 200,
    ],
)
def test_a_condition_made_to_exhaust_the_program_is_refused(text):
    with pytest.raises(ConditionError):
        parse_condition(text, NAMES)


def test_brackets_around_brackets_are_no_depth():
    assert parse_condition("(" * 900 + "mask" + ")" * 900, NAMES)


def test_a_long_row_of_conditions_is_no_deep_one():
    condition = parse_condition(" and ".join(["boost > 1 psi"] * 100), NAMES)
    assert len(comparisons_in(condition)) == 100
    compile_condition(condition)


PIECES = [
    *CHANNELS,
    *("ceiling(", "ceiling", "(", ")", ">", "<=", "=", "+", "-", "*", "/", "and", "or", "not", "deadband", "lost"),
    *("1", "0.5", "2 psi", "3 V", "1e400", "psi", "AFR", "°C", "Ω", "\n", "?", "é", "\x00", "nan", "inf"),
]


@settings(deadline=None)
@given(st.one_of(st.text(max_size=60), st.lists(st.sampled_from(PIECES), max_size=40).map(" ".join)))
def test_any_text_is_a_condition_or_a_condition_error_inside_the_text(text):
    fault = None
    try:
        condition = parse_condition(text, NAMES)
    except ConditionError as error:
        fault = error
    if fault is None:
        assert set(channels_in(condition)) <= set(CHANNELS)
        compile_condition(condition)
        return
    lines = text.split("\n")
    assert fault.message
    assert fault.fix
    assert 1 <= fault.line <= max(len(text.splitlines()), len(lines))
    assert 1 <= fault.column <= max(len(line) for line in lines) + 1


@settings(deadline=None)
@given(st.text(max_size=200))
def test_a_rule_with_any_condition_leaves_the_program_standing(text):
    literal = "".join(c if (c.isalnum() and c.isascii()) or c in " ><=()+-*/." else " " for c in text)
    rule = f'[[rule]]\nid = "r"\npriority = "caution"\nsay = "a"\ndo = "b"\nwhen = " {literal}"\n'
    rules, problems = build_rules([rules_from_text(rule, Path("r.toml"))], Setting(CHANNELS))
    assert len(rules.rules) + len(rules.not_fitted) == 1 or problems
    Engine(rules.rules, {}, CHANNELS)
