"""An install with each of 25 faults, inspected on signals of the second engine: its cause is named, and nothing passes.

CI inspects a sample; `-m long` all of them on every vehicle that can have them, and prints the table.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from plain_install import FAULTS, VEHICLES, Inspected, inspected

#: Of 25 so many are named first; all are among the first two.
_FIRST, _ALL = 22, 25
#: One of each kind: feed, ground, wire, line, leak, wideband, output.
_SAMPLE = ("no_feed", "sensor_ground", "map_open", "line_leaks", "vacuum_leak", "unit_dead", "buzzer_silent")


def a_vehicle(fault: str, seed: int) -> str:
    """One of those that can have the fault, in turn."""
    can = FAULTS[fault]
    return can[(seed + list(FAULTS).index(fault)) % len(can)]


def table(results: list[Inspected]) -> str:
    rows = [f"{'fault':<17}{'on':<18}{'named first':<19}{'named second':<19}verdict"]
    for r in results:
        verdict = "failed" if r.failed else "PASSED"
        rows.append(f"{r.v.fault or '':<17}{r.v.vehicle:<18}{r.order[0]:<19}{r.order[1]:<19}{verdict}")
    first, two = sum(r.place == 1 for r in results), sum(r.place <= 2 for r in results)
    return "\n".join([*rows, f"of {len(results)}: first {first}, among the first two {two}"])


def test_there_are_25_faults() -> None:
    assert len(FAULTS) == _ALL


@pytest.mark.parametrize("fault", _SAMPLE)
def test_a_fault_of_each_kind_is_named_first_and_does_not_pass(fault: str, tmp_path: Path) -> None:
    result = inspected(a_vehicle(fault, 1), fault, 1, tmp_path)
    assert result.failed
    assert not result.complete
    assert result.order[0] == fault, result.observed


@pytest.mark.parametrize("vehicle", ["market-hatchback", "bench-van"])
def test_a_good_install_passes(vehicle: str, tmp_path: Path) -> None:
    result = inspected(vehicle, None, 1, tmp_path)
    assert result.complete, result.record.findings
    assert result.record.causes == []


@pytest.mark.long
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_all_25_are_named_and_none_passes(seed: int, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    results = [inspected(a_vehicle(fault, seed), fault, seed, tmp_path) for fault in FAULTS]
    with capsys.disabled():
        print(f"\nseed {seed}\n{table(results)}")
    assert [r.v for r in results if not r.failed or r.complete] == []
    assert sum(r.place == 1 for r in results) >= _FIRST
    assert [(r.v, r.order[:3]) for r in results if r.place > 2] == []


@pytest.mark.long
@pytest.mark.parametrize("vehicle", VEHICLES)
def test_every_vehicle_with_every_fault_it_can_have(
    vehicle: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    results = [inspected(vehicle, fault, 11, tmp_path) for fault, can in FAULTS.items() if vehicle in can]
    with capsys.disabled():
        print(f"\n{table(results)}")
    assert [r.v for r in results if not r.failed or r.complete] == []
    assert sum(r.place == 1 for r in results) >= len(results) * _FIRST / _ALL
    assert [(r.v, r.order[:3]) for r in results if r.place > 2] == []


@pytest.mark.long
def test_ten_good_installs_pass(tmp_path: Path) -> None:
    results = [inspected(list(VEHICLES)[n % 4], None, 20 + n, tmp_path) for n in range(10)]
    assert [(r.v, [f for f in r.record.findings if f.verdict == "fail"]) for r in results if not r.complete] == []
