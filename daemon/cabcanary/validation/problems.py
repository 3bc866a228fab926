"""What is wrong in a settings file: where, which name, what, and what to do."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path


@dataclass(frozen=True, slots=True)
class Problem:
    """One fault in a file, with all that a person needs to mend it."""

    file: Path
    line: int
    name: str
    message: str
    fix: str = ""
    column: int = 0

    def __str__(self) -> str:
        where = f"{self.file}:{self.line}" + (f":{self.column}" if self.column else "")
        name = f" {self.name}:" if self.name else ""
        return f"{where}:{name} {self.message}" + (f"\n    fix: {self.fix}" if self.fix else "")

    def as_json(self) -> dict[str, str | int]:
        """The problem for a program to read."""
        return {
            "file": str(self.file),
            "line": self.line,
            "column": self.column,
            "name": self.name,
            "message": self.message,
            "fix": self.fix,
        }


class SettingsError(Exception):
    """The settings cannot be used; `problems` says all that is wrong with them."""

    def __init__(self, problems: list[Problem]) -> None:
        self.problems = sorted(problems, key=lambda p: (str(p.file), p.line, p.column))
        super().__init__("\n".join(str(p) for p in self.problems))


#: More names than this are a wall, not a hint.
_MOST_SHOWN = 12


def nearest(name: str, known: Iterable[str]) -> str:
    """'did you mean ...?' for a name that does not exist, or what there is to choose from."""
    names = sorted(set(known))
    near = difflib.get_close_matches(name, names, n=2, cutoff=0.6)
    if near:
        return "did you mean " + " or ".join(f"'{n}'" for n in near) + "?"
    within = [n for n in names if name and (name in n or n in name)]
    if within:
        return "did you mean " + " or ".join(f"'{n}'" for n in within[:3]) + "?"
    shown = ", ".join(names[:_MOST_SHOWN]) + (f", … ({len(names)} in all)" if len(names) > _MOST_SHOWN else "")
    return "use one of: " + shown if names else ""
