"""Values in range that are not to be believed."""

import math
import random

from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.channels.health import HealthTests, Limits, limits_for
from cabcanary.model import Quality
from cabcanary.settings.sensors import Health

MS = 1_000_000


def feed(tests: HealthTests, values: list[float], period_ms: int = 20) -> list[Quality | None]:
    verdicts = []
    for n, value in enumerate(values):
        verdict = tests.judge(value, value, Quality.GOOD, (n + 1) * period_ms * MS)
        verdicts.append(verdict[0] if verdict else None)
    return verdicts


def test_a_reading_that_never_moves_its_last_digit_is_stuck() -> None:
    tests = HealthTests(Limits(stuck_ns=1_000_000_000, fastest=None, noisiest=None), "kPa")
    verdicts = feed(tests, [35.0] * 60)
    assert verdicts[:50] == [None] * 50
    assert verdicts[52] is Quality.STUCK


def test_quantised_noise_is_enough_to_be_alive() -> None:
    tests = HealthTests(Limits(stuck_ns=1_000_000_000, fastest=None, noisiest=None), "kPa")
    alive = [35.0 + 0.19 * (n % 40 == 0) for n in range(500)]
    assert set(feed(tests, alive)) == {None}


def test_standing_still_at_an_end_of_the_range_is_no_sign_of_being_stuck() -> None:
    tests = HealthTests(Limits(stuck_ns=1_000_000_000, fastest=None, noisiest=None), "lambda")
    verdicts = [tests.judge(1.5, 1.5, Quality.SATURATED_HIGH, n * 20 * MS) for n in range(200)]
    assert set(verdicts) == {None}


def test_a_jump_faster_than_anything_real_is_implausible_and_says_so() -> None:
    tests = HealthTests(Limits(stuck_ns=None, fastest=6000.0, noisiest=None), "kPa")
    tests.judge(35.0, 35.0, Quality.GOOD, 20 * MS)
    verdict = tests.judge(190.0, 190.0, Quality.GOOD, 40 * MS)
    assert verdict is not None
    assert verdict[0] is Quality.IMPLAUSIBLE
    assert verdict[1] == "jumped by +155 kPa in 20 ms"


def test_the_fastest_throttle_is_no_jump() -> None:
    # From idle to atmosphere within 60 ms: 66 kPa in three samples (a manifold fills in tens of ms; common practice).
    limits = limits_for(Health(), "manifold_pressure", from_converter=True, per_kpa=1.0)
    assert set(feed(HealthTests(limits, "kPa"), [34.0, 34.1, 60.0, 85.0, 100.0, 100.2])) == {None}


def test_two_looks_in_quick_succession_make_no_jump_of_a_sample() -> None:
    # 10 kPa from one sample of the converter to the next, looked at half a millisecond apart.
    limits = limits_for(Health(), "manifold_pressure", from_converter=True, per_kpa=1.0)
    tests = HealthTests(limits, "kPa")
    tests.judge(100.0, 100.0, Quality.GOOD, 20 * MS)
    assert tests.judge(110.0, 110.0, Quality.GOOD, 20 * MS + MS // 2) is None


def test_a_loose_contact_is_noise_and_a_ramp_is_not() -> None:
    rough = random.Random(3)
    limits = Limits(stuck_ns=None, fastest=None, noisiest=2.0)
    loose = [100.0 + rough.gauss(0, 6.0) for _ in range(60)]
    assert Quality.IMPLAUSIBLE in feed(HealthTests(limits, "kPa"), loose)
    ramp = [40.0 + 3.0 * n + rough.gauss(0, 0.3) for n in range(60)]
    assert set(feed(HealthTests(limits, "kPa"), ramp)) == {None}


def test_what_scatters_near_the_limit_does_not_flicker_between_noisy_and_good() -> None:
    # Of 25 independent readings the scatter is known to a fifth or so: at 1.5 times the limit it often falls below.
    rough = random.Random(4)
    values = [100.0 + rough.gauss(0, 3.0) for _ in range(3000)]
    verdicts = feed(HealthTests(Limits(stuck_ns=None, fastest=None, noisiest=2.0), "kPa"), values)
    since = verdicts.index(Quality.IMPLAUSIBLE)
    assert set(verdicts[since:]) == {Quality.IMPLAUSIBLE}


def test_what_was_noisy_is_good_again_when_it_has_been_quiet_for_as_long_as_scatter_is_taken_over() -> None:
    rough = random.Random(4)
    values = [100.0 + rough.gauss(0, 6.0) for _ in range(100)] + [100.0 + rough.gauss(0, 0.3) for _ in range(100)]
    verdicts = feed(HealthTests(Limits(stuck_ns=None, fastest=None, noisiest=2.0), "kPa"), values)
    assert verdicts[99] is Quality.IMPLAUSIBLE
    assert set(verdicts[126:]) == {None}


@settings(deadline=None)
@given(scatter=st.floats(0.1, 5.0), seed=st.integers(0, 1000))
def test_noise_is_measured_as_its_standard_deviation(scatter: float, seed: int) -> None:
    rough = random.Random(seed)
    values = [50.0 + rough.gauss(0, scatter) for _ in range(200)]
    quiet = Limits(stuck_ns=None, fastest=None, noisiest=2.0 * scatter)
    loud = Limits(stuck_ns=None, fastest=None, noisiest=0.4 * scatter)
    assert set(feed(HealthTests(quiet, ""), values)) == {None}
    assert Quality.IMPLAUSIBLE in feed(HealthTests(loud, ""), values)


def test_what_another_computer_sends_may_stand_still() -> None:
    assert limits_for(Health(), "manifold_pressure", from_converter=False, per_kpa=1.0) == Limits(None, None, None)


@settings(deadline=None)
@given(st.lists(st.floats(0, 200), min_size=2, max_size=80), st.integers(1, 79))
def test_a_saved_state_goes_on_as_if_it_had_never_stopped(values: list[float], cut: int) -> None:
    limits = Limits(stuck_ns=200 * MS, fastest=3000.0, noisiest=5.0)
    whole, first, second = (HealthTests(limits, "kPa") for _ in range(3))
    expected, got = [], []
    for n, value in enumerate(values):
        expected.append(whole.judge(value, value, Quality.GOOD, n * 20 * MS))
        if n == cut:
            second.restore(first.state())
            first = second
        got.append(first.judge(value, value, Quality.GOOD, n * 20 * MS))
    assert got == expected
    assert not any(math.isnan(v) for v in values)
