"""An engine that is started while the monitor is up, and whose bus takes its time: no sensor of it is lost."""

from pathlib import Path

from shipped_ride import BUS, IDLE, KEY_ON, started

#: The air's pressure at 1,830 m, kPa (US Standard Atmosphere 1976): there the manifold stays long near the air's.
AIR = 81.2
DARK = dict.fromkeys(BUS)


def test_the_bus_may_be_late_at_a_start_on_a_mountain(tmp_path: Path) -> None:
    ride = started("bench-van", tmp_path)
    air = {"map": AIR, "engine_map": AIR, "barometer": AIR, "supply": 12.5, "module_voltage": 12.5}
    idle = IDLE | {"map": ride.wave(40.0, 0.5), "engine_map": 40.0, "barometer": AIR}
    ride.hold(3.0, KEY_ON | air).hold(20.0, idle).hold(3.0, KEY_ON | air).hold(30.0, {"supply": 12.5})
    at = ride.seconds
    # A modern engine computer answers one to two seconds after the key (common practice, no source).
    ride.hold(0.2, KEY_ON | air | DARK).hold(1.0, KEY_ON | air | DARK, map=AIR - 3.0, supply=10.4)
    ride.hold(0.6, IDLE | DARK, map=lambda s: 78.0 - 30.0 * s if s < 0.2 else 72.0 - 54.0 * (s - 0.2))
    ride.hold(5.0, idle)
    assert [r for r in ride.raised(at) if r[2] == "warning"] == []
