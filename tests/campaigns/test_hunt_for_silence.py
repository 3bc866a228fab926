"""Hunt for silence: after any loss that leaves mixture or boost unwatched, something sounds within a second of boost.

CI takes a few losses of each vehicle; `-m long` hunts through more drives and prints the table.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from hunt import Hunted, hunt

from cabcanary_bench.corpus.watched import Watched, watch
from cabcanary_bench.van.build import Build, CompressorKind

CONFIG = Path(__file__).parents[2] / "config"
#: Each shipped vehicle with the compressor that it has, or will have.
VEHICLES: dict[str, CompressorKind] = {
    "market-hatchback": "centrifugal",
    "harbour-pickup": "turbo",
    "hill-estate": "displacement",
    "bench-van": "displacement",
}


def vehicle(name: str, folder: Path) -> Watched:
    return watch(CONFIG / f"{name}.toml", Build(VEHICLES[name]), folder)


def missed(cases: list[Hunted]) -> list[str]:
    """What was not found, but for what nothing that is fitted could show."""
    return [str(case) for case in cases if not case.found and not case.unshown]


@pytest.mark.parametrize("name", VEHICLES)
def test_a_loss_at_any_moment_is_told_within_a_second_of_boost(name: str, tmp_path: Path) -> None:
    cases = hunt(vehicle(name, tmp_path), 7, 12)
    assert len(cases) >= 4
    assert missed(cases) == []


@pytest.mark.long
def test_hunt_for_silence(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    bad, rows = [], []
    for name in VEHICLES:
        cases = [case for seed in range(100, 130) for case in hunt(vehicle(name, tmp_path), seed, 40)]
        shown = [case for case in cases if not case.unshown]
        unshown = [case for case in cases if case.unshown]
        late, never = ([c for c in unshown if not c.found and (c.sounded_s is None) is none] for none in (False, True))
        rows.append(
            f"{name:<18}{sum(case.found for case in shown):>6} of {len(shown):<6}"
            f"pressure lost before a pull that nothing shows: {len(unshown)}, late {len(late)}, never {len(never)}"
        )
        bad += missed(cases)
    with capsys.disabled():
        print("\nlosses found within 1 s of boost\n" + "\n".join([*rows, *bad[:40]]))
    assert bad == []
