"""Channels that contradict each other."""

from cabcanary.channels.cross import CrossCheck
from cabcanary.model import Quality, Value
from cabcanary.settings.checks import AgreeCheck, KeyOnCheck, OverrunCheck

S = 1_000_000_000
UNITS = {"map": "kPa", "engine_map": "kPa", "barometer": "kPa", "rpm": "rpm", "lambda": "lambda", "throttle": "%"}


def run(check: CrossCheck, seconds: float, at_s: float = 0.0, **numbers: float | None) -> Value:
    """The checked channel's value after these numbers have stood for so long."""
    for tick in range(int(seconds * 50) + 1):
        values = {
            name: Value(numbers.get(name), Quality.GOOD if numbers.get(name) is not None else Quality.ABSENT, 0)
            for name in UNITS
        }
        check.step(values, int((at_s + tick / 50) * S))
    return values[check.channel]


def agree(**more: object) -> CrossCheck:
    spec = {"kind": "agree", "channel": "map", "witness": "engine_map", "within": 8.0, "below": 100.0} | more
    return CrossCheck(AgreeCheck.model_validate(spec), UNITS)


def test_a_pressure_that_the_engines_own_sensor_contradicts_is_implausible() -> None:
    # A line that is off reads atmosphere while the manifold is at idle vacuum.
    told = run(agree(), 3.0, map=101.0, engine_map=35.0)
    assert told.quality is Quality.IMPLAUSIBLE
    assert told.reason == "differs from engine_map by +66 kPa"


def test_a_difference_in_passing_is_no_contradiction() -> None:
    check = agree()
    assert run(check, 1.0, map=90.0, engine_map=35.0).quality is Quality.GOOD
    assert run(check, 0.1, 1.0, map=36.0, engine_map=35.0).quality is Quality.GOOD
    assert run(check, 1.5, 1.1, map=90.0, engine_map=35.0).quality is Quality.GOOD


def test_a_witness_at_its_ceiling_says_nothing() -> None:
    # The engine's own sensor is a 1-bar part that ends near 105 to 115 kPa (common practice, no source).
    assert run(agree(), 10.0, map=160.0, engine_map=115.0).quality is Quality.GOOD


def test_a_witness_at_its_ceiling_proves_at_least_that_much() -> None:
    # A hose that is off reads the air while the engine's own sensor stands at its end: boost that is not seen.
    told = run(agree(), 3.0, map=90.0, engine_map=115.0)
    assert told.quality is Quality.IMPLAUSIBLE
    assert told.reason == "shows 90 kPa where engine_map shows at least 100"


def test_a_witness_that_is_gone_neither_accuses_nor_acquits() -> None:
    check = agree()
    run(check, 3.0, map=101.0, engine_map=35.0)
    assert run(check, 5.0, 3.0, map=101.0, engine_map=None).quality is Quality.IMPLAUSIBLE
    assert run(check, 0.1, 8.0, map=36.0, engine_map=35.0).quality is Quality.GOOD


def key_on(**more: object) -> CrossCheck:
    spec = {"kind": "key_on", "channel": "map", "engine_speed": "rpm", "barometer": "barometer"} | more
    return CrossCheck(KeyOnCheck.model_validate(spec), UNITS)


def test_with_the_key_on_the_manifold_must_show_the_air() -> None:
    assert run(key_on(), 2.0, map=100.5, barometer=101.0, rpm=0.0).quality is Quality.GOOD
    assert run(key_on(), 2.0, map=92.0, barometer=101.0, rpm=0.0).quality is Quality.IMPLAUSIBLE


# US Standard Atmosphere 1976: 14,000 ft 59.5 kPa is a road's; 40 kPa is at 7,200 m, and 115 kPa below any sea.
def test_no_road_is_as_high_or_as_low_as_this() -> None:
    for kpa, quality in ((59.5, Quality.GOOD), (40.0, Quality.IMPLAUSIBLE), (115.0, Quality.IMPLAUSIBLE)):
        assert run(key_on(barometer=None), 2.0, map=kpa, rpm=0.0).quality is quality


def test_a_verdict_from_the_key_on_lasts_through_the_drive() -> None:
    check = key_on()
    run(check, 2.0, map=80.0, barometer=101.0, rpm=0.0)
    assert run(check, 60.0, 2.0, map=35.0, barometer=101.0, rpm=800.0).quality is Quality.IMPLAUSIBLE


def overrun() -> CrossCheck:
    spec = {
        "kind": "overrun",
        "channel": "lambda",
        "pressure": "map",
        "throttle": "throttle",
        "engine_speed": "rpm",
        "below_idle_kpa": 30.0,
    }
    return CrossCheck(OverrunCheck.model_validate(spec), UNITS)


CUT = {"map": 22.0, "throttle": 1.0, "rpm": 2500.0}


def test_a_wideband_that_does_not_see_the_air_of_a_fuel_cut_is_not_believed() -> None:
    told = run(overrun(), 3.0, **{"lambda": 0.97}, **CUT)
    assert told.quality is Quality.IMPLAUSIBLE
    assert "fuel cut" in told.reason


def test_a_wideband_that_runs_lean_in_the_cut_is_believed() -> None:
    check = overrun()
    assert run(check, 0.5, **{"lambda": 0.97}, **CUT).quality is Quality.GOOD
    assert run(check, 5.0, 0.5, **{"lambda": 1.5}, **CUT).quality is Quality.GOOD


def test_several_short_cuts_do_not_add_up() -> None:
    check, at = overrun(), 0.0
    for _ in range(5):
        told = run(check, 1.0, at, **{"lambda": 1.0}, **CUT)
        run(check, 1.0, at + 1.0, **{"lambda": 1.0}, map=60.0, throttle=20.0, rpm=2500.0)
        at += 2.0
    assert told.quality is Quality.GOOD
