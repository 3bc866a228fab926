"""Whether what a condition compares and adds makes sense: units, kinds of numbers, and what sensors can show.

Each check raises a `ConditionError` at the place of its fault.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, cast

from cabcanary import units
from cabcanary.expressions import tree
from cabcanary.expressions.bounds import bounds, dimension, never_true
from cabcanary.expressions.grammar import fail
from cabcanary.expressions.kinds import scale_added, scales_differ, share_added, shares_differ
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from lark import Token, Tree

    from cabcanary.expressions.names import Names

#: No mixture is as lean as this; AFR lies far above.
HIGHEST_LAMBDA = 5.0


def check_kinds(names: Names, node: Tree[Token], left: tree.Number, right: tree.Number) -> None:
    """Percent against plain numbers, readings against steps: the unit alone does not tell what was meant."""
    # A recording may be older than these.
    recorded = names.optional is None
    fault = scales_differ(left, right) or (None if recorded else shares_differ(left, right))
    if fault is not None:
        fail(node, *fault)


def check_reach(names: Names, node: Tree[Token], built: tree.Compare) -> None:
    """A comparison that its sensors can never show to be true would sleep for ever."""
    for one, other in ((built.left, built.right), (built.right, built.left)):
        lowest = bounds(other, {})[0]
        if (
            isinstance(one, tree.ChannelRef)
            and one.unit.symbol == "lambda"
            and math.isfinite(lowest)
            and lowest > HIGHEST_LAMBDA
        ):
            fix = "if it is AFR, divide it by its scale: 12.5 on 14.7 is 0.850"
            fail(node, f"{spelt(lowest)} is no lambda", fix)
    known = {**names.ends, **names.bounds}
    if not never_true(built, known, names.ends):
        return
    channels = [c for c in (built.left, built.right) if isinstance(c, tree.ChannelRef)]
    if not channels:
        fail(node, "this can never be so, whatever the sensors show", "set a limit within what they can show")
    below = (built.comparison in ("<", "<=")) is (channels[0] is built.left)
    low, high = bounds(channels[0], known)
    end = channels[0].unit.from_si(low if below else high)
    message = f"this can never be seen: '{channels[0].name}' ends at {spelt(end, 4)} {channels[0].unit.symbol}".rstrip()
    fail(node, message, "set a limit within the sensor's range, or take a sensor that reaches it")


def check_sum(names: Names, node: Tree[Token], operation: str, left: tree.Number, right: tree.Number) -> None:
    """Readings added to readings, shares to numbers: like units, and yet not what was meant."""
    if operation not in ("+", "-") or dimension(left) != dimension(right) or names.optional is None:
        return
    fault = scale_added(operation, left, right) or share_added(left, right)
    if fault is not None:
        fail(node, *fault)


def combined(node: Tree[Token], operation: tree.Operation, left: tree.Number, right: tree.Number) -> units.Dimension:
    """The dimension of a sum, a difference, a product or a quotient."""
    a, b = dimension(left), dimension(right)
    if operation in ("+", "-"):
        if a != b:
            words = "adds" if operation == "+" else "subtracts"
            fail(
                node,
                f"{words} {units.dimension_name(a)} and {units.dimension_name(b)}",
                "only like can be added to like",
            )
        return a
    sign = 1 if operation == "*" else -1
    return cast("units.Dimension", tuple(x + sign * y for x, y in zip(a, b, strict=True)))


def unit_or_rate(symbol: str) -> units.Unit:
    """A unit of the table, or one of them per unit of time, as rates are written: kPa/s, °C/min."""
    above, slash, below = symbol.rpartition("/")
    try:
        return units.unit(symbol)
    except units.UnitError:
        if not slash or units.unit(below).dimension != units.TIME:
            raise
    of, per = units.unit(above), units.unit(below)
    measured = cast("units.Dimension", tuple(x - y for x, y in zip(of.dimension, per.dimension, strict=True)))
    # The rate of a temperature has no zero point.
    return units.Unit(symbol, measured, of.factor / per.factor)
