"""The pieces of a compiled condition: each a function of what is known at a tick and of its time in ns."""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from cabcanary.expressions import tree

Interval = tuple[float, float] | None
Truth = bool | None
_INFINITE = float("inf")
#: Each channel's interval in SI at one tick, under its name; with its uncertainty around it, under `name ±`; the middle
#: of one that is an interval, under `name middle`.
Known = dict[str, Interval]


class Latch:
    """Whether a comparison stood true at its last known tick: the deadband's memory."""

    __slots__ = ("on",)

    def __init__(self) -> None:
        self.on = False

    def state(self) -> Any:
        """Plain JSON."""
        return self.on

    def restore(self, state: Any) -> None:
        """Go on from a saved state."""
        self.on = bool(state)


def once_a_tick(part: Callable[[Known, int], Any]) -> Callable[[Known, int], Any]:
    """A part that several ask: worked out for the first of them, and said again to the others."""
    last: Known | None = None
    answer: Any = None

    def evaluate(known: Known, now_ns: int) -> Any:
        nonlocal last, answer
        # Each tick makes what is known anew: the same object is the same tick.
        if known is not last:
            answer = part(known, now_ns)
            last = known
        return answer

    return evaluate


def joined(
    remembering: list[Callable[[Known, int], Truth]], plain: list[Callable[[Known, int], Truth]], *, decided: bool
) -> Callable[[Known, int], Truth]:
    """ "And" or "or": decided by one part that is `decided`; without one, unknown wins."""
    otherwise = not decided

    def evaluate(known: Known, now_ns: int) -> Truth:
        result: Truth = otherwise
        for part in remembering:
            truth = part(known, now_ns)
            if truth is decided:
                result = decided
            elif truth is None and result is otherwise:
                result = None
        if result is decided:
            return result
        for part in plain:
            truth = part(known, now_ns)
            if truth is decided:
                return decided
            if truth is None:
                result = None
        return result

    return evaluate


def indicator(part: Callable[[Known, int], Truth]) -> Callable[[Known, int], Interval]:
    """1 while a condition is true, 0 while it is false."""
    numbers: dict[Truth, Interval] = {True: (1.0, 1.0), False: (0.0, 0.0), None: None}
    return lambda known, now_ns: numbers[part(known, now_ns)]


def negated(part: Callable[[Known, int], Truth]) -> Callable[[Known, int], Truth]:
    """ "Not"; unknown stays unknown."""

    def evaluate(known: Known, now_ns: int) -> Truth:
        truth = part(known, now_ns)
        return None if truth is None else not truth

    return evaluate


def switch(name: str) -> Callable[[Known, int], Truth]:
    """A channel of states: true when it is not 0."""

    def evaluate(known: Known, _now: int) -> Truth:
        value = known[name]
        # A state at the end of a range is none, and neither is an interval.
        return None if value is None or value[0] != value[1] else value[0] != 0.0

    return evaluate


def lost(name: str) -> Callable[[Known, int], Truth]:
    """Whether nothing is known of a channel."""
    return lambda known, _now: known[name] is None


def against_limit(
    key: str, limit: float, band: float, latch: Latch, *, above: bool, or_equal: bool
) -> Callable[[Known, int], Truth]:
    """`greater` for what most comparisons are, a channel against a number, in one piece."""

    def evaluate_above(known: Known, _now: int) -> Truth:
        a = known[key]
        if a is None:
            return None
        give = band if latch.on else 0.0
        low = a[0] + give - limit
        if low > 0.0 or (or_equal and low == 0.0):
            latch.on = True
            return True
        high = a[1] + give - limit
        if high < 0.0 or (high == 0.0 and not or_equal):
            latch.on = False
            return False
        return None

    def evaluate_below(known: Known, _now: int) -> Truth:
        b = known[key]
        if b is None:
            return None
        give = limit + band if latch.on else limit
        low = give - b[1]
        if low > 0.0 or (or_equal and low == 0.0):
            latch.on = True
            return True
        high = give - b[0]
        if high < 0.0 or (high == 0.0 and not or_equal):
            latch.on = False
            return False
        return None

    return evaluate_above if above else evaluate_below


def greater(
    above: Callable[[Known, int], Interval],
    below: Callable[[Known, int], Interval],
    band: float,
    latch: Latch,
    *,
    or_equal: bool,
) -> Callable[[Known, int], Truth]:
    """ "Above is greater than below", known only when the whole interval agrees."""

    def evaluate(known: Known, now_ns: int) -> Truth:
        a, b = above(known, now_ns), below(known, now_ns)
        if a is None or b is None:
            return None
        # The deadband works on the return side only (OPC UA Part 9, annex B).
        give = band if latch.on else 0.0
        low, high = a[0] + give - b[1], a[1] + give - b[0]
        if low > 0.0 or (or_equal and low == 0.0):
            latch.on = True
            return True
        if high < 0.0 or (high == 0.0 and not or_equal):
            latch.on = False
            return False
        return None

    return evaluate


def _has_ends(a: tuple[float, float], b: tuple[float, float]) -> bool:
    """Whether both lie within bounds. A saturated value does not: it leaves open how far beyond it is."""
    return a[0] > -_INFINITE and a[1] < _INFINITE and b[0] > -_INFINITE and b[1] < _INFINITE


def certainly(
    sides: tuple[Callable[[Known, int], Interval], Callable[[Known, int], Interval]],
    wide: tuple[Callable[[Known, int], Interval], Callable[[Known, int], Interval]],
    band: float,
    latch: Latch,
    *,
    or_equal: bool,
) -> Callable[[Known, int], Truth]:
    """True only where even the least favourable value within the uncertainty is beyond."""

    def evaluate(known: Known, now_ns: int) -> Truth:
        a, b = sides[0](known, now_ns), sides[1](known, now_ns)
        wide_a, wide_b = wide[0](known, now_ns), wide[1](known, now_ns)
        if a is None or b is None or wide_a is None or wide_b is None:
            return None
        give = band if latch.on else 0.0
        worst = wide_a[0] + give - wide_b[1]
        if worst > 0.0 or (or_equal and worst == 0.0):
            latch.on = True
            return True
        high = a[1] + give - b[0]
        if _has_ends(a, b) or high < 0.0 or (high == 0.0 and not or_equal):
            latch.on = False
            return False
        return None

    return evaluate


def possibly(
    sides: tuple[Callable[[Known, int], Interval], Callable[[Known, int], Interval]],
    wide: tuple[Callable[[Known, int], Interval], Callable[[Known, int], Interval]],
    band: float,
    latch: Latch,
    *,
    or_equal: bool,
) -> Callable[[Known, int], Truth]:
    """False only where even the most favourable value within the uncertainty is not beyond."""

    def evaluate(known: Known, now_ns: int) -> Truth:
        a, b = sides[0](known, now_ns), sides[1](known, now_ns)
        wide_a, wide_b = wide[0](known, now_ns), wide[1](known, now_ns)
        if a is None or b is None or wide_a is None or wide_b is None:
            return None
        give = band if latch.on else 0.0
        best = wide_a[1] + give - wide_b[0]
        if best < 0.0 or (best == 0.0 and not or_equal):
            latch.on = False
            return False
        low = a[0] + give - b[1]
        if _has_ends(a, b) or low > 0.0 or (or_equal and low == 0.0):
            latch.on = True
            return True
        return None

    return evaluate


def channel(key: str) -> Callable[[Known, int], Interval]:
    """A channel's interval."""
    return lambda known, _now: known[key]


def negative(inner: Callable[[Known, int], Interval]) -> Callable[[Known, int], Interval]:
    """The number with its sign changed."""

    def evaluate(known: Known, now_ns: int) -> Interval:
        x = inner(known, now_ns)
        return None if x is None else (-x[1], -x[0])

    return evaluate


def absolute(inner: Callable[[Known, int], Interval]) -> Callable[[Known, int], Interval]:
    """The number without its sign."""

    def evaluate(known: Known, now_ns: int) -> Interval:
        x = inner(known, now_ns)
        if x is None:
            return None
        low, high = x
        if low >= 0.0:
            return x
        return (-high, -low) if high <= 0.0 else (0.0, max(-low, high))

    return evaluate


def extreme(kind: str, parts: list[Callable[[Known, int], Interval]]) -> Callable[[Known, int], Interval]:
    """The smallest or largest of several numbers."""
    pick = min if kind == "min" else max

    def evaluate(known: Known, now_ns: int) -> Interval:
        # All are asked, so that each window sees every tick.
        found = [part(known, now_ns) for part in parts]
        there = [x for x in found if x is not None]
        if len(there) < len(found):
            return None
        return pick(x[0] for x in there), pick(x[1] for x in there)

    return evaluate


def table(node: tree.TableCall, argument: Callable[[Known, int], Interval]) -> Callable[[Known, int], Interval]:
    """A table at a value: straight lines between points, held beyond the ends."""
    xs, ys = node.xs, node.ys

    def at(x: float) -> float:
        if x <= xs[0]:
            return ys[0]
        if x >= xs[-1]:
            return ys[-1]
        n = bisect_right(xs, x)
        return ys[n - 1] + (ys[n] - ys[n - 1]) * ((x - xs[n - 1]) / (xs[n] - xs[n - 1]))

    def evaluate(known: Known, now_ns: int) -> Interval:
        x = argument(known, now_ns)
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


def arithmetic(
    combine: Callable[[tuple[float, float], tuple[float, float]], Interval],
    left: Callable[[Known, int], Interval],
    right: Callable[[Known, int], Interval],
) -> Callable[[Known, int], Interval]:
    """Two numbers and an operation between them."""

    def evaluate(known: Known, now_ns: int) -> Interval:
        a, b = left(known, now_ns), right(known, now_ns)
        if a is None or b is None:
            return None
        return combine(a, b)

    return evaluate


def _add(a: tuple[float, float], b: tuple[float, float]) -> Interval:
    return a[0] + b[0], a[1] + b[1]


def _subtract(a: tuple[float, float], b: tuple[float, float]) -> Interval:
    return a[0] - b[1], a[1] - b[0]


def _multiply(a: tuple[float, float], b: tuple[float, float]) -> Interval:
    if a[0] == a[1] and b[0] == b[1]:
        product = a[0] * b[0]
        return None if product != product else (product, product)
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


COMBINE: Mapping[tree.Operation, Callable[[tuple[float, float], tuple[float, float]], Interval]] = {
    "+": _add,
    "-": _subtract,
    "*": _multiply,
    "/": _divide,
}
