"""The array evaluator: a whole drive, block by block, for looking back. Never imported by the daemon.

It gives for every tick exactly what `scalar.py` gives, to the last bit: the same operations in the same order, unknown
as a mask and never as NaN, windows added up in int64. What several trees share is calculated once, what decides
nothing is not calculated at all, and what a block's channels cannot do is not fetched.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from cabcanary.expressions import spans, tree
from cabcanary.expressions.array_conditions import Compared, Conditions, Fixed, Joined, Lost, Negated, Switch
from cabcanary.expressions.array_numbers import (
    Calculated,
    ChannelNumber,
    Constant,
    HoldsNumber,
    Numbers,
    OverBlocks,
    Sight,
    Starts,
    TimeInNumber,
    WindowNumber,
    smallest_or_largest,
)
from cabcanary.expressions.signals import Block, Channel, Column, Signals, Span, Truths

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.expressions.scalar import How

Made = TypeVar("Made", bound=OverBlocks[Any])

__all__ = [
    "Block",
    "Channel",
    "Column",
    "Evaluated",
    "Evaluator",
    "Signals",
    "Span",
    "Truths",
    "evaluate_condition",
    "evaluate_number",
]


@dataclass(slots=True)
class Evaluated:
    """A condition over a drive; `sides` gives for each comparison its two sides, for messages."""

    truths: Truths
    sides: list[tuple[tree.Compare, Span, Span]] = field(default_factory=list)


def evaluate_condition(node: tree.Condition, signals: Signals, state: list[Any] | None = None) -> Evaluated:
    """A condition over a whole drive, going on from a scalar program's `state()` where one is given."""
    with np.errstate(all="ignore"):
        found = Evaluator(signals).condition(node, state)
        parts = [found.at(block) for block in signals.blocks]
        truths = Truths(np.concatenate([p.true for p in parts]), np.concatenate([p.false for p in parts]))
        sides = [(compare, _whole(left, signals), _whole(right, signals)) for compare, left, right in found.sides]
    return Evaluated(truths, sides)


def evaluate_number(node: tree.Number, signals: Signals, state: list[Any] | None = None) -> Span:
    """A number over a whole drive."""
    with np.errstate(all="ignore"):
        return _whole(Evaluator(signals).number(node, state), signals)


def _whole(number: Numbers, signals: Signals) -> Span:
    parts = [number.at(block) for block in signals.blocks]
    return Span(*(np.concatenate(ends) for ends in zip(*parts, strict=True)))


class Evaluator:
    """Prepares many trees over one drive; equal parts that begin in the same state are one."""

    def __init__(self, signals: Signals) -> None:
        self.signals = signals
        self.starts = Starts(signals)
        self._sights: dict[str, Sight] = {}
        self._shared: dict[tuple[object, ...], Any] = {}

    def condition(self, node: tree.Condition, state: list[Any] | None = None) -> Conditions:
        """One condition; `state` as a scalar program of the same tree gives it."""
        return _Compiler(self, state).condition(node)

    def number(self, node: tree.Number, state: list[Any] | None = None) -> Numbers:
        """One number; `state` as a scalar program of the same tree gives it."""
        return _Compiler(self, state).number(node)

    def sight(self, name: str) -> Sight:
        """Where a channel may feed a rule."""
        if name not in self._sights:
            self._sights[name] = Sight(self.signals.columns[name])
        return self._sights[name]

    def shared(self, node: tree.Node, how: object, state: list[Any] | None, make: Callable[[], Made]) -> Made:
        """What has been prepared for an equal part that begins in the same state, or what `make` prepares now."""
        key = (node, how, json.dumps(state) if state else None)
        found: Made | None = self._shared.get(key)
        if found is None:
            found = self._shared[key] = make()
        return found


#: Rules stay while drives come and go; a vehicle's have some hundreds of parts, those of a sweep some thousand.
@lru_cache(maxsize=20_000)
def memories(node: tree.Node) -> int:
    """How many memories a scalar program of this tree has: deadbands, windows, times."""
    inner = sum(memories(part) for part in tree.parts_of(node))
    match node:
        case tree.Compare(deadband_si=band, sureness=sureness):
            return (inner if sureness == "likely" else 2 * inner) + bool(band)
        case tree.Window() | tree.TimeIn():
            return inner + 1
        case _:
            return inner


class _Compiler:
    """One tree; saved memories are taken in the order in which the scalar program makes them."""

    def __init__(self, drive: Evaluator, state: list[Any] | None) -> None:
        self._drive, self._signals = drive, drive.signals
        self._state = state
        self._next = 0
        self._how: How = ""

    def _saved(self, default: Any) -> Any:
        if self._state is None:
            return default
        self._next += 1
        return self._state[self._next - 1]

    def condition(self, node: tree.Condition) -> Conditions:
        """A condition, a new one or one that is there already."""
        return self._shared(node, None, lambda: self._condition(node))

    def number(self, node: tree.Number) -> Numbers:
        """A number, a new one or one that is there already."""
        # To make a constant takes less time than to find it.
        if isinstance(node, tree.Quantity):
            return self._number(node)
        return self._shared(node, self._how, lambda: self._number(node))

    def _shared(self, node: tree.Node, how: object, make: Callable[[], Made]) -> Made:
        first, state = self._next, None
        if self._state is not None:
            self._next = first + memories(node)
            state = self._state[first : self._next]
        behind = self._next

        def begin() -> Made:
            self._next = first
            return make()

        found = self._drive.shared(node, how, state, begin)
        self._next = behind
        return found

    # --- conditions -------------------------------------------------------------------------------------

    def _condition(self, node: tree.Condition) -> Conditions:
        match node:
            case tree.And(parts=parts):
                return Joined([self.condition(p) for p in parts], decided=False)
            case tree.Or(parts=parts):
                return Joined([self.condition(p) for p in parts], decided=True)
            case tree.Not(of=inner):
                return Negated(self.condition(inner))
            case tree.Switch(name=name):
                return Switch(self._drive.sight(name))
            case tree.Lost(name=name):
                return Lost(self._drive.sight(name))
            case tree.Fixed(truth=truth):
                return Fixed(truth=truth)
            case tree.Compare():
                return self._compare(node)

    def _compare(self, node: tree.Compare) -> Conditions:
        left, right = self.number(node.left), self.number(node.right)
        on = bool(self._saved(False)) if node.deadband_si else False
        if node.sureness == "likely":
            return Compared(node, (left, right), None, self._signals, on)
        before, self._how = self._how, " ±"
        wide = (self.number(node.left), self.number(node.right))
        self._how = before
        return Compared(node, (left, right), wide, self._signals, on)

    # --- numbers ----------------------------------------------------------------------------------------

    def _number(self, node: tree.Number) -> Numbers:
        match node:
            case tree.Quantity(si=si):
                return Constant(si)
            case tree.ChannelRef(name=name):
                return ChannelNumber(node, self._drive.sight(name), self._how)
            case tree.Negative(of=inner):
                number = self.number(inner)
                return Constant(-number.si) if isinstance(number, Constant) else Calculated([number], spans.negative)
            case tree.Absolute(of=inner):
                return Calculated([self.number(inner)], spans.absolute)
            case tree.TableCall():
                bounds = (min(node.ys), max(node.ys))
                return Calculated([self.number(node.argument)], lambda x: spans.table(node, x), bounds)
            case tree.Extreme(kind=kind, parts=parts):
                return Calculated([self.number(p) for p in parts], smallest_or_largest(kind))
            case tree.Arithmetic():
                return self._arithmetic(node)
            case tree.Window():
                return self._window(node)
            case tree.TimeIn() | tree.Holds():
                return self._of_condition(node)

    def _arithmetic(self, node: tree.Arithmetic) -> Numbers:
        left, right = self.number(node.left), self.number(node.right)
        if isinstance(left, Constant) and isinstance(right, Constant) and node.operation in ("+", "-"):
            return Constant(left.si + right.si if node.operation == "+" else left.si - right.si)
        return Calculated([left, right], spans.ARITHMETIC[node.operation])

    def _window(self, node: tree.Window) -> Numbers:
        before, self._how = self._how, " middle" if node.kind == "rate" else self._how
        inner = self.number(node.of)
        self._how = before
        return WindowNumber(node, inner, self._signals, self._saved([]), self._drive.starts)

    def _of_condition(self, node: tree.TimeIn | tree.Holds) -> Numbers:
        # A comparison inside says for itself how sure it must be.
        before, self._how = self._how, ""
        inner = self.condition(node.of)
        self._how = before
        if isinstance(node, tree.Holds):
            return HoldsNumber(inner)
        return TimeInNumber(inner, self._signals, self._saved([0, False, None]))
