"""A condition's text -> its tree, with units, names and kinds checked; faults carry their column."""

from __future__ import annotations

import difflib
import math
from importlib import resources
from typing import Any, NoReturn, cast

from lark import Lark, Token, Tree
from lark.exceptions import UnexpectedCharacters, UnexpectedEOF, UnexpectedInput

from cabcanary import units
from cabcanary.expressions import tree
from cabcanary.expressions.bounds import bounds, dimension, never_ends, never_true
from cabcanary.expressions.kinds import scale_added, scales_differ, share_added, shares_differ
from cabcanary.expressions.names import (
    BaselineValue,
    ConditionError,
    Names,
    NoBaselineError,
    NotFittedError,
    UnknownNameError,
)
from cabcanary.model import COMPRESSOR_KINDS

#: Deeper nesting than any rule that a person can read; it keeps a hostile file from exhausting the stack.
_DEEPEST = 40
#: As long as a rule file lets a condition be.
_LONGEST = 2000
#: No mixture is as lean as this; AFR lies far above.
HIGHEST_LAMBDA = 5.0
#: A window's ticks are kept one by one: at 500 ticks a second this is what a small computer still carries with ease.
LONGEST_WINDOW_S = 120.0
_WINDOWS = ("rate", "average", "lowest", "highest")
FUNCTIONS = ("abs", "min", "max", *_WINDOWS, "time_in", "share", "baseline", "range_top", "range_bottom")

_GRAMMAR = resources.files(__package__).joinpath("grammar.lark").read_text(encoding="utf-8")
_LARK = Lark(_GRAMMAR, parser="lalr", propagate_positions=True, maybe_placeholders=True)


Missing = NotFittedError | NoBaselineError


def parse_condition(text: str, names: Names, without: list[Missing] | None = None) -> tree.Condition:
    """Parse a condition.

    An alternative (a part of an "or") that speaks of what this vehicle lacks drops out, as long as another one stays;
    what it lacks is added to `without`.

    Raises:
        ConditionError: it does not follow the grammar, or compares what cannot be compared.
        UnknownNameError: it speaks of a channel that is not there.
        NotFittedError: it speaks of a channel that this vehicle lacks, and not in an alternative alone.
        NoBaselineError: it speaks of a baseline that has not been measured.
    """
    return _Builder(names, without).condition(_read(text))


def parse_number(text: str, names: Names) -> tree.Number:
    """Parse a formula that gives a number.

    Raises:
        ConditionError: it does not follow the grammar, or mixes what cannot be mixed.
        UnknownNameError: it speaks of a channel that is not there.
    """
    return _Builder(names).number(_read(text))


def _read(text: str) -> Tree[Token]:
    # Before the grammar is asked: what nobody can read takes it minutes.
    if len(text) > _LONGEST:
        raise ConditionError(f"longer than {_LONGEST} characters", 1, 1, "split the rule in two")
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
    def __init__(self, names: Names, without: list[Missing] | None = None) -> None:
        self._names = names
        self._without = [] if without is None else without
        self._depth = 0

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

    def _on_or(self, node: Tree[Token]) -> tree.Condition:
        parts: list[tree.Condition] = []
        missing: list[Missing] = []
        for child in node.children[::2]:
            try:
                parts.append(self.condition(child))
            except (NotFittedError, NoBaselineError) as error:
                missing.append(error)
        if not parts:
            raise missing[0]
        self._without += missing
        return tree.Or(tuple(parts)) if len(parts) > 1 else parts[0]

    def _on_and(self, node: Tree[Token]) -> tree.And:
        return tree.And(tuple(self.condition(c) for c in node.children[::2]))

    def _on_not(self, node: Tree[Token]) -> tree.Not:
        return tree.Not(self.condition(node.children[-1]))

    def _on_compare(self, node: Tree[Token]) -> tree.Compare:
        sureness, left_node, sign, right_node, _, band_node = node.children
        left, right = self.number(left_node), self.number(right_node)
        if dimension(left) != dimension(right):
            _fail(
                node,
                f"compares {units.dimension_name(dimension(left))} with {units.dimension_name(dimension(right))}",
                "give both sides the same kind of unit",
            )
        self._check_kinds(node, left, right)
        band = 0.0
        if isinstance(band_node, Tree):
            value, unit = self._quantity_parts(band_node)
            if unit.dimension != dimension(left):
                _fail(band_node, "the deadband's unit does not fit the comparison", "use the comparison's unit")
            band = value * unit.factor
        comparison, sure = cast("tree.Comparison", str(sign)), cast("tree.Sureness", str(sureness or "likely"))
        built = tree.Compare(comparison, left, right, band, sure)
        self._check_reach(node, built)
        if band and never_ends(built, self._names.bounds):
            message = "once true this stays true: the deadband reaches beyond all that the sensors can show"
            _fail(band_node, message, "write a smaller deadband; it begins at the limit and works on the way back")
        return built

    def _check_kinds(self, node: Tree[Token], left: tree.Number, right: tree.Number) -> None:
        """Percent against plain numbers, readings against steps: the unit alone does not tell what was meant."""
        # A recording may be older than these.
        recorded = self._names.optional is None
        fault = scales_differ(left, right) or (None if recorded else shares_differ(left, right))
        if fault is not None:
            _fail(node, *fault)

    def _check_reach(self, node: Tree[Token], built: tree.Compare) -> None:
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
                _fail(node, f"{lowest:g} is no lambda", fix)
        known = {**self._names.ends, **self._names.bounds}
        if not never_true(built, known, self._names.ends):
            return
        channels = [c for c in (built.left, built.right) if isinstance(c, tree.ChannelRef)]
        if not channels:
            _fail(node, "this can never be so, whatever the sensors show", "set a limit within what they can show")
        below = (built.comparison in ("<", "<=")) is (channels[0] is built.left)
        low, high = bounds(channels[0], known)
        end = channels[0].unit.from_si(low if below else high)
        message = f"this can never be seen: '{channels[0].name}' ends at {end:.4g} {channels[0].unit.symbol}".rstrip()
        _fail(node, message, "set a limit within the sensor's range, or take a sensor that reaches it")

    def _on_stage(self, node: Tree[Token]) -> tree.Fixed:
        _, test, text = node.children
        name = str(text)[1:-1]
        stages = self._names.stages
        if name not in stages:
            near = difflib.get_close_matches(name, stages, n=1, cutoff=0.5)
            fix = f"did you mean '{near[0]}'?" if near else "name the stages in order in vehicle.stages"
            _fail(text, f"there is no stage '{name}'", fix)
        now, then = stages.index(self._names.stage), stages.index(name)
        truth = {"is": now == then, "before": now < then, "from": now >= then, "after": now > then}[str(test)]
        return tree.Fixed(truth, f"stage {test} '{name}'")

    def _on_fitted(self, node: Tree[Token]) -> tree.Fixed:
        name = str(node.children[1])
        truth = name in self._names.channels
        if not truth and self._names.optional is not None and name not in self._names.optional:
            raise self._unknown(node.children[1])
        return tree.Fixed(truth, f"fitted {name}")

    def _on_compressor_fitted(self, _node: Tree[Token]) -> tree.Fixed:
        return tree.Fixed(bool(self._names.compressor), "compressor fitted")

    def _on_compressor(self, node: Tree[Token]) -> tree.Fixed:
        kind = str(node.children[1])[1:-1]
        if kind not in COMPRESSOR_KINDS:
            _fail(node.children[1], f"there is no kind '{kind}'", f"the kinds are {', '.join(COMPRESSOR_KINDS)}")
        return tree.Fixed(kind == self._names.compressor, f"compressor is '{kind}'")

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
            self._check_sum(node, operation, result, right)
            result = tree.Arithmetic(operation, result, right, _combine(node, operation, result, right))
        return result

    def _check_sum(self, node: Tree[Token], operation: str, left: tree.Number, right: tree.Number) -> None:
        if operation not in ("+", "-") or dimension(left) != dimension(right) or self._names.optional is None:
            return
        fault = scale_added(operation, left, right) or share_added(left, right)
        if fault is not None:
            _fail(node, *fault)

    def _on_negative(self, node: Tree[Token]) -> tree.Number:
        inner = node.children[-1]
        if isinstance(inner, Tree) and inner.data == "quantity":
            # Ten degrees below zero, and not ten degrees' worth of kelvins below nothing.
            value, unit = self._quantity_parts(inner)
            return tree.Quantity(unit.to_si(-value), unit.dimension, f"{-value:g} {unit.symbol}".strip())
        return tree.Negative(self.number(inner))

    def _on_quantity(self, node: Tree[Token]) -> tree.Quantity:
        value, unit = self._quantity_parts(node)
        return tree.Quantity(unit.to_si(value), unit.dimension, f"{value:g} {unit.symbol}".strip())

    def _quantity_parts(self, node: Tree[Token]) -> tuple[float, units.Unit]:
        number, symbol = node.children
        value = float(str(number))
        if math.isinf(value):
            _fail(node, f"{number} is too large a number", "write a smaller one")
        try:
            return value, _unit(str(symbol) if symbol is not None else "")
        except units.UnitError as error:
            message, _, fix = str(error).partition("; ")
            _fail(symbol if isinstance(symbol, Token) else node, message, fix)

    def _on_name(self, node: Tree[Token]) -> tree.Number:
        token = node.children[0]
        name = str(token)
        limit = self._names.limits.get(name)
        if limit is not None:
            return tree.Quantity(limit.si, limit.dimension, limit.text)
        if name not in self._names.channels:
            raise self._unknown(token)
        return tree.ChannelRef(name, units.unit(self._names.channels[name]))

    def _unknown(self, token: Any) -> UnknownNameError:
        """A channel that a vehicle may lack, or else a name that is nowhere: most likely a slip of the pen."""
        name, optional, (line, column) = str(token), self._names.optional, _place(token)
        known = [*self._names.channels, *self._names.limits]
        if optional is None or name in optional:
            near = difflib.get_close_matches(name, known, n=2, cutoff=0.85) if optional is None else []
            return NotFittedError(name, line, column, _did_you_mean(near) or "add such a channel to the settings")
        near = difflib.get_close_matches(name, [*known, *optional], n=2, cutoff=0.7)
        fix = "name a channel of the settings, or list it in the rule file's optional_channels: a vehicle may lack it"
        return UnknownNameError(name, line, column, _did_you_mean(near) or fix)

    def _on_call(self, node: Tree[Token]) -> tree.Number:
        token, *arguments = node.children
        name = str(token)
        if name in self._names.tables:
            return self._table(node, name, arguments)
        if name not in FUNCTIONS:
            known = [*self._names.tables, *FUNCTIONS]
            near = difflib.get_close_matches(name, known, n=2, cutoff=0.6)
            fix = f"did you mean {' or '.join(near)}?" if near else f"add a table [tables.{name}]"
            _fail(token, f"there is no table or function '{name}'", fix)
        if name in ("min", "max"):
            return self._extreme(node, name, arguments)
        if name == "baseline" and len(arguments) in (1, 2):
            return self._baseline(*arguments)
        wanted = 2 if name in (*_WINDOWS, "share") else 1
        if len(arguments) != wanted:
            of = "boost > 2 psi" if name in ("share", "time_in") else "boost"
            example = f"{name}({of}, 0.5 s)" if wanted == 2 else f"{name}({of})"
            _fail(token, f"'{name}' takes {wanted} and got {len(arguments)}", f"write it as in {example}")
        if name == "abs":
            return tree.Absolute(self.number(arguments[0]))
        if name in ("range_top", "range_bottom"):
            return self._range_end(token, arguments[0])
        if not self._names.over_time:
            _fail(token, f"'{name}' looks back in time, and a channel's formula is of one tick", "use it in a rule")
        return self._over_time(name, *arguments)

    def _over_time(self, name: str, of: Any, width: Any = None) -> tree.Number:
        if name == "time_in":
            return tree.TimeIn(self.condition(of))
        if name == "share":
            return self._windowed("average", tree.Holds(self.condition(of)), width)
        return self._windowed(cast("tree.WindowKind", name), self.number(of), width)

    def _table(self, node: Tree[Token], name: str, arguments: list[Any]) -> tree.TableCall:
        table = self._names.tables[name]
        if len(arguments) != 1:
            _fail(node, f"table '{name}' is looked up by one number", f"write {name}(…) with one of them")
        argument = self.number(arguments[0])
        if dimension(argument) != table.of:
            _fail(
                arguments[0],
                f"table '{name}' is a table of {units.dimension_name(table.of)}, "
                f"and this is {units.dimension_name(dimension(argument))}",
                "look it up by the quantity in its 'of'",
            )
        return tree.TableCall(name, argument, table.xs, table.ys, table.gives)

    def _extreme(self, node: Tree[Token], name: str, arguments: list[Any]) -> tree.Extreme:
        parts = tuple(self.number(a) for a in arguments)
        if len(parts) < 2:
            _fail(node, f"'{name}' takes two numbers or more", f"write it as in {name}(map, barometer)")
        for part, argument in zip(parts, arguments, strict=True):
            if dimension(part) != dimension(parts[0]):
                kinds = f"{units.dimension_name(dimension(parts[0]))} and {units.dimension_name(dimension(part))}"
                _fail(argument, f"'{name}' of {kinds}", "give all of them the same kind of unit")
            self._check_kinds(node, parts[0], part)
        return tree.Extreme("min" if name == "min" else "max", parts)

    def _windowed(self, kind: tree.WindowKind, of: tree.Number, width_node: Any) -> tree.Window:
        width = self.number(width_node)
        if not isinstance(width, tree.Quantity) or width.dimension != units.TIME:
            _fail(width_node, "the length of a window is a time", "write it as in 0.5 s")
        if not 0 < width.si <= LONGEST_WINDOW_S:
            _fail(width_node, f"a window of {width.text}", f"give more than 0 and at most {LONGEST_WINDOW_S:g} s")
        of_dimension = dimension(of)
        if kind == "rate":
            of_dimension = cast("units.Dimension", tuple(x - y for x, y in zip(of_dimension, units.TIME, strict=True)))
        return tree.Window(kind, of, round(width.si * 1e9), of_dimension)

    def _range_end(self, function: Any, node: Any) -> tree.Number:
        """An end of what a channel's sensor can show: a limit that holds for a sensor of any range."""
        channel = self.number(node)
        if not isinstance(channel, tree.ChannelRef):
            _fail(node, f"'{function}' takes a channel", f"write it as in {function}(lambda)")
        ends = self._names.ends.get(channel.name)
        if ends is None:
            _fail(node, f"the ends of '{channel.name}' are not known", f"give ends to channels.{channel.name}")
        si = ends[1] if function == "range_top" else ends[0]
        shown = f"{function}({channel.name}) {channel.unit.from_si(si):.4g} {channel.unit.symbol}"
        return tree.Quantity(si, channel.unit.dimension, shown.removesuffix(" lambda").rstrip())

    def _baseline(self, node: Any, until_measured: Any = None) -> tree.Number:
        name = str(node.children[0]) if isinstance(node, Tree) and node.data == "name" else ""
        found = self._names.baselines.get(name)
        line, column = _place(node)
        if found is None:
            near = difflib.get_close_matches(name, self._names.baselines, n=1, cutoff=0.5)
            fix = f"did you mean {near[0]}?" if near else "describe it in a table [baselines.NAME]"
            raise ConditionError(f"there is no baseline '{name}'", line, column, fix)
        if found.lacks:
            raise NotFittedError(found.lacks, line, column, f"the baseline '{name}' is measured with it")
        if not found.points and until_measured is not None:
            return self._until_measured(name, found, until_measured)
        if not found.points:
            raise NoBaselineError(name, line, column)
        return self._baseline_value(name, found)

    def _until_measured(self, name: str, found: BaselineValue, node: Any) -> tree.Number:
        """The number that stands in for a baseline until it has been measured."""
        line, column = _place(node)
        self._without.append(NoBaselineError(name, line, column))
        number = self.number(node)
        if dimension(number) != found.dimension:
            kinds = f"{units.dimension_name(found.dimension)}, and this is {units.dimension_name(dimension(number))}"
            _fail(node, f"the baseline '{name}' is {kinds}", "give it the baseline's unit")
        return number

    def _baseline_value(self, name: str, found: BaselineValue) -> tree.Number:
        if found.by is None:
            return tree.Quantity(found.points[0][1], found.dimension, found.text or f"baseline {name}")
        by = tree.ChannelRef(found.by, units.unit(self._names.channels[found.by]))
        xs, ys = zip(*found.points, strict=True)
        return tree.TableCall(f"baseline {name}", by, xs, ys, found.dimension)


def _unit(symbol: str) -> units.Unit:
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


def _did_you_mean(near: list[str]) -> str:
    return f"did you mean {' or '.join(near)}?" if near else ""


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
