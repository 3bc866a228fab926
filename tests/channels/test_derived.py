"""Boost, the fuel-cut mask, engine running and the moment of burning."""

import pytest

from cabcanary.channels.air import AirPressure
from cabcanary.channels.boost import Boost
from cabcanary.channels.engine import EngineRunning
from cabcanary.channels.gas import AsBurnt, FuelCutGas
from cabcanary.model import Quality, Value
from cabcanary.settings.derived import (
    AirPressureChannel,
    AsBurntChannel,
    BoostChannel,
    EngineRunningChannel,
    FuelCutChannel,
)

MS = 1_000_000
UNITS = {
    "map": "kPa",
    "barometer": "kPa",
    "air_pressure": "kPa",
    "engine_speed": "rpm",
    "supply": "V",
    "lambda": "lambda",
    "throttle": "%",
    "boost": "psi",
}


def good(value, quality=Quality.GOOD):
    return Value(value, quality, 0)


ABSENT = Value(None, Quality.ABSENT, 0, reason="unplugged")


# --- boost ------------------------------------------------------------------------------------------------
# US Standard Atmosphere 1976: 101.325 kPa at sea level, 84.31 kPa at 5000 ft (1524 m).
SEA_LEVEL, AT_5000_FT = 101.325, 84.311


class BoostOverAir:
    """Boost with the air pressure that it is taken against, as the pipeline steps the two."""

    def __init__(self, barometer=None, engine_speed=None, supply=None):
        air = {"derive": "air_pressure", "unit": "kPa", "pressure": "map", "engine_speed": engine_speed}
        air |= {"supply": supply, "sensors": [barometer] if barometer else []}
        self.air = AirPressure("air_pressure", AirPressureChannel.model_validate(air), UNITS)
        over = BoostChannel.model_validate({"derive": "boost", "unit": "psi"})
        self.boost = Boost("boost", over, UNITS, "absolute")

    def step(self, values, now_ns):
        return self.boost.step({**values, "air_pressure": self.air.step(values, now_ns)}, now_ns)

    def state(self):
        return self.air.state()

    def restore(self, state):
        self.air.restore(state)


def boost(**more):
    return BoostOverAir(**more)


def run(derived, ticks, spacing_ms=20, start_ms=0):
    """Step a derived channel over (values) ticks; the last answer."""
    for n, values in enumerate(ticks):
        value = derived.step(values, (start_ms + n * spacing_ms) * MS)
    return value


def test_boost_is_what_the_manifold_has_above_the_barometer():
    # 8 psi is 55.158 kPa (NIST SP 811: 6.894757 kPa each).
    value = boost(barometer="barometer").step({"map": good(SEA_LEVEL + 55.158), "barometer": good(SEA_LEVEL)}, 0)
    assert value.value == pytest.approx(8.0, abs=1e-4)


def test_at_altitude_the_barometer_counts_and_not_a_fixed_sea_level():
    # 8 psi of boost at 5000 ft; a fixed sea-level barometer would read 2.468 psi less.
    values = {"map": good(AT_5000_FT + 55.158), "barometer": good(AT_5000_FT)}
    read = boost(barometer="barometer").step(values, 0).value
    assert read == pytest.approx(8.0, abs=1e-4)
    fixed = (AT_5000_FT + 55.158 - 101.325) / 6.894757
    assert read - fixed == pytest.approx(2.468, abs=1e-3)


def test_below_the_barometer_boost_is_negative():
    value = boost(barometer="barometer").step({"map": good(33.6), "barometer": good(101.325)}, 0)
    # 20 inHg of vacuum is 67.7 kPa, or 9.82 psi (NIST SP 811: 3.386389 kPa an inch).
    assert value.value == pytest.approx(-9.82, abs=0.01)


def test_a_barometer_once_known_is_kept_when_its_channel_falls_silent():
    channel = boost(barometer="barometer")
    channel.step({"map": good(100.0), "barometer": good(AT_5000_FT)}, 0)
    value = channel.step({"map": good(AT_5000_FT + 55.158), "barometer": good(None, Quality.STALE)}, 20 * MS)
    assert value.value == pytest.approx(8.0, abs=1e-4)


def key_on(kpa, **more):
    return {"map": good(kpa), "barometer": ABSENT, "engine_speed": good(0.0), **more}


def test_without_a_barometer_the_still_manifold_with_the_key_on_is_one():
    channel = boost(barometer="barometer", engine_speed="engine_speed")
    assert run(channel, [key_on(AT_5000_FT)] * 24).quality is Quality.WITHIN
    run(channel, [key_on(AT_5000_FT)] * 4, start_ms=480)
    running = {"map": good(AT_5000_FT + 55.158), "barometer": ABSENT, "engine_speed": good(3000.0)}
    assert channel.step(running, 600 * MS).value == pytest.approx(8.0, abs=1e-4)


def test_the_barometers_own_channel_outranks_the_key_on_reading():
    channel = boost(barometer="barometer", engine_speed="engine_speed")
    run(channel, [key_on(98.0)] * 30)
    run(channel, [key_on(98.0, barometer=good(84.311))], start_ms=600)
    value = run(channel, [key_on(98.0)] * 60, start_ms=620)
    # 13.689 kPa: the manifold that once was the barometer no longer is.
    assert value.value == pytest.approx(13.689 / 6.894757, abs=1e-4)


@pytest.mark.parametrize(
    ("values", "why"),
    [
        (key_on(AT_5000_FT, engine_speed=good(800.0)), "the engine turns"),
        (key_on(AT_5000_FT, engine_speed=ABSENT), "nobody knows whether it turns"),
        (key_on(33.0), "an idle's vacuum is no barometer"),
        (key_on(150.0), "boost is no barometer"),
    ],
)
def test_no_pressure_is_taken_for_the_barometer_unless_the_engine_is_known_to_stand(values, why):
    channel = boost(barometer="barometer", engine_speed="engine_speed")
    assert run(channel, [values] * 200).quality is Quality.WITHIN, why


def test_a_manifold_that_is_not_still_is_no_barometer():
    channel = boost(barometer="barometer", engine_speed="engine_speed")
    # Somebody opens the throttle of a spinning-down engine: 4 kPa up and down.
    ticks = [key_on(90.0 + 4.0 * (n // 10 % 2)) for n in range(200)]
    assert run(channel, ticks).quality is Quality.WITHIN


def test_a_charging_supply_is_no_key_on_reading_and_a_rested_one_is():
    # A rested battery stands near 12.6 V, a charging one above 13.2 V (common practice).
    for volts, known in ((14.1, False), (12.6, True)):
        channel = boost(supply="supply")
        value = run(channel, [{"map": good(98.0), "supply": good(volts)}] * 40)
        assert (value.quality is Quality.GOOD) is known


def test_by_the_supply_alone_the_air_is_learnt_once_and_not_from_a_cruise():
    # Smart alternators rest near 12.6 V while the engine runs (common practice): a cruise then looks like a key-on.
    channel = boost(supply="supply")
    run(channel, [{"map": good(98.0), "supply": good(12.4)}] * 40)
    value = run(channel, [{"map": good(70.0), "supply": good(12.6)}] * 200, start_ms=800)
    assert value.value == pytest.approx(-28.0 / 6.894757, abs=1e-3)


@pytest.mark.parametrize("quality", [Quality.OUT_OF_RANGE, Quality.STALE, Quality.ABSENT, Quality.IMPLAUSIBLE])
def test_boost_is_as_blind_as_its_pressure(quality):
    channel = boost(barometer="barometer")
    value = channel.step({"map": Value(140.0, quality, 0, reason="0.02 V"), "barometer": good(100.0)}, 0)
    assert (value.value, value.quality, value.reason) == (None, quality, "map: 0.02 V")


def test_a_pressure_at_the_end_of_its_range_is_at_least_that_boost():
    channel = boost(barometer="barometer")
    value = channel.step({"map": good(250.0, Quality.SATURATED_HIGH), "barometer": good(100.0)}, 0)
    assert value.quality is Quality.SATURATED_HIGH


# --- fuel-cut mask ------------------------------------------------------------------------------------------
CRUISE = {"lambda": good(1.0), "map": good(45.0), "throttle": good(15.0)}
OVERRUN = {"lambda": good(1.5, Quality.SATURATED_HIGH), "map": good(22.0), "throttle": good(0.5)}
BOOST = {"lambda": good(1.5, Quality.SATURATED_HIGH), "map": good(150.0), "throttle": good(90.0)}


def mask(**more):
    written = {
        "derive": "fuel_cut_gas",
        "below_idle_kpa": 30.0,
        "throttle": "throttle",
        "transport_delay": "150 ms",
        **more,
    }
    return FuelCutGas("mask", FuelCutChannel.model_validate(written), UNITS, 0.08)


def masked(channel, values, at_ms):
    value = channel.step(values, round(at_ms * MS))
    assert value.quality is Quality.GOOD
    return value.value == 1.0


def test_an_observed_fuel_cut_is_masked():
    assert masked(mask(), OVERRUN, 0)


@pytest.mark.parametrize(
    ("values", "cut"),
    [
        ({**OVERRUN, "lambda": good(0.95)}, True),  # throttle shut is enough
        ({**OVERRUN, "throttle": good(30.0)}, True),  # so is a mixture that cannot burn
        ({**OVERRUN, "throttle": ABSENT}, True),
        ({**OVERRUN, "throttle": ABSENT, "lambda": good(0.95)}, False),  # nothing was observed
        ({**OVERRUN, "throttle": good(30.0), "lambda": good(1.1)}, False),  # lean, and burns
        ({**OVERRUN, "map": good(45.0)}, False),  # not below idle
        ({**OVERRUN, "map": ABSENT}, False),  # never with an unknown pressure
        ({**OVERRUN, "map": good(22.0, Quality.OUT_OF_RANGE)}, False),
        ({**OVERRUN, "map": good(22.0, Quality.SATURATED_HIGH)}, False),
        ({**OVERRUN, "map": good(22.0, Quality.SATURATED_LOW)}, True),
    ],
)
def test_a_cut_is_what_was_observed_and_nothing_else(values, cut):
    assert masked(mask(), values, 0) is cut


def test_the_mask_holds_for_the_gas_on_its_way_and_three_response_times():
    # 150 ms transport and three times 80 ms: 390 ms (95 % of a first-order step; from memory).
    channel = mask()
    masked(channel, OVERRUN, 0)
    assert masked(channel, BOOST, 390)
    assert not masked(channel, BOOST, 391)


def test_the_mask_ends_at_its_cap_however_slow_the_sensor():
    channel = FuelCutGas(
        "mask",
        FuelCutChannel.model_validate({"derive": "fuel_cut_gas", "below_idle_kpa": 30.0, "longest": "300 ms"}),
        UNITS,
        2.0,
    )
    masked(channel, OVERRUN, 0)
    assert masked(channel, BOOST, 300)
    assert not masked(channel, BOOST, 301)


def test_boost_entry_alone_masks_nothing():
    channel = mask()
    masked(channel, CRUISE, 0)
    assert not any(masked(channel, BOOST, 20 * n) for n in range(1, 100))


def test_a_pressure_in_another_unit_is_compared_as_pressure():
    channel = FuelCutGas(
        "mask",
        FuelCutChannel.model_validate({"derive": "fuel_cut_gas", "below_idle_kpa": 30.0}),
        UNITS | {"map": "psi"},
        0.08,
    )
    # 30 kPa is 4.35 psi (NIST SP 811).
    assert masked(channel, {"lambda": good(1.5, Quality.SATURATED_HIGH), "map": good(4.34)}, 0)
    assert not masked(channel, {"lambda": good(1.5, Quality.SATURATED_HIGH), "map": good(4.36)}, 5000)


# --- engine running ------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("speed", "supply", "pressure", "mixture", "expected"),
    [
        (good(800.0), good(14.0), good(33.0), good(1.0), 1.0),
        (good(200.0), good(10.0), good(90.0), ABSENT, 0.0),  # the starter turns it
        (good(0.0), good(12.4), good(101.0), good(1.0), 0.0),
        (good(800.0), good(11.5), good(33.0), good(1.0), 1.0),  # a dead alternator does not stop an engine
        (ABSENT, good(14.0), good(33.0), good(1.0), 1.0),  # nor does a dead bus
        (ABSENT, good(12.4), good(33.0), good(1.0), 1.0),  # both at once: an idle's vacuum needs an engine that turns
        (ABSENT, good(12.4), good(142.0), ABSENT, 1.0),  # and so does boost
        (ABSENT, good(12.4), good(100.0), good(1.0), None),  # the air's pressure tells nothing
        (good(0.0), good(14.0), good(142.0), ABSENT, None),  # a speed of nothing under boost contradicts itself
        (ABSENT, good(12.4), good(101.0), ABSENT, None),
        (ABSENT, good(12.4), ABSENT, ABSENT, 0.0),  # the key is off: all is dark
        (ABSENT, good(12.6, Quality.STUCK), ABSENT, ABSENT, 0.0),  # a battery at rest does not move its last digit
        (ABSENT, good(14.1, Quality.STUCK), ABSENT, ABSENT, None),
        (ABSENT, good(12.6, Quality.STUCK), good(100.0), ABSENT, None),
        (ABSENT, ABSENT, ABSENT, ABSENT, None),  # nothing at all is no knowledge
        (good(800.0, Quality.STALE), ABSENT, good(33.0), good(1.0), 1.0),
        (good(800.0, Quality.STALE), ABSENT, good(99.0), good(1.0), None),
    ],
)
def test_an_engine_is_said_to_stand_only_when_it_is_known_to(speed, supply, pressure, mixture, expected):
    spec = EngineRunningChannel.model_validate(
        {
            "derive": "engine_running",
            "engine_speed": "engine_speed",
            "supply": "supply",
            "pressure": "map",
            "lambda_channel": "lambda",
        }
    )
    channel = EngineRunning("running", spec, UNITS)
    value = channel.step({"engine_speed": speed, "supply": supply, "map": pressure, "lambda": mixture}, 0)
    assert value.value == expected
    assert (value.quality is Quality.GOOD) == (expected is not None)


@pytest.mark.parametrize(
    ("supply", "pressure", "mixture", "expected"),
    [
        (good(12.5), good(101.0), good(1.5), 0.0),
        (good(12.5), ABSENT, ABSENT, 0.0),  # the key has taken the sensors' supply along
        (good(14.1), ABSENT, ABSENT, 0.0),  # and the battery has its surface charge still
        (good(14.1), good(101.0), ABSENT, None),  # a loose ignition wire, and an alternator that charges
        (good(12.4), good(142.0), ABSENT, None),  # a loose ignition wire under boost
        (good(12.4), good(33.0), ABSENT, None),
    ],
)
def test_an_ignition_that_is_off_is_believed_only_where_nothing_contradicts(supply, pressure, mixture, expected):
    spec = EngineRunningChannel.model_validate(
        {
            "derive": "engine_running",
            "ignition": "ignition",
            "engine_speed": "engine_speed",
            "supply": "supply",
            "pressure": "map",
            "lambda_channel": "lambda",
        }
    )
    values = {"engine_speed": ABSENT, "supply": supply, "map": pressure, "lambda": mixture, "ignition": good(0.0)}
    channel = EngineRunning("running", spec, UNITS | {"ignition": "state"})
    assert channel.step(values, 0).value == expected


def test_a_supply_alone_never_says_that_the_engine_stands():
    # A dead alternator looks the same.
    spec = EngineRunningChannel.model_validate({"derive": "engine_running", "supply": "supply"})
    assert EngineRunning("running", spec, UNITS).step({"supply": good(12.2)}, 0).value is None


# --- the moment of burning -----------------------------------------------------------------------------------


@pytest.fixture
def as_burnt():
    spec = AsBurntChannel.model_validate(
        {"derive": "as_burnt", "of": "boost", "unit": "psi", "transport_delay": "0.1 s"}
    )
    return AsBurnt("then", spec, UNITS, 0.08)


def test_a_value_is_shown_once_its_gas_has_reached_the_sensor(as_burnt):
    shown = [as_burnt.step({"boost": good(float(n))}, 20 * n * MS).value for n in range(20)]
    # 100 ms on the way and 80 ms in the sensor, in ticks of 20 ms: nine ticks ago.
    assert shown == [None] * 9 + [float(n) for n in range(11)]


def test_until_the_gas_has_had_its_time_the_value_is_unknown_and_not_zero(as_burnt):
    assert as_burnt.step({"boost": good(8.0)}, 0).quality is Quality.ABSENT


def test_a_blind_moment_comes_up_as_blind_as_it_was(as_burnt):
    ticks = [good(1.0), good(2.0), ABSENT, good(4.0)] + [good(5.0)] * 20
    shown = [as_burnt.step({"boost": v}, 20 * n * MS) for n, v in enumerate(ticks)]
    assert [v.quality for v in shown[9:13]] == [Quality.GOOD, Quality.GOOD, Quality.ABSENT, Quality.GOOD]


# --- a restart in the middle ------------------------------------------------------------------------------------


def test_a_quiet_spell_with_the_key_on_goes_on_after_a_restart():
    first = boost(barometer="barometer", engine_speed="engine_speed")
    second = boost(barometer="barometer", engine_speed="engine_speed")
    run(first, [key_on(98.0)] * 20)
    second.restore(first.state())
    assert run(second, [key_on(98.0)] * 10, start_ms=400).quality is Quality.GOOD


def test_a_fuel_cut_that_was_seen_still_masks_after_a_restart():
    first, second = mask(), mask()
    masked(first, OVERRUN, 0)
    second.restore(first.state())
    assert masked(second, BOOST, 300)
    assert not masked(second, BOOST, 400)
