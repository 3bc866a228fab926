"""What a condition says of a frame: true, false or unknown."""

import operator

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary import units
from cabcanary.expressions.names import Names, Table
from cabcanary.expressions.parse import parse_condition
from cabcanary.expressions.scalar import compile_condition
from cabcanary.model import USABLE, Quality, Value

CHANNELS = {"a": "state", "b": "state", "c": "state", "x": "", "y": "", "lambda": "lambda", "boost": "psi", "t": "°C"}
TRUE, FALSE, UNKNOWN = True, False, None


def good(x):
    return Value(x, Quality.GOOD, 0)


def at_least(x):
    return Value(x, Quality.SATURATED_HIGH, 0)


def at_most(x):
    return Value(x, Quality.SATURATED_LOW, 0)


BLIND = Value(None, Quality.ABSENT, 0)
STATES = {TRUE: good(1.0), FALSE: good(0.0), UNKNOWN: BLIND}


def ask(text, tables=None, channels=CHANNELS, memory=None, **values):
    """What a condition says of these values; `memory` is a list that goes from one tick to the next."""
    memory = [] if memory is None else memory
    if not memory:
        memory += [compile_condition(parse_condition(text, Names(channels, tables or {}))), 0]
    memory[1] += 20_000_000
    return memory[0](values, memory[1])


# --- Kleene's strong tables: S. C. Kleene, Introduction to Metamathematics, 1952, section 64 --------------------

AND = {
    (TRUE, TRUE): TRUE,
    (TRUE, FALSE): FALSE,
    (TRUE, UNKNOWN): UNKNOWN,
    (FALSE, TRUE): FALSE,
    (FALSE, FALSE): FALSE,
    (FALSE, UNKNOWN): FALSE,
    (UNKNOWN, TRUE): UNKNOWN,
    (UNKNOWN, FALSE): FALSE,
    (UNKNOWN, UNKNOWN): UNKNOWN,
}
OR = {
    (TRUE, TRUE): TRUE,
    (TRUE, FALSE): TRUE,
    (TRUE, UNKNOWN): TRUE,
    (FALSE, TRUE): TRUE,
    (FALSE, FALSE): FALSE,
    (FALSE, UNKNOWN): UNKNOWN,
    (UNKNOWN, TRUE): TRUE,
    (UNKNOWN, FALSE): UNKNOWN,
    (UNKNOWN, UNKNOWN): UNKNOWN,
}


@pytest.mark.parametrize(("pair", "expected"), AND.items())
def test_and_is_kleenes(pair, expected):
    assert ask("a and b", a=STATES[pair[0]], b=STATES[pair[1]]) is expected


@pytest.mark.parametrize(("pair", "expected"), OR.items())
def test_or_is_kleenes(pair, expected):
    assert ask("a or b", a=STATES[pair[0]], b=STATES[pair[1]]) is expected


@pytest.mark.parametrize(("truth", "expected"), [(TRUE, FALSE), (FALSE, TRUE), (UNKNOWN, UNKNOWN)])
def test_not_is_kleenes(truth, expected):
    assert ask("not a", a=STATES[truth]) is expected


@pytest.mark.parametrize(("pair", "expected"), AND.items())
def test_comparisons_join_like_states(pair, expected):
    assert ask("x > 0.5 and y > 0.5", x=STATES[pair[0]], y=STATES[pair[1]]) is expected


#: The same logic as numbers: and is the least, or the greatest, not the rest to one (0, 1/2, 1).
AS_NUMBER = {FALSE: 0.0, UNKNOWN: 0.5, TRUE: 1.0}
SENTENCES = st.recursive(
    st.sampled_from("abc"),
    lambda inner: st.one_of(st.tuples(st.just("not"), inner), st.tuples(st.sampled_from(["and", "or"]), inner, inner)),
    max_leaves=8,
)


def written(sentence):
    if isinstance(sentence, str):
        return sentence
    if sentence[0] == "not":
        return f"(not {written(sentence[1])})"
    return f"({written(sentence[1])} {sentence[0]} {written(sentence[2])})"


def reckoned(sentence, given):
    if isinstance(sentence, str):
        return AS_NUMBER[given[sentence]]
    if sentence[0] == "not":
        return 1 - reckoned(sentence[1], given)
    return {"and": min, "or": max}[sentence[0]](reckoned(sentence[1], given), reckoned(sentence[2], given))


@settings(deadline=None)
@given(SENTENCES, st.fixed_dictionaries({n: st.sampled_from([TRUE, FALSE, UNKNOWN]) for n in "abc"}))
def test_any_sentence_is_reckoned_as_least_and_greatest(sentence, truths):
    answer = ask(written(sentence), **{name: STATES[truth] for name, truth in truths.items()})
    assert AS_NUMBER[answer] == reckoned(sentence, truths)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("not a and b", False),  # (not a) and b
        ("a or b and c", True),  # a or (b and c)
        ("not (a and b)", True),
    ],
)
def test_not_binds_tighter_than_and_and_and_than_or(text, expected):
    assert ask(text, a=good(1.0), b=good(0.0), c=good(0.0)) is expected


@pytest.mark.parametrize(
    ("text", "expected"),
    [("1 + 2 * 3 > 6.9", True), ("x - 1 + 2 * 3 > 7.1", False), ("8 - 4 - 2 > 1.9", True), ("-x + 5 > 2", True)],
)
def test_numbers_are_reckoned_in_the_usual_order(text, expected):
    assert ask(text, x=good(2.0)) is expected


# --- blind, and at the end of a range ----------------------------------------------------------------------------


@pytest.mark.parametrize("quality", [q for q in Quality if q not in USABLE])
def test_only_usable_values_are_known(quality):
    bad = Value(1.0, quality, 0)
    assert ask("x > 0.5", x=bad) is UNKNOWN
    assert ask("a", a=bad) is UNKNOWN


@pytest.mark.parametrize("quality", list(Quality))
def test_what_is_lost_is_always_known(quality):
    value = Value(1.0, quality, 0)
    assert ask("lost x", x=value) is (FALSE if quality in USABLE else TRUE)
    assert ask("not lost x", x=value) is (TRUE if quality in USABLE else FALSE)


def test_a_saturated_state_is_no_state():
    assert ask("a", a=at_least(1.0)) is UNKNOWN


def test_a_dead_wideband_is_no_matter_at_idle_and_unknown_under_boost():
    text = "boost > 2 psi and lambda > 0.88"
    assert ask(text, boost=good(-9.0), **{"lambda": BLIND}) is FALSE
    assert ask(text, boost=good(5.0), **{"lambda": BLIND}) is UNKNOWN


@pytest.mark.parametrize(
    ("text", "value", "expected"),
    [
        ("lambda > 0.88", at_least(1.5), TRUE),
        ("lambda > 1.6", at_least(1.5), UNKNOWN),
        ("lambda >= 1.5", at_least(1.5), TRUE),
        ("lambda > 1.5", at_least(1.5), UNKNOWN),
        ("lambda < 0.88", at_least(1.5), FALSE),
        ("lambda < 1.5", at_least(1.5), FALSE),
        ("lambda < 1.6", at_least(1.5), UNKNOWN),
        ("lambda > 0.88", at_most(0.65), FALSE),
        ("lambda < 0.7", at_most(0.65), TRUE),
        ("lambda > 0.6", at_most(0.65), UNKNOWN),
        ("lambda >= 0.65", at_most(0.65), UNKNOWN),
        ("lambda <= 1.5", at_least(1.5), UNKNOWN),
        ("-lambda < -0.88", at_least(1.5), TRUE),
        ("-lambda < -1.6", at_least(1.5), UNKNOWN),
        ("2 - lambda < 0.6", at_least(1.5), TRUE),
        ("1 / lambda < 0.7", at_least(1.5), TRUE),
        ("lambda - lambda > 0", at_least(1.5), UNKNOWN),
    ],
)
def test_a_value_at_its_end_proves_one_side_only(text, value, expected):
    assert ask(text, **{"lambda": value}) is expected


NUMBER = st.floats(-50, 50).map(lambda x: round(x, 2))
OPERATIONS = {"+": operator.add, "-": operator.sub, "*": operator.mul, "/": operator.truediv}
COMPARISONS = {">": operator.gt, ">=": operator.ge, "<": operator.lt, "<=": operator.le}


@settings(deadline=None)
@given(
    st.sampled_from(sorted(OPERATIONS)),
    st.sampled_from(sorted(OPERATIONS)),
    st.sampled_from(sorted(COMPARISONS)),
    st.tuples(NUMBER, NUMBER, NUMBER),
    st.booleans(),
    st.lists(st.floats(0, 1000), min_size=1, max_size=5),
)
def test_what_is_known_of_a_saturated_value_holds_for_all_it_may_be(first, second, sign, numbers, high, beyond):
    end, y, limit = numbers
    text = f"(x {first} y) {second} x {sign} 0 + y * {abs(limit)}"
    known = ask(text, x=at_least(end) if high else at_most(end), y=good(y))
    for step in beyond:
        x = end + step if high else end - step
        try:
            left = OPERATIONS[second](OPERATIONS[first](x, y), x)
        except ZeroDivisionError:
            continue
        if known is not UNKNOWN:
            assert COMPARISONS[sign](left, 0 + y * abs(limit)) is known


@pytest.mark.parametrize("divisor", [good(0.0), at_least(-1.0), at_most(1.0), BLIND])
def test_division_by_what_may_be_zero_is_unknown(divisor):
    assert ask("1 / x > 0", x=divisor) is UNKNOWN


# --- tables ----------------------------------------------------------------------------------------------------

PSI = 6894.757293168  # Pa; NIST SP 811
CEILING = {"ceiling": Table(units.PRESSURE, units.DIMENSIONLESS, (2 * PSI, 5 * PSI, 8 * PSI), (0.88, 0.86, 0.85))}


@pytest.mark.parametrize(
    ("psi", "ceiling"), [(0.0, 0.88), (2.0, 0.88), (3.5, 0.87), (5.0, 0.86), (6.5, 0.855), (8.0, 0.85), (20.0, 0.85)]
)
def test_a_limit_that_depends_on_boost_is_read_between_its_points_and_held_beyond(psi, ceiling):
    for off, expected in ((0.0005, True), (-0.0005, False)):
        values = {"boost": good(psi), "lambda": good(ceiling + off)}
        assert ask("lambda > ceiling(boost)", CEILING, **values) is expected


def test_a_table_at_a_value_that_is_at_its_end_gives_all_that_it_may_give():
    tent = {"tent": Table(units.DIMENSIONLESS, units.DIMENSIONLESS, (0.0, 2.0, 4.0), (1.0, 3.0, 1.0))}
    assert ask("tent(x) > 0.5", tent, x=at_least(1.0)) is TRUE
    assert ask("tent(x) > 2.5", tent, x=at_least(1.0)) is UNKNOWN
    assert ask("tent(x) <= 3.5", tent, x=at_least(1.0)) is TRUE
    assert ask("tent(x) > 1.5", tent, x=at_least(4.5)) is FALSE


# --- units -----------------------------------------------------------------------------------------------------


@settings(deadline=None)
@given(st.floats(-15, 30).filter(lambda psi: abs(psi - 8) > 1e-4))
def test_a_limit_means_the_same_in_any_unit_of_pressure(psi):
    # 8 psi is 55.15806 kPa, 0.5515806 bar and 16.288 inHg (NIST SP 811, appendix B).
    for limit in ("8 psi", "55.15806 kPa", "0.5515806 bar"):
        assert ask(f"boost > {limit}", boost=good(psi)) is (psi > 8)
    if abs(psi - 8) > 1e-3:
        assert ask("boost > 16.2882 inHg", boost=good(psi)) is (psi > 8)


def test_a_channel_means_the_same_in_any_unit_of_pressure():
    assert ask("boost > 8 psi", channels={"boost": "kPa"}, boost=good(55.2)) is True
    assert ask("boost > 8 psi", channels={"boost": "kPa"}, boost=good(55.1)) is False


def test_a_temperature_is_compared_with_its_zero_point_and_a_deadband_without():
    # 100 °C is 212 °F; 10 degrees Celsius of difference are 18 of Fahrenheit (NIST SP 811, B.7).
    for text in ("t > 212 °F deadband 18 °F", "t > 100 °C deadband 10 °C"):
        memory = []
        told = [ask(text, memory=memory, t=good(t)) for t in (99.9, 100.1, 90.1, 89.9, 95.0)]
        assert told == [False, True, True, False, False]


@pytest.mark.parametrize(
    ("sign", "truths"),
    [(">", [False, False, True, True, False]), (">=", [False, True, True, True, False])],
)
def test_the_deadband_works_on_the_way_back_only(sign, truths):
    # OPC 10000-9, annex B: after crossing, back only when back by the deadband; it does not move the crossing.
    memory = []
    told = [ask(f"x {sign} 8 deadband 0.5", memory=memory, x=good(x)) for x in (7.9, 8.0, 8.1, 7.6, 7.4)]
    assert told == truths


def test_the_deadband_of_a_lower_limit_lies_above_it():
    memory = []
    told = [ask("x < 11 deadband 0.5", memory=memory, x=good(x)) for x in (11.1, 10.9, 11.4, 11.6, 11.1)]
    assert told == [False, True, True, False, False]
