"""A condition's text -> its tree, with units, names and kinds checked; faults carry their column."""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass, field
from importlib import resources
from typing import TYPE_CHECKING, Any, NoReturn, cast

from lark import Lark, Token, Tree
from lark.exceptions import UnexpectedCharacters, UnexpectedEOF, UnexpectedInput

from cabcanary import units
from cabcanary.expressions import tree

if TYPE_CHECKING:
    from collections.abc import Mapping

#: Deeper nesting than any rule that a person can read; it keeps a hostile file from exhausting the stack.
_DEEPEST = 40
#: No mixture is as lean as this; AFR lies far above.
HIGHEST_LAMBDA = 5.0


class ConditionError(ValueError):
    """What is wrong with a condition, at which line and column of its text (both from 1)."""

    def __init__(self, message: str, line: int, column: int, fix: str = "") -> None:
        super().__init__(message)
        self.message, self.line, self.column, self.fix = message, line, column, fix


@dataclass(frozen=True, slots=True)
class Table:
    """A limit that depends on something, in SI."""

    of: units.Dimension
    gives: units.Dimension
    xs: tuple[float, ...]
    ys: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Names:
    """What a condition may speak of: the channels with their units, and the tables."""

    channels: Mapping[str, str]
    tables: Mapping[str, Table]
    #: The lowest and highest value that a channel can show, in SI, where its sensor's range says so.
    ends: Mapping[str, tuple[float, float]] = field(default_factory=dict)


class UnknownNameError(ConditionError):
    """A name that is neither a channel nor a table; the rule may be one for a sensor that is not fitted."""

    def __init__(self, name: str, line: int, column: int, fix: str) -> None:
        super().__init__(f"there is no channel '{name}'", line, column, fix)
        self.name = name


_GRAMMAR = resources.files(__package__).joinpath("grammar.lark").read_text(encoding="utf-8")
_LARK = Lark(_GRAMMAR, parser="lalr", propagate_positions=True, maybe_placeholders=True)


def parse_condition(text: str, names: Names) -> tuple[tree.Condition, int]:
    """Parse a condition; returns its tree and how many comparisons have a memory.

    Raises:
        ConditionError: it does not follow the grammar, or compares what cannot be compared.
        UnknownNameError: it speaks of a channel that is not there.
    """
    builder = _Builder(names)
    return builder.condition(_read(text)), builder.comparisons


def parse_number(text: str, names: Names) -> tree.Number:
    """Parse a formula that gives a number.

    Raises:
        ConditionError: it does not follow the grammar, or mixes what cannot be mixed.
        UnknownNameError: it speaks of a channel that is not there.
    """
    return _Builder(names).number(_read(text))


def _read(text: str) -> Tree[Token]:
    try:
        return _LARK.parse(text)
    except UnexpectedInput as error:
        raise _grammar_error(text, error) from error


def _grammar_error(text: str, error: UnexpectedInput) -> ConditionError:
    if isinstance(error, UnexpectedEOF) or getattr(getattr(error, "token", None), "type", "") == "$END":
        lines = text.splitlines() or [""]
        return ConditionError("the condition stops too early", len(lines), len(lines[-1]) + 1, "complete it")
    what = "this character" if isinstance(error, UnexpectedCharacters) else f"'{getattr(error, 'token', '')}'"
    rest = text[error.pos_in_stream or 0 :][:1]
    fix = "a condition reads like: boost > 2 psi and lambda > ceiling(boost)"
    if rest == "=":
        fix = "compare with > >= < or <=; sensors are never exactly equal to a number"
    return ConditionError(f"did not expect {what} here", error.line, error.column, fix)


class _Builder:
    def __init__(self, names: Names) -> None:
        self._names = names
        self._depth = 0
        self.comparisons = 0

    def condition(self, node: Tree[Token] | Token) -> tree.Condition:
        built = self._build(node)
        if isinstance(built, tree.ChannelRef) and built.unit.symbol == "state":
            return tree.Switch(built.name)
        if not isinstance(built, tree.Condition):
            _fail(node, "this is a number, not a condition", "compare it with something, as in > 2 psi")
        return built

    def number(self, node: Tree[Token] | Token) -> tree.Number:
        built = self._build(node)
        if not isinstance(built, tree.Number):
            _fail(node, "this is a condition, not a number", "put a channel or a quantity here")
        return built

    def _build(self, node: Tree[Token] | Token) -> tree.Number | tree.Condition:
        assert isinstance(node, Tree)
        self._depth += 1
        if self._depth > _DEEPEST:
            _fail(node, f"nested deeper than {_DEEPEST}", "split the rule in two")
        try:
            method = getattr(self, f"_on_{node.data.strip('_')}")
            return cast("tree.Number | tree.Condition", method(node))
        finally:
            self._depth -= 1

    def _on_or(self, node: Tree[Token]) -> tree.Or:
        return tree.Or(tuple(self.condition(c) for c in node.children[::2]))

    def _on_and(self, node: Tree[Token]) -> tree.And:
        return tree.And(tuple(self.condition(c) for c in node.children[::2]))

    def _on_not(self, node: Tree[Token]) -> tree.Not:
        return tree.Not(self.condition(node.children[-1]))

    def _on_compare(self, node: Tree[Token]) -> tree.Compare:
        left_node, sign, right_node, _, band_node = node.children
        left, right = self.number(left_node), self.number(right_node)
        if dimension(left) != dimension(right):
            _fail(
                node,
                f"compares {units.dimension_name(dimension(left))} with {units.dimension_name(dimension(right))}",
                "give both sides the same kind of unit",
            )
        band = 0.0
        if isinstance(band_node, Tree):
            value, unit = self._quantity_parts(band_node)
            if unit.dimension != dimension(left):
                _fail(band_node, "the deadband's unit does not fit the comparison", "use the comparison's unit")
            band = value * unit.factor
        self.comparisons += 1
        comparison = cast("tree.Comparison", str(sign))
        self._check_reach(node, comparison, left, right)
        return tree.Compare(comparison, left, right, band, self.comparisons - 1)

    def _check_reach(
        self, node: Tree[Token], comparison: tree.Comparison, left: tree.Number, right: tree.Number
    ) -> None:
        """A comparison that its sensor can never show to be true would sleep for ever."""
        below = comparison in ("<", "<=")
        if isinstance(left, tree.Quantity):
            left, right, below = right, left, not below
        limit = _constant(right)
        if (
            isinstance(left, tree.ChannelRef)
            and left.unit.symbol == "lambda"
            and limit is not None
            and limit > HIGHEST_LAMBDA
        ):
            _fail(node, f"{limit:g} is no lambda", "if it is AFR, divide it by its scale: 12.5 on 14.7 is 0.850")
        if not isinstance(left, tree.ChannelRef) or limit is None or left.name not in self._names.ends:
            return
        low, high = self._names.ends[left.name]
        if (below and limit <= low) or (not below and limit >= high):
            end = left.unit.from_si(low if below else high)
            message = f"this can never be seen: '{left.name}' ends at {end:.4g} {left.unit.symbol}".rstrip()
            _fail(node, message, "set a limit within the sensor's range, or take a sensor that reaches it")

    def _on_sum(self, node: Tree[Token]) -> tree.Number:
        return self._chain(node)

    def _on_product(self, node: Tree[Token]) -> tree.Number:
        return self._chain(node)

    def _chain(self, node: Tree[Token]) -> tree.Number:
        if len(node.children) > 2 * _DEEPEST:
            _fail(node, f"more than {_DEEPEST} numbers in a row", "split the rule in two")
        result = self.number(node.children[0])
        for sign, right_node in zip(node.children[1::2], node.children[2::2], strict=True):
            right = self.number(right_node)
            operation = cast("tree.Operation", str(sign))
            result = tree.Arithmetic(operation, result, right, _combine(node, operation, result, right))
        return result

    def _on_negative(self, node: Tree[Token]) -> tree.Negative:
        return tree.Negative(self.number(node.children[-1]))

    def _on_quantity(self, node: Tree[Token]) -> tree.Quantity:
        value, unit = self._quantity_parts(node)
        return tree.Quantity(unit.to_si(value), unit.dimension, f"{value:g} {unit.symbol}".strip())

    def _quantity_parts(self, node: Tree[Token]) -> tuple[float, units.Unit]:
        number, symbol = node.children
        value = float(str(number))
        if math.isinf(value):
            _fail(node, f"{number} is too large a number", "write a smaller one")
        try:
            return value, units.unit(str(symbol) if symbol is not None else "")
        except units.UnitError as error:
            message, _, fix = str(error).partition("; ")
            _fail(symbol if isinstance(symbol, Token) else node, message, fix)

    def _on_name(self, node: Tree[Token]) -> tree.ChannelRef:
        token = node.children[0]
        name = str(token)
        if name not in self._names.channels:
            # Near enough to be a slip of the pen; a likeness such as fuel_pressure and air_pressure is none.
            near = difflib.get_close_matches(name, self._names.channels, n=2, cutoff=0.85)
            fix = f"did you mean {' or '.join(near)}?" if near else "name a channel of the settings file"
            line, column = _place(token)
            raise UnknownNameError(name, line, column, fix)
        return tree.ChannelRef(name, units.unit(self._names.channels[name]))

    def _on_call(self, node: Tree[Token]) -> tree.TableCall:
        token, argument_node = node.children
        table = self._names.tables.get(str(token))
        if table is None:
            near = difflib.get_close_matches(str(token), self._names.tables, n=2, cutoff=0.6)
            fix = f"did you mean {' or '.join(near)}?" if near else f"add a table [tables.{token}]"
            _fail(token, f"there is no table '{token}'", fix)
        argument = self.number(argument_node)
        if dimension(argument) != table.of:
            _fail(
                argument_node,
                f"table '{token}' is a table of {units.dimension_name(table.of)}, "
                f"and this is {units.dimension_name(dimension(argument))}",
                "look it up by the quantity in its 'of'",
            )
        return tree.TableCall(str(token), argument, table.xs, table.ys, table.gives)


def _constant(node: tree.Number) -> float | None:
    """A quantity, negative or not, in SI; None for anything that changes."""
    if isinstance(node, tree.Negative) and isinstance(node.of, tree.Quantity):
        return -node.of.si
    return node.si if isinstance(node, tree.Quantity) else None


def dimension(node: tree.Number) -> units.Dimension:
    """What a number measures."""
    match node:
        case tree.ChannelRef(unit=unit):
            return unit.dimension
        case tree.Negative(of=inner):
            return dimension(inner)
        case tree.Quantity() | tree.TableCall() | tree.Arithmetic():
            return node.dimension


def _combine(node: Tree[Token], operation: tree.Operation, left: tree.Number, right: tree.Number) -> units.Dimension:
    a, b = dimension(left), dimension(right)
    if operation in ("+", "-"):
        if a != b:
            words = "adds" if operation == "+" else "subtracts"
            _fail(
                node,
                f"{words} {units.dimension_name(a)} and {units.dimension_name(b)}",
                "only like can be added to like",
            )
        return a
    sign = 1 if operation == "*" else -1
    return cast("units.Dimension", tuple(x + sign * y for x, y in zip(a, b, strict=True)))


def _place(node: Any) -> tuple[int, int]:
    if isinstance(node, Token):
        return node.line or 1, node.column or 1
    return getattr(node.meta, "line", 1), getattr(node.meta, "column", 1)


def _fail(node: Any, message: str, fix: str) -> NoReturn:
    line, column = _place(node)
    raise ConditionError(message, line, column, fix)
