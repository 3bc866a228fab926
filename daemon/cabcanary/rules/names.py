"""What the conditions of one rule file may speak of: its tables, limits by stage and baselines, beside the channels."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from cabcanary import units
from cabcanary.expressions.names import BaselineValue, Names, StageLimit, Table
from cabcanary.expressions.parse import FUNCTIONS, HIGHEST_LAMBDA

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.load import Loaded
    from cabcanary.settings.schema import RuleFile, RuleTable
    from cabcanary.validation.problems import Problem


class Measured(NamedTuple):
    """A baseline as it was measured in the stage in force: pairs of `by` and value, in the channels' units."""

    unit: str
    by: str | None
    points: tuple[tuple[float, float], ...]


def names_of(
    loaded: Loaded[RuleFile],
    channel_units: Mapping[str, str],
    ends: Mapping[str, tuple[float, float]],
    stages: tuple[str, ...],
    stage: str,
    measured: Mapping[str, Measured],
    problems: list[Problem],
) -> Names:
    """The names of one file; their faults are added to `problems`."""
    _check_names(loaded, channel_units, problems)
    return Names(
        channel_units,
        _tables(loaded, problems),
        ends,
        _limits(loaded, stages, stage, problems),
        _baselines(loaded, channel_units, measured, problems),
        stages,
        stage,
    )


def _check_names(loaded: Loaded[RuleFile], channel_units: Mapping[str, str], problems: list[Problem]) -> None:
    taken = [n for n in loaded.model.stage_limits if n in channel_units]
    problems += [loaded.problem(("stage_limits", n), "a channel has this name already", "rename it") for n in taken]
    clash = [n for n in loaded.model.tables if n in FUNCTIONS]
    problems += [loaded.problem(("tables", n), "a function has this name", "rename it") for n in clash]


def _tables(loaded: Loaded[RuleFile], problems: list[Problem]) -> dict[str, Table]:
    tables = {}
    for name, spec in loaded.model.tables.items():
        xs = [x for x, _ in spec.points]
        if any(a >= b for a, b in pairwise(xs)):
            message = "the first numbers must rise from point to point"
            problems.append(loaded.problem(("tables", name, "points"), message, "sort the points"))
        # A faulty one is kept too, so that the rules that use it are not blamed as well.
        if spec.gives == "lambda" and max(y for _, y in spec.points) > HIGHEST_LAMBDA:
            fix = "if these are AFR, divide each by its scale: 12.5 on 14.7 is 0.850"
            problems.append(loaded.problem(("tables", name, "points"), "these values are no lambda", fix))
        tables[name] = _table(spec)
    return tables


def _table(spec: RuleTable) -> Table:
    of, gives = units.unit(spec.of), units.unit(spec.gives)
    capped = min(HIGHEST_LAMBDA, max(y for _, y in spec.points)) if spec.gives == "lambda" else None
    return Table(
        of.dimension,
        gives.dimension,
        tuple(of.to_si(x) for x, _ in spec.points),
        tuple(gives.to_si(y if capped is None else min(y, capped)) for _, y in spec.points),
    )


def _limits(
    loaded: Loaded[RuleFile], stages: tuple[str, ...], stage: str, problems: list[Problem]
) -> dict[str, StageLimit]:
    limits = {}
    for name, spec in loaded.model.stage_limits.items():
        path = ("stage_limits", name, "by_stage")
        unknown = [s for s in spec.by_stage if stages and s not in stages]
        missing = [s for s in stages if s not in spec.by_stage]
        if unknown:
            fix = f"the stages are: {', '.join(stages)} (vehicle.stages)"
            problems.append(loaded.problem(path, f"there is no stage '{unknown[0]}'", fix))
        if missing:
            message = f"no limit for stage '{missing[0]}'"
            problems.append(loaded.problem(path, message, "give every stage of vehicle.stages its limit"))
        unit = units.unit(spec.unit)
        value = spec.by_stage.get(stage, next(iter(spec.by_stage.values())))
        limits[name] = StageLimit(unit.to_si(value), unit.dimension, f"{name} {value:g} {unit.symbol}".rstrip())
    return limits


def _baselines(
    loaded: Loaded[RuleFile],
    channel_units: Mapping[str, str],
    measured: Mapping[str, Measured],
    problems: list[Problem],
) -> dict[str, BaselineValue]:
    found = {}
    for name, spec in loaded.model.baselines.items():
        if any(c not in channel_units for c in (spec.of, spec.by) if c is not None):
            continue  # not fitted, and so are the rules that use it
        unit, by = units.unit(channel_units[spec.of]), units.unit(channel_units[spec.by]) if spec.by else None
        record = measured.get(name)
        if record is not None and (record.unit, record.by) != (unit.symbol, spec.by):
            message = f"the baseline '{name}' was measured in {record.unit} by {record.by or 'nothing'}"
            problems.append(loaded.problem(("baselines", name), message, "measure it again"))
            record = None
        points = () if record is None else record.points
        si = tuple((x if by is None else by.to_si(x), unit.to_si(y)) for x, y in points)
        text = f"baseline {name} {points[0][1]:.4g} {unit.symbol}" if points else ""
        found[name] = BaselineValue(unit.dimension, spec.by, si, text)
    return found
