"""A throttle that rests at 15 % and is wide open at 80 % reads 0 and 100 % once it has been seen there.

PID 11 of SAE J1979 is A * 100 / 255 %: 38 is 14.9 %, 204 is 80.0 %.
"""

import json

import pytest

from cabcanary.channels.throttle_travel import ThrottleTravel
from cabcanary.model import Quality, Value

REST, WIDE = 38 * 100 / 255, 204 * 100 / 255
MS = 1_000_000


class Pedal:
    def __init__(self):
        self.travel, self.now_ns = ThrottleTravel(), 0

    def hold(self, percent, seconds, quality=Quality.GOOD):
        """Ten readings a second, as a bus gives them; the last opening."""
        for _ in range(round(seconds * 10)):
            self.now_ns += 100 * MS
            value = None if quality is Quality.ABSENT else percent
            opening = self.travel.step(Value(value, quality, self.now_ns))
        return opening

    def pull(self, percent=WIDE):
        self.hold(20.0, 0.9)
        for x in (30.0, 45.0, 60.0, 75.0):
            self.hold(x, 0.1)
        return self.hold(percent, 3.0)


@pytest.fixture
def pedal():
    return Pedal()


def test_once_it_has_been_held_shut_shut_is_0(pedal):
    assert pedal.hold(REST, 0.5).value == pytest.approx(14.9, abs=0.01)
    assert pedal.hold(REST, 1.0).value == 0.0
    assert pedal.hold(REST + 10, 0.3).value == pytest.approx(10 / 85.1 * 100, abs=0.1)


def test_until_it_was_seen_shut_it_says_so(pedal):
    assert "never seen shut" in pedal.hold(40.0, 3.0).reason
    pedal.hold(REST, 2.0)
    assert pedal.hold(40.0, 1.0).reason == ""


def test_three_pulls_to_one_place_are_wide_open(pedal):
    pedal.hold(REST, 2.0)
    assert pedal.pull().value == pytest.approx((80 - 14.9) / 85.1 * 100, abs=0.1)
    pedal.pull()
    assert pedal.pull().value == 100.0
    assert pedal.hold((REST + WIDE) / 2, 1.0).value == pytest.approx(50.0, abs=0.1)


def test_a_steady_foot_is_no_stop(pedal):
    pedal.hold(REST, 2.0)
    for percent in (66.0, 71.0, 69.0, 74.0, 78.0):
        pedal.pull(percent)
    assert pedal.travel.travel.wide == 100.0


def test_a_later_pull_that_goes_further_shows_that_it_was_none(pedal):
    pedal.hold(REST, 2.0)
    for _ in range(3):
        pedal.pull(70.0)
    assert pedal.travel.travel.wide == pytest.approx(70.0)
    pedal.pull(WIDE)
    assert pedal.travel.travel.wide == 100.0, "one pull further, and nothing is known of the end"


def test_one_long_pull_counts_once(pedal):
    pedal.hold(REST, 2.0)
    pedal.pull()
    pedal.hold(78.0, 1.0)
    pedal.hold(WIDE, 3.0)
    pedal.hold(60.0, 1.0)
    pedal.hold(WIDE, 3.0)
    assert pedal.travel.travel.wide == 100.0


def test_a_cruise_at_a_steady_foot_is_not_shut_for_ever(pedal):
    pedal.hold(22.0, 5.0)
    assert pedal.travel.travel.rest == pytest.approx(22.0)
    pedal.hold(REST, 2.0)
    assert pedal.hold(22.0, 1.0).value == pytest.approx((22 - 14.9) / 85.1 * 100, abs=0.1)


def test_nothing_is_learnt_from_a_value_that_is_not_good(pedal):
    pedal.hold(5.0, 3.0, Quality.STUCK)
    pedal.hold(0.0, 3.0, Quality.ABSENT)
    assert pedal.travel.remembered() is None


def test_both_ends_outlive_the_power(pedal):
    pedal.hold(REST, 2.0)
    for _ in range(3):
        pedal.pull()
    kept = pedal.travel.remembered()
    after = Pedal()
    after.travel.recall(*kept)
    assert after.hold(WIDE, 0.1).value == 100.0
    assert after.hold(REST, 0.1).value == 0.0


@pytest.mark.parametrize("kept", [(-1.0, 80.0), (40.0, 80.0), (10.0, 30.0), (10.0, 130.0)])
def test_what_no_throttle_can_be_is_not_taken(pedal, kept):
    pedal.travel.recall(*kept)
    assert pedal.travel.travel == (0.0, 100.0)


def test_it_goes_on_from_a_saved_state(pedal):
    pedal.hold(REST, 2.0)
    pedal.pull()
    pedal.pull()
    pedal.hold(20.0, 0.5)
    after = Pedal()
    after.travel.restore(json.loads(json.dumps(pedal.travel.state())))
    after.now_ns = pedal.now_ns
    assert after.pull() == pedal.pull()
    assert after.travel.state() == pedal.travel.state()
