"""What goes on over the edge of a block, worked out by hand: neither the length of the blocks nor statistics show.

The properties of `test_whole_drive.py` hold the two evaluators equal; here it is said what both must come to.
"""

from pathlib import Path

import numpy as np
import pytest

from cabcanary.expressions.arrays import Column, Evaluator, Signals, evaluate_condition, evaluate_number
from cabcanary.expressions.names import Names
from cabcanary.expressions.parse import parse_condition, parse_number
from cabcanary.expressions.signals import blocks_of
from cabcanary.model import Quality
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.rules.whole_drive import WholeDrive
from cabcanary.settings.load import rules_from_text

UNITS = {"map": "kPa", "boost": "psi", "mask": "state"}
NAMES = Names(UNITS, {})
ROOTS = {"map": ("map",), "boost": ("map",), "mask": ("mask",)}
TICK_NS = 20_000_000
T, F, U = True, False, None
AT_TOP, AT_BOTTOM = Quality.SATURATED_HIGH, Quality.SATURATED_LOW


class Described(Column):
    """A column that knows its statistics, as an archive does; `fetched` are the blocks whose numbers were asked for."""

    fetched: list[int]

    def __init__(self, *of):
        super().__init__(*of)
        self.fetched = []

    def numbers(self, block):
        self.fetched.append(block.number)
        return super().numbers(block)

    def quality(self, block):
        found = self.qualities[block.rows]
        return found if found.any() else None

    def ends(self, block):
        there = self.values[block.rows][~np.isnan(self.values[block.rows])]
        return (float(there.min()), float(there.max())) if len(there) else None

    def complete(self, block):
        return not np.isnan(self.values[block.rows]).any()


def column(levels, form):
    """A column of numbers; None is absent, and a pair is a number at an end of its range."""
    pairs = [x if isinstance(x, tuple) else (x, Quality.ABSENT if x is None else Quality.GOOD) for x in levels]
    values = np.array([np.nan if x is None else float(x) for x, _ in pairs])
    return form(values, np.array([q for _, q in pairs], dtype=np.uint8))


def drive(length, form=Described, times=None, **levels):
    """A drive of 20 ms ticks in blocks of so many rows."""
    count = len(next(iter(levels.values())))
    times = np.arange(count, dtype=np.int64) * TICK_NS if times is None else np.array(times, dtype=np.int64)
    return Signals(times, {k: column(v, form) for k, v in levels.items()}, blocks_of(count, length))


def truths(text, signals, state=None):
    """A condition at every tick: true, false or unknown."""
    found = evaluate_condition(parse_condition(text, NAMES), signals, state).truths
    return [T if t else F if f else U for t, f in zip(found.true, found.false, strict=True)]


def asked(text, signals):
    """The same, without the sides of comparisons that messages are made of."""
    condition, found = Evaluator(signals).condition(parse_condition(text, NAMES)), []
    for block in signals.blocks:
        true, false = condition.at(block)
        found += [T if t else F if f else U for t, f in zip(true, false, strict=True)]
    return found


def numbers(text, signals, scale):
    """A number at every tick, in units of `scale` SI, None where it is unknown."""
    found = evaluate_number(parse_number(text, NAMES), signals)
    return [float(x) / scale if known else None for x, known in zip(found.low, found.known, strict=True)]


KPA = 1000.0
FORMS = pytest.mark.parametrize("form", [Column, Described])
LENGTHS = pytest.mark.parametrize("length", [1, 2, 3, 4, 1000])

# --- deadbands ------------------------------------------------------------------------------------------------------

#: Up at 101; 97 and 96 lie in the band, 95 is its end; in the third block the same values are below.
UP = [90, 101, 97, 97, 97, 96, 95, 94, 97, 97, 101, 96]
LATCHED = [F, T, T, T, T, T, F, F, F, F, T, T]


@FORMS
@LENGTHS
@pytest.mark.parametrize("number", ["map", "map + 0 kPa", "max(map, 50 kPa)"])
def test_a_deadband_goes_on_over_the_edge_of_a_block(number, length, form):
    assert truths(f"{number} > 100 kPa deadband 5 kPa", drive(length, form, map=UP)) == LATCHED
    mirrored = drive(length, form, map=[200 - x for x in UP])
    assert truths(f"{number} < 100 kPa deadband 5 kPa", mirrored) == LATCHED


@FORMS
@LENGTHS
@pytest.mark.parametrize(("kind", "sign"), [("lowest", ">"), ("highest", "<")])
def test_the_deadband_of_a_window_goes_on_over_the_edge_of_a_block(kind, sign, length, form):
    # Windows of two ticks. The lowest of each is 101, 101, 97, 97, 97, 96, 95, 94, 94, 97, 97, 96.
    levels = [101, *UP[1:]]
    found = [T, T, T, T, T, T, F, F, F, F, F, F]
    levels = levels if sign == ">" else [200 - x for x in levels]
    assert truths(f"{kind}(map, 0.02 s) {sign} 100 kPa deadband 5 kPa", drive(length, form, map=levels)) == found


@FORMS
@LENGTHS
def test_a_deadband_remembers_through_what_is_unknown(length, form):
    levels = [90, 101, None, None, None, 97, None, 95, None, 97]
    assert truths("map > 100 kPa deadband 5 kPa", drive(length, form, map=levels)) == [F, T, U, U, U, T, U, F, U, F]


@FORMS
@LENGTHS
@pytest.mark.parametrize(("stood", "found"), [(True, [T, T, F, F]), (False, [F, F, F, F])])
def test_a_deadband_goes_on_from_a_saved_state(stood, found, length, form):
    assert truths("map > 100 kPa deadband 5 kPa", drive(length, form, map=[97, 96, 95, 97]), [stood]) == found


@FORMS
def test_a_block_that_is_asked_first_works_out_what_its_deadband_remembers(form):
    signals = drive(4, form, map=UP)
    condition = Evaluator(signals).condition(parse_condition("map > 100 kPa deadband 5 kPa", NAMES))
    assert condition.at(signals.blocks[1]).true.tolist() == LATCHED[4:8]


# --- windows --------------------------------------------------------------------------------------------------------


@FORMS
@LENGTHS
@pytest.mark.parametrize(
    ("kind", "found"),
    [
        # 0.06 s is a tick and the three before it.
        ("lowest", [40, 30, 20, 10, 10, 10, 10, 50]),
        ("highest", [40, 40, 40, 40, 50, 60, 70, 80]),
        ("average", [40, 35, 30, 25, 27.5, 35, 47.5, 65]),
        # The last less the first of them, in 0.06 s; a single tick has no rate.
        ("rate", [None, -500, -500, -500, 20 / 0.06, 40 / 0.06, 1000, 500]),
    ],
)
def test_a_window_reaches_back_over_the_edge_of_a_block(kind, found, length, form):
    signals = drive(length, form, map=[40, 30, 20, 10, 50, 60, 70, 80])
    assert numbers(f"{kind}(map, 0.06 s)", signals, KPA) == [x if x is None else pytest.approx(x) for x in found]


@FORMS
@LENGTHS
@pytest.mark.parametrize(("gap_ms", "behind"), [(600, 90), (601, 10)])
def test_a_window_begins_anew_behind_a_gap_between_two_blocks(gap_ms, behind, length, form):
    # Nobody looked for more than 0.6 s (`LONGEST_GAP_NS`).
    times = [n * TICK_NS for n in range(4)] + [60_000_000 + gap_ms * 1_000_000 + n * TICK_NS for n in range(2)]
    signals = drive(length, form, times, map=[90, 20, 20, 20, 10, 10])
    assert numbers("highest(map, 2 s)", signals, KPA) == [90, 90, 90, 90, behind, behind]


@FORMS
@LENGTHS
def test_one_gap_of_a_drive_makes_no_other_longer(length, form):
    # 0.6 s is no gap, and the 0.601 s behind it are one.
    times = [n * 1_000_000 for n in (0, 20, 620, 640, 1241, 1261)]
    signals = drive(length, form, times, map=[90, 20, 20, 20, 10, 10])
    assert numbers("highest(map, 2 s)", signals, KPA) == [90, 90, 90, 90, 10, 10]


@FORMS
@LENGTHS
@pytest.mark.parametrize("kind", ["lowest", "highest", "average"])
def test_one_unknown_tick_makes_every_window_unknown_that_holds_it(kind, length, form):
    # 0.04 s is a tick and the two before it: the third to the fifth hold the unknown one.
    signals = drive(length, form, map=[50, 50, None, 50, 50, 50, 50])
    assert numbers(f"{kind}(map, 0.04 s)", signals, KPA) == [50, 50, None, None, None, 50, 50]
    assert truths(f"{kind}(map, 0.04 s) < 60 kPa", signals) == [T, T, U, U, U, T, T]


@FORMS
@LENGTHS
def test_a_value_at_the_top_of_its_range_leaves_a_window_open_above(length, form):
    signals = drive(length, form, map=[50, 50, (90, AT_TOP), 50, 50, 50])
    assert truths("highest(map, 0.04 s) > 100 kPa", signals) == [F, F, U, U, U, F]
    assert truths("highest(map, 0.04 s) > 80 kPa", signals) == [F, F, T, T, T, F]
    assert truths("lowest(map, 0.04 s) < 60 kPa", signals) == [T] * 6


@FORMS
@LENGTHS
def test_a_window_that_reaches_into_the_block_before_is_judged_by_both(length, form):
    # A block of 90 and one of 110: the fifth and sixth window still hold a 90.
    signals = drive(length, form, map=[90] * 4 + [110] * 4)
    assert truths("lowest(map, 0.04 s) > 100 kPa", signals) == [F] * 6 + [T] * 2
    assert truths("highest(map, 0.04 s) < 100 kPa", signals) == [T] * 4 + [F] * 4


# --- for how long ---------------------------------------------------------------------------------------------------


@FORMS
@LENGTHS
@pytest.mark.parametrize(
    ("mask", "found"),
    [
        (
            [0, 1, 1, 1, 1, 1, 1, 1, 1, 0, 1, 1],
            [0, 0, 0.02, 0.04, 0.06, 0.08, 0.10, 0.12, 0.14, 0, 0, 0.02],
        ),
        # Unknown pauses it: 0.02 s before, and 0.02 s from the first true tick behind.
        ([1, 1, None, None, None, 1, 1, 0], [0, 0.02, None, None, None, 0.02, 0.04, 0]),
        ([1, 1, 1, 1, None, None, None, None, 1, 1], [0, 0.02, 0.04, 0.06, None, None, None, None, 0.06, 0.08]),
    ],
)
def test_time_in_goes_on_over_the_edge_of_a_block(mask, found, length, form):
    assert numbers("time_in(mask)", drive(length, form, mask=mask), 1.0) == found


# --- statistics of a block ------------------------------------------------------------------------------------------


def test_statistics_decide_a_block_without_its_numbers():
    # Below, above, and some of both; only the last has to be looked at.
    signals = drive(3, map=[80, 90, 85, 110, 120, 115, 90, 110, 90])
    assert asked("map > 100 kPa", signals) == [F, F, F, T, T, T, F, T, F]
    assert set(signals.columns["map"].fetched) == {2}


def test_a_block_within_the_deadband_is_what_the_one_before_was():
    signals = drive(3, map=[80, 90, 85, 96, 97, 98, 110, 110, 110, 96, 97, 98, 80, 90, 85])
    assert truths("map > 100 kPa deadband 5 kPa", signals) == [F] * 6 + [T] * 6 + [F] * 3


def test_statistics_do_not_make_an_unknown_tick_known():
    levels = [80, None, 85, 110, None, 115, 80, (90, AT_TOP), 85, 110, (105, AT_BOTTOM), 115]
    assert truths("map > 100 kPa", drive(3, map=levels)) == [F, U, F, T, U, T, F, U, F, T, U, T]


def test_a_limit_itself_is_not_above_it():
    signals = drive(3, map=[100] * 3 + [99] * 3)
    assert truths("map > 100 kPa", signals) == [F] * 6
    assert truths("map >= 100 kPa", signals) == [T] * 3 + [F] * 3
    assert truths("map < 100 kPa", signals) == [F] * 3 + [T] * 3
    assert truths("map <= 100 kPa", signals) == [T] * 6


def test_what_one_part_decides_nobody_asks_of_the_other():
    signals = drive(3, map=[80, 90, 85, 90, 110, 90], boost=[9, 9, 9, 9, 9, 1])
    assert asked("map > 100 kPa and boost > 8 psi", signals) == [F, F, F, F, T, F]
    assert 0 not in signals.columns["boost"].fetched
    signals = drive(3, map=[110, 120, 115, 90, 110, 90], boost=[9, 1, 9, 9, 1, 1])
    assert asked("map > 100 kPa or boost > 8 psi", signals) == [T, T, T, T, T, F]
    assert 0 not in signals.columns["boost"].fetched


@LENGTHS
def test_a_state_is_what_it_is_throughout_a_block(length):
    mask = [0, 0, 0, 0, 1, 1, 1, 1, 0, None, 0, (0, AT_TOP)]
    assert truths("mask", drive(length, mask=mask)) == [F] * 4 + [T] * 4 + [F, U, F, U]


# --- rules ----------------------------------------------------------------------------------------------------------

RULE = '[[rule]]\nid = "over"\npriority = "warning"\nsay = "a"\ndo = "b"\nwhen = "boost > 8 psi"\n'
ACTIVE = "active, unacknowledged"
BLOCKS = pytest.mark.parametrize("length", [1, 4, 7, 16, 1000])


def told(text, signals):
    """Row, alert and state of every change."""
    rules, problems = build_rules([rules_from_text(text, Path("rules.toml"))], Setting(UNITS))
    assert not problems, problems
    rows = {int(t): n for n, t in enumerate(signals.times_ns)}
    found = WholeDrive(signals, ROOTS, UNITS).run(rules.rules)
    return [(rows[c.time_ns], c.alert, c.state) for c in found]


@FORMS
@BLOCKS
def test_delays_go_on_over_the_edge_of_a_block(length, form):
    # True from row 3: 0.3 s are 15 ticks. False from row 30: 0.1 s are 5.
    signals = drive(length, form, boost=[0] * 3 + [9] * 27 + [0] * 20, map=[50] * 50)
    text = RULE + 'on_delay = "0.3 s"\noff_delay = "0.1 s"\n'
    assert told(text, signals) == [(18, "over", ACTIVE), (35, "over", "normal")]


@FORMS
@BLOCKS
@pytest.mark.parametrize("gap_s", [10, 0.3])
def test_blame_goes_on_over_a_gap_and_over_the_edge_of_a_block(gap_s, length, form):
    # Boost is made of MAP, and both are lost from row 5 on. The gap before row 7 counts as 0.1 s, for nobody looked,
    # be it longer than the blind delay or not: 0.04 s before it, 0.14 s at it, 0.5 s 18 ticks behind it. MAP is back
    # at row 15, but boost is still blind, so that MAP stays to blame. At row 30 boost is back: 0.5 s drain by 5 ms a
    # tick, in 100 ticks.
    times = [n * TICK_NS + (int(gap_s * 1e9) if n >= 7 else 0) for n in range(140)]
    boost, lost = [0] * 5 + [None] * 25 + [0] * 110, [50] * 5 + [None] * 10 + [50] * 125
    signals = drive(length, form, times, boost=boost, map=lost)
    text = RULE + 'blind_delay = "0.5 s"\n'
    assert told(text, signals) == [(25, "cannot_see_map", ACTIVE), (129, "cannot_see_map", "normal")]


@FORMS
@BLOCKS
@pytest.mark.parametrize(("pressure", "row"), [(120, 29), (50, 154)])
def test_urgency_is_what_it_was_when_it_was_last_known(pressure, row, length, form):
    # Lost from row 5 on: 0.5 s are 25 ticks where it is urgent, and 3 s are 150 where it is not.
    signals = drive(length, form, boost=[0] * 5 + [None] * 160, map=[pressure] * 5 + [None] * 160)
    text = RULE + 'blind_delay = "0.5 s"\nblind_urgent_when = "map > 100 kPa"\nblind_delay_otherwise = "3 s"\n'
    assert told(text, signals) == [(row, "cannot_see_map", ACTIVE)]
