"""The first drive keeps its promises: where boost, fuel cut and faults are, and where nothing is."""

from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import pytest

from cabcanary_bench.drives.scenario import FIRST_DRIVE, Phase, Scenario

if TYPE_CHECKING:
    from .conftest import Moment

STEP_S = 0.01
PSI_KPA = 6.894757
PULLS = ["clean pull", "back on", "lean pull", "over-boost pull", "silent wideband pull"]
#: The limit table the drive is written against, lambda over boost in psi.
LIMIT = [(2.0, 0.88), (5.0, 0.86), (8.0, 0.85)]


def limit(boost_psi: float) -> float:
    for (low, at_low), (high, at_high) in itertools.pairwise(LIMIT):
        if boost_psi <= high:
            return at_low + (at_high - at_low) * (max(boost_psi, low) - low) / (high - low)
    return LIMIT[-1][1]


def in_phase(drive: list[Moment], name: str) -> list[Moment]:
    return [m for m in drive if m.phase == name]


def longest_s(flags: list[bool]) -> float:
    best = run = 0
    for flag in flags:
        run = run + 1 if flag else 0
        best = max(best, run)
    return best * STEP_S


def test_it_lasts_five_minutes_and_the_phases_join() -> None:
    assert FIRST_DRIVE.length_s == 300
    for before, after in zip(FIRST_DRIVE.phases, FIRST_DRIVE.phases[1:], strict=False):
        assert before.end_s == after.start_s
        assert after.speed_at(after.start_s) == pytest.approx(before.speed_at(before.end_s), abs=2.0)


def test_phases_with_a_gap_are_refused() -> None:
    with pytest.raises(ValueError, match="gap or overlap"):
        Scenario("broken", 10.0, (Phase("a", 0.0, 4.0, 0), Phase("b", 5.0, 10.0, 0)))


@pytest.mark.parametrize("name", PULLS)
def test_every_pull_reaches_boost_at_full_throttle(first_drive: list[Moment], name: str) -> None:
    pull = in_phase(first_drive, name)
    assert longest_s([m.truth.boost_kpa >= 4 * PSI_KPA for m in pull]) >= 6.0
    assert max(m.truth.pedal_percent for m in pull) == 100


def test_there_is_no_boost_outside_the_pulls(first_drive: list[Moment]) -> None:
    ends = [p.end_s for p in FIRST_DRIVE.phases if p.name in PULLS]
    for m in first_drive:
        just_after = any(0 <= m.time_s - end <= 1.0 for end in ends)
        if m.phase not in PULLS and not just_after:
            assert m.truth.boost_kpa < 2 * PSI_KPA, m


def test_overrun_cuts_fuel_and_boost_comes_straight_back(first_drive: list[Moment]) -> None:
    overrun = in_phase(first_drive, "overrun")
    assert longest_s([m.truth.fuel_cut for m in overrun]) >= 4.0
    assert overrun[-1].truth.fuel_cut
    back = in_phase(first_drive, "back on")
    boosted = next(m.time_s for m in back if m.truth.boost_kpa > 2 * PSI_KPA)
    assert boosted - back[0].time_s <= 0.35
    # The sensor still sees the overrun's air when boost is there: the false alarm that must not sound.
    late = [m for m in back if m.truth.boost_kpa > 2 * PSI_KPA and (m.shown.wideband or 0) > 0.9]
    assert late


def test_the_lean_pull_is_lean_by_a_margin_under_boost(first_drive: list[Moment]) -> None:
    mark = FIRST_DRIVE.mark("lean")
    assert mark.end_s - mark.start_s == pytest.approx(3.0)
    # Half a second for onset, transport and response.
    lean = [m for m in first_drive if mark.start_s + 0.5 <= m.time_s < mark.end_s]
    for m in lean:
        boost_psi = m.truth.boost_kpa / PSI_KPA
        assert boost_psi > 2.0
        assert m.shown.wideband is not None
        assert m.shown.wideband > limit(boost_psi) + 0.05


def test_the_over_boost_pull_is_past_the_limit_and_rich(first_drive: list[Moment]) -> None:
    pull = in_phase(first_drive, "over-boost pull")
    assert longest_s([m.truth.boost_kpa >= 9.5 * PSI_KPA for m in pull]) >= 2.0
    boosted = [m for m in pull if m.truth.boost_kpa > 4 * PSI_KPA and m.time_s > pull[0].time_s + 3]
    assert all(m.truth.lambda_cylinder < 0.83 for m in boosted)


def test_only_the_over_boost_pull_goes_past_eight_psi(first_drive: list[Moment]) -> None:
    mark = FIRST_DRIVE.mark("over-boost")
    for m in first_drive:
        if not mark.start_s <= m.time_s < mark.end_s + 0.5:
            assert m.truth.boost_kpa < 7.5 * PSI_KPA


def test_in_the_silent_stretches_nothing_settled_is_lean(first_drive: list[Moment]) -> None:
    for name in ("clean pull", "overrun and back on"):
        mark = FIRST_DRIVE.mark(name)
        assert mark.expects == "silent"
        for m in first_drive:
            if mark.start_s <= m.time_s < mark.end_s and m.truth.boost_kpa > 2 * PSI_KPA:
                assert m.truth.lambda_cylinder < limit(m.truth.boost_kpa / PSI_KPA)


def test_the_wideband_falls_silent_mid_pull_and_stays_so(first_drive: list[Moment]) -> None:
    mark = FIRST_DRIVE.mark("wideband silent")
    silent = [m for m in first_drive if mark.start_s <= m.time_s < mark.end_s]
    assert all(m.shown.line == b"" for m in silent)
    assert silent[0].truth.boost_kpa > 4 * PSI_KPA
    pull = next(p for p in FIRST_DRIVE.phases if p.name == "silent wideband pull")
    assert mark.end_s >= pull.end_s + 9.5
    assert next(m for m in first_drive if m.time_s >= mark.end_s + 0.1).shown.line


def test_the_wideband_warms_up_for_eighteen_seconds(first_drive: list[Moment]) -> None:
    ready = next(m.time_s for m in first_drive if m.shown.wideband is not None)
    assert ready == pytest.approx(18.0, abs=0.1)
    assert first_drive[500].shown.line == b"lambda=--- status=heating\r\n"


def test_with_the_key_off_everything_is_dark(first_drive: list[Moment]) -> None:
    last = first_drive[-1]
    assert last.shown.line == b""
    assert last.shown.map_v == last.shown.charge_v == 0.0
    assert last.shown.supply_v * 4 == pytest.approx(12.6, abs=0.05)
    assert not last.truth.running
    assert last.truth.rpm == 0


def test_the_same_seed_gives_the_same_drive(first_drive: list[Moment]) -> None:
    assert all(not math.isnan(m.shown.wideband) for m in first_drive if m.shown.wideband is not None)
    from cabcanary_bench.sensors.outputs import Sensors
    from cabcanary_bench.van.vehicle import Vehicle

    vehicle, sensors = Vehicle(faults=FIRST_DRIVE.faults), Sensors(seed=1)
    for m in first_drive[:4000]:
        assert sensors.step(vehicle.step(STEP_S, FIRST_DRIVE.input(m.time_s)), vehicle.effects) == m.shown
