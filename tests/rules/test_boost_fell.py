"""Without a throttle sensor: a hose that comes off takes the boost to the air's pressure in a moment, and there it
stays; a foot that lifts takes it on into vacuum, or takes its time."""

import pytest
from shipped_ride import AIR_KPA, CRUISE, IDLE, KPA_PER_PSI, PULL, started

#: The three vehicles that know no throttle.
VEHICLES = ("market-hatchback", "harbour-pickup", "hill-estate")


@pytest.fixture(params=VEHICLES)
def pulling(request, tmp_path):
    """Three seconds into a healthy pull."""
    ride = started(request.param, tmp_path)
    ride.ramp(0.6, IDLE, PULL).hold(3.0, PULL, map=ride.wave(PULL["map"], 0.7))
    assert ride.raised() == []
    return ride


def lost(ride, since):
    return [(s, p) for s, alert, p in ride.raised(since) if alert == "boost_fell"]


@pytest.mark.parametrize("drop_s", [0.04, 0.15])
@pytest.mark.parametrize("below_psi", [-0.4, 1.0])
def test_a_hose_that_comes_off_is_heard_within_a_second_and_a_half(pulling, drop_s, below_psi):
    at, rest = pulling.seconds, AIR_KPA - below_psi * KPA_PER_PSI
    pulling.ramp(drop_s, PULL, PULL | {"map": rest}).hold(2.0, PULL, map=pulling.wave(rest, 0.7))
    ((after, priority),) = lost(pulling, at)
    assert after <= 1.5
    assert priority == "caution"


@pytest.mark.parametrize("lift_s", [0.05, 0.3])
@pytest.mark.parametrize("to", [30.0, 85.0])
def test_a_foot_that_lifts_is_no_hose(pulling, lift_s, to):
    at = pulling.seconds
    pulling.ramp(lift_s, PULL, CRUISE | {"map": to}).hold(3.0, CRUISE, map=pulling.wave(to, 0.7))
    assert lost(pulling, at) == []


@pytest.mark.parametrize("ease_s", [0.5, 3.0])
def test_a_foot_that_eases_to_no_boost_is_no_hose(pulling, ease_s):
    at = pulling.seconds
    pulling.ramp(ease_s, PULL, CRUISE | {"map": AIR_KPA}).hold(3.0, CRUISE, map=pulling.wave(AIR_KPA, 0.7))
    assert lost(pulling, at) == []


def test_a_shift_under_boost_is_no_hose(pulling):
    at = pulling.seconds
    pulling.ramp(0.1, PULL, CRUISE | {"map": 35.0}).hold(0.4, CRUISE, map=35.0)
    pulling.ramp(0.3, CRUISE | {"map": 35.0}, PULL).hold(3.0, PULL, map=pulling.wave(PULL["map"], 0.7))
    assert lost(pulling, at) == []
