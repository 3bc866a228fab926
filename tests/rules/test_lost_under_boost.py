"""What is lost while boost is there or close is heard, on every vehicle of `config/`; what the key takes is not."""

import pytest
from shipped_ride import BUS, CRUISE, FED, IDLE, KEY_ON, PULL, VEHICLES, Ride

from cabcanary.model import Quality

#: What a shared fuse of the sensors darkens; the monitor's own supply goes on.
FUSED = dict.fromkeys((c for c in FED if c != "supply"), None)
BUS_LOST = dict.fromkeys(BUS, None)


@pytest.fixture(params=VEHICLES)
def ride(request, tmp_path):
    return Ride(request.param, tmp_path).started()


def boosted(ride):
    """Into a healthy pull, and two seconds of it: nothing is told."""
    ride.ramp(0.6, IDLE, PULL).hold(2.0, PULL, map=ride.wave(PULL["map"], 1.0))
    assert ride.raised() == []
    return ride


# --- everything dark at once ------------------------------------------------------------------------------------


@pytest.mark.parametrize("volts", [12.9, 14.1])
@pytest.mark.parametrize("bus", ["with the bus", "alone"])
def test_a_fuse_that_blows_under_boost_is_a_warning_and_not_the_key(ride, volts, bus):
    boosted(ride)
    at = ride.seconds
    ride.hold(15.0, PULL, supply=volts, **FUSED, **(BUS_LOST if bus == "with the bus" else {}))
    first = ride.first(at)
    assert first is not None
    assert first[0] <= 0.5
    assert ride.value("engine_running").value != 0.0
    # It goes on asking: nothing took it back as the key.
    assert any(a.sounds and a.active for a in ride.engine.alerts.values())


def test_a_feed_that_sags_through_an_idles_pressure_on_its_way_is_no_key(ride):
    boosted(ride)
    at = ride.seconds
    ride.hold(0.06, PULL, map=40.0)
    ride.hold(15.0, PULL, supply=12.9, **FUSED, **BUS_LOST)
    assert ride.first(at) is not None
    assert ride.value("engine_running").value != 0.0


def test_the_key_turned_at_idle_is_told_by_nothing(ride):
    boosted(ride).ramp(1.0, PULL, IDLE).hold(5.0, IDLE, map=ride.wave(33.0, 0.5))
    at = ride.seconds
    ride.hold(7.0, IDLE, supply=12.6, **FUSED, **BUS_LOST)
    assert ride.raised(at) == []
    if "supply" in ride.specs:
        ride.hold(60.0, IDLE, supply=12.6, **FUSED, **BUS_LOST)
        assert ride.raised(at) == []
        assert ride.value("engine_running").value == 0.0


def test_sensors_that_stay_powered_for_a_while_after_the_key_are_told_by_nothing(ride):
    boosted(ride).ramp(1.0, PULL, IDLE).hold(5.0, IDLE, map=ride.wave(33.0, 0.5))
    at, off = ride.seconds, KEY_ON | {"lambda": 1.02}
    ride.ramp(0.8, IDLE | {"engine_speed": 600.0, "lambda": 1.02, "supply": 12.6}, off).hold(3.0, off)
    ride.hold(7.0, off, **FUSED, **BUS_LOST)
    assert ride.raised(at) == []


@pytest.mark.parametrize("vehicle", ["harbour-pickup", "hill-estate", "bench-van"])
def test_what_cannot_have_been_the_key_is_it_once_all_has_rested_for_a_minute(tmp_path, vehicle):
    ride = boosted(Ride(vehicle, tmp_path).started())
    ride.hold(50.0, PULL, supply=12.6, **FUSED, **BUS_LOST)
    assert ride.value("engine_running").value is None
    ride.hold(15.0, PULL, supply=12.6, **FUSED, **BUS_LOST)
    assert ride.value("engine_running").value == 0.0


def test_a_vehicle_that_drives_home_on_a_resting_alternator_is_not_taken_for_a_parked_one(tmp_path):
    ride = boosted(Ride("harbour-pickup", tmp_path).started())
    at = ride.seconds
    ride.hold(120.0, PULL, supply=lambda s: 12.9 if s % 10.0 < 8.0 else 12.6, **FUSED)
    assert ride.value("engine_running").value is None
    assert ride.first(at) is not None


@pytest.mark.parametrize("vehicle", ["harbour-pickup", "hill-estate", "bench-van"])
def test_a_fuse_that_blows_at_a_loaded_cruise_is_heard(tmp_path, vehicle):
    ride = Ride(vehicle, tmp_path).started().ramp(1.0, IDLE, CRUISE)
    ride.hold(5.0, CRUISE, map=ride.wave(60.0, 1.0))
    at = ride.seconds
    ride.hold(12.0, CRUISE, supply=12.9, **FUSED, **BUS_LOST)
    assert ride.first(at) is not None


# --- one sensor -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("vehicle", ["hill-estate", "bench-van"])
def test_a_wideband_whose_heater_is_lost_in_mid_pull_is_a_warning(tmp_path, vehicle):
    ride = boosted(Ride(vehicle, tmp_path).started().hold(20.0, IDLE))
    at = ride.seconds
    ride.hold(3.0, PULL, **{"lambda": Quality.WARMING})
    first = ride.first(at)
    assert first is not None
    assert first[1] == "cannot_see_lambda"
    assert first[0] <= 0.5


@pytest.mark.parametrize("vehicle", ["hill-estate", "bench-van"])
def test_boost_while_a_wideband_warms_up_after_a_stop_is_a_caution(tmp_path, vehicle):
    ride = Ride(vehicle, tmp_path).started().hold(20.0, IDLE).hold(5.0, KEY_ON)
    at = ride.seconds
    ride.hold(3.0, IDLE, **{"lambda": Quality.WARMING}).ramp(0.6, IDLE, PULL, **{"lambda": Quality.WARMING})
    ride.hold(3.0, PULL, **{"lambda": Quality.WARMING})
    assert {(a, p) for _, a, p in ride.raised(at)} == {("cannot_see_lambda", "caution")}
