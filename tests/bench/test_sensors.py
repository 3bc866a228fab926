"""The sensors behave like their kind: delay, lag, warm-up, ranges, wire faults."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from cabcanary.model import Quality, Reading, Value
from cabcanary.plan.plan import load_plan
from cabcanary_bench.faults.faults import Effects
from cabcanary_bench.paths import config_folder
from cabcanary_bench.sensors.outputs import GasColumn, Sensors, exhaust_k, map_kpa, map_volts, ntc_ohm, ntc_volts
from cabcanary_bench.van.vehicle import DriverInput, Truth, Vehicle

STEP_S = 0.01
OK = Effects()


def truth_at(time_s: float, **changes: object) -> Truth:
    vehicle = Vehicle()
    base = vehicle.truth(DriverInput(True, False, 0.0))
    values: dict[str, object] = {
        "time_s": time_s, "running": True, "rpm": 2000.0, "exhaust_flow_g_s": 40.0, "lambda_cylinder": 0.82,
        "map_kpa": 140.0,
    }  # fmt: skip
    return replace(base, **{**values, **changes})  # type: ignore[arg-type]


def warm(sensors: Sensors, seconds: float = 20.0, **changes: object) -> float:
    for n in range(round(seconds / STEP_S)):
        sensors.step(truth_at(n * STEP_S, **changes), OK)
    return seconds


@pytest.mark.parametrize(
    ("celsius", "ohm", "volts"),
    [(0, 33_621, 4.655), (25, 10_000, 4.003), (60, 2486.2, 2.498), (100, 697.5, 1.094)],
)
def test_the_thermistor_follows_the_beta_equation(celsius: float, ohm: float, volts: float) -> None:
    # R = R25 exp(B (1/T - 1/298.15)), 10 kohm, B 3950; 5 V over 2.49 kohm; worked by hand.
    assert ntc_ohm(celsius) == pytest.approx(ohm, rel=1e-4)
    assert ntc_volts(celsius) == pytest.approx(volts, abs=1e-3)


@pytest.mark.parametrize(
    ("volts", "celsius"), [(4.967, -39.0), (4.939, -30.0), (4.885, -20.0), (2.498, 60.0), (0.703, 120.0)]
)
def test_the_van_s_settings_read_it_from_the_coldest_morning_on(volts: float, celsius: float) -> None:
    # The same equation, by hand: 373.8 kohm at -39, 200.2 at -30, 105.4 at -20 °C.
    shown = charge_temperature(volts)
    assert (shown.quality, shown.value) == (Quality.GOOD, pytest.approx(celsius, abs=0.5))
    assert ntc_volts(celsius) == pytest.approx(volts, abs=1e-3)


@pytest.mark.parametrize("volts", [0.0, 5.0])
def test_a_short_or_an_open_wire_is_still_told_from_cold_and_hot(volts: float) -> None:
    assert charge_temperature(volts).quality is Quality.OUT_OF_RANGE


def charge_temperature(volts: float) -> Value:
    """What the bench van's settings make of a voltage."""
    pipeline = load_plan(config_folder() / "bench-van.toml").pipeline()
    now_ns = 1_000_000_000
    frame = pipeline.step({("adc", "voltage2"): Reading("adc", "voltage2", volts * 1000, now_ns)}, now_ns)
    return frame.values["charge_temperature"]


@pytest.mark.parametrize(("kpa", "volts"), [(20.0, 0.5), (135.0, 2.5), (250.0, 4.5)])
def test_the_pressure_sensor_is_ratiometric(kpa: float, volts: float) -> None:
    assert map_volts(kpa) == pytest.approx(volts)
    assert map_kpa(volts) == pytest.approx(kpa)
    assert map_volts(kpa, supply_v=4.8) == pytest.approx(volts * 0.96)


def test_outside_its_range_the_pressure_sensor_shows_nothing() -> None:
    assert map_kpa(0.0) is None
    assert map_kpa(5.0) is None
    assert 0.0 < map_volts(0.0) < 0.5
    assert 4.5 < map_volts(400.0) < 5.0


@pytest.mark.parametrize(
    ("flow", "celsius_k", "rpm", "delay_s"),
    # Pipe 0.0022168 m3 at density p/(R T), over the flow, plus 720 degrees at the speed.
    [(3.0, 600, 700, 0.606), (40.0, 964, 2000, 0.080), (150.0, 1150, 6000, 0.0245)],
)
def test_gas_takes_pipe_and_engine_cycle_to_arrive(flow: float, celsius_k: float, rpm: float, delay_s: float) -> None:
    assert exhaust_k(flow) == pytest.approx(celsius_k, abs=5)
    column, dt = GasColumn(), 0.001
    for n in range(2000):
        column.step(dt, truth_at(n * dt, exhaust_flow_g_s=flow, rpm=rpm, lambda_cylinder=1.0))
    arrived = 0
    while column.step(dt, truth_at(2.0 + arrived * dt, exhaust_flow_g_s=flow, rpm=rpm, lambda_cylinder=math.inf)) > 0.5:
        arrived += 1
    assert arrived * dt == pytest.approx(delay_s, abs=0.004)


def test_the_wideband_answers_in_its_response_time() -> None:
    sensors = Sensors()
    now = warm(sensors)
    shown = [sensors.step(truth_at(now + n * STEP_S, lambda_cylinder=0.95), OK).wideband or 0.0 for n in range(60)]
    first = next(n for n, value in enumerate(shown) if value > 0.828)
    reached = next(n for n, value in enumerate(shown) if value > 0.82 + 0.63 * 0.13)
    assert 0.05 <= (reached - first) * STEP_S <= 0.10
    assert shown[-1] == pytest.approx(0.95, abs=0.01)


def test_free_air_pins_it_at_its_lean_end() -> None:
    sensors = Sensors()
    now = warm(sensors)
    for n in range(100):
        out = sensors.step(truth_at(now + n * STEP_S, lambda_cylinder=math.inf), OK)
    assert out.wideband == 1.5
    assert out.line == b"lambda=1.500 status=ok\r\n"


def test_it_heats_first_and_again_after_the_key_was_off() -> None:
    sensors = Sensors()
    out = sensors.step(truth_at(0.0), OK)
    assert (out.wideband, out.line) == (None, b"lambda=--- status=heating\r\n")
    now = warm(sensors)
    assert sensors.step(truth_at(now), OK).wideband is not None
    off = sensors.step(truth_at(now + 0.01, key_on=False), OK)
    assert (off.line, off.map_v, off.charge_v) == (b"", 0.0, 0.0)
    assert sensors.step(truth_at(now + 0.02), OK).wideband_status == "heating"


@pytest.mark.parametrize(
    ("effects", "line"),
    [
        (Effects(wideband_stuck=math.inf), b"lambda=1.500 status=ok\r\n"),
        (Effects(wideband_stuck=-math.inf), b"lambda=0.650 status=ok\r\n"),
        (Effects(wideband_silent=True), b""),
    ],
)
def test_wideband_faults_show_on_the_line_at_once(effects: Effects, line: bytes) -> None:
    sensors = Sensors()
    now = warm(sensors)
    assert sensors.step(truth_at(now), effects).line == line


def test_pressure_faults_show_in_the_voltage() -> None:
    sensors = Sensors()
    off = sensors.step(truth_at(0.0), Effects(map_line_off=True))
    assert off.boost_kpa == pytest.approx(0.0, abs=1.0)
    assert sensors.step(truth_at(0.01), Effects(map_stuck_v=0.0)).map_kpa is None
    assert sensors.step(truth_at(0.02), Effects(map_stuck_v=5.0)).map_v == 5.0


def test_noise_is_as_stated() -> None:
    sensors = Sensors()
    warm(sensors)
    outs = [sensors.step(truth_at(20 + n * STEP_S), OK) for n in range(2000)]

    def spread(values: list[float]) -> float:
        mean = sum(values) / len(values)
        return math.sqrt(sum((v - mean) ** 2 for v in values) / len(values))

    assert spread([o.wideband or 0.0 for o in outs]) == pytest.approx(0.002, rel=0.1)
    assert spread([o.map_kpa or 0.0 for o in outs]) == pytest.approx(0.15, rel=0.1)
    assert outs[-1].supply_v * 4 == pytest.approx(12.5, abs=0.06)
