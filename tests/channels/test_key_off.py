"""Everything dark at once: the key, or a feed that broke down under load?"""

import json

import pytest

from cabcanary.channels.engine import EngineRunning
from cabcanary.channels.key_off import KeyOff, Seen
from cabcanary.model import Quality, Value
from cabcanary.settings.derived import EngineRunningChannel

S = 1_000_000_000
TICK = S // 50
DARK = Seen(None, None, None, 400.0)


class Feed:
    def __init__(self):
        self.key_off, self.now_ns = KeyOff(), S

    def hold(self, seconds, seen, *, dark=False, volts=12.6, rests=True):
        for n in range(round(seconds * 50)):
            self.now_ns += TICK
            at = seen(n / 50) if callable(seen) else seen
            self.key_off.step(at, dark=dark, volts=volts, rests=rests, now_ns=self.now_ns)
        return self

    def dark(self, seconds=1.0, **more):
        return self.hold(seconds, DARK, dark=True, **more)


def seen(kpa=None, rpm=None, throttle=None):
    return Seen(kpa, rpm, throttle, 400.0)


@pytest.mark.parametrize(
    ("last", "possible"),
    [
        (seen(33.0), True),
        (seen(33.0, 800.0, 2.0), True),
        (seen(135.0), False),
        (seen(135.0, 0.0), False),  # a speed of nothing under boost is a wire that is off
        (seen(33.0, 3000.0), False),  # an overrun
        (Seen(22.0, None, None, 400.0, cut=True), False),  # an overrun, by the fuel that is cut
        (Seen(33.0, 800.0, None, 400.0, cut=True), True),  # an idle beside a wideband's wire that is pulled up
        (seen(33.0, 900.0, 60.0), False),
        (seen(None, 3000.0), False),
        (seen(None, None, 90.0), False),
        (seen(101.0, 0.0, 90.0), True),  # key on, and a foot on the pedal
    ],
)
def test_the_key_is_believed_after_an_idle_and_under_load_never(last, possible):
    assert Feed().hold(5.0, last).dark().key_off.possible is possible


@pytest.mark.parametrize(("idled_s", "possible"), [(0.4, False), (0.6, True)])
def test_half_a_second_of_idle_after_a_fuel_cut_is_enough_for_the_key(idled_s, possible):
    cut = Seen(22.0, None, None, 400.0, cut=True)
    assert Feed().hold(5.0, cut).hold(idled_s, seen(30.0)).dark().key_off.possible is possible
    # A load that came before the cut is not forgotten for it.
    feed = Feed().hold(2.0, seen(135.0)).hold(0.1, cut).hold(0.6, seen(30.0))
    assert not feed.dark().key_off.possible


def test_a_manifold_above_an_idles_pressure_is_a_load_unless_it_has_filled_at_rest():
    assert not Feed().hold(5.0, lambda s: seen(80.0 + 2.0 * (s % 1.0 < 0.5))).dark().key_off.possible
    filled = Feed().hold(5.0, seen(33.0)).hold(0.8, lambda s: seen(33.0 + 85.0 * s)).hold(3.0, seen(100.0))
    assert filled.dark().key_off.possible
    opened = Feed().hold(5.0, seen(33.0)).hold(0.5, lambda s: seen(33.0 + 140.0 * s))
    assert not opened.dark().key_off.possible


def test_an_engine_that_was_just_started_from_standing_is_no_load():
    # Start-stop starts it as the foot leaves the brake, and a second later the key is turned.
    def stood():
        return Feed().hold(5.0, seen(33.0)).hold(0.8, lambda s: seen(33.0 + 62.0 * s)).hold(20.0, seen(83.0))

    cranked = stood().hold(0.6, seen(79.5)).hold(0.3, lambda s: seen(79.5 - 100.0 * s)).hold(0.5, seen(31.0))
    assert cranked.dark().key_off.possible
    # A foot that opens the throttle of an engine that was standing is one.
    opened = stood().hold(0.3, lambda s: seen(83.0 - 150.0 * s)).hold(0.3, lambda s: seen(55.0 + 90.0 * s))
    assert not opened.hold(1.0, lambda s: seen(80.0 + 8.0 * (s % 0.5))).dark().key_off.possible


def test_more_pressure_than_that_of_a_standing_engine_is_a_load():
    stood = Feed().hold(5.0, seen(33.0)).hold(0.8, lambda s: seen(33.0 + 62.0 * s)).hold(20.0, seen(83.0))
    assert not stood.hold(2.0, lambda s: seen(90.0 + 8.0 * (s % 0.5))).dark().key_off.possible


def test_nothing_seen_before_contradicts_nothing():
    assert Feed().dark().key_off.possible


def test_a_moment_of_idle_before_the_dark_is_no_idle():
    assert not Feed().hold(5.0, seen(135.0)).hold(0.5, seen(35.0)).dark().key_off.possible
    assert Feed().hold(5.0, seen(135.0)).hold(1.5, seen(35.0)).dark().key_off.possible


@pytest.mark.parametrize(("volts", "rests", "possible"), [(12.6, True, True), (None, True, True), (14.1, False, False)])
def test_after_a_minute_of_rest_it_was_the_key_all_the_same(volts, rests, possible):
    feed = Feed().hold(5.0, seen(135.0), volts=volts).dark(58.0, volts=volts, rests=rests)
    assert not feed.key_off.possible
    assert feed.dark(4.0, volts=volts, rests=rests).key_off.possible is possible


def test_a_saved_state_goes_on_as_if_it_had_never_stopped():
    first, second = Feed().hold(5.0, seen(135.0)).dark(30.0), Feed()
    second.key_off.restore(json.loads(json.dumps(first.key_off.state())))
    second.now_ns = first.now_ns
    for _ in range(40):
        first.dark(1.0)
        second.dark(1.0)
        assert second.key_off.possible is first.key_off.possible
        assert second.key_off.state() == first.key_off.state()
    assert first.key_off.possible


@pytest.mark.parametrize("volts", [12.5, 14.1])
def test_an_ignition_wire_on_the_fuse_that_blew_is_no_key(volts):
    spec = {"derive": "engine_running", "ignition": "ignition", "supply": "supply", "pressure": "map"}
    units = {"map": "kPa", "lambda": "lambda", "supply": "V", "ignition": "state"}
    channel = EngineRunning("running", EngineRunningChannel.model_validate(spec | {"lambda_channel": "lambda"}), units)
    absent = Value(None, Quality.ABSENT, 0)

    def good(x):
        return Value(x, Quality.GOOD, 0)

    pull = {"map": good(135.0), "lambda": good(0.82), "supply": good(volts), "ignition": good(1.0)}
    for n in range(100):
        assert channel.step(pull, S + n * TICK).value == 1.0
    blown = {"map": absent, "lambda": absent, "supply": good(volts), "ignition": good(0.0)}
    assert channel.step(blown, S + 100 * TICK).value != 0.0


def test_a_gauge_sensor_that_shows_boost_is_a_load():
    spec = EngineRunningChannel.model_validate({"derive": "engine_running", "supply": "supply", "pressure": "map"})
    channel = EngineRunning("running", spec, {"map": "psi", "supply": "V"}, "vented gauge")
    for n in range(100):
        channel.step({"map": Value(5.0, Quality.GOOD, 0), "supply": Value(12.9, Quality.GOOD, 0)}, S + n * TICK)
    dark = {"map": Value(None, Quality.ABSENT, 0), "supply": Value(12.9, Quality.GOOD, 0)}
    assert channel.step(dark, S + 100 * TICK).value is None


def test_a_manifold_that_has_lost_its_hose_is_no_load_where_speed_and_throttle_say_idle():
    key = KeyOff()
    for n in range(100):
        seen = Seen(kpa=98.0 + 2.0 * (n % 2), rpm=1100.0 + 700.0 * (n % 2), throttle=3.0, running_rpm=400.0)
        key.step(seen, dark=False, volts=14.0, rests=False, now_ns=n * 20_000_000)
    key.step(Seen(None, None, None, 400.0), dark=True, volts=12.4, rests=True, now_ns=2_020_000_000)
    assert key.possible


#: A vehicle with an engine-speed wire and no bus; charging and resting supply, V.
SPEED = {"engine_speed": "engine_speed", "supply": "supply", "pressure": "map", "lambda_channel": "lambda"}
NONE = Value(None, Quality.OUT_OF_RANGE, 0)


def by_speed(**values):
    """What the channel says of an engine that idled for two seconds and then shows this."""
    spec = EngineRunningChannel.model_validate({"derive": "engine_running"} | SPEED)
    units = {"engine_speed": "rpm", "supply": "V", "map": "kPa", "lambda": "lambda"}
    channel = EngineRunning("running", spec, units)
    idle = {"engine_speed": 800.0, "supply": 12.4, "map": 33.0, "lambda": 1.0}
    for n in range(100):
        channel.step({k: Value(v, Quality.GOOD, 0) for k, v in idle.items()}, S + n * TICK)
    now = {k: v if isinstance(v, Value) else Value(v, Quality.GOOD, 0) for k, v in (idle | values).items()}
    return channel.step(now, S + 100 * TICK).value


@pytest.mark.parametrize(
    "lost",
    [
        {"engine_speed": 0.0, "map": NONE},  # the wideband is alive
        {"engine_speed": 0.0, "map": NONE, "supply": 14.1},
        {"engine_speed": 0.0, "map": NONE, "lambda": NONE, "supply": 14.1},  # it charges
    ],
)
def test_a_speed_wire_that_is_off_beside_a_lost_pressure_is_no_standing_engine(lost):
    assert by_speed(**lost) is None


@pytest.mark.parametrize(
    "stopped",
    [
        {"engine_speed": 0.0, "map": 100.0},
        {"engine_speed": 0.0, "map": 100.0, "supply": 14.1},  # a charger at the battery
        {"engine_speed": 0.0, "map": NONE, "lambda": NONE},  # the key took all of it
    ],
)
def test_an_engine_that_stands_is_known_by_its_speed(stopped):
    assert by_speed(**stopped) == 0.0


def test_free_air_in_the_exhaust_of_an_engine_that_draws_is_an_overrun():
    spec = EngineRunningChannel.model_validate(
        {"derive": "engine_running", "pressure": "map", "lambda_channel": "lambda", "supply": "supply"}
    )
    channel = EngineRunning("running", spec, {"map": "kPa", "lambda": "lambda", "supply": "V"})
    over = {"map": Value(22.0, Quality.GOOD, 0), "lambda": Value(1.36, Quality.SATURATED_HIGH, 0)}
    rests = {"supply": Value(12.4, Quality.GOOD, 0)}
    for n in range(100):
        channel.step(over | rests, S + n * TICK)
    for n in range(100, 150):
        last = channel.step({"map": NONE, "lambda": NONE} | rests, S + n * TICK)
    assert last.value != 0.0


def test_an_engine_that_has_just_been_started_may_be_switched_off():
    # It stood for a minute, the starter turned it, and it races for a moment: the manifold empties.
    def started(s):
        return seen(max(33.0, 98.5 - 150.0 * s), min(1150.0, 300.0 + 3000.0 * s))

    feed = Feed().hold(5.0, seen(33.0, 800.0)).hold(0.6, lambda s: seen(33.0 + 109.0 * s, 0.0))
    feed.hold(60.0, seen(98.5, 0.0)).hold(1.0, started)
    assert feed.dark().key_off.possible
    # A pull from there is none.
    feed = Feed().hold(5.0, seen(33.0, 800.0)).hold(0.6, lambda s: seen(33.0 + 109.0 * s, 0.0))
    feed.hold(60.0, seen(98.5, 0.0)).hold(1.0, started).hold(1.0, seen(80.0, 1200.0))
    assert not feed.dark().key_off.possible


def test_a_manifold_that_was_dark_meanwhile_may_have_filled_unseen():
    feed = Feed().hold(5.0, seen(33.0)).dark(60.0).hold(2.0, seen(98.5))
    assert feed.hold(0.5, lambda s: seen(98.5 - 120.0 * s)).dark().key_off.possible


@pytest.mark.parametrize(("after_s", "possible"), [(1.2, True), (2.6, False)])
def test_the_air_in_which_an_engine_stood_is_no_fuel_cut_once_it_is_started(after_s, possible):
    # The manifold is empty a third of a second after the start, and the wideband still sees the air in the pipe.
    air = Seen(30.0, None, None, 400.0, cut=True)
    feed = Feed().hold(5.0, seen(33.0)).hold(0.8, lambda s: seen(33.0 + 85.0 * s)).hold(3.5, seen(101.0))
    feed.hold(0.4, lambda s: seen(101.0 - 160.0 * s)).hold(after_s, air)
    again = Feed()
    again.now_ns = feed.now_ns
    again.key_off.restore(json.loads(json.dumps(feed.key_off.state())))
    for each in (feed, again):
        assert each.hold(0.2, air).dark().key_off.possible is possible
