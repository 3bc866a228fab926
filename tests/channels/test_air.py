"""The air's pressure where nobody measures it: seen with the engine standing, kept, or anything that roads have.

Numbers: US Standard Atmosphere 1976, 101.325 kPa at the sea, 89.87 at 1000 m, 79.50 at 2000 m; 1 psi is 6.894757 kPa.
"""

import json

import pytest
from pydantic import ValidationError

from cabcanary.channels.air import AirPressure
from cabcanary.channels.air_known import Remembered
from cabcanary.channels.boost import Boost, Vacuum
from cabcanary.channels.formula import Formula
from cabcanary.channels.wideband import WidebandStates
from cabcanary.model import Quality, Value
from cabcanary.settings.derived import AirPressureChannel, BoostChannel, FormulaChannel, VacuumChannel
from cabcanary.settings.sensors import Wideband

SEA, AT_1000_M, AT_2000_M = 101.325, 89.87, 79.50
S = 1_000_000_000
UNITS = {"map": "kPa", "barometer": "kPa", "air_pressure": "kPa", "engine_speed": "rpm", "supply": "V"}
UNITS |= {"lambda": "lambda", "vehicle_speed": "km/h", "throttle": "%", "boost": "psi"}
ABSENT = Value(None, Quality.ABSENT, 0, reason="unplugged")
WARMING = Value(None, Quality.WARMING, 0, reason="status=heating")


def good(x, uncertainty=0.0):
    return Value(x, Quality.GOOD, 0, uncertainty)


class Air:
    """An air-pressure channel, with whatever is fitted beside the manifold's sensor."""

    def __init__(self, *fitted, compressor="unknown", **more):
        keys = {"lambda": "lambda_channel"}
        spec = {"derive": "air_pressure", "unit": "kPa", "pressure": "map"} | {keys.get(f, f): f for f in fitted} | more
        self.channel = AirPressure("air_pressure", AirPressureChannel.model_validate(spec), UNITS, compressor)
        self.now_ns, self.value = S, None

    def hold(self, seconds, kpa, step_s=0.1, **values):
        """Some time with these values; the manifold's may be a function of the seconds gone."""
        for n in range(round(seconds / step_s)):
            self.now_ns += round(step_s * S)
            at = kpa(n * step_s) if callable(kpa) else kpa
            given = {k: v if isinstance(v, Value) else good(v) for k, v in {"map": at, **values}.items()}
            given = {c: given.get(c.removesuffix("_channel"), ABSENT) for c in self.channel.inputs}
            self.value = self.channel.step(given, self.now_ns)
        return self

    @property
    def interval(self):
        return self.value.interval()


def turning(kpa):
    """An engine that turns is never still: 2 kPa up and down once a second."""
    return lambda gone: kpa + (1.0 if gone % 1.0 < 0.5 else -1.0)


# --- (d) nobody has ever seen it ------------------------------------------------------------------------------------


def test_before_anybody_has_seen_it_the_air_is_anything_that_roads_have():
    air = Air().hold(10, 33.0)
    assert air.value.quality is Quality.WITHIN
    assert air.interval == pytest.approx((70.0, 106.0))


def test_the_range_of_roads_is_a_setting():
    assert Air(roads=[60.0, 104.0]).hold(1, 33.0).interval == pytest.approx((60.0, 104.0))


@pytest.mark.parametrize("roads", [[106.0, 70.0], [30.0, 106.0], [70.0, 120.0], [80.0, 80.0]])
def test_roads_rise_and_are_of_this_earth(roads):
    with pytest.raises(ValidationError, match="roads"):
        Air(roads=roads)


# --- (b) seen with the engine standing ------------------------------------------------------------------------------


def test_the_still_manifold_before_anything_has_moved_is_the_air():
    air = Air().hold(0.9, AT_1000_M)
    assert air.value.quality is Quality.WITHIN
    air.hold(0.5, AT_1000_M)
    assert (air.value.quality, air.value.value) == (Quality.GOOD, pytest.approx(AT_1000_M))


@pytest.mark.parametrize("sensor", [0.1, 0.3])
def test_a_sensors_own_noise_is_not_a_turning_engine(sensor):
    import random

    chance, found = random.Random(1), []
    for _ in range(50):
        air = Air().hold(3, lambda _: chance.gauss(SEA, sensor), step_s=0.02)
        found.append(air.value)
    assert sum(v.quality is Quality.GOOD for v in found) >= 48
    assert all(abs(v.value - SEA) < 0.3 for v in found if v.quality is Quality.GOOD)


@pytest.mark.parametrize("before", [33.0, 140.0, turning(95.0)])
def test_a_motorways_steady_pressure_is_never_taken_for_the_air(before):
    # Half an hour at a constant 80 kPa, after an idle, a pull, or a hill.
    air = Air().hold(10, before).hold(1800, 80.0)
    assert air.value.quality is Quality.WITHIN
    assert air.interval == pytest.approx((70.0, 106.0))


def test_a_start_on_the_motorway_is_no_key_on_reading_where_the_wideband_shows_fire():
    air = Air("lambda").hold(1800, 80.0, **{"lambda": 0.99})
    assert air.interval == pytest.approx((70.0, 106.0))


def test_a_wideband_that_is_heard_late_may_still_say_that_the_engine_burns():
    # Its port takes two seconds to open: what stood still so far was a motorway.
    air = Air("lambda").hold(2.0, 80.0).hold(60, 80.0, **{"lambda": 0.99})
    assert air.interval == pytest.approx((70.0, 106.0))


@pytest.mark.parametrize("shown", [WARMING, 1.5, Value(1.5, Quality.SATURATED_HIGH, 0)])
def test_a_cold_wideband_or_one_in_free_air_does_not_deny_the_key_on_reading(shown):
    assert Air("lambda").hold(2, SEA, **{"lambda": shown}).value.quality is Quality.GOOD


@pytest.mark.parametrize("fitted", [(), ("supply",)])
def test_a_restart_in_mid_drive_is_no_key_on_while_a_warming_wideband_shows_what_may_be_fire(fitted):
    # The monitor starts anew on a pass: it counts the sensor's warm-up again, whose wire shows a mixture all the while.
    # A manifold that happens to be still for two seconds is 98.8 kPa there, and the air 90; a resting alternator shows
    # 12.6 V.
    shown = WidebandStates(Wideband.model_validate({"warm_up": "20 s"})).step(good(0.99), None, S)
    air = Air("lambda", *fitted)
    air.channel.recall(Remembered(92.1, 1.8), None)
    air.hold(20, 98.8, **{"lambda": shown}, supply=12.6)
    assert air.value.quality is Quality.WITHIN
    assert air.interval[0] < 90.0 < air.interval[1]
    # Once it is believed to be fire, that is what denies it.
    air.hold(5, 98.8, **{"lambda": 0.99}, supply=12.6)
    assert air.value.quality is Quality.WITHIN


@pytest.mark.parametrize("shown", [1.5, 1.36])
def test_a_warming_wideband_that_shows_free_air_denies_no_key_on_reading(shown):
    warming = WidebandStates(Wideband.model_validate({"warm_up": "20 s"})).step(good(shown), None, S)
    assert warming.quality is Quality.WARMING
    assert Air("lambda").hold(2, SEA, **{"lambda": warming}).value.quality is Quality.GOOD


def test_a_pressure_that_no_road_has_is_not_taken_from_the_card():
    for kept in ((-1.0, 0.4), (4e300, 0.4), (140.0, 1.0), (99.0, -3.0)):
        air = Air()
        air.channel.recall(kept, None)
        assert air.hold(1, 33.0).interval == pytest.approx((70.0, 106.0)), kept


def test_a_key_on_reading_after_a_crash_on_the_motorway_makes_it_less_certain_and_nothing_else():
    # The daemon starts anew in mid-cruise, with the wideband's heat unknown; the last drive knew 101 kPa.
    air = Air("lambda")
    air.channel.recall(Remembered(SEA, 0.3), 0.0)
    air.hold(60, 80.0, **{"lambda": WARMING})
    assert air.value.quality is Quality.WITHIN
    assert air.interval[0] <= 80.0
    assert air.interval[1] >= SEA


def test_free_air_at_the_wideband_tells_a_stop_where_there_is_no_speed():
    # A hill to 1000 m, then a stop with the key on: 5 s of free air beside a quiet manifold.
    air = Air("lambda").hold(2, SEA, **{"lambda": WARMING}).hold(1200, turning(85.0), **{"lambda": 0.95})
    assert air.value.quality is Quality.WITHIN
    air.hold(4.5, AT_1000_M, **{"lambda": 1.5})
    assert air.value.quality is Quality.WITHIN
    air.hold(2, AT_1000_M, **{"lambda": 1.5})
    assert (air.value.quality, air.value.value) == (Quality.GOOD, pytest.approx(AT_1000_M, abs=0.1))


def test_a_fuel_cut_is_no_stop():
    air = Air("lambda").hold(2, SEA, **{"lambda": WARMING}).hold(600, turning(60.0), **{"lambda": 1.0})
    before = air.interval
    air.hold(20, 24.0, **{"lambda": 1.5})
    assert air.interval[0] == pytest.approx(before[0], abs=0.3)


def test_at_lights_the_air_is_learnt_again_by_the_engine_speed():
    air = Air("engine_speed").hold(2, SEA, engine_speed=0.0).hold(1200, turning(70.0), engine_speed=2500.0)
    assert air.value.quality is Quality.WITHIN
    air.hold(1.0, AT_2000_M, engine_speed=0.0)
    assert (air.value.quality, air.value.value) == (Quality.GOOD, pytest.approx(AT_2000_M))


def test_a_speed_of_nothing_beside_a_supply_that_charges_is_a_wire_that_is_off():
    air = Air("engine_speed", "supply").hold(600, 80.0, engine_speed=0.0, supply=14.2)
    assert air.value.quality is Quality.WITHIN


def test_after_an_idle_a_resting_alternator_is_no_standing_engine():
    # A smart alternator rests near 12.6 V (common practice) while a motorway goes by at 80 kPa.
    air = Air("supply", "lambda").hold(20, 33.0, supply=14.2, **{"lambda": 1.0})
    air.hold(600, 80.0, supply=12.6, **{"lambda": 0.99})
    assert air.value.quality is Quality.WITHIN


def test_who_starts_beside_a_charging_supply_has_an_engine_that_turns():
    # Into the motorway at a steady 80 kPa, and the alternator rests a minute later.
    air = Air("supply").hold(60, 80.0, supply=14.2).hold(60, 80.0, supply=12.6)
    assert air.value.quality is Quality.WITHIN


def test_a_dark_wideband_beside_a_resting_supply_is_a_key_that_is_off():
    air = Air("supply", "lambda").hold(20, 33.0, supply=14.2, **{"lambda": 1.0})
    air.hold(6, SEA, supply=12.6)
    assert air.value.quality is Quality.GOOD


# --- how it ages ----------------------------------------------------------------------------------------------------


def test_what_has_just_been_seen_is_as_good_as_measured_and_a_minute_later_an_interval():
    air = Air().hold(2, SEA).hold(45, turning(60.0))
    assert air.value.quality is Quality.GOOD
    air.hold(45, turning(60.0))
    assert air.value.quality is Quality.WITHIN
    assert air.interval[0] < SEA < air.interval[1]


@pytest.mark.parametrize("metres_per_hour", [1000, 2000, 3800])
@pytest.mark.parametrize("up", [True, False])
def test_the_truth_lies_within_on_any_pass(metres_per_hour, up):
    # 2000 m between the sea and the top, steadily; learnt where it began.
    start, end = (SEA, AT_2000_M) if up else (AT_2000_M, SEA)
    hours = 2000 / metres_per_hour
    air = Air().hold(2, start)
    for part in range(1, 21):
        air.hold(hours * 3600 / 20, turning(60.0), step_s=1.0)
        truth = start + (end - start) * part / 20
        low, high = air.interval
        assert low <= truth <= high, (part, low, truth, high)
        assert low >= 70.0
        assert high <= 106.0


def test_at_walking_pace_nobody_climbs_a_pass():
    # An hour at 2 km/h: 2 km at 9 % are 180 m, about 2.2 kPa; without a speed an hour may be 4000 m.
    slow = Air("vehicle_speed").hold(2, SEA).hold(3600, turning(60.0), step_s=1.0, vehicle_speed=2.0)
    assert 2.0 <= SEA - slow.interval[0] <= 4.0
    unknown = Air("vehicle_speed").hold(2, SEA).hold(3600, turning(60.0), step_s=1.0)
    assert unknown.interval == pytest.approx((70.0, 106.0))


def test_a_barometer_that_falls_silent_ages_like_anything_else():
    air = Air(sensors=["barometer"]).hold(5, turning(60.0), barometer=AT_2000_M)
    assert (air.value.quality, air.value.value) == (Quality.GOOD, pytest.approx(AT_2000_M))
    air.hold(600, turning(60.0))
    assert air.value.quality is Quality.WITHIN
    assert air.value.reason == "no barometer now"
    air.hold(1, turning(60.0), barometer=AT_1000_M)
    assert (air.value.quality, air.value.value) == (Quality.GOOD, pytest.approx(AT_1000_M))


# --- an open throttle -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("compressor", "known"), [("", True), ("centrifugal", True), ("turbo", False)])
@pytest.mark.parametrize("kind", ["displacement", "unknown"])
def test_an_open_throttle_at_low_speed_shows_the_air_where_nothing_lifts_it(compressor, known, kind):
    fitted = ("engine_speed", "throttle")
    slow = {"engine_speed": 1200.0, "throttle": 95.0}
    air = Air(*fitted, compressor=compressor).hold(3, AT_2000_M - 1.0, **slow)
    low, high = air.interval
    assert (high - low < 6.0) is known
    assert low <= AT_2000_M <= high
    # A displacement compressor boosts at any speed, and of what nobody has named nothing is known.
    assert Air(*fitted, compressor=kind).hold(3, AT_2000_M - 1.0, **slow).interval == pytest.approx((70.0, 106.0))


@pytest.mark.parametrize(
    "values", [{"engine_speed": 2500.0, "throttle": 95.0}, {"engine_speed": 1200.0, "throttle": 40.0}]
)
def test_a_fast_engine_or_a_half_open_throttle_shows_nothing(values):
    air = Air("engine_speed", "throttle", compressor="").hold(3, AT_2000_M - 1.0, **values)
    assert air.interval == pytest.approx((70.0, 106.0))


# --- (c) kept from the last drive -----------------------------------------------------------------------------------


def test_what_the_last_drive_knew_is_known_at_the_next_start_with_the_weather_since():
    before = Air().hold(2, AT_1000_M)
    kept = before.channel.remembered()
    for parked_s, widest in ((600.0, 0.5), (86_400.0, 3.5), (None, 4.5)):
        air = Air()
        air.channel.recall(kept, parked_s)
        air.hold(1, 33.0)
        low, high = air.interval
        assert air.value.quality is Quality.WITHIN
        assert low <= AT_1000_M <= high
        assert (high - low) / 2 <= widest
    # Days of weather: a low of 98.5 kPa where 101.3 was.
    assert high - low > 5.5


def test_nothing_seen_is_nothing_to_keep():
    assert Air().hold(5, 33.0).channel.remembered() is None


def test_a_kept_pressure_is_replaced_by_the_next_key_on_reading():
    air = Air()
    air.channel.recall(Remembered(AT_1000_M, 0.2), None)
    air.hold(2, AT_1000_M - 2.0)
    assert (air.value.quality, air.value.value) == (Quality.GOOD, pytest.approx(AT_1000_M - 2.0))


def test_a_saved_state_goes_on_as_if_never_stopped():
    first, second = Air("lambda").hold(2, SEA).hold(100, turning(60.0), **{"lambda": 0.95}), Air("lambda")
    second.channel.restore(json.loads(json.dumps(first.channel.state())))
    second.now_ns = first.now_ns
    for air in (first, second):
        air.hold(50, turning(90.0), **{"lambda": 0.9}).hold(7, AT_1000_M, **{"lambda": 1.5})
    assert first.value == second.value
    assert first.channel.state() == second.channel.state()


@pytest.mark.parametrize(
    ("old", "expected"),
    [
        ({"kpa": 98.0, "uncertainty": 0.2, "since": 5, "key_on": True, "quiet": None}, 98.0),
        ({"kpa": None, "uncertainty": 0.0, "since": 0, "key_on": True, "quiet": [5, 97.0, 98.0]}, 88.0),
    ],
)
def test_a_drive_that_an_older_version_recorded_can_still_be_played(old, expected):
    air = Air()
    air.channel.restore(old)
    assert air.hold(0.1, 33.0).value.value == pytest.approx(expected)


# --- what is made of it ---------------------------------------------------------------------------------------------


def between(low, high):
    return Value((low + high) / 2, Quality.WITHIN, 0, (high - low) / 4, "seen long ago")


def boost(pressure, air, reference="absolute"):
    channel = Boost("boost", BoostChannel.model_validate({"derive": "boost", "unit": "kPa"}), UNITS, reference)
    return channel.step({"map": pressure, "air_pressure": air}, 0)


def test_boost_of_an_interval_is_one_with_both_half_widths():
    value = boost(good(140.0, 0.5), between(90.0, 102.0))
    assert value.quality is Quality.WITHIN
    assert value.interval() == pytest.approx((37.0, 51.0))


def test_a_pressure_above_any_roads_air_proves_boost_by_itself():
    low, high = boost(good(150.0), between(70.0, 106.0)).interval()
    assert (low, high) == pytest.approx((44.0, 80.0))


@pytest.mark.parametrize(
    ("quality", "proved"), [(Quality.SATURATED_HIGH, 250.0 - 106.0), (Quality.SATURATED_LOW, 250.0 - 70.0)]
)
def test_a_saturated_pressure_keeps_the_side_that_it_proves(quality, proved):
    value = boost(Value(250.0, quality, 0), between(70.0, 106.0))
    assert (value.quality, value.value) == (quality, pytest.approx(proved))


def test_a_vented_gauge_sensor_needs_no_air():
    value = boost(good(50.0), between(70.0, 106.0), "vented gauge")
    assert (value.quality, value.value) == (Quality.GOOD, 50.0)


def test_a_vacuum_of_an_interval_ends_at_nothing():
    channel = Vacuum("vacuum", VacuumChannel.model_validate({"derive": "vacuum", "unit": "kPa"}), UNITS)
    for pressure, expected in ((33.0, (37.0, 73.0)), (90.0, (0.0, 16.0)), (150.0, (0.0, 0.0))):
        value = channel.step({"map": good(pressure), "air_pressure": between(70.0, 106.0)}, 0)
        assert value.quality is Quality.WITHIN
        assert value.interval() == pytest.approx(expected)


def test_a_formula_of_an_interval_is_one():
    spec = FormulaChannel.model_validate({"derive": "formula", "unit": "kPa", "formula": "(map - air_pressure) * 2"})
    value = Formula("twice", spec, UNITS).step({"map": good(140.0, 0.5), "air_pressure": between(90.0, 102.0)}, 0)
    assert value.quality is Quality.WITHIN
    # Twice 38 to 50, and 2 kPa more on each side: two uncertainties of twice the pressure's.
    assert value.interval() == pytest.approx((74.0, 102.0))
