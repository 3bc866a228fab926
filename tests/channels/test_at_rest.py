"""Whether an engine runs where there is no wire for its speed: told by manifold, wideband and supply."""

import json

import pytest

from cabcanary.channels.engine import EngineRunning
from cabcanary.model import Quality, Value
from cabcanary.settings.derived import EngineRunningChannel

S = 1_000_000_000
UNITS = {"map": "kPa", "lambda": "lambda", "supply": "V", "air_pressure": "kPa"}
ABSENT = Value(None, Quality.ABSENT, 0, reason="unplugged")
AIR = Value(100.0, Quality.WITHIN, 0, 3.0)
LEAN = Value(1.5, Quality.SATURATED_HIGH, 0)


class Car:
    def __init__(self, *fitted):
        keys = {"map": "pressure", "lambda": "lambda_channel", "supply": "supply", "air_pressure": "air"}
        spec = {"derive": "engine_running"} | {keys[f]: f for f in (*fitted, "map", "air_pressure")}
        self.channel = EngineRunning("running", EngineRunningChannel.model_validate(spec), UNITS)
        self.now_ns, self.seen = S, []

    def hold(self, seconds, kpa, mixture=1.0, supply=None, wave=0.0, air=AIR):
        """Every answer of some time; a running mixture goes to and fro by 0.02, as closed loop makes it."""
        self.seen = []
        for n in range(round(seconds / 0.05)):
            self.now_ns += S // 20
            gone = n * 0.05
            way = 1 if gone % 1.0 < 0.5 else -1
            at = kpa if isinstance(kpa, Value) else Value(kpa + wave * way, Quality.GOOD, 0)
            shown = mixture(way) if callable(mixture) else mixture
            shown = shown if isinstance(shown, Value) else Value(shown, Quality.GOOD, 0)
            values = {"map": at, "lambda": shown, "air_pressure": air}
            values["supply"] = ABSENT if supply is None else Value(supply, Quality.GOOD, 0)
            self.seen.append(self.channel.step(values, self.now_ns).value)
        return self

    def idle(self, **more):
        return self.hold(30, 33.0, BURNS, wave=0.5, **more)


def BURNS(way):
    return 1.0 + 0.02 * way


def test_a_vacuum_and_boost_are_made_by_an_engine_that_runs():
    car = Car("lambda")
    assert set(car.hold(1, 33.0).seen) == {1.0}
    assert set(car.hold(1, 140.0).seen) == {1.0}


def test_between_them_it_still_runs_until_it_is_quiet():
    assert set(Car("lambda").idle().hold(60, 80.0, BURNS, wave=2.0).seen) == {1.0}


@pytest.mark.parametrize(
    ("mixture", "why"), [(LEAN, "free air"), (1.35, "air and what is left"), (1.02, "gas that stands in the pipe")]
)
def test_after_the_engine_has_stopped_it_is_known_before_a_patient_rule_is_blind(mixture, why):
    car = Car("lambda").idle().hold(8, 100.0, mixture)
    assert car.seen[-1] == 0.0, why
    # And not sooner than nobody holds a throttle so still.
    assert 0.0 not in car.seen[: 5 * 20]


def test_with_the_wideband_dark_a_supply_that_rests_tells_it():
    assert Car("lambda", "supply").idle(supply=14.2).hold(30, 100.0, ABSENT, supply=12.6).seen[-1] == 0.0
    assert 0.0 not in Car("lambda", "supply").idle(supply=14.2).hold(60, 100.0, ABSENT, supply=14.2).seen
    # A wideband that died beside a pressure alone is a wideband that died.
    assert 0.0 not in Car("lambda").idle().hold(5, 33.0, ABSENT).hold(60, 100.0, ABSENT).seen
    assert 0.0 not in Car("lambda").idle().hold(5, 100.0, BURNS).hold(60, 100.0, ABSENT).seen


def test_a_start_stop_that_takes_the_widebands_feed_with_the_engine_is_a_stop():
    # An engine fills its manifold within a second or two (common practice, no source), and the feed goes with it.
    car = Car("lambda").idle().hold(1, 70.0, ABSENT).hold(8, 100.0, ABSENT)
    assert car.seen[-1] == 0.0
    assert 0.0 not in car.seen[: 5 * 20]
    # A pull in which the wideband dies at its first moment does not stay at the air's pressure, and is none.
    assert 0.0 not in Car("lambda").idle().hold(1, 70.0, ABSENT).hold(60, 100.0, ABSENT, wave=2.0).seen


def test_a_manifold_that_fills_slowly_at_its_end_does_not_begin_its_rest_anew():
    car = Car("lambda").idle().hold(0.3, 99.4, ABSENT).hold(0.6, 99.7, ABSENT).hold(1.5, 99.95, ABSENT)
    # By now half a kilopascal lies between the least and the most of its rest, and noise ends it.
    assert car.hold(3, 100.05, ABSENT).hold(1.4, 99.9, ABSENT).seen[-1] == 0.0


def test_a_sensor_that_drifts_does_not_end_a_stop():
    car = Car("lambda").idle().hold(8, 98.0, ABSENT)
    assert car.seen[-1] == 0.0
    for kpa in (98.5, 98.9, 98.2, 97.5, 96.9, 97.8):
        assert set(car.hold(4, kpa, ABSENT).seen) == {0.0}
    # A starter takes more than that.
    assert 0.0 not in car.hold(1, 92.5, ABSENT).seen


def test_a_pressure_that_goes_on_drifting_or_is_lost_is_no_stop_any_more():
    drifting = Car("lambda").idle().hold(8, 98.0, ABSENT)
    for kpa in (98.9, 99.8, 100.7):
        drifting.hold(4, kpa, ABSENT)
    assert drifting.seen[-1] != 0.0
    lost = Car("lambda").idle().hold(8, 98.0, ABSENT).hold(1, ABSENT, ABSENT)
    assert lost.hold(1, 98.0, ABSENT).seen[-1] != 0.0


@pytest.mark.parametrize("after_s", [0.0, 4.0])
def test_a_stop_that_drifted_goes_on_from_a_saved_state(after_s):
    car = Car("lambda").idle().hold(8, 98.0, ABSENT).hold(after_s, 98.9, ABSENT)
    other = Car("lambda")
    other.now_ns = car.now_ns
    other.channel.restore(json.loads(json.dumps(car.channel.state())))
    assert other.hold(3, 99.7, ABSENT).seen == car.hold(3, 99.7, ABSENT).seen == [0.0] * 60


@pytest.mark.parametrize(
    ("kpa", "mixture", "why"),
    [
        (100.0, BURNS, "the line has come off at idle, and the mixture burns on"),
        (80.0, 1.0, "a motorway's steady pressure is not the air's"),
        (80.0, LEAN, "nor is it in a lean moment"),
        (140.0, LEAN, "boost is no rest"),
        (33.0, LEAN, "nor is a vacuum"),
        (Value(100.0, Quality.STUCK, 0), LEAN, "a dead sensor is quiet too"),
        (ABSENT, ABSENT, "all dark may be a fuse"),
    ],
)
def test_what_only_looks_like_a_standing_engine_is_not_said_to_be_one(kpa, mixture, why):
    assert 0.0 not in Car("lambda").idle().hold(300, kpa, mixture).seen, why


def test_an_open_throttle_at_the_airs_pressure_is_no_rest():
    # A pull without boost: the manifold rises with the load by 1 kPa a second, and the mixture moves.
    car = Car("lambda").idle()
    for n in range(30):
        assert 0.0 not in car.hold(1, 97.0 + n % 4, 0.86 + 0.02 * (n % 3)).seen


def test_a_motorway_is_no_rest_even_where_the_air_is_not_known_any_more():
    wide = Value(88.0, Quality.WITHIN, 0, 9.0)
    car = Car("lambda").idle().hold(8, 95.0, 0.9, wave=3.0, air=wide).hold(600, 80.0, 1.0, air=wide)
    assert 0.0 not in car.seen


def test_the_engine_runs_again_with_the_first_vacuum():
    car = Car("lambda").idle().hold(30, 100.0, LEAN)
    assert car.seen[-1] == 0.0
    assert car.hold(1, 33.0, BURNS).seen[0] == 1.0


def test_who_has_an_engine_speed_is_asked_by_it():
    spec = {"derive": "engine_running", "engine_speed": "rpm", "pressure": "map", "lambda_channel": "lambda"}
    channel = EngineRunning("running", EngineRunningChannel.model_validate(spec), UNITS | {"rpm": "rpm"})
    for n in range(2000):
        kpa = 33.0 if n < 100 else 100.0
        values = {"rpm": ABSENT, "map": Value(kpa, Quality.GOOD, 0), "lambda": LEAN}
        value = channel.step(values, n * S // 20)
    assert value.value is None


def test_a_saved_state_goes_on_as_if_never_stopped():
    first, second = Car("lambda").idle().hold(4, 100.0, 1.02), Car("lambda")
    second.channel.restore(json.loads(json.dumps(first.channel.state())))
    second.now_ns = first.now_ns
    assert first.hold(10, 100.0, 1.02).seen == second.hold(10, 100.0, 1.02).seen
    assert {None, 0.0} <= set(second.seen)
    assert first.channel.state() == second.channel.state()


def test_a_drive_that_an_older_version_recorded_can_still_be_played():
    car = Car("lambda")
    car.channel.restore({})
    assert car.hold(1, 33.0).seen[-1] == 1.0
