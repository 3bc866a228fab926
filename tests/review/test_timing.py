"""What is learnt of the wideband's timing is graded: intervals hold the truth, a slow sensor is found, a sound one not.

The vehicles of `gas_engines` share no equation with the estimator, nor with each other. Full counts: -m long.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import scipy.optimize
import scipy.signal
import scipy.stats
import statsmodels.api as sm
from gas_engines import BELIEVED, ENGINES, Cascade, Diffusing, GasVehicle
from timing_trials import FRESH, Held, lifts, timed

from cabcanary.channels.gas_delay import volume_flow_m3_s
from cabcanary.plan.plan import load_plan
from cabcanary.review.witness import timing_fit
from cabcanary.review.witness.estimate import CANNOT_TELL, NOTHING, TOLD
from cabcanary.review.witness.lifts import GasSignals, Lifts, Reentry, lifts_of
from cabcanary.review.witness.step_shape import SECOND, SHARE, shape_of, step
from cabcanary.review.witness.timing import timing
from cabcanary.review.witness.timing_fit import RESPONSES, Law, fitted, learnt, points_of, scatter_of
from cabcanary.settings.load import settings_from_text
from cabcanary.settings.schema import Settings
from cabcanary_bench.paths import config_folder

LOW, HIGH = 0.92, 0.98
FULL, LEAST = load_plan(config_folder() / "bench-van.toml"), load_plan(config_folder() / "market-hatchback.toml")


def driven(van: GasVehicle, drives: int, cuts: int = 6, slow: float = 1.0, *, full: bool = True) -> list[Lifts]:
    return [lifts(van.drive(cuts, slow)[0], full=full) for _ in range(drives)]


# --- coverage -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("trials", [5, pytest.param(150, marks=pytest.mark.long)])
@pytest.mark.parametrize("full", [True, False], ids=["engine speed and flow", "wideband and pressure alone"])
def test_delay_and_response_lie_in_their_intervals(full: bool, trials: int) -> None:
    every: list[Held] = [timed(engine, trials, full=full) for engine in ENGINES]
    for engine, held in zip(ENGINES, every, strict=True):
        shares = ", ".join(f"{getattr(held, k) / held.trials:.3f}" for k in ("delay", "response", "volume"))
        widths = ", ".join(f"{w:.3g}" for w in held.widths)
        print(f"{engine.__name__:>9} {held.trials} vehicles: held delay, response, volume {shares}; widths {widths}")
        assert held.silent <= 0.1 * trials
    total = sum(h.trials for h in every)
    for name in ("delay", "response", "volume")[: 3 if full else 2]:
        count = sum(getattr(h, name) for h in every)
        print(f"{name}: held {count} of {total} ({count / total:.3f}), seeds from {FRESH} on")
        assert count >= scipy.stats.binom.ppf(0.001, total, LOW), name
        # The volume's is wider than it need be: it is read off few flows.
        assert name == "volume" or count <= scipy.stats.binom.ppf(0.999, total, HIGH), name


@pytest.mark.parametrize("trials", [2, pytest.param(40, marks=pytest.mark.long)])
@pytest.mark.parametrize("engine", ENGINES)
def test_a_sensor_that_has_grown_slow_is_found_and_a_sound_one_left_alone(
    engine: type[GasVehicle], trials: int
) -> None:
    found = false = 0
    for n in range(trials):
        van = engine(np.random.default_rng((32, n)))
        before, sound, slow = driven(van, 8), driven(van, 3), driven(van, 3, slow=2.5)
        found += timing(before, slow, FULL.settings)[0].verdict == TOLD
        false += timing(before, sound, FULL.settings)[0].verdict == TOLD
    print(f"{engine.__name__}: of {trials} that take 2.5 times as long {found} found; of as many sound ones {false}")
    assert found >= 0.85 * trials
    assert false <= scipy.stats.binom.ppf(0.999, trials, 1 / 200)


# --- outside checks -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("second", SECOND)
def test_a_step_is_answered_as_by_another_library(second: float) -> None:
    system = scipy.signal.TransferFunction([1.0], np.polymul([1.0, 1.0], [second, 1.0]))
    times = np.linspace(0.0, 6.0, 200)
    assert step(times, second) == pytest.approx(scipy.signal.step(system, T=times)[1], abs=2e-3)
    shape = shape_of(second)
    # The response time is the unit, and a change over a cycle is half a cycle later, on the whole.
    assert shape.times_at(np.array([SHARE]), np.zeros(1))[0] == pytest.approx(1.0, abs=0.01)
    area = [np.mean(shape.times_at(np.linspace(0, 0.98, 400), np.full(400, c))) for c in (0.0, 2.0)]
    assert area[1] - area[0] == pytest.approx(1.0, abs=0.06)


def clean(delays: list[float], tau: float, flows: list[float] | None = None, noise: float = 0.0) -> list[Lifts]:
    """Re-entries of a first-order sensor in 1/lambda whose cut is at its lean end, 1.5; four drives."""
    rng, found = np.random.default_rng(3), []
    for n, delay in enumerate(delays):
        times = delay + np.arange(0.012, 2.2 * tau, 0.02)
        inverse = 1.0 + (1 / 1.5 - 1.0) * np.exp(-(times - delay) / tau)
        readings = 1 / inverse + noise * rng.standard_normal(len(times))
        flow, cycle = (flows[n], 0.05) if flows else (float("nan"), float("nan"))
        found.append(Reentry(times, readings, 1.5, 1.0, cycle, flow))
    return [Lifts(f"drive {k}", found[k::4], [], 0.02) for k in range(4)]


FIRST_ORDER = Law(inverse=True, second=0.0, beyond=0.0, spread=0.0, film=0.0, cycle=0.0)


def test_delay_and_response_are_those_of_another_librarys_least_squares() -> None:
    drives = clean([0.2] * 16, 0.13, noise=0.004)
    points = points_of(drives)
    f = fitted(FIRST_ORDER, points)
    log_response = f.response(np.ones(points.events))

    def apart(x: np.ndarray) -> np.ndarray:
        return 1 / (1 + (1 / 1.5 - 1) * np.exp(-np.maximum(points.times - x[0], 0.0) / x[1])) - points.readings

    theirs = scipy.optimize.least_squares(apart, [0.1, 0.2]).x
    assert float(np.exp(log_response)) == pytest.approx(theirs[1], rel=0.05)
    assert float(np.mean(f.delays_at(log_response))) == pytest.approx(theirs[0], abs=0.006)
    assert theirs == pytest.approx([0.2, 0.13], rel=0.05)


def test_the_volume_is_the_slope_that_another_library_has() -> None:
    rng = np.random.default_rng(4)
    flows = rng.uniform(0.008, 0.05, 24)
    delays = 0.05 + 0.03 + 2.2e-3 / flows + rng.normal(0.0, 0.004, 24)
    delays[:2] += 0.3
    points = points_of(clean(delays.tolist(), 0.1, flows.tolist()))
    f = fitted(FIRST_ORDER, points)
    _, cycle, volume, constant = timing_fit._figures(f, np.log(0.1), points, np.ones(24))
    order = [e for k in range(4) for e in range(k, 24, 4)]
    design = sm.add_constant(1.0 / flows[order])
    theirs = sm.RLM(delays[order] - 0.05, design, M=sm.robust.norms.HuberT(1.345)).fit().params
    assert (constant, volume) == pytest.approx(tuple(theirs), rel=0.03)
    assert (volume, constant, cycle) == pytest.approx((2.2e-3, 0.03, 0.05), rel=0.2)


def test_responses_asked_about_reach_beyond_any_sensor() -> None:
    assert RESPONSES[0] < 0.02
    assert RESPONSES[-1] > 1.0
    for tau in (0.04, 0.6):
        drives = clean([0.15] * 12, tau, noise=0.001)
        assert float(np.exp(scatter_of(FIRST_ORDER, points_of(drives)).middle)) == pytest.approx(tau, rel=0.05)


# --- what is seen of a drive ----------------------------------------------------------------------------------------


def cut_drive(delay: float = 0.2, *, rise: float = 40.0, opens_s: float = 0.05, low: float = 25.0) -> GasSignals:
    """One lift and re-entry by hand, without noise: fuel comes back at 6.0 s as the manifold begins to rise."""
    t = np.arange(0.0, 10.0, 0.02)
    kpa = np.where(t < 3.0, 60.0, low) + rise * np.clip((t - 6.0) / opens_s, 0.0, 1.0)
    inverse = np.where(t < 3.5, 1.0, 0.66)
    back = t >= 6.0 + delay
    inverse[back] = 1.0 - 0.34 * np.exp(-(t[back] - 6.0 - delay) / 0.1)
    return GasSignals("by hand", t, np.minimum(1 / inverse, 1.5), kpa, np.full(len(t), 2000.0))


def test_a_re_entry_is_timed_from_the_manifolds_rise() -> None:
    found = lifts_of(cut_drive(), BELIEVED)
    assert len(found.reentries) == 1
    one = found.reentries[0]
    assert one.cycle == pytest.approx(0.06)
    assert (one.edge, one.target) == pytest.approx((1.5, 1.0), abs=0.01)
    # The reading is at 1/lambda = 1 - 0.34 exp(-(t - 0.2)/0.1).
    expected = 0.2 - 0.1 * np.log((1 - 1 / one.readings) / 0.34)
    assert one.times == pytest.approx(expected, abs=0.02)
    # At 25 kPa and 2000 rpm it has begun, at 65 kPa it arrives.
    ends = [volume_flow_m3_s(BELIEVED, 2000.0, p) for p in (25e3, 65e3)]
    assert ends[0] < one.flow < ends[1]
    assert found.reached
    assert found.pressure


@pytest.mark.parametrize("power", [1.0, 2.0], ids=["straight", "by the square of time"])
def test_a_manifold_that_rises_slowly_began_before_it_was_noticed(power: float) -> None:
    signals = cut_drive()
    kpa = np.where(signals.seconds < 3.0, 60.0, 25.0 + 40.0 * np.clip((signals.seconds - 6.0) / 0.4, 0.0, 1.0) ** power)
    (one,) = lifts_of(signals._replace(map_kpa=kpa)).reentries
    # Fuel came back at 6.0 s; the second mark, 6 kPa up, is passed 0.06 and 0.155 s later.
    expected = 0.2 - 0.1 * np.log((1 - 1 / one.readings) / 0.34)
    assert one.times == pytest.approx(expected, abs=0.035)


@pytest.mark.parametrize(
    "signals",
    [
        cut_drive(rise=4.0), cut_drive(opens_s=3.0), cut_drive(low=55.0), cut_drive(delay=2.5),
        cut_drive()._replace(mixture=np.full(500, 1.0)), cut_drive()._replace(map_kpa=np.full(500, np.nan)),
    ],
    ids=["no rise", "slow foot", "no cut", "too late", "no lean end", "no pressure"],
)  # fmt: skip
def test_what_has_no_moment_is_no_re_entry(signals: GasSignals) -> None:
    assert lifts_of(signals, BELIEVED).reentries == []


def test_without_engine_speed_there_is_neither_cycle_nor_flow() -> None:
    blind = cut_drive()._replace(rpm=np.full(500, np.nan))
    (one,) = lifts_of(blind, BELIEVED).reentries
    assert np.isnan(one.cycle)
    assert np.isnan(one.flow)
    (other,) = lifts_of(cut_drive()).reentries
    assert np.isnan(other.flow)


# --- what is said ---------------------------------------------------------------------------------------------------


def test_it_is_told_in_a_sentence_with_intervals_and_what_the_settings_would_be() -> None:
    van = Diffusing(np.random.default_rng(5))
    told, wanted = timing(driven(van, 6), driven(van, 3), FULL.settings)
    assert told.verdict == NOTHING
    assert set(told.estimates) == {"delay_s", "response_s", "volume_l", "dead_time_s", "slower_percent"}
    assert "L of exhaust over its flow" in told.words
    assert told.figures["fuel_cuts"] > 30
    assert [p["key"] for p in told.figures["proposed"]] == [".".join(p.path) for p in wanted]
    low, high = told.estimates["response_s"].low, told.estimates["response_s"].high
    assert low < van.response_s() < high


def test_without_the_flow_one_delay_stands_for_all() -> None:
    van = Cascade(np.random.default_rng(6))
    told, wanted = timing(driven(van, 4, full=False), driven(van, 3, full=False), LEAST.settings)
    assert "one delay for all" in told.words
    assert "volume_l" not in told.estimates
    assert all("pipe" not in p.path for p in wanted)


def test_what_the_settings_have_right_is_left_alone() -> None:
    van = Cascade(np.random.default_rng(7))
    drives = driven(van, 9, full=False)
    found = learnt(points_of(drives))
    assert found is not None

    def settings(response: float) -> Settings:
        delay = f"{1000 * float(np.median(found.delay)):.0f} ms"
        text = LEAST.settings_text.replace('transport_delay = "100 ms"', f'transport_delay = "{delay}"')
        text = text.replace('transport_delay = "150 ms"', f'transport_delay = "{delay}"')
        text = text.replace('response_time = "100 ms"', f'response_time = "{1000 * response:.0f} ms"')
        return settings_from_text(text, LEAST.file).model

    right = float(np.median(found.response))
    assert timing(drives[:6], drives[6:], settings(right))[1] == []
    told, (one,) = timing(drives[:6], drives[6:], settings(2.0 * right))
    assert one.path == ("channels", "lambda", "response_time")
    assert told.figures["probability_slower_than_settings"] < 0.05


def test_of_a_slow_sensor_the_drives_judged_count_alone() -> None:
    van = Cascade(np.random.default_rng(8))
    before, slow = driven(van, 8), driven(van, 4, slow=2.5)
    told, _ = timing(before, slow, FULL.settings)
    assert told.verdict == TOLD
    assert "it has grown slow" in told.words
    assert told.figures["probability_grown_slow"] > 0.99
    assert told.estimates["response_s"].middle == pytest.approx(
        float(np.median(learnt(points_of(slow)).response)), rel=0.02
    )
    alone = scatter_of(FIRST_ORDER, points_of(slow)).middle - scatter_of(FIRST_ORDER, points_of(before)).middle
    assert told.estimates["slower_percent"].middle == pytest.approx(100 * np.expm1(alone), rel=0.35)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"reentries": []}, "0 fuel cuts ended by the throttle"), ({"reached": False, "reentries": []}, "cuts no fuel"),
        ({"pressure": False, "reentries": []}, "manifold pressure is not measured"),
    ],
)  # fmt: skip
def test_it_says_that_it_cannot_tell_and_what_that_would_take(change: dict, said: str) -> None:
    van = Diffusing(np.random.default_rng(9))
    drives = [d._replace(**change) for d in driven(van, 2)]
    told, wanted = timing(drives[:1], drives[1:], FULL.settings)
    assert told.verdict == CANNOT_TELL
    assert said in told.words
    assert told.needs
    assert wanted == []


def test_seven_fuel_cuts_are_too_few_and_a_vehicle_without_wideband_has_none() -> None:
    van = Diffusing(np.random.default_rng(10))
    (one,) = driven(van, 1, cuts=12)
    assert timing([], [one._replace(reentries=one.reentries[:7])], FULL.settings)[0].verdict == CANNOT_TELL
    assert timing([], [one._replace(reentries=one.reentries[:8])], FULL.settings)[0].verdict != CANNOT_TELL
    bare = FULL.settings.model_copy(update={"channels": {}})
    assert timing([], [one], bare)[0].verdict == CANNOT_TELL


def test_a_law_that_has_gas_arrive_before_it_was_burnt_has_no_weight() -> None:
    # Delays as short as a cycle: that the sensor felt free air long before it showed it is not possible.
    van = Cascade(np.random.default_rng(11))
    found = learnt(points_of(driven(van, 6)))
    assert found is not None
    cycles = np.median([e.cycle for d in driven(van, 2) for e in d.reentries])
    assert float(found.delay.min()) > 0.6 * cycles


def test_a_re_entry_that_nothing_fits_does_not_carry_the_rest() -> None:
    drives = clean([0.2] * 16, 0.13, noise=0.002)
    odd = drives[0].reentries[0]
    wild = dataclasses.replace(odd, readings=odd.readings[::-1].copy())
    drives[0] = drives[0]._replace(reentries=[wild, *drives[0].reentries[1:]])
    assert float(np.exp(scatter_of(FIRST_ORDER, points_of(drives)).middle)) == pytest.approx(0.13, rel=0.08)
