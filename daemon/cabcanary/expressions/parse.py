"""A condition's text -> its tree, with units, names and kinds checked; faults carry their column."""

from __future__ import annotations

import difflib
import math
from typing import Any, cast

from lark import Token, Tree

from cabcanary import units
from cabcanary.expressions import tree
from cabcanary.expressions.bounds import dimension, never_ends
from cabcanary.expressions.grammar import fail, place, read
from cabcanary.expressions.names import (
    BaselineValue,
    ConditionError,
    Names,
    NoBaselineError,
    NotFittedError,
    UnknownNameError,
)
from cabcanary.expressions.sense import check_kinds, check_reach, check_sum, combined, unit_or_rate
from cabcanary.model import COMPRESSOR_KINDS
from cabcanary.spelling import spelt

#: Deeper nesting than any rule that a person can read; it keeps a hostile file from exhausting the stack.
_DEEPEST = 40
#: A window's ticks are kept one by one: at 500 ticks a second this is what a small computer still carries with ease.
LONGEST_WINDOW_S = 120.0
_WINDOWS = ("rate", "average", "lowest", "highest")
FUNCTIONS = ("abs", "min", "max", *_WINDOWS, "time_in", "share", "baseline", "range_top", "range_bottom")

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
    return _Builder(names, without).condition(read(text))


def parse_number(text: str, names: Names) -> tree.Number:
    """Parse a formula that gives a number.

    Raises:
        ConditionError: it does not follow the grammar, or mixes what cannot be mixed.
        UnknownNameError: it speaks of a channel that is not there.
    """
    return _Builder(names).number(read(text))


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
            fail(node, "this is a number, not a condition", "compare it with something, as in > 2 psi")
        return built

    def number(self, node: Tree[Token] | Token) -> tree.Number:
        built = self._build(node)
        if not isinstance(built, tree.Number):
            fail(node, "this is a condition, not a number", "put a channel or a quantity here")
        return built

    def _build(self, node: Tree[Token] | Token) -> tree.Number | tree.Condition:
        assert isinstance(node, Tree)
        self._depth += 1
        if self._depth > _DEEPEST:
            fail(node, f"nested deeper than {_DEEPEST}", "split the rule in two")
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
        # What this vehicle rules out for good asks nothing of its sensors.
        parts = [part for part in parts if not _is_ruled_out(part)] or parts[:1]
        return tree.Or(tuple(parts)) if len(parts) > 1 else parts[0]

    def _on_and(self, node: Tree[Token]) -> tree.And:
        return tree.And(tuple(self.condition(c) for c in node.children[::2]))

    def _on_not(self, node: Tree[Token]) -> tree.Not | tree.Fixed:
        of = self.condition(node.children[-1])
        return tree.Fixed(not of.truth, f"not {of.text}") if isinstance(of, tree.Fixed) else tree.Not(of)

    def _on_compare(self, node: Tree[Token]) -> tree.Compare:
        sureness, left_node, sign, right_node, _, band_node = node.children
        left, right = self.number(left_node), self.number(right_node)
        if dimension(left) != dimension(right):
            fail(
                node,
                f"compares {units.dimension_name(dimension(left))} with {units.dimension_name(dimension(right))}",
                "give both sides the same kind of unit",
            )
        check_kinds(self._names, node, left, right)
        band = 0.0
        if isinstance(band_node, Tree):
            value, unit = self._quantity_parts(band_node)
            if unit.dimension != dimension(left):
                fail(band_node, "the deadband's unit does not fit the comparison", "use the comparison's unit")
            band = value * unit.factor
        comparison, sure = cast("tree.Comparison", str(sign)), cast("tree.Sureness", str(sureness or "likely"))
        built = tree.Compare(comparison, left, right, band, sure)
        check_reach(self._names, node, built)
        if band and never_ends(built, self._names.bounds):
            message = "once true this stays true: the deadband reaches beyond all that the sensors can show"
            fail(band_node, message, "write a smaller deadband; it begins at the limit and works on the way back")
        return built

    def _on_stage(self, node: Tree[Token]) -> tree.Fixed:
        _, test, text = node.children
        name = str(text)[1:-1]
        stages = self._names.stages
        if name not in stages:
            near = difflib.get_close_matches(name, stages, n=1, cutoff=0.5)
            fix = f"did you mean '{near[0]}'?" if near else "name the stages in order in vehicle.stages"
            fail(text, f"there is no stage '{name}'", fix)
        now, then = stages.index(self._names.stage), stages.index(name)
        truth = {"is": now == then, "before": now < then, "from": now >= then, "after": now > then}[str(test)]
        return tree.Fixed(truth, f"stage {test} '{name}'")

    def _on_fitted(self, node: Tree[Token]) -> tree.Fixed:
        name = str(node.children[1])
        truth = name in self._names.channels
        if not truth and self._names.optional is not None and name not in self._names.optional:
            raise self._unknown(node.children[1])
        return tree.Fixed(truth, f"fitted {name}")

    def _on_lost(self, node: Tree[Token]) -> tree.Lost:
        name = str(node.children[1])
        if name not in self._names.channels:
            raise self._unknown(node.children[1])
        return tree.Lost(name)

    def _on_compressor_fitted(self, _node: Tree[Token]) -> tree.Fixed:
        return tree.Fixed(bool(self._names.compressor), "compressor fitted")

    def _on_compressor(self, node: Tree[Token]) -> tree.Fixed:
        kind = str(node.children[1])[1:-1]
        if kind not in COMPRESSOR_KINDS:
            fail(node.children[1], f"there is no kind '{kind}'", f"the kinds are {', '.join(COMPRESSOR_KINDS)}")
        return tree.Fixed(kind == self._names.compressor, f"compressor is '{kind}'")

    def _on_sum(self, node: Tree[Token]) -> tree.Number:
        return self._chain(node)

    def _on_product(self, node: Tree[Token]) -> tree.Number:
        return self._chain(node)

    def _chain(self, node: Tree[Token]) -> tree.Number:
        if len(node.children) > 2 * _DEEPEST:
            fail(node, f"more than {_DEEPEST} numbers in a row", "split the rule in two")
        result = self.number(node.children[0])
        for sign, right_node in zip(node.children[1::2], node.children[2::2], strict=True):
            right = self.number(right_node)
            operation = cast("tree.Operation", str(sign))
            check_sum(self._names, node, operation, result, right)
            result = tree.Arithmetic(operation, result, right, combined(node, operation, result, right))
        return result

    def _on_negative(self, node: Tree[Token]) -> tree.Number:
        inner = node.children[-1]
        if isinstance(inner, Tree) and inner.data == "quantity":
            # Ten degrees below zero, and not ten degrees' worth of kelvins below nothing.
            value, unit = self._quantity_parts(inner)
            return tree.Quantity(unit.to_si(-value), unit.dimension, f"{spelt(-value)} {unit.symbol}".strip())
        return tree.Negative(self.number(inner))

    def _on_quantity(self, node: Tree[Token]) -> tree.Quantity:
        value, unit = self._quantity_parts(node)
        return tree.Quantity(unit.to_si(value), unit.dimension, f"{spelt(value)} {unit.symbol}".strip())

    def _quantity_parts(self, node: Tree[Token]) -> tuple[float, units.Unit]:
        number, symbol = node.children
        value = float(str(number))
        if math.isinf(value):
            fail(node, f"{number} is too large a number", "write a smaller one")
        try:
            return value, unit_or_rate(str(symbol) if symbol is not None else "")
        except units.UnitError as error:
            message, _, fix = str(error).partition("; ")
            fail(symbol if isinstance(symbol, Token) else node, message, fix)

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
        name, optional, (line, column) = str(token), self._names.optional, place(token)
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
            fail(token, f"there is no table or function '{name}'", fix)
        if name in ("min", "max"):
            return self._extreme(node, name, arguments)
        if name == "baseline" and len(arguments) in (1, 2):
            return self._baseline(*arguments)
        wanted = 2 if name in (*_WINDOWS, "share") else 1
        if len(arguments) != wanted:
            of = "boost > 2 psi" if name in ("share", "time_in") else "boost"
            example = f"{name}({of}, 0.5 s)" if wanted == 2 else f"{name}({of})"
            fail(token, f"'{name}' takes {wanted} and got {len(arguments)}", f"write it as in {example}")
        if name == "abs":
            return tree.Absolute(self.number(arguments[0]))
        if name in ("range_top", "range_bottom"):
            return self._range_end(token, arguments[0])
        if not self._names.over_time:
            fail(token, f"'{name}' looks back in time, and a channel's formula is of one tick", "use it in a rule")
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
            fail(node, f"table '{name}' is looked up by one number", f"write {name}(…) with one of them")
        argument = self.number(arguments[0])
        if dimension(argument) != table.of:
            fail(
                arguments[0],
                f"table '{name}' is a table of {units.dimension_name(table.of)}, "
                f"and this is {units.dimension_name(dimension(argument))}",
                "look it up by the quantity in its 'of'",
            )
        return tree.TableCall(name, argument, table.xs, table.ys, table.gives)

    def _extreme(self, node: Tree[Token], name: str, arguments: list[Any]) -> tree.Extreme:
        parts = tuple(self.number(a) for a in arguments)
        if len(parts) < 2:
            fail(node, f"'{name}' takes two numbers or more", f"write it as in {name}(map, barometer)")
        for part, argument in zip(parts, arguments, strict=True):
            if dimension(part) != dimension(parts[0]):
                kinds = f"{units.dimension_name(dimension(parts[0]))} and {units.dimension_name(dimension(part))}"
                fail(argument, f"'{name}' of {kinds}", "give all of them the same kind of unit")
            check_kinds(self._names, node, parts[0], part)
        return tree.Extreme("min" if name == "min" else "max", parts)

    def _windowed(self, kind: tree.WindowKind, of: tree.Number, width_node: Any) -> tree.Window:
        width = self.number(width_node)
        if not isinstance(width, tree.Quantity) or width.dimension != units.TIME:
            fail(width_node, "the length of a window is a time", "write it as in 0.5 s")
        if not 0 < width.si <= LONGEST_WINDOW_S:
            fail(width_node, f"a window of {width.text}", f"give more than 0 and at most {spelt(LONGEST_WINDOW_S)} s")
        of_dimension = dimension(of)
        if kind == "rate":
            of_dimension = cast("units.Dimension", tuple(x - y for x, y in zip(of_dimension, units.TIME, strict=True)))
        return tree.Window(kind, of, round(width.si * 1e9), of_dimension)

    def _range_end(self, function: Any, node: Any) -> tree.Number:
        """An end of what a channel's sensor can show: a limit that holds for a sensor of any range."""
        channel = self.number(node)
        if not isinstance(channel, tree.ChannelRef):
            fail(node, f"'{function}' takes a channel", f"write it as in {function}(lambda)")
        ends = self._names.ends.get(channel.name)
        if ends is None:
            fail(node, f"the ends of '{channel.name}' are not known", f"give ends to channels.{channel.name}")
        si = ends[1] if function == "range_top" else ends[0]
        shown = f"{function}({channel.name}) {spelt(channel.unit.from_si(si), 4)} {channel.unit.symbol}"
        return tree.Quantity(si, channel.unit.dimension, shown.removesuffix(" lambda").rstrip())

    def _baseline(self, node: Any, until_measured: Any = None) -> tree.Number:
        name = str(node.children[0]) if isinstance(node, Tree) and node.data == "name" else ""
        found = self._names.baselines.get(name)
        line, column = place(node)
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
        line, column = place(node)
        self._without.append(NoBaselineError(name, line, column))
        number = self.number(node)
        if dimension(number) != found.dimension:
            kinds = f"{units.dimension_name(found.dimension)}, and this is {units.dimension_name(dimension(number))}"
            fail(node, f"the baseline '{name}' is {kinds}", "give it the baseline's unit")
        return number

    def _baseline_value(self, name: str, found: BaselineValue) -> tree.Number:
        if found.by is None:
            return tree.Quantity(found.points[0][1], found.dimension, found.text or f"baseline {name}")
        by = tree.ChannelRef(found.by, units.unit(self._names.channels[found.by]))
        xs, ys = zip(*found.points, strict=True)
        return tree.TableCall(f"baseline {name}", by, xs, ys, found.dimension)


def _is_ruled_out(part: tree.Condition) -> bool:
    parts = part.parts if isinstance(part, tree.And) else (part,)
    return any(isinstance(p, tree.Fixed) and not p.truth for p in parts)


def _did_you_mean(near: list[str]) -> str:
    return f"did you mean {' or '.join(near)}?" if near else ""
