"""What sensors are like: lag, age, grounds and cross-talk, each by its own number."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from van_drives import STEP_S, Drive, Moment, idle, mean

from cabcanary_bench.faults.effects import HEALTHY
from cabcanary_bench.sensors.outputs import Sensors
from cabcanary_bench.sensors.traits import Traits, drawn
from cabcanary_bench.van.vehicle import DriverInput, Truth, Vehicle

PLAIN = Traits()


def steady(time_s: float, **changes: object) -> Truth:
    base = Vehicle().truth(DriverInput(True, False, 0.0))
    values: dict[str, object] = {
        "time_s": time_s, "running": True, "rpm": 2000.0, "exhaust_flow_g_s": 40.0, "lambda_cylinder": 0.82,
        "map_kpa": 140.0,
    }  # fmt: skip
    return replace(base, **{**values, **changes})  # type: ignore[arg-type]


def settled(traits: Traits, seconds: float = 30.0, **changes: object) -> Sensors:
    sensors = Sensors(1, traits)
    for n in range(round(seconds / STEP_S)):
        sensors.step(steady(n * STEP_S, **changes), HEALTHY)
    return sensors


def shown(traits: Traits, **changes: object) -> float:
    sensors = settled(traits, **changes)
    return mean([sensors.step(steady(30 + n * STEP_S, **changes), HEALTHY).wideband or 0.0 for n in range(200)])


def crossing_s(traits: Traits, **changes: object) -> float:
    """From a step of 0.82 to 0.95 in the cylinder to 63 % of it on the line, s."""
    sensors = settled(traits, **changes)
    for n in range(500):
        out = sensors.step(steady(30 + n * STEP_S, **{**changes, "lambda_cylinder": 0.95}), HEALTHY)
        if (out.wideband or 0.0) > 0.82 + 0.63 * 0.13:
            return n * STEP_S
    raise AssertionError("never arrived")


def test_an_old_wideband_answers_later_by_its_response_time() -> None:
    # A first-order lag reaches 63 % after one time constant.
    assert crossing_s(replace(PLAIN, response_s=0.30)) - crossing_s(PLAIN) == pytest.approx(0.22, abs=0.03)


def test_the_delay_falls_as_the_flow_rises_and_grows_with_the_pipe() -> None:
    assert crossing_s(PLAIN, exhaust_flow_g_s=4.0) - crossing_s(PLAIN, exhaust_flow_g_s=100.0) > 0.25
    longer = replace(PLAIN, pipe_m3=2 * PLAIN.pipe_m3)
    # 2.2 L more at 3 g/s and 600 K: 0.0022168 m3 x 0.5884 kg/m3 / 0.003 kg/s = 0.435 s.
    more = crossing_s(longer, exhaust_flow_g_s=3.0) - crossing_s(PLAIN, exhaust_flow_g_s=3.0)
    assert more == pytest.approx(0.435, abs=0.02)


def test_an_aged_wideband_shows_the_distance_from_one_too_large() -> None:
    assert shown(replace(PLAIN, lambda_error=0.10)) == pytest.approx(1 - 0.18 * 1.10, abs=0.002)


def test_back_pressure_pushes_the_reading_away_from_one() -> None:
    # Under back-pressure a rich mixture reads richer than true, a lean one leaner: 10 kPa at 100 g/s.
    pressed = replace(PLAIN, back_pressure=0.005)
    assert shown(pressed, exhaust_flow_g_s=100.0) == pytest.approx(1 - 0.18 * 1.05, abs=0.002)
    assert shown(pressed, exhaust_flow_g_s=100.0, lambda_cylinder=1.2) == pytest.approx(1 + 0.2 * 1.05, abs=0.003)
    assert shown(pressed, exhaust_flow_g_s=5.0) == pytest.approx(0.82, abs=0.002)


def test_warm_up_takes_as_long_as_the_sensor_needs() -> None:
    sensors = Sensors(1, replace(PLAIN, warm_up_s=25.0))
    ready = next(n * STEP_S for n in range(4000) if sensors.step(steady(n * STEP_S), HEALTHY).wideband_status == "ok")
    assert ready == pytest.approx(25.0, abs=0.05)


def test_a_long_thin_line_lags_behind_the_manifold() -> None:
    sensors = settled(replace(PLAIN, map_line_lag_s=0.2, map_noise_kpa=0.0), 5.0, map_kpa=40.0)
    after = [sensors.step(steady(5 + n * STEP_S, map_kpa=140.0), HEALTHY).map_kpa or 0.0 for n in range(100)]
    reached = next(n for n, kpa in enumerate(after) if kpa > 40 + 63.2) * STEP_S
    assert reached == pytest.approx(0.2, abs=0.03)


def test_a_pressure_error_and_a_supply_error_show_as_what_they_are() -> None:
    def volts(traits: Traits) -> float:
        sensors = settled(traits, 1.0)
        return mean([sensors.step(steady(1 + n * STEP_S), HEALTHY).map_v for n in range(300)])

    assert volts(replace(PLAIN, map_error_kpa=2.0)) - volts(PLAIN) == pytest.approx(2.0 / 57.5, abs=0.001)
    # 4.8 V in place of 5.0 V: 4 % less.
    assert volts(replace(PLAIN, supply_5v_share=0.96)) == pytest.approx(0.96 * volts(PLAIN), rel=1e-3)


def test_the_heater_s_current_lifts_the_ground_and_cross_talk_pulls_to_the_neighbour() -> None:
    def first(traits: Traits) -> tuple[float, float]:
        out = Sensors(1, traits).step(steady(0.0), HEALTHY)
        return out.map_v, out.charge_v

    volts, charge = first(PLAIN)
    assert first(replace(PLAIN, heater_ground_v=0.02)) == pytest.approx((volts + 0.02, charge + 0.02))
    assert first(replace(PLAIN, crosstalk=0.01))[0] == pytest.approx(volts + 0.01 * (charge - volts))


@pytest.mark.parametrize("seed", range(5))
def test_a_drawn_set_is_healthy_and_its_own(seed: int) -> None:
    traits = drawn(random.Random(seed))
    assert traits == drawn(random.Random(seed))
    assert traits != drawn(random.Random(seed + 1))
    drive = Drive((), (), traits).started()
    moments: list[Moment] = drive.on(40.0)
    warm = [m for m in moments[-500:] if m.shown.wideband is not None]
    assert len(warm) == 500
    # Healthy: idle at lambda 1 is shown within 0.01, the pressure within 2 kPa.
    assert mean([m.shown.wideband or 0.0 for m in warm]) == pytest.approx(1.0, abs=0.01)
    assert mean([(m.shown.map_kpa or 0.0) - m.truth.map_kpa for m in warm]) == pytest.approx(0.0, abs=2.0)


def test_below_its_regulator_s_need_the_five_volts_sag_with_the_supply() -> None:
    low = Sensors(1).step(steady(0.0, supply_v=5.0), HEALTHY)
    ordinary = Sensors(1).step(steady(0.0, supply_v=12.0), HEALTHY)
    # 5 V less 1 V of drop leaves 4 V: 80 % of a ratiometric signal.
    assert low.map_v == pytest.approx(0.8 * ordinary.map_v, rel=1e-3)
    assert math.isfinite(low.charge_v)
    assert idle(2.0)[-1].shown.map_kpa is not None
