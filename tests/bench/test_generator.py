"""Made-up drives: every kind is what it is called, nothing wrong is wrong, faults lie where they show."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from cabcanary_bench.drives.generator import DriveKind, faulty, ordinary
from cabcanary_bench.drives.itinerary import pull_starts, trips
from cabcanary_bench.drives.wltc import trace
from cabcanary_bench.fast.fast import Recording, drive
from cabcanary_bench.faults.circumstances import CircumstanceKind
from cabcanary_bench.faults.faults import FaultKind

PSI_KPA = 6.894757
SHOWN = [kind for kind in FaultKind if kind.info.family != "host"]


@cache
def driven(kind: DriveKind) -> Recording:
    return drive(ordinary(3, kind, minutes=3), 3)


def test_trips_begin_and_end_at_a_standstill() -> None:
    for part in range(4):
        assert trips(part)
        for first, last in trips(part):
            assert trace()[first] == trace()[last] == 0.0
            assert max(trace()[first : last + 1]) > 10.0
    # Phase by phase to their ends, UN GTR No. 15: the last second of High is 1477, the whole 1800.
    assert trips(2)[-1][1] <= 1477
    assert trips(3)[-1][1] <= 1800


def test_pulls_are_where_the_trace_is_fast_and_does_not_slow_down() -> None:
    starts = [s for trip in trips(2) for s in pull_starts(trip)]
    assert len(starts) > 20
    for start in starts:
        assert min(trace()[start : start + 12]) > 48.0
        assert trace()[start + 12] >= trace()[start]


@pytest.mark.parametrize("kind", list(DriveKind))
def test_a_drive_is_the_same_for_the_same_seed(kind: DriveKind) -> None:
    assert ordinary(5, kind, 4) == ordinary(5, kind, 4)
    assert ordinary(5, kind, 4) != ordinary(6, kind, 4)
    assert ordinary(5, kind).faults == ()


@pytest.mark.parametrize("kind", list(DriveKind))
def test_an_ordinary_drive_starts_runs_and_ends_healthy(kind: DriveKind) -> None:
    recording = driven(kind)
    truth = recording.truth
    assert recording.scenario.length_s > 3 * 60
    assert not np.any(truth["running"][-200:])
    assert np.mean(truth["running"]) > 0.5
    dips = [label for label in recording.labels if label.kind == "brown_out"]
    steady = np.ones(len(truth["time_s"]), bool)
    for dip in dips:
        steady &= (truth["time_s"] < dip.start_s) | (truth["time_s"] > dip.end_s + 2)
    assert truth["supply_v"][steady].min() > 8.0  # ISO 16750-2, supply code B
    assert truth["supply_v"].max() < 16.0
    settled = (truth["boost_kpa"] > 3 * PSI_KPA) & (truth["fuel_cut"] == 0)
    assert not np.any(truth["lambda_cylinder"][settled] > 0.88)
    assert truth["boost_kpa"].max() < 7.6 * PSI_KPA
    assert not any(label.is_fault for label in recording.labels)


def test_kinds_are_what_they_are_called() -> None:
    top = {kind: driven(kind).truth["speed_km_h"].max() for kind in DriveKind}
    assert top[DriveKind.TOWN] < 80 < 95 < top[DriveKind.MOTORWAY]
    assert driven(DriveKind.TOWING).scenario.towed_kg >= 600
    assert driven(DriveKind.COLD_START).truth["coolant_c"][0] < 12
    assert np.ptp(driven(DriveKind.HILL).truth["baro_kpa"]) > 0.5
    idle = driven(DriveKind.IDLE).truth
    assert np.mean((idle["speed_km_h"] < 1) & (idle["running"] > 0)) > 0.5
    keys = np.diff(driven(DriveKind.DELIVERY).truth["key_on"])
    assert np.count_nonzero(keys < 0) >= 2
    descent = driven(DriveKind.DESCENT).truth
    assert np.mean(descent["fuel_cut"]) > 0.3
    for kind in (DriveKind.HILL, DriveKind.TOWING):
        assert np.count_nonzero(driven(kind).truth["boost_kpa"] > 2 * PSI_KPA) * 0.02 > 1.0, kind


def test_stalled_it_is_started_again() -> None:
    seed = next(
        s for s in range(50)
        if any(c.kind is CircumstanceKind.STALL for c in ordinary(s, DriveKind.DELIVERY, 5).circumstances)
    )  # fmt: skip
    scenario = ordinary(seed, DriveKind.DELIVERY, 5)
    stall = next(c for c in scenario.circumstances if c.kind is CircumstanceKind.STALL)
    truth = drive(scenario, 1).truth
    again = next(phase for phase in scenario.phases if phase.start_s > stall.start_s and phase.crank)
    times = (stall.start_s - 0.3, stall.end_s, again.end_s)
    assert [bool(truth["running"][np.searchsorted(truth["time_s"], t)]) for t in times] == [True, False, True]


@pytest.mark.parametrize("kind", SHOWN)
def test_a_fault_of_each_kind_is_placed_inside_its_drive(kind: FaultKind) -> None:
    for seed in range(3):
        scenario = faulty(seed, kind)
        (fault,) = scenario.faults
        assert fault.kind is kind
        assert 0 < fault.start_s < fault.end_s <= scenario.length_s
        if kind.info.found in ("full boost", "a pull"):
            assert scenario.phase_at(fault.start_s).name == "pull"
        if kind.info.found == "idle":
            assert scenario.phase_at(fault.start_s).name == "stand"


LEAN = [k for k in SHOWN if k.info.expects in ("lean", "over_boost")]
#: A sample for every day; `.ci/long` takes all.
SAMPLE = [FaultKind.LEAN_MIXTURE, FaultKind.OVER_BOOST]


def _shows(kind: FaultKind) -> bool:
    """Whether one of two drives shows it at half way from its threshold to all of it."""
    above = kind.found_above or 0.0
    labels = (drive(faulty(seed, kind, (above + 1) / 2), seed).labels[0] for seed in (1, 2))
    return any(label.must_be_found and label.onset_cylinder_s is not None for label in labels)


@pytest.mark.parametrize("kind", SAMPLE)
def test_above_its_threshold_a_fault_shows_at_the_sensor(kind: FaultKind) -> None:
    assert _shows(kind)


@pytest.mark.long
@pytest.mark.parametrize("kind", [k for k in LEAN if k not in SAMPLE])
def test_above_its_threshold_every_fault_of_the_mixture_shows_at_the_sensor(kind: FaultKind) -> None:
    assert _shows(kind)


def test_a_tank_that_is_low_shows_where_the_trace_slows_down_and_never_in_a_pull() -> None:
    bends = 0
    for seed in range(60):
        scenario = ordinary(seed, DriveKind.TOWN, 10)
        for one in scenario.circumstances:
            if one.kind is CircumstanceKind.LOW_TANK_IN_BEND:
                phase = scenario.phase_at(one.start_s)
                second = round(phase.trace_s + one.start_s - phase.start_s)
                assert phase.name == "drive"
                assert trace()[second + 3] < trace()[second] - 1.5
                bends += 1
    assert bends > 10
