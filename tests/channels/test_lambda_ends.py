"""A wideband at the end of its range: lean for certain, or a broken wire. The first never becomes the second."""

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from cabcanary.channels.lambda_ends import LambdaEnds
from cabcanary.model import Quality

LOW, HIGH = 0.65, 1.50
RESPONSE_S = 0.08
S = 1_000_000_000
GOOD, HIGH_END, LOW_END, BROKEN = (
    Quality.GOOD,
    Quality.SATURATED_HIGH,
    Quality.SATURATED_LOW,
    Quality.OUT_OF_RANGE,
)


class Sensor:
    """What a controller sends: the true lambda held within its range, and the verdict on it."""

    def __init__(self, response_s=RESPONSE_S):
        self.ends = LambdaEnds(LOW, HIGH, response_s)
        self.now_ns = 0

    def says(self, value, after_s=0.02):
        self.now_ns += round(after_s * S)
        held = min(max(value, LOW), HIGH)
        quality = HIGH_END if held == HIGH else LOW_END if held == LOW else GOOD
        return self.ends.judge(held, quality, self.now_ns)


@pytest.fixture
def sensor():
    sensor = Sensor()
    for _ in range(10):
        assert sensor.says(0.85)[0] is GOOD
    return sensor


def test_a_lost_fuel_pump_reads_at_least_lean_and_is_no_fault(sensor):
    # The mixture runs out in half a second: 0.85 to 1.6 through valid readings.
    verdicts = [sensor.says(0.85 + 0.03 * n) for n in range(26)]
    assert [q for q, _ in verdicts[:21]] == [GOOD] * 21
    assert [q for q, _ in verdicts[22:]] == [HIGH_END] * 4
    assert verdicts[22][1] == "ran to the lean end of its range"


def test_lean_stays_lean_for_as_long_as_it_lasts(sensor):
    for n in range(26):
        sensor.says(0.85 + 0.03 * n)
    assert {sensor.says(2.0)[0] for _ in range(3000)} == {HIGH_END}


@pytest.mark.parametrize("spacing_s", [0.01, 0.02, 0.026])
@pytest.mark.parametrize("before", [0.75, 0.85, 1.0])
def test_a_jump_to_the_lean_rail_within_one_sample_is_a_broken_wire(before, spacing_s):
    sensor = Sensor()
    for _ in range(20):
        sensor.says(before, spacing_s)
    quality, reason = sensor.says(1.6, spacing_s)
    assert quality is BROKEN
    assert "wire broken" in reason


def test_a_broken_wire_stays_broken_until_it_speaks_again(sensor):
    assert {sensor.says(1.6)[0] for _ in range(500)} == {BROKEN}
    assert sensor.says(0.86)[0] is GOOD


def test_a_broken_wire_is_still_broken_after_a_restart(sensor):
    for _ in range(100):
        sensor.says(1.6)
    after = Sensor()
    after.ends.restore(sensor.ends.state())
    after.now_ns = sensor.now_ns
    assert after.says(1.6)[0] is BROKEN


def test_free_air_in_a_lean_cruise_is_lean_and_no_fault():
    # From 1.25, free air takes a first-order sensor past 1.5 within a third of its response time.
    sensor = Sensor()
    for _ in range(20):
        sensor.says(1.25, 0.02)
    assert sensor.says(1.6, 0.02) == (HIGH_END, "ran to the lean end of its range")


def test_a_jump_to_the_rich_rail_is_a_broken_wire_and_never_rich(sensor):
    # Without a live zero a grounded wire looks rich, which would silence a lean rule.
    assert {sensor.says(0.5)[0] for _ in range(50)} == {BROKEN}


def test_samples_too_far_apart_to_show_a_ramp_leave_it_open_and_sound_lean():
    sensor = Sensor()
    for _ in range(10):
        sensor.says(0.85, 0.05)  # fewer than three in 80 ms
    quality, reason = sensor.says(1.6, 0.05)
    assert (quality, reason) == (HIGH_END, "lean, or wire broken")


def test_without_a_history_it_is_left_open_and_sounds_lean():
    quality, reason = Sensor().says(1.6)
    assert (quality, reason) == (HIGH_END, "lean, or wire broken")


def test_a_history_from_before_a_gap_proves_nothing(sensor):
    quality, reason = sensor.says(1.6, after_s=2.0)
    assert (quality, reason) == (HIGH_END, "lean, or wire broken")


def test_the_rich_end_left_open_is_blindness_because_rich_would_silence():
    quality, reason = Sensor().says(0.5)
    assert (quality, reason) == (BROKEN, "rich, or wire broken")


def test_a_rich_end_a_short_way_off_is_rich_however_few_the_samples():
    sensor = Sensor()
    for value in (0.85, 0.78, 0.72):
        sensor.says(value, 0.05)
    assert sensor.says(0.64, 0.05)[0] is LOW_END


def test_a_rich_end_reached_through_valid_readings_is_rich(sensor):
    verdicts = [sensor.says(0.85 - 0.02 * n)[0] for n in range(14)]
    assert verdicts[-1] is LOW_END


# --- first-order responses, in whatever the sensor is linear in --------------------------------------------

SPACING = st.floats(0.02, 0.33)  # of a response time: three samples in one, or more


@st.composite
def steps(draw):
    """A start, and gas changes: the gas from then on, and how the samples fall after it."""
    start = draw(st.floats(0.66, 1.49))
    return start, draw(
        st.lists(
            st.tuples(st.floats(0.0, 1.0), st.lists(SPACING, min_size=1, max_size=30)),
            min_size=1,
            max_size=4,
        )
    )


@settings(deadline=None)
@given(steps(), st.floats(0.03, 0.5))
def test_no_step_of_the_gas_within_the_range_ever_looks_like_a_broken_wire(case, response_s):
    start, changes = case
    sensor, shown = Sensor(response_s), start
    for _ in range(6):
        sensor.says(shown, response_s * 0.33)
    for share, spacings in changes:
        # A hair beyond each end, so that the sensor arrives there.
        gas = LOW - 0.05 + share * (HIGH - LOW + 0.1)
        for spacing in spacings:
            # The answer of a first-order lag to a step, from memory: 63 % in one response time.
            shown = gas + (shown - gas) * math.exp(-spacing)
            quality, reason = sensor.says(shown, spacing * response_s)
            assert quality is not BROKEN, reason


@settings(deadline=None)
@given(steps(), st.floats(0.03, 0.5))
def test_free_air_by_way_of_the_gas_never_looks_like_a_broken_wire(case, response_s):
    # What a pump-cell sensor measures is nearly linear in 1/lambda; free air is 0 (from memory).
    start, changes = case
    sensor, phi = Sensor(response_s), 1 / start
    for _ in range(6):
        sensor.says(1 / phi, response_s * 0.33)
    for share, spacings in changes:
        gas = share / LOW
        for spacing in spacings:
            phi = gas + (phi - gas) * math.exp(-spacing)
            quality, reason = sensor.says(1 / phi, spacing * response_s)
            assert quality is not BROKEN, reason


@settings(deadline=None)
@given(st.lists(st.tuples(st.floats(0.5, 1.7), st.floats(0.001, 0.3)), min_size=1, max_size=40), st.integers(0, 40))
def test_a_verdict_goes_on_from_a_saved_state(readings, at):
    assume(at <= len(readings))
    whole, first, second = Sensor(), Sensor(), Sensor()
    expected = [whole.says(*r) for r in readings]
    told = [first.says(*r) for r in readings[:at]]
    second.ends.restore(first.ends.state())
    second.now_ns = first.now_ns
    assert told + [second.says(*r) for r in readings[at:]] == expected


def run_rich(sensor, seconds):
    """From 0.85 to the rich end through valid readings, and on there."""
    verdicts = [sensor.says(0.85 - 0.02 * n) for n in range(11)]
    return [*verdicts, *(sensor.says(0.5) for _ in range(round(seconds / 0.02)))]


def test_the_rich_end_is_believed_for_five_seconds_and_no_longer(sensor):
    verdicts = [q for q, _ in run_rich(sensor, 20.0)]
    first = verdicts.index(LOW_END)
    assert set(verdicts[first : first + 250]) == {LOW_END}
    assert set(verdicts[first + 251 :]) == {BROKEN}


def test_the_rich_end_that_was_held_too_long_is_still_not_believed_after_a_restart(sensor):
    run_rich(sensor, 20.0)
    after = Sensor()
    after.ends.restore(sensor.ends.state())
    after.now_ns = sensor.now_ns
    assert after.says(0.5)[0] is BROKEN
    assert after.says(0.80)[0] is GOOD


def test_rich_moments_apart_are_each_believed(sensor):
    for _ in range(10):
        assert {q for q, _ in run_rich(sensor, 2.0)} == {GOOD, LOW_END}
