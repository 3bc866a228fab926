"""States of a wideband: warming, cold again, free air."""

import pytest

from cabcanary.channels.wideband import WidebandStates
from cabcanary.model import Quality, Value
from cabcanary.settings.sensors import Wideband

S = 1_000_000_000
SPEC = Wideband.model_validate({"warm_up": "20 s", "cools_after": "30 s", "free_air_after": "10 s"})


def value(quality: Quality = Quality.GOOD, at: int = 0) -> Value:
    return Value(1.5 if quality is Quality.SATURATED_HIGH else 0.9, quality, at)


def test_a_sensor_that_has_come_on_is_not_believed_before_it_is_warm() -> None:
    # 10 to 30 s from key-on are usual for wide-range sensors (common practice, no source).
    states = WidebandStates(SPEC)
    assert states.step(value(), 0.0, 1 * S).quality is Quality.WARMING
    assert states.step(value(), 800.0, 20 * S).quality is Quality.WARMING
    assert states.step(value(), 800.0, 21 * S).quality is Quality.GOOD


def test_warming_shows_no_number_at_all() -> None:
    warming = WidebandStates(SPEC).step(value(), 800.0, 1 * S)
    assert warming.value is None
    assert "warming up" in warming.reason


def test_an_output_that_rests_at_a_rail_until_it_is_hot_is_warming_and_no_broken_wire() -> None:
    # Analogue outputs without a live zero show 0 V while they heat (common practice, no source).
    states = WidebandStates(SPEC)
    dark = Value(None, Quality.OUT_OF_RANGE, 0, reason="0.00 V")
    shown = states.step(dark, 800.0, 1 * S)
    assert (shown.quality, shown.value) == (Quality.WARMING, None)
    assert shown.reason == "0.00 V; it may be warming up, 20 s to go"
    other = WidebandStates(SPEC)
    other.restore(states.state())
    for each in (states, other):
        assert each.step(dark, 800.0, 20 * S).quality is Quality.WARMING
        # For longer than that no sensor takes: the wire is what it looks like.
        assert each.step(dark, 800.0, 21 * S).quality is Quality.OUT_OF_RANGE


def test_an_output_that_was_switched_off_rests_at_its_rail_again_for_no_longer_than_it_was_off() -> None:
    states, dark = hot_for(25), Value(None, Quality.OUT_OF_RANGE, 0, reason="0.00 V")
    for n in range(26, 36):
        assert states.step(dark, None, n * S, unfed=True).quality is Quality.OUT_OF_RANGE
    shown = states.step(dark, None, 36 * S)
    assert (shown.quality, shown.reason) == (Quality.WARMING, "0.00 V; it may be warming up, 10 s to go")
    other = WidebandStates(SPEC)
    other.restore(states.state())
    for each in (states, other):
        assert each.step(dark, None, 45 * S).quality is Quality.WARMING
        assert each.step(dark, None, 46 * S).quality is Quality.OUT_OF_RANGE


def test_nor_for_longer_than_it_takes_to_heat() -> None:
    states, dark = hot_for(25), Value(None, Quality.OUT_OF_RANGE, 0, reason="0.00 V")
    states.step(dark, None, 26 * S, unfed=True)
    assert states.step(dark, None, 600 * S).reason.endswith("20 s to go")
    assert states.step(dark, None, 620 * S).quality is Quality.OUT_OF_RANGE


def test_an_engine_that_stood_had_its_sensor_switched_off_with_it() -> None:
    states, dark = hot_for(25), Value(None, Quality.OUT_OF_RANGE, 0, reason="0.00 V")
    states.step(dark, 0.0, 26 * S)
    states.step(dark, 0.0, 35 * S)
    assert states.step(dark, 800.0, 36 * S).quality is Quality.WARMING
    # A glitch of the speed wire on the way begins nothing anew.
    states.step(dark, 0.0, 37 * S)
    assert states.step(dark, 800.0, 38 * S).reason.endswith("8 s to go")


def test_one_that_has_come_back_is_broken_when_it_goes_dark_again() -> None:
    states, dark = hot_for(25), Value(None, Quality.OUT_OF_RANGE, 0, reason="0.00 V")
    states.step(dark, None, 26 * S, unfed=True)
    states.step(dark, None, 36 * S)
    states.step(value(), None, 37 * S)
    assert states.step(dark, None, 38 * S).quality is Quality.OUT_OF_RANGE


def test_once_it_has_been_on_a_rail_is_a_broken_wire_at_once() -> None:
    states = WidebandStates(SPEC)
    states.step(value(), 800.0, 1 * S)
    assert states.step(value(Quality.OUT_OF_RANGE), 800.0, 2 * S).quality is Quality.OUT_OF_RANGE


def test_a_short_loss_of_the_wire_begins_no_new_warm_up() -> None:
    states = WidebandStates(SPEC)
    states.step(value(), 800.0, 0 * S)
    states.step(value(), 800.0, 25 * S)
    states.step(value(Quality.OUT_OF_RANGE), 800.0, 26 * S)
    assert states.step(value(), 800.0, 27 * S).quality is Quality.GOOD


def test_a_sensor_that_was_off_for_long_warms_up_again() -> None:
    states = WidebandStates(SPEC)
    states.step(value(), 800.0, 0 * S)
    states.step(value(Quality.ABSENT), None, 30 * S)
    assert states.step(value(), 800.0, 65 * S).quality is Quality.WARMING


def test_after_standing_for_long_the_ceramic_is_re_heated() -> None:
    states = WidebandStates(SPEC)
    states.step(value(), 800.0, 0 * S)
    states.step(value(), 0.0, 40 * S)
    assert states.step(value(), 0.0, 72 * S).quality is Quality.GOOD
    assert states.step(value(), 700.0, 75 * S).quality is Quality.WARMING


def test_a_stall_of_seconds_is_no_re_heat() -> None:
    states = WidebandStates(SPEC)
    states.step(value(), 800.0, 0 * S)
    states.step(value(), 0.0, 40 * S)
    assert states.step(value(), 700.0, 44 * S).quality is Quality.GOOD


def test_the_lean_end_with_the_engine_standing_is_free_air() -> None:
    # 20.95 % oxygen is lean beyond any range: key on, warm, engine off.
    states = WidebandStates(SPEC)
    states.step(value(), 800.0, 0 * S)
    states.step(value(Quality.SATURATED_HIGH), 0.0, 30 * S)
    told = states.step(value(Quality.SATURATED_HIGH), 0.0, 41 * S)
    assert told.reason.startswith("free air")
    assert told.quality is Quality.SATURATED_HIGH


def test_the_lean_end_with_the_engine_running_is_never_free_air() -> None:
    states = WidebandStates(SPEC)
    states.step(value(), 800.0, 0 * S)
    for second in range(30, 60):
        told = states.step(value(Quality.SATURATED_HIGH), 3000.0, second * S)
    assert told.reason == ""


def test_an_unknown_engine_speed_makes_no_free_air() -> None:
    states = WidebandStates(SPEC)
    states.step(value(), 800.0, 0 * S)
    for second in range(30, 60):
        told = states.step(value(Quality.SATURATED_HIGH), None, second * S)
    assert told.reason == ""


def served(seconds: int = 60, rpm: float | None = 3000.0) -> WidebandStates:
    """A sensor that tells itself when it heats, and has served for some time."""
    states = WidebandStates(Wideband())
    for s in range(seconds + 1):
        states.step(value(), rpm, (100 + s) * S)
    return states


HEATS = Value(None, Quality.WARMING, 0, reason="the sensor reports 'heating'")


@pytest.mark.parametrize("rpm", [3000.0, None])
def test_heating_again_after_long_service_is_a_heater_lost(rpm: float | None) -> None:
    found = served(rpm=rpm).step(HEATS, rpm, 161 * S)
    assert (found.value, found.quality) == (None, Quality.ABSENT)
    assert "heater" in found.reason


def test_a_heater_that_comes_and_goes_is_lost_each_time() -> None:
    states = served()
    for s in range(161, 181, 2):
        assert states.step(HEATS, 3000.0, s * S).quality is Quality.ABSENT
        assert states.step(value(), 3000.0, (s + 1) * S).quality is Quality.GOOD


def test_a_sensor_that_has_hardly_got_warm_may_heat_on() -> None:
    assert served(seconds=10).step(HEATS, 3000.0, 111 * S).quality is Quality.WARMING


def test_after_the_engine_has_stood_a_sensor_may_heat_again() -> None:
    states = served()
    states.step(value(), 0.0, 161 * S)
    assert states.step(HEATS, 800.0, 170 * S).quality is Quality.WARMING


def test_after_long_darkness_a_sensor_may_heat_again() -> None:
    states = served()
    states.step(value(Quality.ABSENT), 3000.0, 161 * S)
    states.step(value(Quality.ABSENT), 3000.0, 192 * S)
    assert states.step(HEATS, 3000.0, 193 * S).quality is Quality.WARMING


def test_a_short_loss_of_its_feed_is_no_reason_to_heat_again_in_a_pull() -> None:
    states = served()
    states.step(value(Quality.ABSENT), 3000.0, 161 * S)
    assert states.step(HEATS, 3000.0, 162 * S).quality is Quality.ABSENT


def test_a_saved_state_goes_on_as_if_it_had_never_stopped() -> None:
    states, other = WidebandStates(SPEC), WidebandStates(SPEC)
    states.step(value(), 800.0, 5 * S)
    other.restore(states.state())
    assert other.step(value(), 800.0, 20 * S) == states.step(value(), 800.0, 20 * S)
    assert other.step(value(), 800.0, 26 * S) == states.step(value(), 800.0, 26 * S)


def hot_for(seconds: int) -> WidebandStates:
    """A sensor that came on at second 0, with a running engine, and is warm from 20 s on."""
    states = WidebandStates(SPEC)
    for n in range(seconds + 1):
        states.step(value(), 800.0, n * S)
    return states


def test_a_sensor_is_hot_after_half_a_minute_of_service_until_it_may_have_cooled() -> None:
    assert not hot_for(45).is_hot
    states = hot_for(51)
    assert states.is_hot
    # A wire that is dead is no cold ceramic.
    states.step(value(Quality.OUT_OF_RANGE), 800.0, 52 * S)
    assert states.is_hot
    states.step(value(Quality.OUT_OF_RANGE), 800.0, 82 * S)
    assert not states.is_hot
    stopped = hot_for(51)
    stopped.step(value(), 0.0, 52 * S)
    assert not stopped.is_hot


def test_a_monitor_that_begins_anew_in_mid_drive_counts_no_new_warm_up_of_a_hot_sensor() -> None:
    states = WidebandStates(SPEC)
    states.begin_hot(7 * S, 1000 * S)
    assert states.step(value(), 800.0, 1000 * S).quality is Quality.GOOD
    # What has served hot and says that it heats has lost its heater.
    assert states.step(value(Quality.WARMING), 800.0, 1001 * S).quality is Quality.ABSENT


@pytest.mark.parametrize("away_ns", [30 * S + 1, -1])
def test_longer_ago_than_the_ceramic_stays_hot_or_at_no_time_at_all_it_warms_up(away_ns: int) -> None:
    states = WidebandStates(SPEC)
    states.begin_hot(away_ns, 1000 * S)
    assert states.step(value(), 800.0, 1000 * S).quality is Quality.WARMING


def test_a_hot_sensor_that_is_dead_when_the_monitor_begins_anew_is_no_warm_up() -> None:
    states = WidebandStates(SPEC)
    states.begin_hot(2 * S, 1000 * S)
    assert states.step(value(Quality.OUT_OF_RANGE), 800.0, 1000 * S).quality is Quality.OUT_OF_RANGE
