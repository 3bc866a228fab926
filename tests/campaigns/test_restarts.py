"""A monitor that starts anew in mid-drive watches from its first tick, on every vehicle that ships.

CI takes a few restarts; `-m long` takes 200 on each vehicle and prints the table.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from restarted import Restarted, false, kinds_for, late, restarts

from cabcanary_bench.corpus.watched import watch
from cabcanary_bench.faults.kinds import FaultKind
from cabcanary_bench.van.build import Build, CompressorKind

CONFIG = Path(__file__).parents[2] / "config"
#: Each shipped vehicle with the compressor that it has, or will have.
VEHICLES: dict[str, CompressorKind] = {
    "market-hatchback": "centrifugal",
    "harbour-pickup": "turbo",
    "hill-estate": "displacement",
    "bench-van": "displacement",
}
_WANTED = 200


@pytest.mark.parametrize(
    ("name", "kind", "seed"),
    [("market-hatchback", FaultKind.LEAN_MIXTURE, 2), ("bench-van", FaultKind.OVER_BOOST, 0)],
)
def test_a_monitor_started_anew_tells_what_follows(name: str, kind: FaultKind, seed: int, tmp_path: Path) -> None:
    cases = restarts(watch(CONFIG / f"{name}.toml", Build(VEHICLES[name]), tmp_path), kind, seed, 4)
    assert len(cases) >= 2
    assert late(cases) == []
    assert false(cases) == []


@pytest.mark.long
@pytest.mark.parametrize("name", VEHICLES)
def test_two_hundred_restarts_of_a_vehicle(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    vehicle = watch(CONFIG / f"{name}.toml", Build(VEHICLES[name]), tmp_path)
    kinds, cases = kinds_for(vehicle), list[Restarted]()
    for n in range(400):
        cases += restarts(vehicle, kinds[n % len(kinds)], 1000 + n, 16)
        if len(cases) >= _WANTED and n >= len(kinds):
            break
    bad = [*late(cases), *false(cases)]
    with capsys.disabled():
        told = len(cases) - len(late(cases))
        print(f"\n{name}: {told} of {len(cases)} told in time, {len(false(cases))} with a false warning")
        print("\n".join(bad))
    assert len(cases) >= _WANTED
    assert bad == []
