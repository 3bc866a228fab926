"""Single mutations of the product, each shown to the tests of its room: what they do not notice, they do not protect.

The operators are cosmic-ray's. What is left out cannot change what the program does: annotations, what only a type
checker reads, the options of a dataclass, and `is` against `==`, since the code says `is` only of what exists once.
"""

from __future__ import annotations

import ast
import compileall
import os
import random
import shutil
import subprocess
import sys
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.plugins import get_operator, operator_names

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

ROOT = Path(__file__).parents[2]
PACKAGE = Path("daemon/cabcanary")
_SAME = ("ReplaceComparisonOperator_Is_Eq", "ReplaceComparisonOperator_IsNot_NotEq")
#: These want to be told which variables.
_WANTS_ARGUMENTS = ("VariableReplacer", "VariableInserter")
#: A run that takes longer, in seconds, hangs by its mutation, which is noticed; so does one test of 100 s.
_LONGEST_S = 900.0
_PASSED, _FAILED, _INTERRUPTED = 0, 1, 2

Position = tuple[int, int]


@dataclass(frozen=True)
class Room:
    """A folder of the product and its tests, the quick ones first: the slow ones are run for would-be survivors."""

    name: str
    stages: tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Mutation:
    """One change of one file; `was` and `now` are the first line that differs."""

    file: str
    line: int
    was: str
    now: str
    code: str

    @property
    def words(self) -> str:
        """Where, and what."""
        return f"{self.file}:{self.line}: {self.was}  ->  {self.now}"


@dataclass(frozen=True)
class Equivalent:
    """A mutation that a person has looked at: it changes nothing that anybody was promised."""

    file: str
    was: str
    now: str
    why: str


def equivalents(path: Path) -> list[Equivalent]:
    """What has been looked at."""
    return [Equivalent(**e) for e in tomllib.loads(path.read_text(encoding="utf-8"))["equivalent"]]


# --- drawing -------------------------------------------------------------------------------------------------


def draw(room: str, count: int, seed: int) -> list[Mutation]:
    """That many mutations of a room's files; every place in its code is as likely as any other."""
    dice = random.Random(f"{seed} {room}")
    files = sorted((ROOT / PACKAGE / room).rglob("*.py"))
    places = [(file, place) for file in files for place in sorted(_places(file.read_text(encoding="utf-8")))]
    found: list[Mutation] = []
    for file, place in dice.sample(places, len(places)):
        source = file.read_text(encoding="utf-8")
        operator, occurrence = dice.choice(_places(source)[place])
        made = mutation(str(file.relative_to(ROOT / PACKAGE)), source, operator, occurrence)
        if made is not None:
            found.append(made)
        if len(found) == count:
            break
    return found


def mutation(file: str, source: str, operator: str, occurrence: int) -> Mutation | None:
    """One mutation; None where it makes no other program."""
    code = mutate_code(source, get_operator(operator)(), occurrence)
    try:
        if code is None or ast.dump(ast.parse(source)) == ast.dump(ast.parse(code)):
            return None
    except SyntaxError:  # no program at all: nothing to notice
        return None
    before, after = source.splitlines(), code.splitlines()
    at = next((n for n, (a, b) in enumerate(zip(before, after, strict=False)) if a != b), len(before) - 1)
    return Mutation(file, at + 1, before[at].strip(), after[at].strip() if at < len(after) else "", code)


@cache
def _places(source: str) -> dict[Position, list[tuple[str, int]]]:
    """Each place that can be mutated, with the operators that can and their occurrences."""
    without = list(_without_effect(source))
    found: dict[Position, list[tuple[str, int]]] = {}
    nodes = list(ast_nodes(get_ast(source)))
    for name in operator_names():
        if name.endswith((*_SAME, *_WANTS_ARGUMENTS)):
            continue
        operator, occurrence = get_operator(name)(), 0
        for node in nodes:
            for start, end in operator.mutation_positions(node):
                if not any(first <= start and end <= last for first, last in without):
                    found.setdefault(start, []).append((name, occurrence))
                occurrence += 1
    return found


def _without_effect(source: str) -> Iterator[tuple[Position, Position]]:
    """From where to where nothing that is mutated changes what the program does."""
    lines = source.splitlines()

    def span(node: ast.expr | ast.stmt) -> tuple[Position, Position]:
        ends = ((node.lineno, node.col_offset), (node.end_lineno or 0, node.end_col_offset or 0))
        # The standard parser counts bytes, the other one characters.
        first, last = ((row, len(lines[row - 1].encode()[:col].decode())) for row, col in ends)
        return first, last

    for node in ast.walk(ast.parse(source)):
        for annotation in (getattr(node, "annotation", None), getattr(node, "returns", None)):
            if annotation is not None:
                yield span(annotation)
        for decorator in getattr(node, "decorator_list", ()):
            if "dataclass" in ast.unparse(decorator):
                (row, column), last = span(decorator)
                yield (row, column - 1), (last[0] + 1, 0)
        if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            yield span(node)
        if isinstance(node, ast.Assign) and ast.unparse(node.value).endswith("| None"):
            yield span(node)


# --- trying --------------------------------------------------------------------------------------------------


class Bench:
    """A copy of the daemon's code, in which one mutation at a time is shown to tests."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._daemon = folder / "daemon"
        shutil.copytree(ROOT / "daemon", self._daemon, ignore=shutil.ignore_patterns("__pycache__"))
        # Compiled once; whatever is mutated has no compiled form that could be taken for it.
        compileall.compile_dir(self._daemon, quiet=1)
        self._sound: set[tuple[str, ...]] = set()

    def survives(self, room: Room, change: Mutation) -> bool:
        """Whether all tests of the room pass with it."""
        file = self._daemon / "cabcanary" / change.file
        before = file.read_text(encoding="utf-8")
        for compiled in (file.parent / "__pycache__").glob(f"{file.stem}.*"):
            compiled.unlink()
        for stage in room.stages:
            file.write_text(change.code, encoding="utf-8")
            try:
                passed = self._passes(stage, _LONGEST_S)
            finally:
                file.write_text(before, encoding="utf-8")
            if not passed:
                # Tests that fail anyway would notice everything.
                self._passes_as_it_is(stage)
                return False
        return True

    def _passes_as_it_is(self, stage: tuple[str, ...]) -> None:
        if stage not in self._sound:
            assert self._passes(stage, _LONGEST_S), f"without any mutation these do not pass: {stage}"
            self._sound.add(stage)

    def _passes(self, stage: Iterable[str], longest_s: float) -> bool:
        """Whether these tests pass in that time.

        Raises:
            AssertionError: they were not run at all.
        """
        environment = os.environ | {
            "PYTHONPATH": f"{self._daemon}:{ROOT / 'simulators'}",
            "PYTHONDONTWRITEBYTECODE": "1",
            "HYPOTHESIS_STORAGE_DIRECTORY": str(self._folder / "hypothesis"),
        }
        command = [
            sys.executable,
            "-m",
            "pytest",
            "-x",
            "-q",
            "--tb=no",
            "-p",
            "no:cacheprovider",
            "-m",
            "not long",
            "--timeout=100",
        ]
        try:
            ran = subprocess.run(
                [*command, *stage], cwd=ROOT, env=environment, capture_output=True, timeout=longest_s, check=False
            )
        except subprocess.TimeoutExpired:
            return False
        assert ran.returncode in (_PASSED, _FAILED, _INTERRUPTED) or ran.returncode < 0, ran.stdout[-2000:]
        return ran.returncode == _PASSED


def table(results: dict[str, list[tuple[Mutation, bool]]], known: Iterable[Equivalent]) -> str:
    """Per room what was noticed, and every survivor."""
    looked_at = {(e.file, e.was, e.now) for e in known}
    lines = [f"{'room':<12} {'mutations':>9} {'noticed':>8} {'survived':>9} {'of these equivalent':>20}"]
    survivors = []
    for room, tried in results.items():
        alive = [m for m, survived in tried if survived]
        same = [m for m in alive if (m.file, m.was, m.now) in looked_at]
        lines.append(f"{room:<12} {len(tried):>9} {len(tried) - len(alive):>8} {len(alive):>9} {len(same):>20}")
        survivors += [f"  {'equivalent' if m in same else 'SURVIVED'}  {m.words}" for m in alive]
    return "\n".join([*lines, *survivors])
