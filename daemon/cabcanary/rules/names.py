"""What the conditions of one rule file may speak of: its tables, limits by stage and baselines, beside the channels."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from cabcanary import units
from cabcanary.expressions.names import BaselineValue, ConditionError, Names, StageLimit, Table
from cabcanary.expressions.parse import FUNCTIONS, parse_number
from cabcanary.expressions.sense import HIGHEST_LAMBDA
from cabcanary.expressions.tree import Negative, Quantity
from cabcanary.model import UNKNOWN_KIND
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.settings.load import Loaded
    from cabcanary.settings.rule_schema import BaselineSpec, RuleFile, RuleTable
    from cabcanary.validation.problems import Problem


class Measured(NamedTuple):
    """A baseline as it was measured in the stage in force: pairs of `by` and value, in the channels' units."""

    unit: str
    by: str | None
    points: tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True)
class Setting:
    """The vehicle that rules are built for: channels with their units and ends, the stage, and its baselines.

    `ends` gives the lowest and highest value that a channel's sensor can show, in SI. `inputs` are the channels that
    come from switches of the monitor's own. `compressor` is its kind in this stage. In texts of before
    `optional_channels` any name may be one that the vehicle lacks: `any_may_lack`.
    """

    channel_units: Mapping[str, str]
    ends: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    stages: tuple[str, ...] = ()
    stage: str = ""
    baselines: Mapping[str, Measured] = field(default_factory=dict)
    inputs: tuple[str, ...] | None = None
    compressor: str = UNKNOWN_KIND
    known_defects: frozenset[str] = frozenset()
    shown_beside: tuple[tuple[str, str], ...] = ()
    any_may_lack: bool = False
    #: Between what each channel's value lies whatever happens, in SI.
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    #: What people call each channel.
    called: Mapping[str, str] = field(default_factory=dict)
    #: What a limit by stage may not be above, in SI, and what sets that.
    caps: Mapping[str, tuple[float, str]] = field(default_factory=dict)


def names_of(files: Sequence[Loaded[RuleFile]], setting: Setting, problems: list[Problem]) -> list[Names]:
    """The names of each file: its own, and those of the other files that it has not itself. Faults are noted."""
    own = [_own_names(loaded, setting, problems) for loaded in files]
    tables = {k: v for names in reversed(own) for k, v in names.tables.items()}
    limits = {k: v for names in reversed(own) for k, v in names.limits.items()}
    baselines = {k: v for names in reversed(own) for k, v in names.baselines.items()}
    return [
        replace(
            n,
            tables={**tables, **n.tables},
            limits={**limits, **n.limits},
            baselines={**baselines, **n.baselines},
        )
        for n in own
    ]


def _own_names(loaded: Loaded[RuleFile], setting: Setting, problems: list[Problem]) -> Names:
    _check_names(loaded, setting.channel_units, problems)
    limits = _limits(loaded, setting, problems) | _numbers(loaded, problems)
    return Names(
        setting.channel_units,
        _tables(loaded, problems),
        setting.ends,
        {} if setting.any_may_lack else setting.bounds,
        limits,
        _baselines(loaded, setting.channel_units, setting.baselines, problems),
        setting.stages,
        setting.stage,
        optional=None if setting.any_may_lack else frozenset(loaded.model.optional_channels),
        compressor=setting.compressor,
    )


def _check_names(loaded: Loaded[RuleFile], channel_units: Mapping[str, str], problems: list[Problem]) -> None:
    for kind in ("stage_limits", "numbers"):
        taken = [n for n in getattr(loaded.model, kind) if n in channel_units]
        problems += [loaded.problem((kind, n), "a channel has this name already", "rename it") for n in taken]
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


def _limits(loaded: Loaded[RuleFile], setting: Setting, problems: list[Problem]) -> dict[str, StageLimit]:
    stages, limits = setting.stages, {}
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
        value = spec.by_stage.get(setting.stage, next(iter(spec.by_stage.values())))
        words = f"{name} {spelt(value)} {unit.symbol}".rstrip()
        cap_si, cause = setting.caps.get(name, (float("inf"), ""))
        if cap_si < unit.to_si(value):
            words = f"{name} {spelt(unit.from_si(cap_si), 3)} {unit.symbol} by {cause}"
        limits[name] = StageLimit(min(unit.to_si(value), cap_si), unit.dimension, words)
    return limits


def _numbers(loaded: Loaded[RuleFile], problems: list[Problem]) -> dict[str, StageLimit]:
    """Numbers with a name, the same in every stage."""
    found = {}
    for name, text in loaded.model.numbers.items():
        try:
            quantity = parse_number(text, Names({}, {}, over_time=False))
        except ConditionError as error:
            problems.append(loaded.problem(("numbers", name), error.message, error.fix))
            continue
        if isinstance(quantity, Negative) and isinstance(quantity.of, Quantity):
            quantity = Quantity(-quantity.of.si, quantity.of.dimension, f"-{quantity.of.text}")
        if isinstance(quantity, Quantity):
            found[name] = StageLimit(quantity.si, quantity.dimension, f"{name} {quantity.text}")
        else:
            problems.append(loaded.problem(("numbers", name), f"'{text}' is no number", 'write one, as in "2 psi"'))
    return found


def _baselines(
    loaded: Loaded[RuleFile],
    channel_units: Mapping[str, str],
    measured: Mapping[str, Measured],
    problems: list[Problem],
) -> dict[str, BaselineValue]:
    found = {}
    for name, spec in loaded.model.baselines.items():
        of = spec.channel(channel_units)
        lacks = next((c for c in (of, spec.by) if c is not None and c not in channel_units), "")
        if lacks:
            found[name] = BaselineValue(units.unit("").dimension, None, (), lacks=lacks)
            continue
        unit, by = units.unit(channel_units[of]), units.unit(channel_units[spec.by]) if spec.by else None
        record = measured.get(name)
        if record is not None and (record.unit, record.by) != (unit.symbol, spec.by):
            message = f"the baseline '{name}' was measured in {record.unit} by {record.by or 'nothing'}"
            problems.append(loaded.problem(("baselines", name), message, "measure it again"))
            record = None
        points = () if record is None else record.points
        table = _with_below(points, spec)
        si = tuple((x if by is None else by.to_si(x), unit.to_si(y)) for x, y in table)
        text = f"baseline {name} {spelt(points[0][1], 4)} {unit.symbol}" if points else ""
        found[name] = BaselineValue(unit.dimension, spec.by, si, text)
    return found


def _with_below(points: tuple[tuple[float, float], ...], spec: BaselineSpec) -> tuple[tuple[float, float], ...]:
    """The points with what the baseline counts as below the lowest step that was learnt."""
    if spec.below is None or not points:
        return points
    first, value = points[0]
    return ((first - spec.step, spec.below), (first - spec.step / 2, value), *points)
