"""The owner's limits as numbers: the ceiling of the mixture by boost, and numbers that rule files give a name."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from cabcanary import units
from cabcanary.settings.load import load_rule_file, rules_from_text

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from cabcanary.plan.plan import Plan
    from cabcanary.settings.rule_schema import RuleFile

_PSI = units.unit("psi")


def rule_files(plan: Plan) -> list[RuleFile]:
    """The rule files that a settings file names, as they are now."""
    return [load_rule_file(plan.file.parent / name).model for name in plan.settings.rules]


def recorded_files(plan: Plan) -> list[RuleFile]:
    """The rule files that a drive was driven with."""
    return [rules_from_text(text, Path(name)).model for name, text in plan.rule_texts.items()]


def ceiling_of(files: Iterable[RuleFile]) -> Callable[[float], float] | None:
    """The leanest lambda allowed at a boost in psi; None where no file has a table `ceiling`."""
    for file in files:
        table = file.tables.get("ceiling")
        if table is not None and table.gives == "lambda":
            of = units.unit(table.of)
            xs = [_PSI.from_si(of.to_si(x)) for x, _ in table.points]
            ys = [y for _, y in table.points]
            return lambda psi: float(np.interp(psi, xs, ys))
    return None


def number_of(files: Iterable[RuleFile], name: str, unit: str) -> float | None:
    """A number that a rule file gives a name, in this unit."""
    for file in files:
        text = file.numbers.get(name)
        if text is not None:
            value, own = units.parse_quantity(text)
            return units.convert(value, own.symbol, unit)
    return None
