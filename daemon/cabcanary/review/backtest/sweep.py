"""A limit of a rule at many values: what each would have cost in alarms, and the tightest that good drives bear."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.expressions import tree
from cabcanary.expressions.bounds import dimension
from cabcanary.review.backtest.results import Cost, Sweep
from cabcanary.review.backtest.rule_choice import RulesError
from cabcanary.rules.figures import show, unit_of
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cabcanary.review.backtest.results import Alarm
    from cabcanary.rules.rule import Rule

#: How far to either side of a limit the values go where nobody says: this share of it,
_REACH = 0.3
#: and for a mixture this much, since what matters lies close together.
_REACH_LAMBDA = 0.06
#: How many values where nobody says how many.
STEPS = 25


def plan_sweep(
    rules: Sequence[Rule], wanted: str, span: tuple[float, float] | None = None, steps: int = STEPS
) -> Sweep:
    """What `--sweep RULE` or `--sweep RULE:CHANNEL` means.

    Raises:
        RulesError: there is no such rule, or it has no such limit, or several.
    """
    name, _, channel = wanted.partition(":")
    rule = next((r for r in rules if r.id == name), None)
    if rule is None:
        raise RulesError(f"there is no rule '{name}' to vary; there are: {', '.join(r.id for r in rules)}")
    place, node = _comparison(rule, channel)
    unit = unit_of(node.left)
    added = not isinstance(node.right, tree.Quantity)
    if isinstance(node.right, tree.Quantity):
        now = unit.from_si(node.right.si)
    else:
        unit, now = units.Unit(unit.symbol, unit.dimension, unit.factor), 0.0
    low, high = span or _around(now, unit.symbol)
    if not low < high or steps < 2:
        raise RulesError("a sweep goes from a lower value to a higher one, in two steps or more")
    values = sorted({round(low + (high - low) * n / (steps - 1), 9) for n in range(steps)} | {round(now, 9)})
    above = node.comparison in (">", ">=")
    return Sweep(rule.id, place, tuple(values), unit.symbol, added, above, round(now, 9), show(node.left), show(node))


def has_limit(rule: Rule) -> bool:
    """Whether a rule has a limit that can be varied, and is run at all."""
    return not rule.out_of_service and any(True for _ in _limits(rule.when))


def _comparison(rule: Rule, channel: str) -> tuple[int, tree.Compare]:
    found = list(enumerate(_limits(rule.when)))
    if channel:
        found = [f for f in found if channel in tree.channels_in(f[1].left)]
    if not found:
        about = f" of '{channel}'" if channel else ""
        raise RulesError(f"rule '{rule.id}' has no limit{about}: {rule.text}")
    # The last is mostly what the rule is about; the others say when.
    return found[-1]


def _limits(node: tree.Condition) -> Iterator[tree.Compare]:
    """The comparisons that a condition is joined of; those inside a time are left out."""
    match node:
        case tree.And(parts=parts) | tree.Or(parts=parts):
            for part in parts:
                yield from _limits(part)
        case tree.Not(of=inner):
            yield from _limits(inner)
        case tree.Compare():
            yield node


def _around(now: float, unit: str) -> tuple[float, float]:
    if unit == "lambda":
        return now - _REACH_LAMBDA, now + _REACH_LAMBDA
    reach = abs(now) * _REACH or 1.0
    # A step that reads well: 1, 2 or 5 times a power of ten.
    exact = 2 * reach / (STEPS - 1)
    power = 10.0 ** math.floor(math.log10(exact))
    step = next(m * power for m in (1.0, 2.0, 5.0, 10.0) if m * power >= exact * 0.999)
    middle, half = round(now / step) * step, step * (STEPS - 1) / 2
    return round(middle - half, 9), round(middle + half, 9)


def varied_rules(sweep: Sweep, rules: Sequence[Rule]) -> list[Rule]:
    """The rule once for each value; none where the drive does not have it.

    Raises:
        RulesError: it has another condition than the one that the sweep was planned for.
    """
    rule = next((r for r in rules if r.id == sweep.rule), None)
    if rule is None:
        return []
    limits = list(_limits(rule.when))
    if sweep.place >= len(limits) or show(limits[sweep.place].left) != sweep.of:
        raise RulesError(f"rule '{sweep.rule}' is another one here, and has no '{sweep.comparison}' to vary")
    return [_varied(rule, limits[sweep.place], sweep, value) for value in sweep.values]


def _varied(rule: Rule, node: tree.Compare, sweep: Sweep, value: float) -> Rule:
    unit = unit_of(node.left)
    old = node.right
    new: tree.Number
    if sweep.added:
        step = value * unit.factor
        new = tree.Arithmetic("+", old, tree.Quantity(step, dimension(old), spelt(value)), dimension(old))
    else:
        si = unit.to_si(value)
        new = tree.Quantity(si, dimension(old), f"{spelt(value)} {unit.symbol}".rstrip())
    # Another limit is another rule: what the old one remembers is not its own.
    varied = replace(
        rule, when=swapped(rule.when, node, replace(node, right=new)), text=f"{rule.text} | {spelt(value)}"
    )
    if rule.inverse_time is not None:
        excess = swapped(rule.inverse_time.excess, old, new)
        varied = replace(varied, inverse_time=replace(rule.inverse_time, excess=excess))
    if rule.worse is not None:
        own = rule.inverse_time is not None and rule.worse.excess is rule.inverse_time.excess
        excess = varied.inverse_time.excess if own and varied.inverse_time else swapped(rule.worse.excess, old, new)
        varied = replace(varied, worse=replace(rule.worse, excess=excess))
    return varied


def swapped(node: Any, old: tree.Node, new: tree.Node) -> Any:
    """The tree with every part that equals `old` in place of it `new`."""
    if node == old:
        return new
    match node:
        case tree.And() | tree.Or():
            return replace(node, parts=tuple(swapped(p, old, new) for p in node.parts))
        case tree.Extreme():
            return replace(node, parts=tuple(swapped(p, old, new) for p in node.parts))
        case tree.Not(of=inner) | tree.Negative(of=inner) | tree.Absolute(of=inner):
            return replace(node, of=swapped(inner, old, new))
        case tree.Window(of=inner) | tree.TimeIn(of=inner) | tree.Holds(of=inner):
            return replace(node, of=swapped(inner, old, new))
        case tree.Compare(left=left, right=right) | tree.Arithmetic(left=left, right=right):
            return replace(node, left=swapped(left, old, new), right=swapped(right, old, new))
        case tree.TableCall(argument=inner):
            return replace(node, argument=swapped(inner, old, new))
        case _:
            return node


def cost_of(value: float, alarms: Sequence[Alarm]) -> Cost:
    """What a value cost in one drive; blindness is none of its doing."""
    own = [a for a in alarms if not a.alert.startswith("cannot_see_")]
    return Cost(value, sum(a.sounded for a in own), sum(a.seconds for a in own))


@dataclass(frozen=True, slots=True)
class Row:
    """One value over all drives: alarms and drives touched among the good ones, and drives that it would have caught
    among the bad ones."""

    value: float
    alarms: int
    drives: int
    seconds: float
    caught: int


@dataclass(frozen=True, slots=True)
class SweepResult:
    """A sweep over all drives. `suggested` is the tightest value that would have been silent on every good drive, and
    so would have been every looser one; None: there is none among the values."""

    sweep: Sweep
    rows: tuple[Row, ...]
    good: int
    bad: int
    suggested: float | None
    at_edge: bool

    @property
    def now(self) -> Row:
        """The row of the limit as it stands."""
        return next(row for row in self.rows if row.value == self.sweep.now)


def summarise(sweep: Sweep, good: Sequence[Sequence[Cost]], bad: Sequence[Sequence[Cost]]) -> SweepResult:
    """What the values cost over all drives, from the costs of each."""
    good, bad = [c for c in good if c], [c for c in bad if c]
    rows = tuple(
        Row(
            value,
            sum(drive[n].alarms for drive in good),
            sum(drive[n].alarms > 0 for drive in good),
            sum(drive[n].seconds for drive in good),
            sum(drive[n].alarms > 0 for drive in bad),
        )
        for n, value in enumerate(sweep.values)
    )
    suggested = None
    # From the loosest on, as long as it stays silent.
    for row in reversed(rows) if sweep.above else rows:
        if row.alarms:
            break
        suggested = row.value
    tightest = rows[0].value if sweep.above else rows[-1].value
    return SweepResult(sweep, rows, len(good), len(bad), suggested if good else None, suggested == tightest)
