"""A rich mixture that stands still from light load to boost is no mixture."""

import json

import pytest

from cabcanary.channels.cross import CrossCheck
from cabcanary.channels.lambda_ends import LambdaEnds
from cabcanary.model import Quality, Value
from cabcanary.settings.checks import FollowsLoadCheck

S = 1_000_000_000
SPEC = {"kind": "follows_load", "channel": "lambda", "pressure": "map"}


class Bench:
    def __init__(self):
        self.check = CrossCheck(FollowsLoadCheck.model_validate(SPEC), {"lambda": "lambda", "map": "kPa"})
        self.now_ns = S

    def hold(self, seconds, mixture, kpa):
        """The mixture as believed at the end."""
        for n in range(round(seconds * 50)):
            self.now_ns += S // 50
            shown = mixture + 0.002 * (1 if n % 2 else -1)
            values = {"lambda": Value(shown, Quality.GOOD, 0), "map": Value(kpa, Quality.GOOD, 0)}
            self.check.step(values, self.now_ns)
        return values["lambda"]

    def warm(self):
        """Closed loop, and then stuck rich."""
        self.hold(10.0, 1.0, 40.0)
        return self


@pytest.mark.parametrize(("first", "then"), [(40.0, 140.0), (140.0, 40.0)])
def test_it_is_doubted_once_both_loads_have_lasted(first, then):
    bench = Bench().warm()
    assert bench.hold(3.0, 0.82, first).quality is Quality.GOOD
    assert bench.hold(1.1, 0.82, then).quality is Quality.GOOD
    assert bench.hold(0.4, 0.82, then).quality is Quality.IMPLAUSIBLE


def test_it_stays_doubted_until_it_moves():
    bench = Bench().warm()
    bench.hold(3.0, 0.82, 40.0)
    bench.hold(2.0, 0.82, 140.0)
    assert bench.hold(60.0, 0.82, 90.0).quality is Quality.IMPLAUSIBLE
    assert bench.hold(2.0, 0.90, 90.0).quality is Quality.GOOD


def test_one_that_moves_with_the_load_is_believed():
    bench = Bench().warm()
    for _ in range(20):
        assert bench.hold(3.0, 0.82, 140.0).quality is Quality.GOOD
        assert bench.hold(3.0, 0.90, 40.0).quality is Quality.GOOD


def test_one_that_is_lean_in_boost_sounds_by_itself_and_is_not_doubted():
    bench = Bench().warm()
    bench.hold(3.0, 1.0, 40.0)
    assert bench.hold(5.0, 1.0, 140.0).quality is Quality.GOOD


def test_moments_of_a_load_are_no_load():
    bench = Bench().warm()
    for _ in range(20):
        bench.hold(1.0, 0.82, 40.0)
        assert bench.hold(1.0, 0.82, 140.0).quality is Quality.GOOD


def test_a_cold_engine_may_be_as_rich_at_idle_as_in_boost():
    bench = Bench()
    bench.hold(60.0, 0.82, 40.0)
    assert bench.hold(5.0, 0.82, 140.0).quality is Quality.GOOD
    # For ten minutes no engine is that cold.
    bench.hold(600.0, 0.82, 40.0)
    assert bench.hold(2.0, 0.82, 140.0).quality is Quality.IMPLAUSIBLE


def test_a_saved_state_goes_on_as_if_it_had_never_stopped():
    first, second = Bench().warm(), Bench()
    first.hold(3.0, 0.82, 40.0)
    first.hold(1.0, 0.82, 140.0)
    second.check.restore(json.loads(json.dumps(first.check.state())))
    second.now_ns = first.now_ns
    assert second.hold(0.5, 0.82, 140.0) == first.hold(0.5, 0.82, 140.0)
    assert first.hold(0.02, 0.82, 140.0).quality is Quality.IMPLAUSIBLE
    assert second.check.state() != Bench().check.state()


@pytest.mark.parametrize(("shown", "believed"), [(0.655, False), (0.660, False), (0.67, True)])
def test_a_miss_of_the_rich_end_by_a_hair_is_doubted_as_long_as_the_end_itself(shown, believed):
    ends = LambdaEnds(0.65, 1.50, 0.08)
    found = []
    for n in range(400):
        value = shown + (0.001 if n % 2 else -0.001)
        quality, _ = ends.judge(value, Quality.GOOD, S + n * S // 50)
        found.append(quality)
    assert found[240] is Quality.GOOD
    assert (found[-1] is Quality.GOOD) is believed
