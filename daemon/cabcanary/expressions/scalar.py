"""The scalar evaluator: one frame at a time, for the live path.

A number is an interval (low, high), or None where it is not known; a saturated value is half open. A
condition is True, False or None (unknown) in Kleene's strong three-valued logic (S. C. Kleene,
Introduction to Metamathematics, 1952, section 64). A comparison is known only when the whole interval
agrees. `arrays.py` says the same for whole drives, and tests hold the two equal to the last bit.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from cabcanary.expressions import tree
from cabcanary.expressions.bounds import dimension
from cabcanary.expressions.windows import HistoryState, TimeInState, make_window
from cabcanary.model import Quality, Value

if TYPE_CHECKING:
    from collections.abc import Mapping

Interval = tuple[float, float] | None
Truth = bool | None
Values = dict[str, Value]
#: Each channel's interval in SI at one tick, under its name; with its uncertainty around it, under `name ±`.
Known = dict[str, Interval]
Answer = TypeVar("Answer")
#: One side of a comparison, as a function of the tick.
Side = Callable[[Known, int], Interval]

_INFINITE = float("inf")
#: "possible" and "certain" look this many standard uncertainties around each value: a level of confidence of about
#: 95 % for a normal one (JCGM 100:2008, 6.3.3).
COVERAGE = 2.0


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


class Reader:
    """Turns a frame's values into intervals, once a tick for everybody who asks."""

    def __init__(self) -> None:
        self._plain: dict[str, tuple[str, float, float]] = {}
        self._wide: dict[str, tuple[str, str, float]] = {}

    def want(self, node: tree.ChannelRef, *, wide: bool) -> str:
        """Announce a channel; returns the key under which it will be known."""
        self._plain[node.name] = (node.name, node.unit.factor, node.unit.offset)
        if not wide:
            return node.name
        key = f"{node.name} ±"
        self._wide[key] = (key, node.name, node.unit.factor)
        return key

    def want_state(self, name: str) -> None:
        """Announce a channel of states."""
        self._plain.setdefault(name, (name, 1.0, 0.0))

    def read(self, values: Values) -> Known:
        """The intervals at this tick."""
        known: Known = {}
        good, high, low = Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW
        for name, factor, offset in self._plain.values():
            number, quality, _, _, _ = values[name]
            if number is None:
                known[name] = None
                continue
            si = number * factor + offset
            if quality is good:
                known[name] = (si, si)
            elif quality is high:
                known[name] = (si, _INFINITE)
            else:
                known[name] = (-_INFINITE, si) if quality is low else None
        for key, name, factor in self._wide.values():
            interval = known[name]
            if interval is not None:
                around = COVERAGE * (values[name].uncertainty * factor)
                interval = (interval[0] - around, interval[1] + around)
            known[key] = interval
        return known


class Program(Generic[Answer]):
    """A tree ready to run; `run` is asked once a tick. It remembers what its windows need.

    `reader` may be shared by several programs of one frame. `sides` gives for each comparison its two sides as
    functions of the same tick, for messages.
    """

    def __init__(self, node: tree.Node, reader: Reader | None = None) -> None:
        self._memories: list[Latch | HistoryState | TimeInState] = []
        self._wide_now = False
        self._reader = reader or Reader()
        self.sides: list[tuple[tree.Compare, Side, Side]] = []
        self.run: Callable[[Known, int], Answer] = self._compile(node)

    def __call__(self, values: Values, now_ns: int = 0) -> Answer:
        """What it comes to at this tick, from the frame's values."""
        return self.run(self._reader.read(values), now_ns)

    @property
    def remembers(self) -> bool:
        """Whether it must see every tick."""
        return bool(self._memories)

    def state(self) -> list[Any]:
        """Everything that later ticks depend on; plain JSON."""
        return [m.state() for m in self._memories]

    def restore(self, state: list[Any]) -> None:
        """Go on from a saved state of a program with the same tree."""
        for memory, saved in zip(self._memories, state, strict=True):
            memory.restore(saved)

    def _compile(self, node: tree.Node) -> Callable[[Known, int], Any]:
        match node:
            case tree.And() | tree.Or() | tree.Not() | tree.Switch() | tree.Fixed() | tree.Compare():
                return self._condition(node)
            case _:
                return self._number(node)

    # --- conditions -------------------------------------------------------------------------------------

    def _condition(self, node: tree.Condition) -> Callable[[Known, int], Truth]:
        match node:
            case tree.And(parts=parts):
                return self._join(parts, decided=False)
            case tree.Or(parts=parts):
                return self._join(parts, decided=True)
            case tree.Not(of=inner):
                return _not(self._condition(inner))
            case tree.Switch(name=name):
                self._reader.want_state(name)
                return _switch(name)
            case tree.Fixed(truth=truth):
                return lambda _known, _now: truth
            case tree.Compare():
                return self._compare(node)

    def _join(self, parts: tuple[tree.Condition, ...], *, decided: bool) -> Callable[[Known, int], Truth]:
        """And is decided by a part that is false, or by one that is true; without one, unknown wins."""
        remembering: list[Callable[[Known, int], Truth]] = []
        plain: list[Callable[[Known, int], Truth]] = []
        for part in parts:
            before = len(self._memories)
            compiled = self._condition(part)
            (remembering if len(self._memories) > before else plain).append(compiled)
        # What has a memory sees every tick; the rest need not be asked once the answer is known.
        return _joined(remembering, plain, decided=decided)

    def _compare(self, node: tree.Compare) -> Callable[[Known, int], Truth]:
        left, right = self._number(node.left), self._number(node.right)
        self.sides.append((node, left, right))
        latch = Latch()
        if node.deadband_si:
            self._memories.append(latch)
        greater = node.comparison in (">", ">=")
        or_equal = node.comparison in (">=", "<=")
        # a < b  is  b > a: only "greater" is written out, with the sides changed where needed.
        above, below = (left, right) if greater else (right, left)
        if node.sureness == "likely":
            if isinstance(node.left, tree.ChannelRef) and isinstance(node.right, tree.Quantity):
                key = self._reader.want(node.left, wide=False)
                return _against_limit(key, node.right.si, node.deadband_si, latch, above=greater, or_equal=or_equal)
            return _greater(above, below, node.deadband_si, latch, or_equal=or_equal)
        wide_left, wide_right = self._wide(node.left), self._wide(node.right)
        wide = (wide_left, wide_right) if greater else (wide_right, wide_left)
        judge = _certainly if node.sureness == "certain" else _possibly
        return judge((above, below), wide, node.deadband_si, latch, or_equal=or_equal)

    def _wide(self, node: tree.Number) -> Callable[[Known, int], Interval]:
        before, self._wide_now = self._wide_now, True
        compiled = self._number(node)
        self._wide_now = before
        return compiled

    # --- numbers ----------------------------------------------------------------------------------------

    def _number(self, node: tree.Node) -> Callable[[Known, int], Interval]:
        match node:
            case tree.Quantity(si=si):
                constant = (si, si)
                return lambda _known, _now: constant
            case tree.ChannelRef():
                return _channel(self._reader.want(node, wide=self._wide_now))
            case tree.Negative(of=inner):
                return _negative(self._number(inner))
            case tree.Absolute(of=inner):
                return _absolute(self._number(inner))
            case tree.TableCall():
                return _table(node, self._number(node.argument))
            case tree.Extreme(kind=kind, parts=parts):
                return _extreme(kind, [self._number(p) for p in parts])
            case tree.Arithmetic():
                return _arithmetic(_COMBINE[node.operation], self._number(node.left), self._number(node.right))
            case tree.Window():
                return self._window(node)
            case tree.TimeIn(of=condition):
                return self._time_in(condition)
            case _:
                raise TypeError(f"{type(node).__name__} is no number")

    def _window(self, node: tree.Window) -> Callable[[Known, int], Interval]:
        # An error that is the same at both ends drops out of a difference: a rate is not widened.
        before, self._wide_now = self._wide_now, self._wide_now and node.kind != "rate"
        inner = self._number(node.of)
        self._wide_now = before
        window = make_window(node.kind, node.width_ns, dimension(node.of))
        self._memories.append(window)
        step = window.step
        return lambda known, now_ns: step(now_ns, inner(known, now_ns))

    def _time_in(self, condition: tree.Condition) -> Callable[[Known, int], Interval]:
        inner = self._condition(condition)
        timer = TimeInState()
        self._memories.append(timer)
        step = timer.step
        return lambda known, now_ns: step(now_ns, inner(known, now_ns))


def compile_condition(node: tree.Condition, reader: Reader | None = None) -> Program[Truth]:
    """A condition's tree -> a program that gives True, False or None at each tick."""
    return Program[Truth](node, reader)


def compile_number(node: tree.Number, reader: Reader | None = None) -> Program[Interval]:
    """A number's tree -> a program that gives its interval in SI, or None, at each tick."""
    return Program[Interval](node, reader)


def _joined(
    remembering: list[Callable[[Known, int], Truth]], plain: list[Callable[[Known, int], Truth]], *, decided: bool
) -> Callable[[Known, int], Truth]:
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


def _not(part: Callable[[Known, int], Truth]) -> Callable[[Known, int], Truth]:
    def evaluate(known: Known, now_ns: int) -> Truth:
        truth = part(known, now_ns)
        return None if truth is None else not truth

    return evaluate


def _switch(name: str) -> Callable[[Known, int], Truth]:
    def evaluate(known: Known, _now: int) -> Truth:
        value = known[name]
        # A state at the end of a range is none.
        return None if value is None or value[0] != value[1] else value[0] != 0.0

    return evaluate


def _against_limit(
    key: str, limit: float, band: float, latch: Latch, *, above: bool, or_equal: bool
) -> Callable[[Known, int], Truth]:
    """`_greater` for what most comparisons are, a channel against a number, in one piece."""

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


def _greater(
    above: Callable[[Known, int], Interval],
    below: Callable[[Known, int], Interval],
    band: float,
    latch: Latch,
    *,
    or_equal: bool,
) -> Callable[[Known, int], Truth]:
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


def _certainly(
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
        # A saturated value leaves open how far beyond it is; any other that is not beyond for certain is not.
        if (a[0] == a[1] and b[0] == b[1]) or high < 0.0 or (high == 0.0 and not or_equal):
            latch.on = False
            return False
        return None

    return evaluate


def _possibly(
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
        if (a[0] == a[1] and b[0] == b[1]) or low > 0.0 or (or_equal and low == 0.0):
            latch.on = True
            return True
        return None

    return evaluate


def _channel(key: str) -> Callable[[Known, int], Interval]:
    return lambda known, _now: known[key]


def _negative(inner: Callable[[Known, int], Interval]) -> Callable[[Known, int], Interval]:
    def evaluate(known: Known, now_ns: int) -> Interval:
        x = inner(known, now_ns)
        return None if x is None else (-x[1], -x[0])

    return evaluate


def _absolute(inner: Callable[[Known, int], Interval]) -> Callable[[Known, int], Interval]:
    def evaluate(known: Known, now_ns: int) -> Interval:
        x = inner(known, now_ns)
        if x is None:
            return None
        low, high = x
        if low >= 0.0:
            return x
        return (-high, -low) if high <= 0.0 else (0.0, max(-low, high))

    return evaluate


def _extreme(kind: str, parts: list[Callable[[Known, int], Interval]]) -> Callable[[Known, int], Interval]:
    pick = min if kind == "min" else max

    def evaluate(known: Known, now_ns: int) -> Interval:
        # All are asked, so that each window sees every tick.
        found = [part(known, now_ns) for part in parts]
        there = [x for x in found if x is not None]
        if len(there) < len(found):
            return None
        return pick(x[0] for x in there), pick(x[1] for x in there)

    return evaluate


def _table(node: tree.TableCall, argument: Callable[[Known, int], Interval]) -> Callable[[Known, int], Interval]:
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


def _arithmetic(
    combine: Callable[[tuple[float, float], tuple[float, float]], Interval],
    left: Callable[[Known, int], Interval],
    right: Callable[[Known, int], Interval],
) -> Callable[[Known, int], Interval]:
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
