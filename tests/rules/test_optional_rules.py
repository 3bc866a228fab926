"""Shipped rules for parts that no shipped vehicle has: they run in one that has them, and sound as they say."""

from pathlib import Path

import pytest

from cabcanary.model import Frame, Quality, Value
from cabcanary.rules.engine import Engine
from cabcanary.rules.names import Measured, Setting
from cabcanary.rules.rule_set import build_rules
from cabcanary.settings.load import load_rule_file

RULES = Path(__file__).parents[2] / "config" / "rules"
UNITS = {
    "boost": "psi", "map": "kPa", "throttle": "%", "engine_speed": "rpm", "pressure_ratio": "ratio",
    "oil_pressure": "kPa", "oil_temperature": "°C", "exhaust_temperature": "°C", "knock_retard": "",
    "compressor_speed": "rpm", "coolant": "°C", "ambient_temperature": "°C", "charge_temperature": "°C",
    "fuel_pressure": "kPa", "fuel_pressure_absolute": "kPa", "bypass_position": "%", "bypass_command": "%",
    "boost_duty": "%", "engine_running": "state", "long_trim": "%", "fuel_system": "",
}  # fmt: skip
#: In a pull at 5 psi at the sea: 101.3 kPa and 34.5 kPa, a ratio of 1.34.
PULL = {
    "boost": 5, "map": 136, "throttle": 95, "engine_speed": 4200, "pressure_ratio": 1.34, "oil_pressure": 350,
    "oil_temperature": 100, "exhaust_temperature": 750, "knock_retard": 0, "compressor_speed": 9000, "coolant": 90,
    "ambient_temperature": 20, "charge_temperature": 60, "fuel_pressure": 335, "fuel_pressure_absolute": 436,
    "bypass_position": 2, "bypass_command": 0, "boost_duty": 60, "engine_running": 1, "long_trim": 0, "fuel_system": 4,
}  # fmt: skip
OFF = {"throttle": 0, "boost": -9, "map": 40, "pressure_ratio": 0.4, "bypass_position": 98, "bypass_command": 100}


def heard(change, first=None, lacks=()):
    """What sounds in 6 s of this, after 6 s of a healthy pull (or of `first`)."""
    files = [
        load_rule_file(RULES / f"{n}.toml") for n in ("bench-van", "engine", "heat", "fuel-pressure", "valves", "boost")
    ]
    full = Measured("ratio", "engine_speed", ((1500.0, 1.34), (6000.0, 1.34)))
    units = {n: u for n, u in UNITS.items() if n not in lacks}
    stages = ("untouched", "sensors", "plumbing", "compressor, low boost", "more boost")
    setting = Setting(
        units, stages=stages, stage="compressor, low boost", baselines={"full_ratio": full}, compressor="displacement"
    )
    rules, problems = build_rules(files, setting)
    assert not problems, problems
    engine = Engine(rules.rules, {}, units, "engine_running")
    found = []
    for n in range(600):
        now = PULL | (first or {}) | (change if n >= 300 else {})
        values = {c: Value(float(now[c]), Quality.GOOD, 0) for c in units}
        found += [(n, c.alert) for c in engine.step(Frame(n * 20_000_000, values)) if c.sounds]
    assert all(n >= 300 for n, _ in found), found
    return [alert for _, alert in found]


def test_a_healthy_pull_and_a_lift_off_are_silent():
    assert heard({}) == []
    assert heard(OFF) == []


@pytest.mark.parametrize(
    ("change", "alert"),
    [
        ({"oil_pressure": 80}, "oil_pressure_low"),
        ({"oil_temperature": 135}, "oil_hot"),
        ({"exhaust_temperature": 930}, "exhaust_hot"),
        ({"knock_retard": 6}, "knock_retard_boosted"),
        ({"compressor_speed": 14500}, "compressor_overspeed"),
        ({"coolant": 130}, "coolant_hot"),
        ({"bypass_position": 90}, "bypass_stuck_open"),
        # 5 psi explain 50 K + 5/8 of 35 K = 72 K over the air outside.
        ({"ambient_temperature": -10, "charge_temperature": 75}, "charge_hot"),
        # 335 kPa gauge less 34 kPa of boost are 301; 270 less 34 are 236, under the limit of 250.
        ({"fuel_pressure": 270}, "fuel_pressure_falling"),
        ({"fuel_pressure_absolute": 371}, "fuel_pressure_falling"),
        ({"long_trim": 20}, "rich_trim_boosted"),
        ({"fuel_system": 16}, "open_loop_by_fault"),
    ],
)
def test_each_sounds_in_a_vehicle_that_has_its_part(change, alert):
    assert heard(change) == [alert]


def test_a_gauge_sender_is_not_held_against_an_absolute_pressure():
    # 290 kPa gauge at the rail, 5 psi of boost: 256 kPa over the manifold. Against 136 kPa absolute it would be 154.
    assert heard({"fuel_pressure": 290}, lacks=("fuel_pressure_absolute",)) == []


def test_a_bypass_that_stays_shut_off_the_throttle_is_heard():
    assert heard({**OFF, "bypass_position": 5, "bypass_command": 0}) == ["bypass_stuck_shut"]


def test_a_valve_that_does_not_follow_its_command_is_heard_without_a_throttle():
    assert heard({"bypass_position": 90}, lacks=("throttle",)) == ["bypass_stuck_open"]
    assert heard({"bypass_command": 100}, lacks=("throttle",)) == ["bypass_stuck_shut"]


def test_duty_at_its_end_while_boost_is_short_is_heard():
    assert "boost_duty_at_its_end" in heard({"boost_duty": 99, "boost": 3.5, "map": 125, "pressure_ratio": 1.24})
    assert heard({"boost_duty": 99}) == []
