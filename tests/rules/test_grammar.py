"""What the grammar has beyond comparisons: functions, windows, times, stages, limits by stage, baselines, sureness."""

import pytest

from cabcanary import units
from cabcanary.expressions.names import BaselineValue, ConditionError, Names, NoBaselineError, StageLimit, Table
from cabcanary.expressions.parse import parse_condition, parse_number
from cabcanary.expressions.scalar import compile_condition, compile_number
from cabcanary.model import Quality, Value

TICK_NS = 20_000_000
CHANNELS = {"boost": "psi", "map": "kPa", "lambda": "lambda", "coolant": "°C", "supply": "V", "mask": "state"}
STAGES = ("sensors", "plumbing", "compressor", "more boost")


def names(**changed):
    given = {
        "channels": CHANNELS,
        "tables": {"ceiling": Table(units.PRESSURE, units.DIMENSIONLESS, (0.0, 50_000.0), (0.9, 0.8))},
        "ends": {"map": (10_000.0, 250_000.0), "lambda": (0.65, 1.5)},
        "limits": {"hose_limit": StageLimit(55_158.0, units.PRESSURE, "hose_limit 8 psi")},
        "baselines": {
            "idle": BaselineValue(units.PRESSURE, "coolant", ((340.0, 40_000.0), (360.0, 34_000.0))),
            "flat": BaselineValue(units.PRESSURE, None, ((0.0, 34_000.0),)),
            "to_come": BaselineValue(units.PRESSURE, None, ()),
        },
        "stages": STAGES,
        "stage": "plumbing",
    }
    return Names(**(given | changed))


def good(x, band=0.0):
    return Value(x, Quality.GOOD, 0, band)


BLIND = Value(None, Quality.STALE, 0)


def over_time(text, values, *, dt_ns=TICK_NS, number=False):
    """What a condition, or a number in SI, comes to at each of these ticks; None is unknown."""
    program = (
        compile_number(parse_number(text, names())) if number else compile_condition(parse_condition(text, names()))
    )
    answers = [program(v, (n + 1) * dt_ns) for n, v in enumerate(values)]
    return [a[0] if a is not None else None for a in answers] if number else answers


def series(channel, *numbers):
    return [{channel: BLIND if x is None else good(x)} for x in numbers]


# --- refused, with the place and what to do ---------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "line", "column", "words", "fix"),
    [
        ("rate(boost) > 1 psi/s", 1, 1, "'rate' takes 2 and got 1", "rate(boost, 0.5 s)"),
        ("abs(boost, 1 s) > 1 psi", 1, 1, "'abs' takes 1 and got 2", "abs(boost)"),
        ("average(boost, 2 V) > 1 psi", 1, 16, "the length of a window is a time", "0.5 s"),
        ("average(boost, map) > 1 psi", 1, 16, "the length of a window is a time", "0.5 s"),
        ("average(boost, 0 s) > 1 psi", 1, 16, "a window of 0 s", "at most 120 s"),
        ("average(boost, 3 min) > 1 psi", 1, 16, "a window of 3 min", "at most 120 s"),
        ("rate(boost, 1 s) > 1 psi", 1, 1, "compares", "same kind of unit"),
        ("min(boost) > 1 psi", 1, 1, "takes two numbers or more", "min(map, barometer)"),
        ("max(boost, supply) > 1 psi", 1, 12, "'max' of pressure and voltage", "same kind"),
        ("averige(boost, 1 s) > 1 psi", 1, 1, "no table or function 'averige'", "did you mean average"),
        ("ceiling(boost, map) < lambda", 1, 1, "looked up by one number", "ceiling(…)"),
        ("time_in(boost) > 1 s", 1, 9, "a number, not a condition", "compare it"),
        ("time_in(mask) > 1 kPa", 1, 1, "compares time with pressure", "same kind"),
        ("stage is 'plumming'", 1, 10, "no stage 'plumming'", "did you mean 'plumbing'"),
        ("stage before 'turbo'", 1, 14, "no stage 'turbo'", "vehicle.stages"),
        ("map > baseline(idel) + 6 kPa", 1, 16, "no baseline 'idel'", "did you mean idle"),
        ("map > hose_limit + 1 V", 1, 7, "adds pressure and voltage", "only like"),
        ("coolant - 20 °C > 30 °C", 1, 1, "30 °C is a reading, and this is the size of a step", "in K"),
        ("rate(coolant, 5 s) > 1 °C", 1, 1, "compares", "same kind"),
        ("map > 260 kPa", 1, 1, "'map' ends at 250 kPa", "within the sensor's range"),
        ("highest(map, 1 s) > 260 kPa", 1, 1, "this can never be so", "within what they can show"),
        ("map + 20 kPa < 25 kPa", 1, 1, "this can never be so", "within what they can show"),
        ("lambda > ceiling(boost) + 0.7", 1, 1, "'lambda' ends at 1.5", "within the sensor's range"),
        ("mask and time_in(mask) < 0 s", 1, 10, "this can never be so", "within what they can show"),
    ],
)
def test_a_faulty_use_is_pointed_at(text, line, column, words, fix):
    with pytest.raises(ConditionError) as caught:
        parse_condition(text, names())
    assert words in caught.value.message
    assert fix in caught.value.fix
    assert (caught.value.line, caught.value.column) == (line, column)


def test_a_baseline_that_has_not_been_measured_is_told_apart():
    with pytest.raises(NoBaselineError) as caught:
        parse_condition("map > baseline(to_come) + 6 kPa", names())
    assert caught.value.name == "to_come"


def test_a_channels_formula_does_not_look_back_in_time():
    with pytest.raises(ConditionError, match="looks back in time"):
        parse_number("average(map, 1 s)", names(over_time=False))


# --- one tick ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("abs(boost) > 8 psi", True),
        ("abs(boost) > 10 psi", False),
        ("min(map, 60 kPa) < 61 kPa and max(map, 60 kPa) > 99 kPa", True),
        ("max(boost, 1 psi, 2 psi) <= 2 psi", True),
    ],
)
def test_functions_of_one_tick(text, expected):
    assert over_time(text, [{"boost": good(-9.0), "map": good(100.0)}]) == [expected]


def test_the_size_of_an_open_interval_is_open_too():
    # At most -5 psi is at least 5 psi away from nothing; at least -5 psi may be anything.
    assert over_time("abs(boost) > 4 psi", [{"boost": Value(-5.0, Quality.SATURATED_LOW, 0)}]) == [True]
    assert over_time("abs(boost) > 6 psi", [{"boost": Value(-5.0, Quality.SATURATED_LOW, 0)}]) == [None]
    assert over_time("abs(boost) > 4 psi", [{"boost": Value(-5.0, Quality.SATURATED_HIGH, 0)}]) == [None]


# --- windows ----------------------------------------------------------------------------------------------------


def test_a_rate_is_the_change_over_the_window_by_its_length():
    # 1 kPa a tick of 20 ms is 50 kPa/s; over 0.1 s the first answer is that of two ticks.
    found = over_time("rate(map, 0.1 s)", series("map", *range(100, 110)), number=True)
    assert found[0] is None
    assert found[1:] == pytest.approx([50_000.0] * 9)


def test_an_average_is_the_mean_of_its_ticks():
    found = over_time("average(map, 0.04 s)", series("map", 100, 100, 106, 100, 100, 100), number=True)
    assert found == pytest.approx([100_000, 100_000, 102_000, 102_000, 102_000, 100_000], abs=0.01)


def test_lowest_and_highest_forget_what_has_left_the_window():
    numbers = [100, 104, 97, 100, 100, 100, 100]
    assert over_time("highest(map, 0.04 s)", series("map", *numbers), number=True) == pytest.approx(
        [100_000, 104_000, 104_000, 104_000, 100_000, 100_000, 100_000]
    )
    assert over_time("lowest(map, 0.04 s)", series("map", *numbers), number=True) == pytest.approx(
        [100_000, 100_000, 97_000, 97_000, 97_000, 100_000, 100_000]
    )


@pytest.mark.parametrize("window", ["rate", "average", "lowest", "highest"])
def test_a_window_that_holds_an_unknown_is_unknown(window):
    found = over_time(f"{window}(map, 0.04 s)", series("map", 100, 100, None, 100, 100, 100, 100), number=True)
    assert [x is None for x in found[1:]] == [False, True, True, True, False, False]


def test_a_window_begins_anew_after_a_gap_in_the_ticks():
    program = compile_number(parse_number("highest(map, 2 s)", names()))
    assert program({"map": good(150.0)}, 1_000_000_000)[0] == pytest.approx(150_000)
    # Nothing was looked at for 0.9 s: what was before is not held against what comes after.
    assert program({"map": good(100.0)}, 1_900_000_000)[0] == pytest.approx(100_000)


def test_a_value_at_the_end_of_its_range_opens_the_window_on_that_side():
    ticks = [{"lambda": good(1.4)}, {"lambda": Value(1.5, Quality.SATURATED_HIGH, 0)}]
    program = compile_number(parse_number("average(lambda, 1 s)", names()))
    assert [program(v, (n + 1) * TICK_NS) for n, v in enumerate(ticks)][1] == (pytest.approx(1.45), float("inf"))
    assert over_time("average(lambda, 1 s) > 1.4", ticks)[1] is True
    assert over_time("average(lambda, 1 s) > 1.46", ticks)[1] is None


def test_a_window_adds_up_the_same_after_a_million_ticks():
    # Floating point would drift: 0.1 added and taken away a million times.
    program = compile_number(parse_number("average(supply, 0.1 s)", names()))
    for n in range(1, 20_001):
        answer = program({"supply": good(12.1 if n % 3 else 14.7)}, n * TICK_NS)
    fresh = compile_number(parse_number("average(supply, 0.1 s)", names()))
    for n in range(19_995, 20_001):
        again = fresh({"supply": good(12.1 if n % 3 else 14.7)}, n * TICK_NS)
    assert answer == again


def test_time_in_counts_while_a_condition_is_true_pauses_on_unknown_and_starts_again_on_false():
    states = [0, 1, 1, 1, None, 1, 1, 0, 1]
    found = over_time("time_in(mask)", series("mask", *states), number=True)
    assert found == [0.0, 0.0, pytest.approx(0.02), pytest.approx(0.04), None, *map(pytest.approx, [0.04, 0.06, 0, 0])]


# --- stages and baselines ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("stage is 'plumbing'", True),
        ("stage is 'compressor'", False),
        ("stage before 'compressor'", True),
        ("stage before 'plumbing'", False),
        ("stage from 'plumbing'", True),
        ("stage after 'plumbing'", False),
        ("not stage from 'more boost'", True),
    ],
)
def test_a_condition_may_ask_for_the_stage(text, expected):
    assert over_time(text, [{}]) == [expected]


def test_a_limit_by_stage_is_a_quantity():
    assert over_time("boost > hose_limit", series("boost", 7.9, 8.1)) == [False, True]


def test_a_baseline_follows_what_it_depends_on():
    # 340 K is 66.85 °C, 360 K is 86.85 °C: half way between them 37 kPa.
    at = {"coolant": good(76.85)}
    assert over_time("map > baseline(idle) + 6 kPa", [at | {"map": good(m)} for m in (42.9, 43.1)]) == [False, True]
    assert over_time("map > baseline(flat) + 6 kPa", [{"map": good(m)} for m in (39.9, 40.1)]) == [False, True]


# --- sureness ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("psi", "likely", "possible", "certain"),
    # ± 0.2 psi: two standard uncertainties are 0.4 psi (JCGM 100:2008, 6.3.3: about 95 %).
    [(7.5, False, False, False), (7.7, False, True, False), (8.3, True, True, False), (8.5, True, True, True)],
)
def test_how_sure_one_must_be_of_a_limit(psi, likely, possible, certain):
    values = [{"boost": good(psi, band=0.2)}]
    assert over_time("boost > 8 psi", values) == [likely]
    assert over_time("likely boost > 8 psi", values) == [likely]
    assert over_time("possible boost > 8 psi", values) == [possible]
    assert over_time("certain boost > 8 psi", values) == [certain]


def test_sureness_counts_the_uncertainty_of_both_sides():
    # The difference is 0.05 and both ends of it may be off by 2 × 0.01 and 2 × 0.02 through the table.
    table = {"ceiling": Table(units.PRESSURE, units.DIMENSIONLESS, (0.0, 100_000.0), (1.0, 0.0))}
    for band, sure in ((0.5, True), (3.0, False)):
        program = compile_condition(
            parse_condition("certain lambda > ceiling(map)", names(tables=table, channels=CHANNELS))
        )
        assert program({"lambda": good(0.55, 0.01), "map": good(50.0, band)}, 1) is sure


def test_what_is_the_same_at_both_ends_drops_out_of_a_rate():
    values = [{"map": good(100.0 + n, band=5.0)} for n in range(4)]
    assert over_time("certain rate(map, 1 s) > 40 kPa/s", values)[-1] is True


def test_a_saturated_value_is_certain_only_beyond_its_own_uncertainty():
    at_least = {"lambda": Value(1.3, Quality.SATURATED_HIGH, 0, 0.02)}
    assert over_time("certain lambda > 1.25", [at_least]) == [True]
    assert over_time("certain lambda > 1.29", [at_least]) == [None]
    assert over_time("possible lambda < 1.2", [at_least]) == [False]
