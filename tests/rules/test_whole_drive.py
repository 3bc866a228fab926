"""One tree, two evaluators: a drive looked at as a whole gives the very changes that the live engine told.

State, instant and reason, over signals with gaps, unknowns, values at the end of their range, irregular ticks, every
option of timing, and what a person does in between; also when the drive goes on from a saved state.
"""

import copy
import json
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary import units
from cabcanary.expressions.arrays import Column, Evaluator, Signals, evaluate_condition, evaluate_number
from cabcanary.expressions.names import ConditionError, Names, Table
from cabcanary.expressions.parse import parse_condition, parse_number
from cabcanary.expressions.scalar import compile_condition, compile_number
from cabcanary.expressions.signals import blocks_of
from cabcanary.model import USABLE, Frame, Quality, Value
from cabcanary.rules.engine import Engine, ShelveError
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.rules.whole_drive import Action, WholeDrive
from cabcanary.settings.load import rules_from_text

#: A sample for every day, and what is promised for the two evaluators; `.ci/long` runs the latter.
COUNTS = pytest.mark.parametrize(
    "examples", [300, pytest.param(10_000, marks=[pytest.mark.long, pytest.mark.timeout(3600)])]
)


def over(examples, check):
    """Hold a property over so many examples."""
    settings(max_examples=examples, deadline=None)(check)()


UNITS = {"boost": "psi", "lambda": "lambda", "map": "kPa", "coolant": "°C", "mask": "state", "running": "state"}
UNITS |= {"air": "kPa"}
ROOTS = {name: (name,) for name in UNITS} | {"boost": ("map", "air")}
TABLES = {
    "ceiling": Table(units.PRESSURE, units.DIMENSIONLESS, (13_789.5, 55_158.1), (0.88, 0.85)),
    "tent": Table(units.PRESSURE, units.DIMENSIONLESS, (0.0, 20_000.0, 40_000.0), (0.0, 2.0, 0.5)),
}
NAMES = Names(UNITS, TABLES)

# --- texts of conditions --------------------------------------------------------------------------------------------

WINDOWS = ["average", "lowest", "highest"]
WIDTHS = ["0.02 s", "0.1 s", "0.5 s", "2 s"]


@st.composite
def pressures(draw, depth=3):
    """A pressure, of anything that the grammar has."""
    kind = draw(st.integers(0, 8)) if depth else 0
    if kind < 2:
        return draw(st.sampled_from(["boost", "map", "map - air", "2 psi", "8 psi", "101 kPa"]))
    x = draw(pressures(depth - 1))
    if kind == 2:
        return f"({x} {draw(st.sampled_from('+-'))} {draw(pressures(depth - 1))})"
    if kind == 3:
        return f"({x} * {draw(st.sampled_from(['2', '0.5', 'lambda', 'lambda / (lambda - 0.9)']))})"
    if kind == 4:
        return f"-{x}"
    if kind == 5:
        return f"abs({x})"
    if kind == 6:
        return f"{draw(st.sampled_from(['min', 'max']))}({x}, {draw(pressures(depth - 1))})"
    return f"{draw(st.sampled_from(WINDOWS))}({x}, {draw(st.sampled_from(WIDTHS))})"


NUMBERS = pressures()
LAMBDAS = st.one_of(
    st.just("lambda"),
    st.sampled_from(["0.85", "0.9"]),
    NUMBERS.map(lambda p: f"ceiling({p})"),
    NUMBERS.map(lambda p: f"tent({p})"),
    st.sampled_from(["average(lambda, 0.2 s)", "highest(lambda, 1 s)", "lambda / 2 + 0.4"]),
)
SURE = st.sampled_from(["", "likely ", "possible ", "certain "])
SIGN = st.sampled_from([">", ">=", "<", "<="])


def _compare(side, bands):
    return st.tuples(SURE, side, SIGN, side, st.sampled_from(["", *bands])).map(
        lambda p: f"{p[0]}{p[1]} {p[2]} {p[3]}{p[4]}"
    )


ATOMS = st.one_of(
    _compare(NUMBERS, [" deadband 0.5 psi", " deadband 3 kPa"]),
    _compare(LAMBDAS, [" deadband 0.01"]),
    st.tuples(SIGN, st.sampled_from(["2 kPa/s", "40 psi/s"])).map(lambda p: f"rate(map, 0.1 s) {p[0]} {p[1]}"),
    st.tuples(SURE, SIGN).map(lambda p: f"{p[0]}rate(boost - air / 2, 0.1 s) {p[1]} 2 kPa/s"),
    st.sampled_from(["coolant > 60 °C", "coolant - coolant / 2 < 170 K", "rate(coolant, 1 s) > 1 °C/min"]),
    st.sampled_from(["mask", "running", "not mask"]),
    st.sampled_from(
        ["lost map", "not lost boost", "time_in(lost air and not lost map) > 0.1 s", "share(lost map, 0.5 s) > 0.4"]
    ),
    st.tuples(SURE, NUMBERS, SIGN).map(lambda p: f"{p[0]}time_in({p[1]} {p[2]} 4 psi) > 0.1 s"),
    st.just("time_in(mask) >= 0.06 s"),
    st.tuples(SURE, NUMBERS, SIGN, st.sampled_from(WIDTHS), SIGN).map(
        lambda p: f"{p[0]}share({p[1]} {p[2]} 4 psi deadband 1 psi, {p[3]}) {p[4]} 40 %"
    ),
    st.just("share(rate(map, 0.1 s) > 2 kPa/s or time_in(mask) > 0.1 s, 0.5 s) > 0.3"),
)


def can_be(text):
    """A comparison that can never be true is refused, and there is nothing to hold equal."""
    try:
        parse_condition(text, NAMES)
    except ConditionError:
        return False
    return True


CONDITIONS = st.recursive(
    ATOMS,
    lambda inner: st.one_of(
        st.tuples(inner, st.sampled_from(["and", "or"]), inner).map(lambda p: f"({p[0]}) {p[1]} ({p[2]})"),
        inner.map(lambda x: f"not ({x})"),
    ),
    max_leaves=4,
).filter(can_be)

# --- signals --------------------------------------------------------------------------------------------------------

QUALITIES = st.sampled_from([0, 0, 0, 0, 0, 0, 0, 1, 2, 3, 4, 7, 8, 9, 9])
LEVELS = {
    "boost": [-9.0, 0.0, 1.9, 2.0, 2.1, 5.0, 7.6, 8.0, 8.1, 9.0],
    "lambda": [0.65, 0.8, 0.85, 0.86, 0.875, 0.9, 1.5],
    "map": [20.0, 30.0, 101.0, 103.0, 150.0, 155.1],
    "air": [79.5, 101.3],
    "coolant": [-10.0, 59.9, 60.1, 90.0],
    "mask": [0.0, 1.0],
    "running": [0.0, 1.0, 1.0],
}
STEPS = st.sampled_from([20_000_000] * 6 + [1_000_000, 19_999_999, 40_000_000, 137_000_001, 700_000_000])


RUNS = {
    name: st.lists(
        st.tuples(st.integers(1, 25), QUALITIES, st.sampled_from(levels), st.sampled_from([0.0, 0.0, 0.01, 0.3])),
        min_size=2,
        max_size=8,
    )
    for name, levels in LEVELS.items()
}
DRIVES = st.tuples(st.lists(STEPS, min_size=25, max_size=90), st.integers(0, 10**12), st.fixed_dictionaries(RUNS))


def driven(drawn):
    """Some ticks of every channel, piecewise constant: times, and the values as the live path sees them."""
    steps, start, runs = drawn
    count = len(steps)
    rows = [{} for _ in range(count)]
    for name, parts in runs.items():
        row = 0
        while row < count:
            # The runs come round again until the drive is full.
            for length, number, level, band in parts:
                quality = Quality(number)
                value = Value(level if quality in USABLE else None, quality, 0, band, quality.words if quality else "")
                for n in range(row, min(count, row + length)):
                    rows[n][name] = value
                row += length
    return np.cumsum(np.array(steps, dtype=np.int64)) + start, rows


def drives():
    """Drives of 25 to 90 ticks."""
    return DRIVES.map(driven)


def columns(rows, form=Column):
    """The same as a drive's columns."""
    found = {}
    for name in LEVELS:
        values = [r[name] for r in rows]
        found[name] = form(
            np.array([np.nan if v.value is None else v.value for v in values]),
            np.array([v.quality for v in values], dtype=np.uint8),
            np.array([v.uncertainty for v in values]),
        )
    return found


#: A drive is worked through in blocks, and what goes on from one to the next must not show.
LENGTHS = st.sampled_from([1000, 1000, 1000, 37, 11, 2])


class Described(Column):
    """A column that knows of itself what the statistics of an archive say, without being looked at."""

    def quality(self, block):
        found = self.qualities[block.rows]
        return found if found.any() else None

    def ends(self, block):
        there = self.values[block.rows][~np.isnan(self.values[block.rows])]
        return (float(there.min()), float(there.max())) if len(there) else None

    def complete(self, block):
        return not np.isnan(self.values[block.rows]).any()


FORMS = st.sampled_from([Column, Described])


def signals_of(times, rows, length=1000, form=Column):
    """The drive in blocks of so many rows."""
    return Signals(times, columns(rows, form), blocks_of(len(times), length))


@COUNTS
def test_a_condition_is_the_same_at_every_tick(examples):
    over(examples // 4, a_condition_is_the_same_at_every_tick)


@given(CONDITIONS, drives(), st.integers(0, 40), LENGTHS, FORMS)
def a_condition_is_the_same_at_every_tick(text, drive, cut, length, form):
    times, rows = drive
    node = parse_condition(text, NAMES)
    program = compile_condition(node)
    cut = min(cut, len(rows) - 1)
    for row in range(cut):
        program(rows[row], int(times[row]))
    state = json.loads(json.dumps(program.state()))
    live = [program(rows[n], int(times[n])) for n in range(cut, len(rows))]
    found = evaluate_condition(node, signals_of(times[cut:], rows[cut:], length, form), state).truths
    whole = [True if t else False if f else None for t, f in zip(found.true, found.false, strict=True)]
    assert whole == live


WINDOWED = st.tuples(
    st.sampled_from(["lowest", "highest"]),
    st.sampled_from(["map", "map", "map - 1 kPa", "max(map, 103 kPa)"]),
    st.sampled_from(WIDTHS),
    SIGN,
    st.sampled_from(["30 kPa", "103 kPa", "150 kPa"]),
    st.sampled_from(["", " deadband 3 kPa", " deadband 60 kPa"]),
).map(lambda p: f"{p[0]}({p[1]}, {p[2]}) {p[3]} {p[4]}{p[5]}")


@COUNTS
def test_a_window_against_a_limit_is_the_same_at_every_tick(examples):
    over(
        examples // 4,
        given(WINDOWED.filter(can_be), drives(), st.integers(0, 40), LENGTHS, FORMS)(
            a_condition_is_the_same_at_every_tick.hypothesis.inner_test
        ),
    )


def test_a_block_whose_statistics_lie_within_the_deadband_stands_on():
    # 160 kPa, then 145 kPa for two blocks, then 85 kPa: only the last is below 150 kPa less 60 kPa.
    levels = [160.0] * 10 + [145.0] * 20 + [85.0] * 10
    column = Described(np.array(levels), np.zeros(40, dtype=np.uint8), np.zeros(40))
    signals = Signals(np.arange(40, dtype=np.int64) * 20_000_000, {"map": column}, blocks_of(40, 10))
    node = parse_condition("lowest(map, 0.02 s) > 150 kPa deadband 60 kPa", NAMES)
    assert evaluate_condition(node, signals).truths.true.tolist() == [True] * 30 + [False] * 10


@COUNTS
def test_a_number_is_the_same_to_the_last_bit(examples):
    over(examples // 10, a_number_is_the_same_to_the_last_bit)


@given(NUMBERS, drives(), LENGTHS, FORMS)
def a_number_is_the_same_to_the_last_bit(text, drive, length, form):
    times, rows = drive
    node = parse_number(text, NAMES)
    program = compile_number(node)
    found = evaluate_number(node, signals_of(times, rows, length, form))
    for row, time_ns in enumerate(times):
        live = program(rows[row], int(time_ns))
        whole = (float(found.low[row]), float(found.high[row])) if found.known[row] else None
        assert whole == live


@COUNTS
def test_blocks_may_be_asked_for_in_any_order(examples):
    over(examples // 10, blocks_may_be_asked_for_in_any_order)


@given(CONDITIONS, drives(), st.integers(1, 20), FORMS, st.data())
def blocks_may_be_asked_for_in_any_order(text, drive, length, form, data):
    # Suppression and urgency are asked only where a rule wants to know: some blocks never, others late.
    times, rows = drive
    node = parse_condition(text, NAMES)
    whole = evaluate_condition(node, signals_of(times, rows, length, form)).truths
    signals = signals_of(times, rows, length, form)
    condition = Evaluator(signals).condition(node)
    asked = data.draw(st.lists(st.sampled_from(signals.blocks), max_size=6))
    with np.errstate(all="ignore"):
        for block in asked:
            found = condition.at(block)
            assert found.true.tolist() == whole.true[block.first : block.last].tolist()
            assert found.false.tolist() == whole.false[block.first : block.last].tolist()


def test_a_deadband_is_asked_first_where_it_is_plainly_false():
    # Three blocks of two ticks: nobody asks for the first; the second is false by its bounds; the third is not.
    times = np.arange(0, 6 * 20_000_000, 20_000_000, dtype=np.int64)
    levels = [0.95, 0.95, 0.50, 0.50, 0.84, 0.95]
    rows = [dict.fromkeys(LEVELS, Value(0.0, Quality.GOOD, 0)) | {"lambda": Value(v, Quality.GOOD, 0)} for v in levels]
    for form in (Column, Described):
        signals = signals_of(times, rows, 2, form)
        condition = Evaluator(signals).condition(parse_condition("lambda > ceiling(boost) deadband 0.01", NAMES))
        assert condition.at(signals.blocks[1]).true.tolist() == [False, False]
        assert condition.at(signals.blocks[2]).true.tolist() == [False, True]


# --- whole rules ----------------------------------------------------------------------------------------------------

SECONDS = st.sampled_from(["0 s", "0.04 s", "0.1 s", "0.3 s"])
LATER = st.sampled_from(["2.1 s", "3 s"])


@st.composite
def rule_texts(draw, number):
    """A rule with any of the options that there are."""
    lines = [
        "[[rule]]",
        f'id = "rule_{number}"',
        f'priority = "{draw(st.sampled_from(["warning", "caution", "advisory"]))}"',
        'say = "Something"',
        'do = "Lift off gently"',
        f'when = "{draw(CONDITIONS)}"',
        f'off_delay = "{draw(SECONDS)}"',
        f'blind_delay = "{draw(st.sampled_from(["6.5 s", "7 s"]))}"',
        f"latching = {draw(st.sampled_from(['true', 'false', 'false']))}",
        f"shelvable = {draw(st.sampled_from(['true', 'true', 'false']))}",
    ]
    if draw(st.booleans()):
        lines += [f'suppress_when = "{draw(CONDITIONS)}"']
        lines += [f"suppress_ends = {draw(st.sampled_from(['true', 'false']))}"]
    if draw(st.booleans()):
        lines += [f'blind_urgent_when = "{draw(CONDITIONS)}"', 'blind_delay_otherwise = "8 s"']
    if draw(st.booleans()):
        excess = draw(st.sampled_from(["boost - 2 psi", "highest(boost, 0.1 s) - average(map, 0.5 s)", "2 psi - map"]))
        lines += [f'worse = {{ excess = "{excess}", step = "{draw(st.sampled_from(["0.05 psi", "2 psi"]))}" }}']
    if draw(st.booleans()):
        lines += [f'on_delay = "{draw(SECONDS)}"']
    elif draw(st.booleans()):
        lines += [
            "[rule.inverse_time]",
            f'excess = "{draw(st.sampled_from(["boost - 2 psi", "highest(boost, 0.1 s) - average(map, 0.5 s)"]))}"',
            'unit = "psi"',
            "points = [[0.0, 0.5], [2.0, 0.2], [6.0, 0.02]]",
            f'drains_in = "{draw(st.sampled_from(["0.1 s", "1 s"]))}"',
        ]
        return "\n".join(lines)
    if draw(st.booleans()):
        lines += [f're_alarm = "{draw(st.sampled_from(["0.1 s", "0.4 s"]))}"']
        lines += draw(st.sampled_from([[], ["re_alarm_count = 2"]]))
    if draw(st.integers(0, 9)) == 0:
        lines += ['out_of_service = "waiting for a part"']
    return "\n".join(lines)


TABLE_TEXT = """
[tables.ceiling]
of = "psi"
gives = "lambda"
points = [[2, 0.88], [8, 0.85]]
[tables.tent]
of = "kPa"
gives = "ratio"
points = [[0, 0.0], [20, 2.0], [40, 0.5]]
"""


@st.composite
def stories(draw):
    """Rules, a drive, and what a person does in it."""
    count = draw(st.integers(1, 3))
    text = TABLE_TEXT + "\n".join(draw(rule_texts(n)) for n in range(count))
    times, rows = draw(drives())
    actions = []
    for _ in range(draw(st.integers(0, 4))):
        time_ns = int(draw(st.sampled_from(list(times)))) - draw(st.integers(0, 3)) * 5_000_000 + 1
        what = draw(st.sampled_from(["acknowledge", "acknowledge", "acknowledge", "shelve", "unshelve"]))
        alert = draw(
            st.sampled_from(
                [f"rule_{n}" for n in range(count)] + ["cannot_see_map", "cannot_see_lambda", "cannot_see_air"]
            )
        )
        for_ns = draw(st.sampled_from([100_000_000, 1_000_000_000]))
        actions.append(Action(time_ns, what, alert, for_ns, draw(st.booleans())))
    return text, times, rows, sorted(actions, key=lambda a: a.time_ns)


def act(engine, action):
    try:
        if action.what == "acknowledge":
            return engine.acknowledge(action.time_ns)
        if action.what == "unshelve":
            return engine.unshelve(action.alert, action.time_ns)
        return engine.shelve(action.alert, action.for_ns, action.time_ns, one_shot=action.one_shot)
    except ShelveError:
        return []


def live_changes(engine, times, rows, actions):
    """Every change as the live engine tells it, and the actions that were taken."""
    told, todo = [], list(actions)
    for time_ns, values in zip(times, rows, strict=True):
        while todo and todo[0].time_ns <= time_ns:
            told += act(engine, todo.pop(0))
        told += engine.step(Frame(int(time_ns), values))
    for action in todo:
        told += act(engine, action)
    return told


def shorter(text):
    """Blind delays as short as an ordinary rule's, where no window forbids it."""
    return text.replace('"6.5 s"', '"0.1 s"').replace('"7 s"', '"0.2 s"').replace('"8 s"', '"0.4 s"')


def rules_of(text):
    rules, problems = build_rules([rules_from_text(shorter(text), Path("rules.toml"))], Setting(UNITS))
    if any("lost reading" in p.message for p in problems):
        rules, problems = build_rules([rules_from_text(text, Path("rules.toml"))], Setting(UNITS))
    return None if problems else rules.rules


@COUNTS
def test_a_whole_drive_gives_the_changes_that_the_live_engine_told(examples):
    over(examples, a_whole_drive_gives_the_changes_that_the_live_engine_told)


@given(stories(), st.integers(0, 30), LENGTHS, FORMS)
def a_whole_drive_gives_the_changes_that_the_live_engine_told(story, cut, length, form):
    text, times, rows, actions = story
    rules = rules_of(text)
    if rules is None:
        return  # a comparison that can never be true is refused, and there is nothing to run
    engine = Engine(rules, ROOTS, UNITS, "running")
    cut = min(cut, len(rows) - 1)
    early = [a for a in actions if a.time_ns <= times[cut - 1]] if cut else []
    late = [a for a in actions if a not in early]
    live_changes(engine, times[:cut], rows[:cut], early)
    state = json.loads(json.dumps(engine.state()))
    told = live_changes(engine, times[cut:], rows[cut:], late)
    drive = WholeDrive(
        signals_of(times[cut:], rows[cut:], length, form),
        ROOTS,
        UNITS,
        "running",
        lambda channel, row: rows[cut + row][channel].reason,
    )
    assert drive.run(rules, copy.deepcopy(state), late) == told


WORSE = """
[[rule]]
id = "over"
priority = "warning"
say = "a"
do = "b"
when = "boost > 8 psi deadband 1 psi"
worse = { excess = "boost - 8 psi", step = "1 psi" }
[[rule]]
id = "inverse"
priority = "warning"
say = "a"
do = "b"
when = "boost > 8 psi deadband 1 psi"
[rule.inverse_time]
excess = "boost - 8 psi"
unit = "psi"
points = [[0.0, 0.3], [1.0, 0.1], [3.0, 0.06]]
"""


@pytest.mark.parametrize("length", [1000, 97, 2])
@pytest.mark.parametrize("form", [Column, Described])
def test_an_alert_that_gets_worse_asks_again_in_the_whole_drive_as_it_did_live(length, form):
    # Up to 9 psi and on in steps, each acknowledged; unknown for a while; at its end; and down again.
    levels = [7.0] * 50 + [8.5] * 60 + [9.2] * 60 + [9.6] * 60 + [12.0] * 60 + [11.0] * 60 + [14.0] * 60 + [17.0] * 60
    levels += [6.0] * 60 + [8.5] * 60 + [9.6] * 60
    steps = [Value(x, Quality.GOOD, 0) for x in levels]
    steps[140:150] = [Value(None, Quality.ABSENT, 0)] * 10
    steps[400:410] = [Value(16.0, Quality.SATURATED_HIGH, 0)] * 10
    rows = [dict.fromkeys(LEVELS, Value(0.0, Quality.GOOD, 0)) | {"boost": step} for step in steps]
    times = np.arange(1, len(rows) + 1, dtype=np.int64) * 20_000_000
    acts = [Action(int(times[row]) - 1, "acknowledge") for row in range(100, len(rows), 35)]
    rules = rules_of(WORSE)
    told = live_changes(Engine(rules, ROOTS, UNITS), times, rows, acts)
    again = {c.alert for n, c in enumerate(told) if c.state == "active, unacknowledged" and any(
        b.alert == c.alert and b.state == "active, acknowledged" for b in told[:n])}  # fmt: skip
    assert again == {"over", "inverse"}
    assert WholeDrive(signals_of(times, rows, length, form), ROOTS, UNITS).run(rules, None, acts) == told


def test_a_drive_may_be_asked_about_many_sets_of_rules():
    text = '[[rule]]\nid = "over"\npriority = "warning"\nsay = "a"\ndo = "b"\nwhen = "boost > 8 psi"\n'
    times = np.arange(0, 1_000_000_000, 20_000_000, dtype=np.int64)
    rows = [
        dict.fromkeys(LEVELS, Value(0.0, Quality.GOOD, 0)) | {"boost": Value(n / 5, Quality.GOOD, 0)} for n in range(50)
    ]
    drive = WholeDrive(Signals(times, columns(rows)), ROOTS, UNITS)
    # 8.2 psi is the 42nd tick, 4.2 psi the 22nd.
    assert [c.time_ns for c in drive.run(rules_of(text))] == [820_000_000]
    assert [c.time_ns for c in drive.run(rules_of(text.replace("8 psi", "4 psi")))] == [420_000_000]
    assert [c.time_ns for c in drive.run(rules_of(text))] == [820_000_000]


def test_what_is_shown_beside_a_channel_is_in_the_whole_drive_as_it_was_live():
    text = '[[rule]]\nid = "over"\npriority = "warning"\nsay = "a"\ndo = "b"\nwhen = "boost > 8 psi"\n'
    setting = Setting(UNITS, shown_beside=(("boost", "air"),))
    rules, problems = build_rules([rules_from_text(text, Path("rules.toml"))], setting)
    assert not problems
    times = np.arange(1, 21, dtype=np.int64) * 20_000_000
    zero = dict.fromkeys(LEVELS, Value(0.0, Quality.GOOD, 0)) | {"air": Value(13.1, Quality.GOOD, 0)}
    rows = [zero | {"boost": Value(n / 2, Quality.GOOD, 0)} for n in range(20)]
    told = live_changes(Engine(rules.rules, ROOTS, UNITS), times, rows, [])
    assert told[0].figures == "boost 8.5 psi = AFR 13.1 (likely above 8 psi)"
    assert [(s["channel"], s["value"]) for s in told[0].measured] == [("boost", 8.5), ("air", 13.1)]
    assert WholeDrive(signals_of(times, rows), ROOTS, UNITS).run(rules.rules) == told


@pytest.mark.parametrize("number", ["average(boost, 0.5 s)", "lowest(boost, 0.5 s)", "highest(boost, 0.5 s)"])
def test_an_empty_drive_is_no_trouble(number):
    found = evaluate_number(parse_number(number, NAMES), Signals(np.array([], dtype=np.int64), columns([])))
    assert len(found.low) == 0
