"""The scalar evaluator: one frame at a time, for the live path.

A number is an interval (low, high), or None where it is not known; a saturated value is half open, and one of quality
"within" reaches two uncertainties to each side. A condition is True, False or None (unknown) in Kleene's strong
three-valued logic (S. C. Kleene, Introduction to Metamathematics, 1952, section 64). A comparison is known only when
the whole interval agrees. `arrays.py` says the same for whole drives, and tests hold the two equal to the last bit.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from typing import Any, Generic, Literal, NamedTuple, TypeVar

from cabcanary.expressions import closures, tree
from cabcanary.expressions.bounds import dimension
from cabcanary.expressions.closures import Interval, Known, Latch, Truth
from cabcanary.expressions.windows import HistoryState, TimeInState, make_window
from cabcanary.model import Quality, Value

__all__ = [
    "COVERAGE",
    "Interval",
    "Known",
    "Program",
    "Reader",
    "Truth",
    "Values",
    "compile_condition",
    "compile_number",
]

Values = dict[str, Value]
Answer = TypeVar("Answer")
#: One side of a comparison, as a function of the tick.
Side = Callable[[Known, int], Interval]

_INFINITE = float("inf")
#: "possible" and "certain" look this many standard uncertainties around each value: a level of confidence of about
#: 95 % for a normal one (JCGM 100:2008, 6.3.3).
COVERAGE = 2.0
#: How a channel is read: as it is; with its uncertainty around it; or of an interval its middle, for a rate: an error
#: that is the same at both ends drops out of a difference.
How = Literal["", " ±", " middle"]


class Piece(NamedTuple):
    """A compiled part of a tree that several programs ask: its memories and comparisons are theirs as well."""

    run: Callable[[Known, int], Any]
    memories: list[Latch | HistoryState | TimeInState]
    sides: list[tuple[tree.Compare, Side, Side]]


class Reader:
    """Turns a frame's values into intervals, once a tick for everybody who asks; keeps as well what several
    programs of that frame ask, so that it is worked out once."""

    def __init__(self) -> None:
        self._expected: Counter[tree.Node] = Counter()
        self.pieces: dict[tuple[tree.Node, How], Piece] = {}
        self._plain: dict[str, tuple[str, float, float]] = {}
        self._wide: dict[str, tuple[str, str, float]] = {}
        self._middle: dict[str, tuple[str, str, float, float]] = {}

    def expect(self, node: tree.Node) -> None:
        """Announce a tree, before any is compiled: what comes more than once in those announced is shared."""
        self._expected[node] += 1
        # What is inside a shared part is asked by that part alone.
        if self._expected[node] == 1:
            for part in tree.parts_of(node):
                self.expect(part)

    def shares(self, node: tree.Node) -> bool:
        """Whether a part is asked more than once, and costs more than to look its answer up."""
        return self._expected[node] > 1 and not _is_cheap(node)

    def want(self, node: tree.ChannelRef, how: How = "") -> str:
        """Announce a channel; returns the key under which it will be known."""
        name, unit, key = node.name, node.unit, node.name + how
        self._plain[name] = (name, unit.factor, unit.offset)
        if how == " ±":
            self._wide[key] = (key, name, unit.factor)
        elif how:
            self._middle[key] = (key, name, unit.factor, unit.offset)
        return key

    def want_state(self, name: str) -> None:
        """Announce a channel of states."""
        self._plain.setdefault(name, (name, 1.0, 0.0))

    def read(self, values: Values) -> Known:
        """The intervals at this tick."""
        known: Known = {}
        good, high, low, within = Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW, Quality.WITHIN
        for name, factor, offset in self._plain.values():
            number, quality, _, uncertainty, _ = values[name]
            if number is None:
                known[name] = None
                continue
            si = number * factor + offset
            if quality is good:
                known[name] = (si, si)
            elif quality is high:
                known[name] = (si, _INFINITE)
            elif quality is within:
                around = COVERAGE * (uncertainty * factor)
                known[name] = (si - around, si + around)
            else:
                known[name] = (-_INFINITE, si) if quality is low else None
        for key, name, factor in self._wide.values():
            interval = known[name]
            if interval is not None and values[name].quality is not within:
                around = COVERAGE * (values[name].uncertainty * factor)
                interval = (interval[0] - around, interval[1] + around)
            known[key] = interval
        for key, name, factor, offset in self._middle.values():
            number, quality, _, _, _ = values[name]
            si = 0.0 if number is None else number * factor + offset
            known[key] = (si, si) if quality is within and number is not None else known[name]
        return known


def _is_cheap(node: tree.Node) -> bool:
    match node:
        case tree.Compare(left=tree.ChannelRef(), right=tree.Quantity(), sureness="likely"):
            return True
        case tree.Quantity() | tree.ChannelRef() | tree.Holds():
            return True
        case tree.Switch() | tree.Lost() | tree.Fixed() | tree.Not():
            return True
        case _:
            return False


class Program(Generic[Answer]):
    """A tree ready to run; `run` is asked once a tick. It remembers what its windows need.

    `reader` may be shared by several programs of one frame. `sides` gives for each comparison its two sides as
    functions of the same tick, for messages.
    """

    def __init__(self, node: tree.Node, reader: Reader | None = None) -> None:
        self._memories: list[Latch | HistoryState | TimeInState] = []
        self._how: How = ""
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
            case tree.And() | tree.Or() | tree.Not() | tree.Switch() | tree.Lost() | tree.Fixed() | tree.Compare():
                return self._condition(node)
            case _:
                return self._number(node)

    def _shared(
        self, node: tree.Node, compiled: Callable[[Any], Callable[[Known, int], Any]]
    ) -> Callable[[Known, int], Any]:
        """A part of the tree, compiled once for all programs that ask it, and run once a tick."""
        if not self._reader.shares(node):
            return compiled(node)
        piece = self._reader.pieces.get((node, self._how))
        if piece is None:
            memories, sides = len(self._memories), len(self.sides)
            run = closures.once_a_tick(compiled(node))
            piece = Piece(run, self._memories[memories:], self.sides[sides:])
            self._reader.pieces[node, self._how] = piece
        else:
            self._memories += piece.memories
            self.sides += piece.sides
        return piece.run

    # --- conditions -------------------------------------------------------------------------------------

    def _condition(self, node: tree.Condition) -> Callable[[Known, int], Truth]:
        return self._shared(node, self._condition_alone)

    def _condition_alone(self, node: tree.Condition) -> Callable[[Known, int], Truth]:
        match node:
            case tree.And(parts=parts):
                return self._join(parts, decided=False)
            case tree.Or(parts=parts):
                return self._join(parts, decided=True)
            case tree.Not(of=inner):
                return closures.negated(self._condition(inner))
            case tree.Switch(name=name):
                self._reader.want_state(name)
                return closures.switch(name)
            case tree.Lost(name=name):
                self._reader.want_state(name)
                return closures.lost(name)
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
        return closures.joined(remembering, plain, decided=decided)

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
                key = self._reader.want(node.left)
                return closures.against_limit(
                    key, node.right.si, node.deadband_si, latch, above=greater, or_equal=or_equal
                )
            return closures.greater(above, below, node.deadband_si, latch, or_equal=or_equal)
        wide_left, wide_right = self._wide(node.left), self._wide(node.right)
        wide = (wide_left, wide_right) if greater else (wide_right, wide_left)
        judge = closures.certainly if node.sureness == "certain" else closures.possibly
        return judge((above, below), wide, node.deadband_si, latch, or_equal=or_equal)

    def _wide(self, node: tree.Number) -> Callable[[Known, int], Interval]:
        before, self._how = self._how, " ±"
        compiled = self._number(node)
        self._how = before
        return compiled

    # --- numbers ----------------------------------------------------------------------------------------

    def _number(self, node: tree.Node) -> Callable[[Known, int], Interval]:
        return self._shared(node, self._number_alone)

    def _number_alone(self, node: tree.Node) -> Callable[[Known, int], Interval]:
        match node:
            case tree.Quantity(si=si):
                constant = (si, si)
                return lambda _known, _now: constant
            case tree.ChannelRef():
                return closures.channel(self._reader.want(node, self._how))
            case tree.Negative(of=inner):
                return closures.negative(self._number(inner))
            case tree.Absolute(of=inner):
                return closures.absolute(self._number(inner))
            case tree.TableCall():
                return closures.table(node, self._number(node.argument))
            case tree.Extreme(kind=kind, parts=parts):
                return closures.extreme(kind, [self._number(p) for p in parts])
            case tree.Arithmetic():
                return closures.arithmetic(
                    closures.COMBINE[node.operation], self._number(node.left), self._number(node.right)
                )
            case tree.Window():
                return self._window(node)
            case tree.TimeIn() | tree.Holds():
                return self._of_condition(node)
            case _:
                raise TypeError(f"{type(node).__name__} is no number")

    def _window(self, node: tree.Window) -> Callable[[Known, int], Interval]:
        before, self._how = self._how, " middle" if node.kind == "rate" else self._how
        inner = self._number(node.of)
        self._how = before
        window = make_window(node.kind, node.width_ns, dimension(node.of))
        self._memories.append(window)
        step = window.step
        return lambda known, now_ns: step(now_ns, inner(known, now_ns))

    def _of_condition(self, node: tree.TimeIn | tree.Holds) -> Callable[[Known, int], Interval]:
        # A comparison inside says for itself how sure it must be.
        before, self._how = self._how, ""
        inner = self._condition(node.of)
        self._how = before
        if isinstance(node, tree.Holds):
            return closures.indicator(inner)
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
