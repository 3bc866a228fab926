"""The tests of each room notice a change of any of its lines."""

from __future__ import annotations

import itertools
import os
import time
from pathlib import Path

import pytest

mutations = pytest.importorskip("mutations", reason="mutations need cosmic-ray")

Room = mutations.Room
#: How many mutations are drawn of each room, and by which dice; another seed draws others.
_COUNT = int(os.environ.get("MUTATIONS", "10"))
_SEED = int(os.environ.get("MUTATION_SEED", "1"))
#: No further mutation is begun after so many minutes.
_MINUTES = float(os.environ.get("MUTATION_MINUTES", "300"))
_MOST_SURVIVING = 0.05
_EQUIVALENT = Path(__file__).with_name("equivalent_mutations.toml")

_PROPERTIES = ("tests/rules/test_array_windows.py", "tests/rules/test_parse.py", "tests/rules/test_whole_drive.py")
_LONG_STORIES = "not as_if_never_stopped and not always_tell_the_same and not every_change_is and not never_ends_unless"
_SAMPLED = ("tests/channels/test_fault_table.py", "tests/channels/test_pipeline.py")
_PROCESSES = ("tests/sources/test_can_reader.py", "tests/sources/test_can_vehicle.py", "tests/sources/test_child.py")
ROOMS = (
    Room(
        "rules",
        (
            ("tests/rules", *(f"--ignore={f}" for f in _PROPERTIES), "-k", _LONG_STORIES),
            ("tests/rules/test_engine_state.py", *_PROPERTIES),
        ),
    ),
    Room("channels", (("tests/channels", *(f"--ignore={f}" for f in _SAMPLED)), _SAMPLED)),
    Room(
        "expressions",
        (
            tuple(
                f"tests/rules/test_{name}.py" for name in ("conditions", "grammar", "block_edges", "blocks", "figures")
            ),
            _PROPERTIES,
        ),
    ),
    Room("alerts", (("tests/alerts",), ("tests/runtime/test_own_faults.py", "tests/contracts/test_outputs.py"))),
    Room("recorder", (("tests/recorder",), ("tests/faults/test_journal_damage.py", "tests/review/test_replay.py"))),
    Room(
        "sources",
        (
            (
                "tests/settings/test_bad_files.py",
                "tests/sources",
                *(f"--ignore={f}" for f in _PROCESSES),
                "--ignore=tests/sources/test_fuzz.py",
            ),
            (*_PROCESSES, "tests/contracts/test_sources.py"),
        ),
    ),
    Room("runtime", (("tests/runtime/test_own_faults.py",), ("tests/runtime", "--ignore=tests/runtime/test_pins.py"))),
)


@pytest.mark.long
@pytest.mark.timeout(6 * 3600)
def test_at_most_one_mutation_in_twenty_goes_unnoticed(tmp_path: Path) -> None:
    bench, known = mutations.Bench(tmp_path), mutations.equivalents(_EQUIVALENT)
    wanted = os.environ.get("MUTATION_ROOMS", "").split()
    rooms = [room for room in ROOMS if not wanted or room.name in wanted]
    drawn = {room.name: mutations.draw(room.name, _COUNT, _SEED) for room in rooms}
    results: dict[str, list] = {room.name: [] for room in rooms}
    ends = time.monotonic() + 60.0 * _MINUTES
    # In turns, so that a run that is cut short has looked at each room alike.
    for turn, room in itertools.product(range(_COUNT), rooms):
        if time.monotonic() < ends:
            change = drawn[room.name][turn]
            survived = bench.survives(room, change)
            results[room.name].append((change, survived))
            print(f"  {'survived' if survived else 'noticed '}  {room.name:<12} {change.words}", flush=True)
    print(f"\nseed {_SEED}\n{mutations.table(results, known)}")
    looked_at = {(e.file, e.was, e.now) for e in known}
    tried = [pair for pairs in results.values() for pair in pairs]
    counted = [survived for m, survived in tried if not (survived and (m.file, m.was, m.now) in looked_at)]
    assert counted
    assert sum(counted) <= _MOST_SURVIVING * len(counted)


def test_every_mutation_that_was_looked_at_still_has_its_line() -> None:
    for known in mutations.equivalents(_EQUIVALENT):
        source = (mutations.ROOT / mutations.PACKAGE / known.file).read_text(encoding="utf-8")
        assert known.was in [line.strip() for line in source.splitlines()], known
        assert known.why


SOURCE = '''\
"""Room for 2."""
from __future__ import annotations
from dataclasses import dataclass
if TYPE_CHECKING:
    N = 3 - 1

Verdict = int | None

@dataclass(slots=True, frozen=True)
class A:
    """1 + 1."""
    x: int | None = 7

def f(λ: int | None, y: float | str = 8) -> int | None:
    if λ is None:
        return 9
    return not y
'''


def test_only_what_can_change_the_program_is_mutated() -> None:
    made = [
        mutations.mutation("f.py", SOURCE, operator, occurrence)
        for choices in mutations._places(SOURCE).values()
        for operator, occurrence in choices
    ]
    changed = {(m.line, m.was) for m in made if m is not None}
    assert {line for line, _ in changed} == {12, 14, 15, 16, 17}
    nows = {m.now for m in made if m is not None}
    assert {"if not λ is None:", "return 10", "return 8", "return  y"} <= nows
    assert "if λ == None:" not in nows
    assert not [now for now in nows if "int | None" not in now and "def f" in now]


def test_the_same_seed_draws_the_same_mutations() -> None:
    drawn = mutations.draw("alerts", 5, 3)
    assert len(drawn) == 5
    assert drawn == mutations.draw("alerts", 5, 3)
    assert drawn != mutations.draw("alerts", 5, 4)
    assert all(m.code != (mutations.ROOT / mutations.PACKAGE / m.file).read_text() for m in drawn)
