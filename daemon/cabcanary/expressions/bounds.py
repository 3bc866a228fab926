"""What a number measures, and between which bounds it lies whatever the sensors show: for when a rule is read."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.expressions import tree

if TYPE_CHECKING:
    from collections.abc import Mapping

Bounds = tuple[float, float]
_ANY: Bounds = (-math.inf, math.inf)


def dimension(node: tree.Number) -> units.Dimension:
    """What a number measures."""
    match node:
        case tree.ChannelRef(unit=unit):
            return unit.dimension
        case tree.Negative(of=inner) | tree.Absolute(of=inner):
            return dimension(inner)
        case tree.Extreme(parts=parts):
            return dimension(parts[0])
        case tree.TimeIn():
            return units.TIME
        case tree.Holds():
            return units.DIMENSIONLESS
        case tree.Quantity() | tree.TableCall() | tree.Arithmetic() | tree.Window():
            return node.dimension


def is_step(node: tree.Number) -> bool:
    """Whether it is the size of a step (a difference of two like things) and not a reading on a scale."""
    match node:
        case tree.Arithmetic(operation="-", left=left, right=right):
            return is_step(left) or not is_step(right)
        case tree.Arithmetic(operation="+", left=left, right=right):
            return is_step(left) and is_step(right)
        case tree.Negative(of=inner) | tree.Absolute(of=inner):
            return is_step(inner)
        case tree.Window(kind=kind, of=inner):
            return kind == "rate" or is_step(inner)
        case tree.Extreme(parts=parts):
            return all(is_step(p) for p in parts)
        case _:
            return False


def bounds(node: tree.Number, ends: Mapping[str, Bounds]) -> Bounds:
    """The lowest and highest value in SI that a number can ever have; `ends` are those of channels."""
    match node:
        case tree.Quantity(si=si):
            return si, si
        case tree.ChannelRef(name=name):
            return ends.get(name, _ANY)
        case tree.TableCall(ys=ys):
            return min(ys), max(ys)
        case tree.TimeIn() | tree.Holds():
            return 0.0, 1.0 if isinstance(node, tree.Holds) else math.inf
        case tree.Window(kind=kind, of=inner):
            return _ANY if kind == "rate" else bounds(inner, ends)
        case tree.Negative(of=inner):
            low, high = bounds(inner, ends)
            return -high, -low
        case tree.Absolute(of=inner):
            low, high = bounds(inner, ends)
            return (0.0 if low <= 0.0 <= high else min(abs(low), abs(high))), max(abs(low), abs(high))
        case tree.Extreme(kind=kind, parts=parts):
            pick = min if kind == "min" else max
            found = [bounds(p, ends) for p in parts]
            return pick(b[0] for b in found), pick(b[1] for b in found)
        case tree.Arithmetic():
            return _arithmetic(node, ends)


def _arithmetic(node: tree.Arithmetic, ends: Mapping[str, Bounds]) -> Bounds:
    a, b = bounds(node.left, ends), bounds(node.right, ends)
    if node.operation == "+":
        return a[0] + b[0], a[1] + b[1]
    if node.operation == "-":
        return a[0] - b[1], a[1] - b[0]
    if node.operation == "/":
        if b[0] <= 0.0 <= b[1]:
            return _ANY
        b = (1.0 / b[1], 1.0 / b[0])
    products = [x * y for x in a for y in b]
    return _ANY if any(math.isnan(p) for p in products) else (min(products), max(products))


def never_true(node: tree.Compare, ends: Mapping[str, Bounds], saturating: Mapping[str, Bounds]) -> bool:
    """Whether a comparison can never be seen to be true: such a rule would sleep for ever.

    The channels of `saturating` show no number at their ends.
    """
    above, below = _sides(node, ends)
    if above[1] == below[0] and node.comparison in (">=", "<="):
        # An equality at the very end of a sensor's range is not seen either: there it is saturated.
        return any(isinstance(side, tree.ChannelRef) and side.name in saturating for side in (node.left, node.right))
    return above[1] <= below[0]


def always_true(node: tree.Compare, ends: Mapping[str, Bounds]) -> bool:
    """Whether a comparison can never be seen to be false."""
    above, below = _sides(node, ends)
    return above[0] > below[1] or (above[0] == below[1] and node.comparison in (">=", "<="))


def never_ends(node: tree.Compare, ends: Mapping[str, Bounds]) -> bool:
    """Whether a comparison that has come true stays so, since its deadband reaches beyond all that can be shown."""
    above, below = _sides(node, ends)
    return above[0] + node.deadband_si > below[1]


def _sides(node: tree.Compare, ends: Mapping[str, Bounds]) -> tuple[Bounds, Bounds]:
    """The bounds of what must be above, and of what must be below."""
    left, right = bounds(node.left, ends), bounds(node.right, ends)
    return (left, right) if node.comparison in (">", ">=") else (right, left)
