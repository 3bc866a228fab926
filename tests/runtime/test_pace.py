"""The tick follows the readings: a change on a wire waits for the next scan, and not for a tick after it as well."""

import random
from pathlib import Path

import pytest

from cabcanary.model import Reading
from cabcanary.runtime.pace import Pace
from cabcanary.settings.load import settings_from_text

MS = 1_000_000
KEY = ("adc", "voltage0")
SETTINGS = """
rules = []
[vehicle]
name = "van"
stage = "s"
[daemon]
tick_hz = {tick_hz}
[sources.adc]
kind = "iio"
device = "converter"
rate_hz = {rate_hz}
[channels.level]
source = "adc"
item = "voltage0"
unit = "V"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.0, 0.0], [5.0, 5.0]] }}
"""


def pace(rate_hz=50, tick_hz=50):
    return Pace(
        settings_from_text(SETTINGS.format(rate_hz=rate_hz, tick_hz=tick_hz), Path("van.toml")).model,
        {"adc": ["voltage0"]},
    )


def ages(follower, *, rate_hz=50, tick_hz=50, phase_ms=0.0, drift=0.0, jitter_ms=0.0, ticks=600, hangs_at=None):
    """How old the newest reading is at each tick, ms."""
    chance = random.Random(1)
    scan_ns, now_ns, shift, found = 1e9 / rate_hz * (1.0 + drift), 1_000 * MS, 0, []
    for n in range(ticks):
        now_ns += round(1e9 / tick_hz) + shift
        last = (now_ns - 1_000 * MS - phase_ms * MS) // scan_ns
        last = min(last, hangs_at or last)
        read_ns = int(1_000 * MS + phase_ms * MS + last * scan_ns + chance.uniform(0.0, jitter_ms) * MS)
        read_ns -= 0 if read_ns <= now_ns else int(scan_ns)
        found.append((now_ns - read_ns) / MS)
        shift = follower.shift_ns({KEY: Reading(*KEY, 1000.0, read_ns)}, now_ns)
        assert abs(shift) <= 0.5 * MS, n
    return found


@pytest.mark.parametrize("phase_ms", [0.0, 0.5, 3.0, 9.0, 11.0, 18.5, 19.9])
def test_after_a_second_a_reading_is_fresh_at_every_tick(phase_ms):
    assert all(0.5 <= age <= 2.5 for age in ages(pace(), phase_ms=phase_ms)[60:])


@pytest.mark.parametrize("drift", [-2e-4, 2e-4])
def test_it_keeps_up_with_a_clock_that_drifts(drift):
    assert all(0.2 <= age <= 3.0 for age in ages(pace(), phase_ms=7.0, drift=drift, ticks=3000)[60:])


def test_scans_that_come_a_little_late_now_and_then_are_still_seen_at_once():
    found = sorted(ages(pace(), phase_ms=7.0, jitter_ms=1.0, ticks=3000)[60:])
    assert found[int(0.99 * len(found))] <= 4.0


def test_a_source_that_is_read_more_often_is_followed_as_well():
    assert all(age <= 3.0 for age in ages(pace(rate_hz=200), rate_hz=200, phase_ms=4.0)[60:])


@pytest.mark.parametrize(("rate_hz", "tick_hz"), [(10, 50), (60, 50), (35, 50)])
def test_a_source_of_another_rate_is_not_followed(rate_hz, tick_hz):
    follower = pace(rate_hz=rate_hz, tick_hz=tick_hz)
    assert follower.shift_ns({KEY: Reading(*KEY, 1.0, 0)}, 15 * MS) == 0


def test_a_source_that_hangs_leaves_the_tick_where_it_is():
    follower = pace()
    ages(follower, phase_ms=7.0)
    assert follower.shift_ns({KEY: Reading(*KEY, 1.0, 0)}, 60 * MS) == 0
    assert follower.shift_ns({}, 60 * MS) == 0


def test_a_source_of_which_nothing_is_wanted_is_not_followed():
    settings = settings_from_text(SETTINGS.format(rate_hz=50, tick_hz=50), Path("van.toml")).model
    assert Pace(settings, {"adc": ()}).shift_ns({KEY: Reading(*KEY, 1.0, 0)}, 15 * MS) == 0
