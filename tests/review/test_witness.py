"""The second witness is graded: intervals hold the truth, causes are told apart, healthy vehicles are left alone.

The engines of `witness_engines` share no equation with the estimators, nor with each other. Full counts: -m long.
"""

from __future__ import annotations

import dataclasses
import math
from typing import TYPE_CHECKING

import fluids
import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm
from witness_engines import ENGINES, Faults, Metering, Pieces, Tables, Vehicle
from witness_trials import (
    RIGHT,
    RIGHT_BY_DENSITY,
    Covered,
    belts,
    biases,
    blended,
    confusion,
    heats,
    leaks,
    masquerades,
    under_boost_drives,
    under_boosts,
)

from cabcanary.review.witness import fuel_rate
from cabcanary.review.witness.belt import belt, power_of
from cabcanary.review.witness.estimate import CANNOT_TELL, NOTHING, TOLD, generator, of_draws, shift
from cabcanary.review.witness.fuel_rate import apart, lag_of, under_boost
from cabcanary.review.witness.heat import cells_of as heat_cells
from cabcanary.review.witness.heat import heat, slowness
from cabcanary.review.witness.leak import Idle, _by_density, leak
from cabcanary.review.witness.mixture_causes import weigh
from cabcanary.review.witness.orifice import flux
from cabcanary.review.witness.seen import Pull, judged_cell
from cabcanary.review.witness.two_way import huber, levels
from cabcanary.review.witness.wideband import bias, cause, walk

if TYPE_CHECKING:
    from cabcanary.review.witness.drive_signals import DriveSignals

SOME = [24, pytest.param(300, marks=pytest.mark.long)]
#: Sound intervals of 95 % hold the truth in 92 to 98 % of cases; of few cases the binomial says how far off is chance.
LOW, HIGH = 0.92, 0.98


def graded(name: str, found: list[Covered]) -> None:
    trials, held = sum(c.trials for c in found), sum(c.held for c in found)
    each = ", ".join(f"{c.share:.3f}" for c in found)
    print(f"{name}: held {held} of {trials} ({held / trials:.3f}; {each}), usual width {found[0].width:.2f}")
    assert held >= scipy.stats.binom.ppf(0.001, trials, LOW), name
    assert held <= scipy.stats.binom.ppf(0.999, trials, HIGH), name


@pytest.mark.parametrize("trials", SOME)
@pytest.mark.parametrize("kind", ["centrifugal", "displacement"])
def test_the_slip_of_a_belt_lies_in_its_interval(kind: str, trials: int) -> None:
    graded(f"slip, {kind}", [belts(engine, kind, trials, 0.12) for engine in ENGINES])


@pytest.mark.parametrize("trials", SOME)
def test_the_area_of_a_leak_lies_in_its_interval(trials: int) -> None:
    graded("leak by trims", [leaks(engine, "mass_air", trials, 10.0) for engine in ENGINES])
    graded("leak by speed and density", [leaks(engine, "speed_density", trials, 10.0) for engine in ENGINES])


@pytest.mark.parametrize("trials", SOME)
@pytest.mark.parametrize("drift", [0.0, 0.004])
def test_the_error_of_a_wideband_lies_in_its_interval(drift: float, trials: int) -> None:
    graded(f"wideband, drift {drift}", [biases(engine, trials, drift) for engine in ENGINES])


@pytest.mark.parametrize("trials", SOME)
def test_what_the_gauge_does_under_boost_lies_in_its_interval(trials: int) -> None:
    found = [under_boosts(engine, trials, 0.10) for engine in ENGINES]
    graded("moved under boost", [moved for _, moved in found])
    # Meter's and injectors' curves at high flow are worse known than these two engines have them: at least so often.
    held, total = sum(now.held for now, _ in found), sum(now.trials for now, _ in found)
    assert held >= scipy.stats.binom.ppf(0.001, total, LOW)


@pytest.mark.parametrize("trials", [20, pytest.param(200, marks=pytest.mark.long)])
def test_a_gauge_of_back_pressure_and_weak_injectors_are_told_and_sound_ones_left_alone(trials: int) -> None:
    healthy = [under_boosts(engine, trials, 0.0) for engine in ENGINES]
    assert sum(moved.told for _, moved in healthy) <= scipy.stats.binom.ppf(0.999, 2 * trials, 1 / 200)
    for engine in ENGINES:
        for fault, size in (("pressured", 0.08), ("pressured", -0.08), ("injector_at_load", 0.2)):
            told = [under_boost(*under_boost_drives(engine, n, Faults(**{fault: size}))) for n in range(trials)]
            right = [t for t in told if t.verdict == TOLD]
            print(f"{engine.__name__} {fault} {size:+}: told {len(right)} of {trials}")
            assert len(right) >= 0.8 * trials
            words = "may be leaner than shown" if size < 0 else "I can't tell which. Believe the lean reading"
            assert all(words in t.line() for t in right)


def test_air_over_fuel_says_what_it_would_take() -> None:
    before, judged = under_boost_drives(Pieces, 1, Faults())
    for lacking in ("mass_air", "fuel_rate"):
        found = under_boost(before, without(judged, lacking))
        assert (found.verdict, "PID 10" in found.needs, "PID 5E" in found.needs) == (CANNOT_TELL, True, True)
    assert under_boost(before, [dataclasses.replace(d, fuel_rate=None) for d in judged]).verdict == CANNOT_TELL
    never = [dataclasses.replace(d, closed=np.ones(len(d.seconds))) for d in judged]
    assert "4 s of settled boost" in under_boost(before, never).needs
    # Without drives before it is known what is there now, and not since when.
    alone = under_boost([], judged)
    assert set(alone.estimates) == {"apart_percent"}
    assert (alone.verdict, alone.figures) == (NOTHING, {"drives": 3, "before": 0})


def test_what_was_masked_or_of_the_gas_before_a_pull_is_not_looked_at() -> None:
    _, (drive, *_) = under_boost_drives(Pieces, 2, Faults())
    lag_s = lag_of(drive)
    sound = apart(drive, lag_s)
    boosted = drive.map_kpa / drive.air_kpa >= 1.08
    first = boosted & ~np.concatenate([[False], boosted[:-1]])
    spoiled = np.where(first, 1.5 * drive.mixture, drive.mixture)
    assert apart(dataclasses.replace(drive, mixture=spoiled), lag_s) == sound
    second = np.concatenate([[False], first[:-1]]) | np.concatenate([[False, False], first[:-2]])
    late = np.where(second, 1.5 * drive.mixture, drive.mixture)
    assert apart(dataclasses.replace(drive, mixture=late), lag_s) == sound
    at_idle = np.where(drive.throttle == 0.0, 1.1 * drive.mixture, drive.mixture)
    assert apart(dataclasses.replace(drive, mixture=at_idle), lag_s) == sound
    masked = np.where(np.arange(len(boosted)) == np.flatnonzero(boosted)[6], 1.0, 0.0)
    wrong = np.where(masked > 0, 1.5 * drive.mixture, drive.mixture)
    assert apart(dataclasses.replace(drive, mixture=wrong), lag_s) != pytest.approx(sound, abs=0.005)
    kept = apart(dataclasses.replace(drive, mixture=wrong, masked=masked), lag_s)
    assert kept == pytest.approx(sound, abs=0.005)


def test_a_small_move_and_one_of_few_drives_are_not_told_as_a_fault(monkeypatch: pytest.MonkeyPatch) -> None:
    before, judged = under_boost_drives(Pieces, 1, Faults())
    for moved, verdict in ((0.015, NOTHING), (0.05, TOLD)):
        monkeypatch.setattr(fuel_rate, "apart", lambda d, _lag, moved=moved: moved * any(d is j for j in judged))
        found = under_boost(before, judged)
        assert found.verdict == verdict
        assert found.estimates["moved_percent"].plain
    assert "moved_percent" not in under_boost(before[:3], judged).estimates
    assert "moved_percent" in under_boost(before[:4], judged).estimates


def test_the_lag_of_the_fuel_is_found_to_a_tenth() -> None:
    """Of a flow that wanders and a fuel that is the same 0.7 s later (arithmetic)."""
    seconds = 0.5 * np.arange(400)
    flow = 10 * np.exp(0.8 * np.sin(seconds / 3) + 0.3 * np.sin(seconds / 1.7))
    late = 0.4 * np.interp(seconds - 0.7, seconds, flow)
    _, (drive, *_) = under_boost_drives(Pieces, 3, Faults())
    names = [f.name for f in dataclasses.fields(drive) if isinstance(getattr(drive, f.name), np.ndarray)]
    made = dataclasses.replace(drive, **{n: np.ones(400) for n in names})
    made = dataclasses.replace(made, seconds=seconds, mass_air=flow, fuel_rate=late)
    assert lag_of(made) == pytest.approx(0.7, abs=0.05)
    assert lag_of(dataclasses.replace(made, fuel_rate=np.full(400, np.nan))) is None


@pytest.mark.parametrize("trials", SOME)
@pytest.mark.parametrize("kind", ["centrifugal", "displacement", "turbo"])
def test_how_much_more_the_charge_warms_lies_in_its_interval(kind: str, trials: int) -> None:
    graded(f"heat, {kind}", [heats(engine, kind, trials, 0.4) for engine in ENGINES])
    healthy = [heats(engine, kind, trials, 0.0) for engine in ENGINES]
    assert sum(found.told for found in healthy) <= scipy.stats.binom.ppf(0.999, 2 * trials, 1 / 200)


def test_a_compressor_that_loses_efficiency_is_told_and_its_two_causes_not_told_apart() -> None:
    van = Tables(np.random.default_rng(31), kind="displacement")
    before = [van.drive() for _ in range(8)]
    worse = heat(before, [van.drive(Faults(heats=0.3)) for _ in range(3)])
    assert worse.verdict == TOLD
    assert "lost efficiency, or the cooler" in worse.line()
    assert "I can't tell which" in worse.line()
    better = heat(before, [van.drive(Faults(heats=-0.4)) for _ in range(3)])
    assert (better.verdict, "a better cooler" in better.words) == (TOLD, True)
    same = heat(before, [van.drive() for _ in range(3)])
    assert same.verdict == NOTHING
    assert "would have been seen" in same.words


def pulled(celsius_more: float, ratio: float, slow_s: float) -> DriveSignals:
    """20 s at rest at 300 K and 100 kPa, then a pull of 10 s by a sensor of this time constant."""
    van = Pieces(np.random.default_rng(1))
    drive, count = van.drive(), 60
    arrays = {f.name: getattr(drive, f.name) for f in dataclasses.fields(drive)}
    cut = {n: v[:count] for n, v in arrays.items() if isinstance(v, np.ndarray)}
    into = np.maximum(0.0, 0.5 * (np.arange(count) - 39))
    return dataclasses.replace(
        drive, **cut | {
            "air_kpa": np.full(count, 100.0), "map_kpa": np.where(into > 0, 100.0 * ratio, 40.0),
            "air_k": np.full(count, 300.0), "running": np.ones(count),
            "charge_k": 300.0 + celsius_more * -np.expm1(-into / slow_s),
        }
    )  # fmt: skip


@pytest.mark.parametrize(("ratio", "efficiency"), [(1.5, 0.6), (2.0, 0.75)])
def test_the_heat_of_a_compression_is_that_of_another_library(ratio: float, efficiency: float) -> None:
    """fluids.isentropic_T_rise_compression, after Perry's Chemical Engineers' Handbook; k = 1.4."""
    warm = fluids.isentropic_T_rise_compression(300.0, 100e3, ratio * 100e3, 1.4, efficiency)
    drives = [pulled(warm - 300.0, ratio, slow_s=4.0) for _ in range(3)]
    assert slowness(drives) == 4.0
    cells = heat_cells(drives[0], 4.0)
    assert set(cells) == {0, 1, 2, 3, 4}
    assert [math.exp(v) for v in cells.values()] == pytest.approx([1 / efficiency] * 5, rel=0.01)
    # A charge that was warmed by the bay begins higher, and the compressor breathes the air outside all the same.
    soaked = dataclasses.replace(drives[0], charge_k=drives[0].charge_k + 20.0)
    assert list(heat_cells(soaked, 4.0).values()) == pytest.approx(list(cells.values()))
    behind = dataclasses.replace(soaked, air_known="behind it")
    # An air that was not seen in a pull is taken from the charge before it, and nothing is warned of.
    unseen = dataclasses.replace(drives[0], air_k=np.full(60, np.nan))
    assert list(heat_cells(unseen, 4.0).values()) == pytest.approx(list(cells.values()))
    assert list(heat_cells(behind, 4.0).values()) == pytest.approx([v - math.log(320 / 300) for v in cells.values()])


def test_heat_takes_four_drives_before_and_the_sensors_own_slowness() -> None:
    drives = [pulled(60.0, 1.6, slow_s=6.0) for _ in range(5)]
    assert heat(drives[:4], drives[4:]).figures == {"drives": [4, 1], "sensor_s": 6.0}
    few = heat(drives[:3], drives[3:])
    assert (few.verdict, "3 drives before and 2 judged" in few.words) == (CANNOT_TELL, True)


@pytest.mark.parametrize("trials", [8, pytest.param(60, marks=pytest.mark.long)])
@pytest.mark.parametrize("engine", ENGINES)
@pytest.mark.parametrize(("metering", "table"), [("mass_air", RIGHT), ("speed_density", RIGHT_BY_DENSITY)])
def test_causes_are_told_apart_and_never_wrongly(
    metering: Metering, table: dict[str, str], engine: type[Vehicle], trials: int
) -> None:
    right = wrong = 0
    for fault, answer in table.items():
        answers = confusion(engine, fault, trials, metering)
        print(f"{engine.__name__:>7} {metering:<13} {fault:<23} {dict(answers)}")
        right += answers[answer]
        wrong += trials - answers[answer] - answers["can't tell"]
        assert answers[answer] >= 0.6 * trials, fault
    total = trials * len(table)
    print(f"{engine.__name__}: right {right / total:.3f}, wrong {wrong / total:.3f}")
    assert right >= 0.8 * total
    assert wrong <= 0.02 * total


@pytest.mark.parametrize("trials", [6, pytest.param(100, marks=pytest.mark.long)])
def test_a_tank_of_much_ethanol_is_called_fuel_and_nothing_else(trials: int) -> None:
    for engine in ENGINES:
        claims, fuel = blended(engine, trials)
        print(f"{engine.__name__}: fuel in {fuel} of {trials}, besides {dict(claims)}")
        assert fuel >= 0.95 * trials
        assert max(claims.values()) <= scipy.stats.binom.ppf(0.99, trials, 1 / 200)


@pytest.mark.parametrize("trials", [30, pytest.param(400, marks=pytest.mark.long)])
def test_altitude_weather_and_a_tank_are_not_called_faults(trials: int) -> None:
    claims = sum((masquerades(engine, trials) for engine in ENGINES), start=type(masquerades(Pieces, 0))())
    print(f"{sum(claims.values())} claims of {2 * trials} healthy vehicles in five questions each: {dict(claims)}")
    # One of 200 for each question; the binomial says what few trials may show.
    for count in claims.values():
        assert count <= scipy.stats.binom.ppf(0.99, 2 * trials, 1 / 200)


# --- outside checks -------------------------------------------------------------------------------------------------


def test_air_through_a_hole_is_as_published_and_as_another_library_has_it() -> None:
    # The mass flow parameter of air at Mach 1, 0.0404 sqrt(K) kg/(s N), of any table of compressible flow.
    assert float(flux(np.array(101e3), np.array(293.0), np.array(30e3))) == pytest.approx(
        0.0404 * 101e3 / 293**0.5, rel=1e-3
    )
    # 5 mm, discharge 0.65: about 3 g/s.
    assert 650 * np.pi / 4 * 0.005**2 * float(flux(np.array(101e3), np.array(293.0), np.array(30e3))) == pytest.approx(
        3.04, abs=0.01
    )
    critical = fluids.compressible.P_critical_flow(101e3, 1.4)
    at = float(flux(np.array(101e3), np.array(293.0), np.array(critical)))
    assert float(flux(np.array(101e3), np.array(293.0), np.array(20e3))) == pytest.approx(at, rel=1e-9)
    assert float(flux(np.array(101e3), np.array(293.0), np.array(critical + 4e3))) < at
    # Below: density at the throat times its speed, from the library's isentropic temperature.
    throat = 80e3
    cold = fluids.compressible.isentropic_T_rise_compression(293.0, 101e3, throat, 1.4)
    speed = np.sqrt(2 * 1004.7 * (293.0 - cold))
    assert float(flux(np.array(101e3), np.array(293.0), np.array(throat))) == pytest.approx(
        throat / 287.05 / cold * speed, rel=1e-3
    )
    assert float(flux(np.array(90e3), np.array(293.0), np.array(95e3))) == 0.0


def test_the_robust_fit_is_that_of_another_library() -> None:
    rng = np.random.default_rng(3)
    x = rng.uniform(0, 1, 60)
    y = 2.0 + 3.0 * x + 0.05 * rng.standard_normal(60)
    y[:6] += 4.0
    design = np.column_stack((np.ones_like(x), x))
    theirs = sm.RLM(y, design, M=sm.robust.norms.HuberT(1.345)).fit()
    assert huber(design, y) == pytest.approx(theirs.params, abs=0.01)
    assert huber(design, y)[1] == pytest.approx(3.0, abs=0.15)


def test_drives_are_levelled_over_the_cells_that_they_share() -> None:
    # Levels 0, 1 and 5 upon cells 10, 20 and 30; none has all of them.
    found = levels([{1: 10.0, 2: 20.0}, {2: 21.0, 3: 31.0}, {1: 15.0, 3: 35.0}, {9: 1.0}])
    assert found[3] is None
    assert np.diff([x for x in found if x is not None]) == pytest.approx([1.0, 4.0])


def test_a_difference_is_that_of_another_library() -> None:
    rng = np.random.default_rng(5)
    before, after = rng.normal(0, 1, 9), rng.normal(1, 1, 4)
    found = of_draws(shift(before.tolist(), after.tolist()).draws(generator()))
    theirs = scipy.stats.ttest_ind(after, before).confidence_interval(0.95)
    assert (found.low, found.high) == pytest.approx(tuple(theirs), abs=0.05)
    with pytest.raises(ValueError, match="too few"):
        shift([1.0], [2.0])


def test_a_wheels_boost_grows_with_the_square_of_speed_and_a_fixed_volumes_hardly() -> None:
    wheel, fixed = (Tables(np.random.default_rng(2), kind=k) for k in ("centrifugal", "displacement"))
    grown, flat = (power_of([v.drive() for _ in range(4)]) for v in (wheel, fixed))
    assert grown == pytest.approx(2.08, abs=0.12)
    assert flat is not None
    assert abs(flat) < 0.5


def test_a_walk_is_followed_to_its_end_and_scatter_is_averaged() -> None:
    rng = np.random.default_rng(8)
    still = rng.normal(0.02, 0.002, 12)
    middle, error = walk(still)
    assert middle == pytest.approx(float(still.mean()), abs=0.0015)
    assert error < 0.002
    gone = np.concatenate((np.zeros(8), np.linspace(0.005, 0.04, 8))) + rng.normal(0, 0.001, 16)
    assert walk(gone)[0] == pytest.approx(0.04, abs=0.004)


# --- what is said ---------------------------------------------------------------------------------------------------


def test_a_slip_a_leak_and_a_lying_gauge_are_told_in_a_sentence_with_their_interval() -> None:
    van = Pieces(np.random.default_rng(21))
    before = [van.drive() for _ in range(8)]
    slipped = belt("centrifugal", before, [van.drive(Faults(slip=0.08)) for _ in range(3)])
    assert slipped.verdict == TOLD
    assert "the belt slips" in slipped.line()
    leaking = leak(before, [van.drive(Faults(leak_mm2=6.0)) for _ in range(3)])
    assert leaking.verdict == TOLD
    assert "mm²" in leaking.words
    assert leaking.figures["by"] == "trims"
    lying = bias([van.drive(Faults(wideband=0.05)) for _ in range(6)])
    assert "too lean" in lying.words
    # What a shown 0.82 then was.
    assert lying.estimates["shows_too_much_percent"].middle == pytest.approx(
        100 * (1.05 * (1 + van.gauge) - 1), abs=0.7
    )


def test_what_idle_control_takes_back_makes_an_area_at_least_that_large() -> None:
    found = leaks(Pieces, "speed_density", 12, 10.0, takes_back=0.5)
    van = Pieces(np.random.default_rng(4), metering="speed_density")
    told = leak([van.drive() for _ in range(8)], [van.drive(Faults(leak_mm2=12.0, takes_back=0.5)) for _ in range(3)])
    assert "at least" in told.words
    assert told.estimates["area_mm2"].low < 12.0
    assert found.held < found.trials


def test_another_days_warmth_widens_a_leaks_interval_by_what_it_may_do() -> None:
    # 5 % warmer in K: as much air or as much pressure, and a third of it beyond either: 0.8 x 5 % to each side.
    def idles(count: int, kelvin: float) -> list[Idle]:
        return [Idle(2.0, 35e3, 100e3, 293.0, kelvin, charge_known=True) for _ in range(count)]

    found = _by_density(2e-3, idles(8, 300.0), idles(3, 315.0), "").estimates["area_mm2"]
    # Of 2.0 kg/(s m3) through 2 l, times 0.77 in the middle; through a hole of discharge 0.7.
    through = 0.7 * 0.0404 * 100e3 / 293**0.5
    half = 0.8 * 0.05 * 2.0 * 2e-3 * 0.77 / through * 1e6
    assert found.high - found.low == pytest.approx(2 * half, rel=0.2)
    # As much flow though the charge is warmer is more than was expected of it, if anything.
    assert found.middle == pytest.approx(0.5 * half / 0.8, rel=0.25)


def test_a_step_is_told_as_a_bypass_or_a_hose() -> None:
    van = Pieces(np.random.default_rng(6), kind="displacement", weather=0.0)
    before, judged = [van.drive() for _ in range(8)], [van.drive(Faults(slip=0.15)) for _ in range(5)]
    assert "a bypass or a hose" in belt("displacement", before, judged).words
    turbo = Pieces(np.random.default_rng(6), kind="turbo", weather=0.0)
    told = belt("turbo", [turbo.drive() for _ in range(8)], [turbo.drive(Faults(slip=0.1)) for _ in range(3)])
    assert "has no belt" in told.words


def without(drives: list, *names: str) -> list:
    return [dataclasses.replace(d, **{n: np.full(len(d.seconds), np.nan) for n in names}) for d in drives]


@pytest.mark.parametrize(
    ("names", "question"),
    [
        (("rpm",), belt), (("throttle",), belt), (("air_kpa",), belt), (("rpm", "mass_air"), leak),
        (("trim",), cause), (("closed",), cause), (("charge_k",), heat), (("air_kpa",), heat),
    ],
    ids=lambda one: one.__name__ if callable(one) else "+".join(one),
)  # fmt: skip
def test_without_a_sensor_nobody_can_tell_and_is_told_what_it_takes(names, question) -> None:
    van = Tables(np.random.default_rng(7))
    before, judged = without([van.drive() for _ in range(6)], *names), without([van.drive() for _ in range(2)], *names)
    found = belt("centrifugal", before, judged) if question is belt else question(before, judged)
    assert found.verdict == CANNOT_TELL
    assert found.needs
    assert "I can't tell" in found.line()


def test_too_few_pulls_are_no_estimate() -> None:
    van = Pieces(np.random.default_rng(9))
    assert belt("centrifugal", [van.drive() for _ in range(3)], [van.drive()]).verdict == CANNOT_TELL
    van.pulls = 0
    assert belt("centrifugal", [van.drive() for _ in range(8)], [van.drive()]).verdict == CANNOT_TELL
    assert bias(without([van.drive()], "closed")).verdict == CANNOT_TELL


def test_a_meter_and_the_fuel_are_not_told_apart_without_air_by_speed_and_density() -> None:
    van = Pieces(np.random.default_rng(10))
    before, judged = [van.drive() for _ in range(8)], [van.drive(Faults(meter=-0.1)) for _ in range(3)]
    assert cause(before, judged).figures["cause"] == "air meter"
    blind = cause(without(before, "charge_k"), without(judged, "charge_k"))
    assert blind.figures["cause"] != "air meter"


def test_a_shape_that_nothing_explains_is_no_cause() -> None:
    # Nothing moved, and each cell is known well: nothing it is. Moved all alike in the gauge alone: the gauge.
    keys = [(kind, n) for kind in ("shown", "trim") for n in range(4)]
    flows = {0: 1.0, 1: 2.0, 2: 3.0, 3: 5.0}
    errors = dict.fromkeys(keys, 0.003)
    assert weigh(dict.fromkeys(keys, 0.0), errors, flows)["nothing"] > 0.9
    moved = {k: 0.05 if k[0] == "shown" else 0.0 for k in keys}
    assert weigh(moved, errors, flows)["wideband"] > 0.95


# --- how much has been seen -----------------------------------------------------------------------------------------


def pulls_of(rng: np.random.Generator, pulls: int, middle: float, spread: float, *, skewed: bool) -> list[Pull]:
    """Pulls that begin a little lean (skewed), or scatter evenly; each about its own middle."""
    found = []
    for n in range(pulls):
        at, ticks = middle + rng.normal(0, spread), 100
        shape = 0.03 * np.exp(-np.arange(ticks) / 15.0) if skewed else rng.normal(0, 0.01, ticks)
        found.append(Pull(f"drive {n // 3}", at + shape, 2.0, 0.0))
    return found


def percentile_of(middle: float, spread: float, *, skewed: bool) -> float:
    some = np.concatenate([p.beyond for p in pulls_of(np.random.default_rng(99), 4000, middle, spread, skewed=skewed)])
    return float(np.percentile(some, 95))


@pytest.mark.parametrize("trials", [60, pytest.param(600, marks=pytest.mark.long)])
@pytest.mark.parametrize("skewed", [False, True])
def test_the_percentile_of_the_mixture_lies_in_its_interval(skewed: bool, trials: int) -> None:
    true = percentile_of(-0.04, 0.012, skewed=skewed)
    held, width = 0, []
    for n in range(trials):
        cell = judged_cell((2, 3), pulls_of(np.random.default_rng((16, n)), 9, -0.04, 0.012, skewed=skewed))
        assert cell.percentile is not None
        held += cell.percentile.low <= true <= cell.percentile.high
        width.append(cell.percentile.high - cell.percentile.low)
    graded(f"95th percentile, {'skewed' if skewed else 'even'}", [Covered(trials, held, 0, float(np.median(width)))])


@pytest.mark.parametrize("trials", [60, pytest.param(600, marks=pytest.mark.long)])
def test_pulls_of_one_drive_say_the_same_thing_and_count_as_one(trials: int) -> None:
    # Drives differ, by fuel or weather; the pulls of one hardly do.
    def driven(rng: np.random.Generator, drives: int) -> list[Pull]:
        found = []
        for n in range(drives):
            middle = -0.04 + rng.normal(0, 0.015)
            found += [Pull(f"drive {n}", middle + rng.normal(0, 0.006, 60), 1.2, 0.0) for _ in range(3)]
        return found

    true = -0.04 + 1.6449 * float(np.hypot(0.015, 0.006))
    held, width = 0, []
    for n in range(trials):
        cell = judged_cell((2, 3), driven(np.random.default_rng((19, n)), 6))
        assert (cell.pulls, cell.drives) == (18, 6)
        assert cell.percentile is not None
        held += cell.percentile.low <= true <= cell.percentile.high
        width.append(cell.percentile.high - cell.percentile.low)
    graded("95th percentile, by drives", [Covered(trials, held, 0, float(np.median(width)))])


def test_more_pulls_are_asked_for_until_it_is_decided() -> None:
    rng = np.random.default_rng(17)
    near = judged_cell((1, 3), pulls_of(rng, 5, -0.045, 0.02, skewed=False))
    assert near.more_pulls is not None
    assert near.more_pulls > 0
    assert "more pulls would decide" in near.line()
    far = judged_cell((1, 3), pulls_of(rng, 12, -0.20, 0.01, skewed=False))
    assert far.more_pulls is None
    assert far.probability == pytest.approx(0.0, abs=0.001)
    assert judged_cell((1, -1), pulls_of(rng, 2, 0.0, 0.01, skewed=False)).percentile is None
    lean = judged_cell((1, 3), pulls_of(rng, 12, 0.10, 0.01, skewed=False))
    assert lean.probability == pytest.approx(1.0, abs=0.001)


def test_nothing_seen_says_what_would_have_been() -> None:
    van = Pieces(np.random.default_rng(18))
    before, judged = [van.drive() for _ in range(8)], [van.drive() for _ in range(3)]
    found = leak(before, judged)
    assert found.verdict == NOTHING
    assert 0.0 < found.figures["smallest_mm2"] < 3.0
    # A hole of that size is seen.
    seen = leak(before, [van.drive(Faults(leak_mm2=2.5 * found.figures["smallest_mm2"])) for _ in range(3)])
    assert seen.verdict == TOLD
