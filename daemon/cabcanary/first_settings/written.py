"""The files of a new vehicle: answers, settings, its numbers, and the rule sets beside them."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import tomli_w

from cabcanary.first_settings.answers import AnswersError, answers_of, read_answers
from cabcanary.first_settings.fitted import Fitted
from cabcanary.first_settings.numbers_text import numbers_text
from cabcanary.first_settings.open_points import contradictions
from cabcanary.first_settings.settings_text import settings_text
from cabcanary.store.manifest import write_atomically

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_RULES = "rules"
#: The van whose numbers the examples beside the rule sets are written with.
_EXAMPLES = "bench-van.toml"


@dataclass(slots=True)
class Made:
    """What was written, and what was left because a person has changed it."""

    written: list[Path] = field(default_factory=list)
    left: list[Path] = field(default_factory=list)


class ChangedError(Exception):
    """A file was changed by hand since it was made."""


def answers_file(settings: Path) -> Path:
    """Where the answers for a settings file are kept: beside it."""
    return settings.with_name(f"{settings.stem}.answers.toml")


def keep_answers(settings: Path, raw: dict[str, Any]) -> None:
    """Keep them, whole or not at all.

    Raises:
        OSError: they cannot be written.
    """
    settings.parent.mkdir(parents=True, exist_ok=True)
    text = "# Answers to the questions of `cabcanary new`; what is not here is not known yet.\n" + tomli_w.dumps(raw)
    write_atomically(answers_file(settings), text.encode())


def texts(settings: Path, raw: dict[str, Any]) -> dict[Path, str]:
    """The settings and the numbers that these answers make.

    Raises:
        AnswersError: an answer cannot be, or nothing could be watched with them.
    """
    answers = answers_of(raw)
    contradictions(answers)
    if not Fitted(answers).runs:
        raise AnswersError(
            "with these answers nothing tells that the engine runs; it takes the manifold's pressure "
            "(converter.device, manifold_pressure.input, points, unit and against), an engine-speed wire, or the bus"
        )
    numbers = f"{_RULES}/{settings.name}"
    return {settings: settings_text(answers, numbers), settings.parent / numbers: numbers_text(answers)}


def make(settings: Path, raw: dict[str, Any], before: dict[str, Any] | None, sets: Path) -> Made:
    """Write the settings, the numbers and the rule sets of the folder `sets`; `before` are the answers that they were
    made of the last time. A rule set that is there already is left as it is.

    Raises:
        AnswersError: as `texts` says.
        ChangedError: the settings or the numbers were changed by hand.
        OSError: they cannot be written.
    """
    if settings.name in {file.name for file in _set_files(sets)}:
        raise AnswersError(f"{settings.name} is the name of a rule set; call the settings by another name")
    wanted = texts(settings, raw)
    old = {} if before is None else _texts_or_none(settings, before)
    for file, text in wanted.items():
        if file.exists() and (there := file.read_text(encoding="utf-8")) not in (text, old.get(file)):
            lines = len(set(there.splitlines()) - set((old.get(file) or text).splitlines()))
            raise ChangedError(
                f"{file} was not made of these answers ({lines} lines are other ones); move it away first"
            )
    made = Made()
    (settings.parent / _RULES).mkdir(parents=True, exist_ok=True)
    for file, text in wanted.items():
        write_atomically(file, text.encode())
        made.written.append(file)
    for file, text in _sets(settings, sets):
        if not file.exists():
            write_atomically(file, text.encode())
            made.written.append(file)
        elif file.read_text(encoding="utf-8") != text:
            made.left.append(file)
    return made


def _texts_or_none(settings: Path, raw: dict[str, Any]) -> dict[Path, str]:
    try:
        return texts(settings, raw)
    except AnswersError:
        return {}


def _sets(settings: Path, sets: Path) -> Iterator[tuple[Path, str]]:
    """The rule sets, and the van with whose numbers their examples are written."""
    for file in _set_files(sets):
        yield settings.parent / _RULES / file.name, file.read_text(encoding="utf-8")
    if settings.name != _EXAMPLES:
        for name in (_EXAMPLES, f"{_RULES}/{_EXAMPLES}"):
            yield settings.parent / name, (sets / name).read_text(encoding="utf-8")


def _set_files(sets: Path) -> list[Path]:
    vehicles = {file.name for file in sets.glob("*.toml")}
    return sorted(file for file in (sets / _RULES).glob("*.toml") if file.name not in vehicles)


def with_taught(raw: dict[str, Any], taught: dict[str, str]) -> dict[str, Any]:
    """The answers with what a drive has shown."""
    return {**raw, "driven": {**raw.get("driven", {}), **taught}} if taught else raw


def read_before(settings: Path) -> dict[str, Any] | None:
    """The answers that are kept beside a settings file; None: there are none.

    Raises:
        AnswersError: they cannot be read.
    """
    file = answers_file(settings)
    return read_answers(file) if os.path.lexists(file) else None
