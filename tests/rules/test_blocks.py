"""What goes on over the edge of a block of a drive, in small cases worked by hand; ticks come every 20 ms."""

from pathlib import Path

import numpy as np
import pytest

from cabcanary import units
from cabcanary.expressions.arrays import Column, Evaluator, Signals, evaluate_number
from cabcanary.expressions.names import Names, Table
from cabcanary.expressions.parse import parse_condition, parse_number
from cabcanary.expressions.signals import blocks_of
from cabcanary.model import Quality
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.rules.whole_drive import Action, WholeDrive
from cabcanary.settings.load import rules_from_text

UNITS = {"map": "kPa", "barometer": "kPa", "boost": "psi", "lambda": "lambda", "mask": "state", "running": "state"}
ROOTS = {name: (name,) for name in UNITS} | {"boost": ("map", "barometer")}
TICK_NS = 20_000_000
NAN = float("nan")
#: Falls from 1 at 100 kPa to 0 at 200 kPa.
NAMES = Names(UNITS, {"falling": Table(units.PRESSURE, units.DIMENSIONLESS, (100e3, 200e3), (1.0, 0.0))})


class Told(Column):
    """A column that says its ends and that it is whole, as a file's statistics do, and counts who looks at values."""

    looked = 0

    def numbers(self, block):
        self.looked += 1
        return super().numbers(block)

    def quality(self, block):
        found = self.qualities[block.rows]
        return found if found.any() else None

    def ends(self, block):
        there = self.values[block.rows]
        return float(np.nanmin(there)), float(np.nanmax(there))

    def complete(self, block):
        return not np.isnan(self.values[block.rows]).any()


def column(values, qualities=None, form=Column, doubt=0.0):
    """Values (NaN: none, and absent)."""
    numbers = np.array(values, dtype=float)
    found = np.where(np.isnan(numbers), int(Quality.ABSENT), 0) if qualities is None else np.array(qualities)
    return form(numbers, found.astype(np.uint8), np.full(len(numbers), doubt))


def drive(length, times=None, **columns):
    """Signals in blocks of so many ticks."""
    count = len(next(iter(columns.values())).values)
    times = np.arange(count) * TICK_NS if times is None else np.array(times)
    # Python keeps the name lambda for itself.
    return Signals(times.astype(np.int64), {n.rstrip("_"): c for n, c in columns.items()}, blocks_of(count, length))


def truths(text, signals, state=None):
    """True "T", false "F", unknown "?" at each tick."""
    condition = Evaluator(signals).condition(parse_condition(text, NAMES), state)
    with np.errstate(all="ignore"):
        found = [condition.at(block) for block in signals.blocks]
    return "".join("T" if t else "F" if f else "?" for p in found for t, f in zip(p.true, p.false, strict=True))


def number(text, signals):
    found = evaluate_number(parse_number(text, NAMES), signals)
    return [low if known else None for low, known in zip(found.low.tolist(), found.known, strict=True)]


# --- deadbands ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", [Column, Told])
@pytest.mark.parametrize("length", [1, 2, 3, 8])
def test_a_deadband_stands_over_a_blocks_edge(length, form):
    # On above 150, off at 145 and below; between the two it stays as it was.
    values = [146, 151, 149, 146, 145, 149, 151, 146]
    assert truths("map > 150 kPa deadband 5 kPa", drive(length, map=column(values, form=form))) == "FTTTFFTT"


@pytest.mark.parametrize("length", [1, 2, 3, 7])
def test_a_deadband_below_a_limit_stands_over_a_blocks_edge(length):
    assert truths("map < 50 kPa deadband 5 kPa", drive(length, map=column([54, 49, 52, 54, 55, 54, 49]))) == "FTTTFFT"


@pytest.mark.parametrize("length", [1, 2, 3, 6])
def test_a_deadband_is_remembered_through_unknown(length):
    values = [151, NAN, NAN, 147, 144, 147]
    assert truths("map > 150 kPa deadband 5 kPa", drive(length, map=column(values))) == "T??TFF"


@pytest.mark.parametrize(("state", "expected"), [([True], "TTF"), ([False], "FFF"), (None, "FFF")])
def test_a_deadband_goes_on_from_a_saved_state(state, expected):
    assert truths("map > 150 kPa deadband 5 kPa", drive(1, map=column([147, 147, 144])), state) == expected


def test_a_block_that_is_false_at_sight_ends_a_deadband():
    # The second block lies below 145 throughout, and only its statistics are looked at: 147 behind it is false.
    told = column([151, 151, 100, 110, 147, 147], form=Told)
    signals = drive(2, map=told)
    assert truths("map > 150 kPa deadband 5 kPa", signals) == "TTFFFF"
    assert told.looked == 1


def test_a_block_that_is_true_at_sight_begins_a_deadband():
    told = column([100, 100, 160, 170, 147, 147], form=Told)
    assert truths("map > 150 kPa deadband 5 kPa", drive(2, map=told)) == "FFTTTT"
    assert told.looked == 1


# --- what statistics decide -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected", "looked"),
    [
        ("map > 150 kPa", "FFTT", 0),
        ("map < 150 kPa", "TTFF", 0),
        ("not map > 150 kPa", "TTFF", 0),
        # 110 lies in the first block: it must be looked at, the second need not.
        ("map > 105 kPa", "FTTT", 1),
        # Equal to an end proves nothing before it is looked at.
        ("map > 110 kPa", "FFTT", 1),
        ("map >= 110 kPa", "FTTT", 1),
        ("highest(map, 0.02 s) < 300 kPa", "TTTT", 0),
        ("lowest(map, 0.02 s) > 90 kPa", "TTTT", 0),
        # At the fourth tick the window holds 160 and 170; at the third 110 and 160.
        ("lowest(map, 0.02 s) > 150 kPa", "FFFT", 2),
    ],
)
def test_statistics_decide_what_they_can(text, expected, looked):
    told = column([100, 110, 160, 170], form=Told)
    assert truths(text, drive(2, map=told)) == expected
    assert told.looked == looked


def test_a_tables_own_ends_decide_where_what_goes_in_is_known():
    pressure, ratio = column([100, 200, 100, 200], form=Told), column([1.5, 1.6, 0.5, 0.5], form=Told)
    # The table gives 0 to 1: the first block is false whatever the pressure is, in the second it gives 1 and 0.
    assert truths("lambda < falling(map)", drive(2, map=pressure, lambda_=ratio)) == "FFTF"
    assert (pressure.looked, ratio.looked) == (1, 1)


def test_statistics_decide_nothing_where_a_value_is_none_or_at_the_end_of_its_range():
    top = int(Quality.SATURATED_HIGH)
    assert truths("map < 180 kPa", drive(2, map=column([100, NAN, 100, 170], form=Told))) == "T?TT"
    # 170 at the top of its range may be anything above.
    assert truths("map < 180 kPa", drive(2, map=column([100, 170, 100, 100], [0, top, 0, 0], Told))) == "T?TT"
    assert truths("map > 150 kPa", drive(2, map=column([100, 170, 100, 100], [0, top, 0, 0], Told))) == "FTFF"


def test_one_false_part_decides_and_the_other_is_not_looked_at():
    boost, pressure = column([1, 1, 9, 9], form=Told), column([100, 160, 100, 160], form=Told)
    assert truths("boost > 5 psi and map > 150 kPa", drive(2, boost=boost, map=pressure)) == "FFFT"
    assert (boost.looked, pressure.looked) == (0, 1)


def test_a_switch_is_known_at_sight_where_it_is_one_state_throughout():
    told = column([0, 0, 1, 1, 0, 1], form=Told)
    assert truths("mask", drive(2, mask=told)) == "FFTTFT"
    assert told.looked == 1
    assert truths("mask", drive(2, mask=column([0, 1, 1, 1], [0, 0, int(Quality.SATURATED_HIGH), 0]))) == "FT?T"


# --- windows --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [1, 2, 3, 6])
@pytest.mark.parametrize(
    ("text", "expected"),
    [
        # Windows of three ticks: both ends belong to them.
        ("lowest(map, 0.04 s)", [5, 3, 3, 3, 4, 1]),
        ("highest(map, 0.04 s)", [5, 5, 8, 8, 8, 4]),
        ("average(map, 0.04 s)", [5, 4, 16 / 3, 5, 16 / 3, 3]),
        ("rate(map, 0.04 s)", [None, -100, 75, 25, -100, -75]),
    ],
)
def test_a_window_reaches_over_a_blocks_edge(text, expected, length):
    found = number(text, drive(length, map=column([5, 3, 8, 4, 4, 1])))
    # The sums are whole 1/1024 Pa, so a third is off by less than that.
    assert found == [None if x is None else pytest.approx(1000 * x, abs=1e-3) for x in expected]


@pytest.mark.parametrize("length", [1, 2, 4, 7])
def test_an_unknown_tick_darkens_every_window_that_holds_it(length):
    signals = drive(length, map=column([5, 3, NAN, 4, 6, 2, 7]))
    assert number("lowest(map, 0.04 s)", signals) == [5000, 3000, None, None, None, 2000, 2000]
    assert truths("highest(map, 0.04 s) > 6.5 kPa", signals) == "FF???FT"


@pytest.mark.parametrize("length", [1, 2, 3, 6])
def test_a_window_begins_anew_behind_a_gap(length):
    # 0.6 s and a nanosecond between the third tick and the fourth; a window of 2 s would hold all.
    times = np.array([0, 1, 2, 2, 3, 4]) * TICK_NS + np.array([0, 0, 0, 1, 1, 1]) * 600_000_001
    signals = drive(length, times, map=column([1, 5, 9, 4, 6, 3]))
    assert number("highest(map, 2 s)", signals) == [1000, 5000, 9000, 4000, 6000, 6000]
    assert number("lowest(map, 2 s)", signals) == [1000, 1000, 1000, 4000, 4000, 3000]


def test_a_window_goes_on_from_the_ticks_of_a_saved_state():
    # Two ticks before the drive: 9 kPa at -0.04 s and 7 kPa at -0.02 s; the window holds three.
    history = [[[-2 * TICK_NS, 9000.0, 9000.0], [-TICK_NS, 7000.0, 7000.0]]]
    assert truths("highest(map, 0.04 s) > 6.5 kPa", drive(2, map=column([1, 2, 3, 1], form=Told)), history) == "TTFF"


# --- time in a state ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("length", [1, 2, 3, 5, 8])
def test_time_in_a_state_runs_over_blocks_pauses_on_unknown_and_is_reset_by_false(length):
    signals = drive(length, mask=column([1, 1, 1, NAN, 1, 1, 0, 1]))
    # The step out of the unknown does not count: nobody knows what it was.
    assert number("time_in(mask)", signals) == [0.0, 0.02, 0.04, None, 0.04, 0.06, 0.0, 0.0]


def test_time_in_a_state_goes_on_from_a_saved_state():
    # True for 0.1 s at the tick 20 ms before the drive.
    found = truths("time_in(mask) > 0.13 s", drive(1, mask=column([1, 1, 0, 1])), [[100_000_000, True, -TICK_NS]])
    assert found == "FTFF"


def test_a_later_block_may_be_asked_for_first():
    signals = drive(2, map=column([151, 149, 149, 146, 146, 144]))
    condition = Evaluator(signals).condition(parse_condition("map > 150 kPa deadband 5 kPa", NAMES))
    assert condition.at(signals.blocks[2]).true.tolist() == [True, False]
    assert condition.at(signals.blocks[0]).true.tolist() == [True, True]


def test_equal_parts_are_worked_out_once_and_parts_that_begin_otherwise_are_not_shared():
    signals = drive(2, map=column([147, 147]))
    evaluator, text = Evaluator(signals), "map > 150 kPa deadband 5 kPa"
    plain = evaluator.condition(parse_condition(text, NAMES))
    assert evaluator.condition(parse_condition(text, NAMES)) is plain
    stood = evaluator.condition(parse_condition(text, NAMES), [True])
    assert (plain.at(signals.blocks[0]).true.tolist(), stood.at(signals.blocks[0]).true.tolist()) == (
        [False, False],
        [True, True],
    )


# --- sureness -------------------------------------------------------------------------------------------------------


def test_sureness_takes_two_standard_uncertainties():
    # 1 kPa each: 2 kPa on both sides of the value.
    signals = drive(2, map=column([147, 149, 151, 153], doubt=1.0))
    assert truths("map > 150 kPa", signals) == "FFTT"
    assert truths("possible map > 150 kPa", signals) == "FTTT"
    assert truths("certain map > 150 kPa", signals) == "FFFT"


# --- rules ----------------------------------------------------------------------------------------------------------


RULE = """
[[rule]]
id = "over"
priority = "warning"
say = "Pressure too high"
do = "Lift off gently"
when = "{when}"
"""


def changes(options, signals, when="map > 150 kPa", running=None, actions=()):
    """Each change: its tick, its alert, its state."""
    text = RULE.format(when=when) + "\n".join(options)
    rules, problems = build_rules([rules_from_text(text, Path("rules.toml"))], Setting(UNITS))
    assert not problems, problems
    whole = WholeDrive(signals, ROOTS, UNITS, running)
    return [(c.time_ns // TICK_NS, c.alert, c.state) for c in whole.run(rules.rules, None, actions)]


ACTIVE, ACKNOWLEDGED, NORMAL = "active, unacknowledged", "active, acknowledged", "normal"
LENGTHS = pytest.mark.parametrize("length", [1, 3, 7, 100])


@LENGTHS
def test_delays_run_over_blocks(length):
    # True from tick 2 to 11, false behind it: on after 0.1 s, which is five ticks later, off after 0.06 s.
    levels = [100] * 2 + [160] * 10 + [100] * 8
    told = changes(['on_delay = "0.1 s"', 'off_delay = "0.06 s"'], drive(length, map=column(levels)))
    assert told == [(7, "over", ACTIVE), (15, "over", NORMAL)]


@LENGTHS
def test_an_on_delay_pauses_on_unknown(length):
    # Two steps before the gap, the step out of it not; 0.06 s are three steps: ticks 1, 2, then 6 to 7.
    levels = [160] * 3 + [NAN] * 3 + [160] * 4
    assert changes(['on_delay = "0.06 s"'], drive(length, map=column(levels))) == [(7, "over", ACTIVE)]


@LENGTHS
def test_the_wire_that_is_dark_is_blamed_and_the_one_before_is_well_again(length):
    # Boost is derived: dark with either of the two. The first tick has no duration, so 0.1 s fill by tick 5.
    dark, gone = [NAN] * 10, int(Quality.ABSENT)
    signals = drive(
        length,
        boost=column(dark * 2),
        map=column(dark + [100.0] * 10),
        barometer=column([100.0] * 10 + dark),
        running=column([1.0] * 20),
    )
    assert signals.quality_at("map", 0) == gone
    told = changes(['blind_delay = "0.1 s"'], signals, "boost > 5 psi", "running")
    assert sorted(told) == [
        (5, "cannot_see_map", ACTIVE),
        (10, "cannot_see_barometer", ACTIVE),
        (10, "cannot_see_map", NORMAL),
    ]


@LENGTHS
def test_over_a_gap_in_the_ticks_blindness_counts_a_tenth_of_a_second_and_an_on_delay_all(length):
    # 5 s between ticks 4 and 5.
    times = [n * TICK_NS + (5_000_000_000 if n > 4 else 0) for n in range(12)]
    ticks = 5_000_000_000 // TICK_NS
    dark = drive(length, times, map=column([NAN] * 12), running=column([1.0] * 12))
    # 0.08 s before the gap, 0.1 s for it, then 0.02 s make the 0.2 s.
    assert changes(['blind_delay = "0.2 s"'], dark, running="running") == [(6 + ticks, "cannot_see_map", ACTIVE)]
    high = drive(length, times, map=column([160.0] * 12))
    assert changes(['on_delay = "1 s"'], high) == [(5 + ticks, "over", ACTIVE)]


@LENGTHS
def test_a_gap_longer_than_what_is_left_of_a_blind_delay_counts_a_tenth_of_a_second_too(length):
    # 5 s between ticks 4 and 5 of a delay of 6 s: 0.08 s, 0.1 s, and then 291 steps are 5.82 s.
    times = [n * TICK_NS + (5_000_000_000 if n > 4 else 0) for n in range(320)]
    dark = drive(length, times, map=column([NAN] * 320), running=column([1.0] * 320))
    told = changes(['blind_delay = "6 s"'], dark, running="running")
    assert told == [(296 + 250, "cannot_see_map", ACTIVE)]


@LENGTHS
def test_in_a_vehicle_that_stands_nothing_is_blind_and_what_sounded_ends(length):
    levels, running = [160.0] * 4 + [NAN] * 8, [1.0] * 6 + [0.0] * 6
    signals = drive(length, map=column(levels), running=column(running))
    told = changes(['blind_delay = "0.2 s"'], signals, running="running")
    # Off after the off-delay's own ticks, counted from the first at which the engine stands.
    assert told == [(0, "over", ACTIVE), (6, "over", NORMAL)]


@LENGTHS
def test_what_a_person_does_takes_effect_before_the_next_tick(length):
    signals = drive(length, map=column([160.0] * 9 + [100.0]))
    told = changes([], signals, actions=[Action(4 * TICK_NS + 1, "acknowledge")])
    assert told == [(0, "over", ACTIVE), (4, "over", ACKNOWLEDGED), (9, "over", NORMAL)]


@LENGTHS
def test_suppression_holds_back_what_is_true(length):
    signals = drive(length, map=column([160.0] * 12), mask=column([1.0] * 5 + [0.0] * 7))
    told = changes(['suppress_when = "mask"'], signals)
    assert told == [(0, "over", "suppressed"), (5, "over", ACTIVE)]


@LENGTHS
def test_urgency_is_that_of_the_last_tick_at_which_it_was_known(length):
    # 0.1 s where it was urgent when last known, else 0.2 s: darkness begins at tick 3, so 4 or 9 steps behind it.
    options = ['blind_urgent_when = "boost > 5 psi"', 'blind_delay = "0.1 s"', 'blind_delay_otherwise = "0.2 s"']
    for boost, tick in ((9.0, 7), (1.0, 12)):
        signals = drive(
            length,
            map=column([100.0] * 3 + [NAN] * 15),
            boost=column([boost] * 3 + [NAN] * 15),
            running=column([1.0] * 18),
        )
        told = changes(options, signals, running="running")
        assert told[0] == (tick, "cannot_see_map", ACTIVE)
