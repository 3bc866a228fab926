"""Rule files -> rules ready to run, those that are not fitted, and every problem."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.expressions.parse import HIGHEST_LAMBDA, ConditionError, Names, Table, UnknownNameError, parse_condition
from cabcanary.expressions.tree import Condition, channels_in
from cabcanary.model import Priority

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.settings.load import Loaded
    from cabcanary.settings.problems import Problem
    from cabcanary.settings.schema import RuleFile, RuleSpec, RuleTable


@dataclass(frozen=True, slots=True)
class Rule:
    """A rule ready to run. Delays are in nanoseconds; `channels` are those that its condition reads."""

    id: str
    priority: Priority
    say: str
    do: str
    text: str
    when: Condition
    suppress_when: Condition | None
    comparisons: int
    suppress_comparisons: int
    on_delay_ns: int
    off_delay_ns: int
    blind_delay_ns: int
    urgent_when: Condition | None
    urgent_comparisons: int
    blind_otherwise_ns: int
    channels: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class NotFitted:
    """A rule that speaks of a sensor which this vehicle does not have."""

    id: str
    channel: str
    hint: str


@dataclass(frozen=True, slots=True)
class RuleSet:
    """What came of the rule files."""

    rules: tuple[Rule, ...]
    not_fitted: tuple[NotFitted, ...]


def build_rules(
    files: Sequence[Loaded[RuleFile]],
    channel_units: Mapping[str, str],
    ends: Mapping[str, tuple[float, float]] | None = None,
) -> tuple[RuleSet, list[Problem]]:
    """Build the rules of all files; a faulty rule is a problem, the others still come out.

    `ends` gives the lowest and highest value that a channel's sensor can show, in SI.
    """
    problems: list[Problem] = []
    rules: list[Rule] = []
    absent: list[NotFitted] = []
    places: dict[str, str] = {}
    for loaded in files:
        names = Names(channel_units, _build_tables(loaded, problems), ends or {})
        for n, spec in enumerate(loaded.model.rule):
            if spec.id in places:
                problems.append(
                    loaded.problem(("rule", n, "id"), f"'{spec.id}' exists already, in {places[spec.id]}", "rename one")
                )
                continue
            places[spec.id] = loaded.file.name
            built = _build_rule(loaded, n, spec, names, problems)
            if isinstance(built, NotFitted):
                absent.append(built)
            elif built is not None:
                rules.append(built)
    return RuleSet(tuple(rules), tuple(absent)), problems


def _build_tables(loaded: Loaded[RuleFile], problems: list[Problem]) -> dict[str, Table]:
    tables = {}
    for name, spec in loaded.model.tables.items():
        xs = [x for x, _ in spec.points]
        if any(a >= b for a, b in pairwise(xs)):
            problems.append(
                loaded.problem(
                    ("tables", name, "points"),
                    "the first numbers must rise from point to point",
                    "sort the points",
                )
            )
        # A faulty one is kept too, so that the rules that use it are not blamed as well.
        if spec.gives == "lambda" and max(y for _, y in spec.points) > HIGHEST_LAMBDA:
            fix = "if these are AFR, divide each by its scale: 12.5 on 14.7 is 0.850"
            problems.append(loaded.problem(("tables", name, "points"), "these values are no lambda", fix))
            continue
        tables[name] = _table(spec)
    return tables


def _table(spec: RuleTable) -> Table:
    of, gives = units.unit(spec.of), units.unit(spec.gives)
    return Table(
        of.dimension,
        gives.dimension,
        tuple(of.to_si(x) for x, _ in spec.points),
        tuple(gives.to_si(y) for _, y in spec.points),
    )


def _build_rule(
    loaded: Loaded[RuleFile], n: int, spec: RuleSpec, names: Names, problems: list[Problem]
) -> Rule | NotFitted | None:
    parsed: dict[str, tuple[Condition, int]] = {}
    for key, text in _conditions(spec):
        if text is None:
            continue
        try:
            parsed[key] = parse_condition(text, names)
        except UnknownNameError as error:
            return NotFitted(spec.id, error.name, error.fix)
        except ConditionError as error:
            problems.append(_condition_problem(loaded, ("rule", n, key), spec.id, error))
    if len(parsed) < sum(text is not None for _, text in _conditions(spec)):
        return None
    when, comparisons = parsed["when"]
    suppress, suppress_comparisons = parsed.get("suppress_when", (None, 0))
    urgent, urgent_comparisons = parsed.get("blind_urgent_when", (None, 0))
    return Rule(
        id=spec.id,
        priority=Priority[spec.priority.upper()],
        say=spec.say,
        do=spec.do,
        text=spec.when,
        when=when,
        suppress_when=suppress,
        comparisons=comparisons,
        suppress_comparisons=suppress_comparisons,
        on_delay_ns=int(spec.on_delay * 1e9),
        off_delay_ns=int(spec.off_delay * 1e9),
        blind_delay_ns=int(spec.blind_delay * 1e9),
        urgent_when=urgent,
        urgent_comparisons=urgent_comparisons,
        blind_otherwise_ns=int(spec.blind_delay_otherwise * 1e9),
        channels=channels_in(when),
    )


def _conditions(spec: RuleSpec) -> tuple[tuple[str, str | None], ...]:
    return (
        ("when", spec.when),
        ("suppress_when", spec.suppress_when),
        ("blind_urgent_when", spec.blind_urgent_when),
    )


def _condition_problem(
    loaded: Loaded[RuleFile], path: tuple[str | int, ...], rule_id: str, error: ConditionError
) -> Problem:
    from cabcanary.settings.problems import Problem

    line, column = loaded.positions.value(path)
    source = loaded.text.splitlines()[line - 1][column - 1 :]
    if source.startswith(('"""', "'''")):
        # The first line break of a multi-line string is not part of the text.
        first_on_next_line = source[3:].strip() == ""
        line += error.line - 1 + (1 if first_on_next_line else 0)
        column = error.column + (column + 2 if error.line == 1 and not first_on_next_line else 0)
    else:
        column += error.column
    return Problem(loaded.file, line, f"rule {rule_id}", error.message, error.fix, column)
