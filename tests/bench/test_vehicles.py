"""Other vehicles than the bench van: compressors, metering, alternators, throttles, as textbooks describe them."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from van_drives import PSI_KPA, STEP_S, cruise, mean, one

from cabcanary_bench.faults.faults import Fault, FaultKind
from cabcanary_bench.van.build import Build
from cabcanary_bench.van.vehicle import DriverInput, Truth, Vehicle
from cabcanary_bench.wiring.obd import van_pids


class Road:
    """A vehicle that is started, brought to a speed, and driven on."""

    def __init__(self, build: Build, faults: tuple[Fault, ...] = ()) -> None:
        self.vehicle = Vehicle(build=build, faults=faults)
        self.on(2.0, crank=True)
        self.on(6.0)

    def on(
        self, seconds: float, speed: float = 0.0, pedal: float | None = None, gear: int | None = None,
        grade: float = 0.0, ramp: float | None = None, *, crank: bool = False,
    ) -> list[Truth]:  # fmt: skip
        found = []
        for n in range(round(seconds / STEP_S)):
            target = speed if ramp is None else min(speed, n * STEP_S * ramp)
            found.append(self.vehicle.step(STEP_S, DriverInput(True, crank, target, grade, pedal, gear=gear)))
        return found

    def at(self, speed: float, gear: int | None = None) -> Road:
        """Up to a speed and some time of steady cruise in a gear."""
        self.on(20.0, speed, ramp=speed / 15)
        self.on(15.0, speed, gear=gear)
        return self


def pulled(kind: str, speed: float, gear: int, seconds: float = 5.0, faults: tuple[Fault, ...] = ()) -> list[Truth]:
    """Full throttle in a gear from a cruise on."""
    return Road(Build(kind), faults).at(speed, gear).on(seconds, speed, pedal=100.0, gear=gear, grade=4.0)


def psi_near(moments: list[Truth], rpm: float) -> float:
    """Boost where the engine turned nearest to a speed, the throttle having been open for a second."""
    return min(moments[100:], key=lambda t: abs(t.rpm - rpm)).boost_kpa / PSI_KPA


# --- compressors ------------------------------------------------------------------------------------------


def test_boost_of_a_wheel_on_the_crankshaft_grows_with_the_square_of_its_speed() -> None:
    # Similarity: head goes with the square of tip speed (Heywood, ch. 6, from memory), so 1.2 times the speed is about
    # 1.44 times the boost; the throttle takes a little more at high flow.
    low = pulled("centrifugal", 50.0, 3, 12.0)
    rpms = [t.rpm for t in low]
    slow, fast = psi_near(low, 3000), psi_near(low, 3600)
    assert rpms[0] < 3000
    assert rpms[-1] > 3600
    assert fast / slow == pytest.approx((3600 / 3000) ** 2, rel=0.08)


def test_a_wheel_makes_next_to_nothing_at_low_speed_and_a_fixed_volume_makes_most_of_it() -> None:
    assert psi_near(pulled("centrifugal", 40.0, 4, 3.0), 1600) < 0.8
    assert psi_near(pulled("displacement", 40.0, 4, 3.0), 1600) > 3.0


@pytest.mark.parametrize(
    ("speed", "gear", "least_s", "most_s"),
    # The less exhaust there is, the longer a turbo takes: 0.3 to 3 s (common practice).
    [(50.0, 4, 1.5, 4.0), (70.0, 4, 0.3, 1.2), (95.0, 4, 0.0, 0.3)],
)
def test_a_turbo_spools_up_the_faster_the_more_exhaust_there_is(
    speed: float, gear: int, least_s: float, most_s: float
) -> None:
    moments = pulled("turbo", speed, gear)
    at_four = next(n for n, t in enumerate(moments) if t.boost_kpa > 4 * PSI_KPA) * STEP_S
    assert least_s <= at_four <= most_s


def test_a_fixed_volume_boosts_with_the_throttle_at_once() -> None:
    moments = pulled("displacement", 50.0, 4)
    assert next(n for n, t in enumerate(moments) if t.boost_kpa > 4 * PSI_KPA) * STEP_S < 0.5


def test_a_wastegate_holds_boost_near_its_target_over_speed() -> None:
    moments = pulled("turbo", 70.0, 3, 10.0)[300:]
    assert moments[-1].rpm - moments[0].rpm > 700
    assert all(5.5 < t.boost_kpa / PSI_KPA < 7.5 for t in moments)


def test_without_a_compressor_there_is_never_boost() -> None:
    assert all(t.boost_kpa <= 0.0 for t in pulled("none", 60.0, 3))


@pytest.mark.parametrize("kind", ["displacement", "centrifugal", "turbo"])
def test_over_boost_is_more_boost_in_every_kind(kind: str) -> None:
    healthy = pulled(kind, 70.0, 3, 8.0)
    broken = pulled(kind, 70.0, 3, 8.0, one(FaultKind.OVER_BOOST, 0.5))
    assert broken[-1].boost_kpa > healthy[-1].boost_kpa * 1.3


def test_a_lost_belt_takes_the_boost_of_what_it_drives_and_leaves_a_turbo_its_own() -> None:
    assert pulled("centrifugal", 70.0, 3, 6.0, one(FaultKind.BELT_LOST))[-1].boost_kpa < PSI_KPA
    assert pulled("turbo", 70.0, 3, 6.0, one(FaultKind.BELT_LOST))[-1].boost_kpa > 5 * PSI_KPA


# --- metering ---------------------------------------------------------------------------------------------


def trims(metering: str, speed: float, severity: float) -> float:
    """Both trims together in a steady state, percent, with a leak of this much."""
    road = Road(Build(metering=metering), one(FaultKind.VACUUM_LEAK, severity) if severity else ())
    road.on(20.0, speed, ramp=4.0)
    road.on(40.0, speed)
    return mean([t.short_trim_percent + t.long_trim_percent for t in road.on(10.0, speed)])


def test_unmetered_air_raises_the_trims_of_a_mass_air_engine_at_idle_and_less_with_flow() -> None:
    # Unmetered air is a fixed hole's flow, so its share falls as the engine takes more (common practice).
    idle = trims("mass_air", 0.0, 0.3) - trims("mass_air", 0.0, 0.0)
    moving = trims("mass_air", 70.0, 0.3) - trims("mass_air", 70.0, 0.0)
    assert idle > 6.0
    assert moving < idle / 2


def test_a_leak_of_a_speed_density_engine_leaves_the_trims_and_raises_idle_speed_and_pressure() -> None:
    def idling(severity: float) -> list[Truth]:
        road = Road(Build(), one(FaultKind.TAP_OPEN, severity) if severity else ())
        road.on(20.0)
        return road.on(10.0)

    healthy, leaking = idling(0.0), idling(1.0)
    assert mean([t.map_kpa for t in leaking]) > mean([t.map_kpa for t in healthy]) + 4
    assert mean([t.rpm for t in leaking]) > mean([t.rpm for t in healthy]) + 40
    trim = [mean([t.short_trim_percent + t.long_trim_percent for t in m]) for m in (healthy, leaking)]
    assert abs(trim[1] - trim[0]) < 2.0


# --- alternators ------------------------------------------------------------------------------------------


def volts(alternator: str) -> dict[str, float]:
    """Mean supply at idle, in cruise, in a pull and off the throttle, two minutes after the start."""
    road = Road(Build(alternator=alternator))
    road.on(60.0)
    found = {"idle": road.on(10.0)}
    road.on(20.0, 70.0, ramp=4.0)
    road.on(10.0, 70.0)
    found["cruise"] = road.on(10.0, 70.0)
    found["pull"] = road.on(8.0, 70.0, pedal=100.0, grade=6.0)[300:]
    found["overrun"] = [t for t in road.on(8.0, 70.0, pedal=0.0)[400:] if t.fuel_cut]
    return {name: mean([t.supply_v for t in moments]) for name, moments in found.items()}


def test_a_fixed_alternator_holds_its_voltage_everywhere() -> None:
    assert all(v == pytest.approx(14.2, abs=0.1) for v in volts("fixed").values())


def test_a_smart_alternator_rests_in_cruise_and_under_full_throttle_and_charges_off_it() -> None:
    # 12.2 to 15 V, unloaded at full throttle, recharging in overrun (common practice).
    found = volts("smart")
    assert found["cruise"] == pytest.approx(12.2, abs=0.15)
    assert found["pull"] == pytest.approx(12.2, abs=0.15)
    assert found["overrun"] == pytest.approx(14.8, abs=0.15)
    assert found["idle"] > 13.0


# --- throttle ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("percent", "shown"), [(0.0, 15.0), (50.0, 47.5), (100.0, 80.0)])
def test_a_throttle_shows_its_own_ends(percent: float, shown: float) -> None:
    # PID 11 is A * 100 / 255 (SAE J1979, from memory), so half a step is 0.2 %.
    build = Build(throttle_rest_percent=15.0, throttle_wide_percent=80.0)
    truth = Vehicle().truth(DriverInput(True, False, 0.0))
    assert truth.throttle_percent == 0.0
    data = van_pids(lambda: _opened(truth, percent), build)(0x11)
    assert data is not None
    assert data[0] * 100 / 255 == pytest.approx(shown, abs=0.2)


def _opened(truth: Truth, percent: float) -> Truth:
    return replace(truth, throttle_percent=percent)


@pytest.mark.parametrize(("rest", "wide"), [(80.0, 15.0), (-1.0, 80.0), (10.0, 101.0)])
def test_a_throttle_without_travel_is_refused(rest: float, wide: float) -> None:
    with pytest.raises(ValueError, match="throttle"):
        Build(throttle_rest_percent=rest, throttle_wide_percent=wide)


# --- the bench van stays what it is -----------------------------------------------------------------------------


def test_the_default_build_is_the_bench_van_to_the_last_bit() -> None:
    plain, built = Vehicle(), Vehicle(build=Build())
    for n in range(3000):
        wanted = DriverInput(True, n < 200, min(40.0, max(0.0, (n - 800) * 0.04)))
        assert plain.step(STEP_S, wanted) == built.step(STEP_S, wanted)


def test_a_cruise_is_the_same_in_all_kinds_but_for_what_a_turbine_holds_back() -> None:
    pressures = [mean([m.truth.map_kpa for m in cruise(5.0, build=Build(kind))]) for kind in ("none", "centrifugal")]
    assert all(abs(a - b) < 1.0 for a, b in pairwise(pressures))
