"""The scalar evaluator: one frame at a time, for the live path.

A number is an interval (low, high), or None where it is not known; a saturated value is half open. A
condition is True, False or None (unknown) in Kleene's strong three-valued logic (S. C. Kleene,
Introduction to Metamathematics, 1952, section 64). A comparison is known only when the whole interval
agrees.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING

from cabcanary.expressions import tree
from cabcanary.model import Quality, Value

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

Interval = tuple[float, float] | None
Truth = bool | None
Values = dict[str, Value]
#: Which comparisons stood true at the last known tick: the deadband's memory.
Memory = list[bool]

_INFINITE = float("inf")


def compile_condition(node: tree.Condition) -> Callable[[Values, Memory], Truth]:
    """A condition's tree -> a function of a frame's values and the comparisons' memory."""
    match node:
        case tree.And(parts=parts):
            return _all([compile_condition(p) for p in parts])
        case tree.Or(parts=parts):
            return _any([compile_condition(p) for p in parts])
        case tree.Not(of=inner):
            return _not(compile_condition(inner))
        case tree.Switch(name=name):
            return _switch(name)
        case tree.Compare():
            return _compare(node)


def _all(parts: list[Callable[[Values, Memory], Truth]]) -> Callable[[Values, Memory], Truth]:
    def evaluate(values: Values, memory: Memory) -> Truth:
        result: Truth = True
        # Every part is evaluated, so that each comparison's memory sees every tick.
        for part in parts:
            truth = part(values, memory)
            if truth is False:
                result = False
            elif truth is None and result is True:
                result = None
        return result

    return evaluate


def _any(parts: list[Callable[[Values, Memory], Truth]]) -> Callable[[Values, Memory], Truth]:
    def evaluate(values: Values, memory: Memory) -> Truth:
        result: Truth = False
        for part in parts:
            truth = part(values, memory)
            if truth is True:
                result = True
            elif truth is None and result is False:
                result = None
        return result

    return evaluate


def _not(part: Callable[[Values, Memory], Truth]) -> Callable[[Values, Memory], Truth]:
    def evaluate(values: Values, memory: Memory) -> Truth:
        truth = part(values, memory)
        return None if truth is None else not truth

    return evaluate


def _switch(name: str) -> Callable[[Values, Memory], Truth]:
    def evaluate(values: Values, _memory: Memory) -> Truth:
        value = values[name]
        if value.value is None or value.quality is not Quality.GOOD:
            return None
        return value.value != 0.0

    return evaluate


def _compare(node: tree.Compare) -> Callable[[Values, Memory], Truth]:
    # a > b  is  b < a: only "greater" is written out, with the sides changed where needed.
    greater = node.comparison in (">", ">=")
    above, below = compile_number(node.left), compile_number(node.right)
    if not greater:
        above, below = below, above
    or_equal = node.comparison in (">=", "<=")
    band, index = node.deadband_si, node.index

    def evaluate(values: Values, memory: Memory) -> Truth:
        a, b = above(values), below(values)
        if a is None or b is None:
            return None
        # The deadband works on the return side only (OPC UA Part 9, annex B).
        give = band if memory[index] else 0.0
        low, high = a[0] + give - b[1], a[1] + give - b[0]
        if low > 0.0 or (or_equal and low == 0.0):
            memory[index] = True
            return True
        if high < 0.0 or (high == 0.0 and not or_equal):
            memory[index] = False
            return False
        return None

    return evaluate


def compile_number(node: tree.Number) -> Callable[[Values], Interval]:
    """A number's tree -> a function of a frame's values, in SI."""
    match node:
        case tree.Quantity(si=si):
            constant = (si, si)
            return lambda _values: constant
        case tree.ChannelRef():
            return _channel(node)
        case tree.Negative(of=inner):
            return _negative(compile_number(inner))
        case tree.TableCall():
            return _table(node)
        case tree.Arithmetic():
            return _arithmetic(node)


def _channel(node: tree.ChannelRef) -> Callable[[Values], Interval]:
    name, factor, offset = node.name, node.unit.factor, node.unit.offset

    def evaluate(values: Values) -> Interval:
        value = values[name]
        if value.value is None:
            return None
        si = value.value * factor + offset
        quality = value.quality
        if quality is Quality.GOOD:
            return si, si
        if quality is Quality.SATURATED_HIGH:
            return si, _INFINITE
        if quality is Quality.SATURATED_LOW:
            return -_INFINITE, si
        return None

    return evaluate


def _negative(inner: Callable[[Values], Interval]) -> Callable[[Values], Interval]:
    def evaluate(values: Values) -> Interval:
        x = inner(values)
        return None if x is None else (-x[1], -x[0])

    return evaluate


def _table(node: tree.TableCall) -> Callable[[Values], Interval]:
    argument, xs, ys = compile_number(node.argument), node.xs, node.ys

    def at(x: float) -> float:
        if x <= xs[0]:
            return ys[0]
        if x >= xs[-1]:
            return ys[-1]
        n = bisect_right(xs, x)
        return ys[n - 1] + (ys[n] - ys[n - 1]) * ((x - xs[n - 1]) / (xs[n] - xs[n - 1]))

    def evaluate(values: Values) -> Interval:
        x = argument(values)
        if x is None:
            return None
        low, high = x
        if low == high:
            y = at(low)
            return y, y
        # A table need not be monotone: between the ends of the interval its own points count too.
        reached = [at(low), at(high), *(y for x, y in zip(xs, ys, strict=True) if low < x < high)]
        return min(reached), max(reached)

    return evaluate


def _arithmetic(node: tree.Arithmetic) -> Callable[[Values], Interval]:
    left, right = compile_number(node.left), compile_number(node.right)
    combine = _COMBINE[node.operation]

    def evaluate(values: Values) -> Interval:
        a, b = left(values), right(values)
        if a is None or b is None:
            return None
        return combine(a, b)

    return evaluate


def _add(a: tuple[float, float], b: tuple[float, float]) -> Interval:
    return a[0] + b[0], a[1] + b[1]


def _subtract(a: tuple[float, float], b: tuple[float, float]) -> Interval:
    return a[0] - b[1], a[1] - b[0]


def _multiply(a: tuple[float, float], b: tuple[float, float]) -> Interval:
    products = [x * y for x in a for y in b]
    # An unlimited value times zero could be anything.
    if any(p != p for p in products):
        return None
    return min(products), max(products)


def _divide(a: tuple[float, float], b: tuple[float, float]) -> Interval:
    if b[0] <= 0.0 <= b[1]:
        return None  # division by what may be zero is unknown
    quotients = [x / y for x in a for y in b]
    if any(q != q for q in quotients):
        return None
    return min(quotients), max(quotients)


_COMBINE: Mapping[tree.Operation, Callable[[tuple[float, float], tuple[float, float]], Interval]] = {
    "+": _add,
    "-": _subtract,
    "*": _multiply,
    "/": _divide,
}
