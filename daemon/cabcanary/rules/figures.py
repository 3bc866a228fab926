"""What a rule saw, in figures: each value with its band, the limit it was held against, and how sure it must be."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.expressions import tree
from cabcanary.expressions.bounds import dimension, is_step
from cabcanary.model import USABLE, Quality
from cabcanary.rules.measured import Figures, channel_seen, limit, worked_out
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from typing import Any

    from cabcanary.expressions.scalar import Interval
    from cabcanary.model import Value
    from cabcanary.rules.rule import Rule


#: Not written behind a figure: the channel's name says it already.
_SILENT_UNITS = ("lambda", "state", "ratio")
_SIGNS = {Quality.SATURATED_HIGH: "≥", Quality.SATURATED_LOW: "≤"}
_ABOVE = {"likely": "likely above", "possible": "possibly above", "certain": "certainly above"}


def figures(
    rule: Rule,
    values: Mapping[str, Value],
    sides: Sequence[tuple[tree.Compare, Interval, Interval]],
    channel_units: Mapping[str, str],
) -> Figures:
    """Every channel that the rule reads, and behind it the limits that it was held against: in words and as numbers.

    Of alternatives only those that hold are told: the others are true of nothing.
    """
    known = {node: (left, right) for node, left, right in sides}
    told = _told(rule.when, known, values)
    shown = {n for part in told for n in tree.walk(part)}
    channels = [c for c in rule.channels if any(c in tree.channels_in(part) for part in told)] or rule.channels
    held = [side for side in sides if side[0] in shown]
    words = _words(rule, values, held, channel_units, channels)
    beside = [other for name, other in rule.shown_beside if name in channels and _beside(values, other) is not None]
    every = list(dict.fromkeys([*channels, *beside]))
    return Figures(words, tuple(_measured(values, held, channel_units, every)))


def _words(
    rule: Rule,
    values: Mapping[str, Value],
    sides: Sequence[tuple[tree.Compare, Interval, Interval]],
    channel_units: Mapping[str, str],
    channels: Sequence[str],
) -> str:
    limits: dict[str, list[str]] = {}
    others = []
    for node, left, right in sides:
        words = _verdict(node, right)
        if isinstance(node.left, tree.ChannelRef):
            limits.setdefault(node.left.name, []).append(words)
        elif left is not None:
            others.append(f"{show(node.left)} {_shown(left, unit_of(node.left))} ({words})")
    beside = dict(rule.shown_beside)
    parts = [
        _channel(name, values[name], channel_units[name], _afr(_beside(values, beside.get(name))), limits.get(name, []))
        for name in channels
    ]
    return ", ".join(parts + others)


def _measured(
    values: Mapping[str, Value],
    sides: Sequence[tuple[tree.Compare, Interval, Interval]],
    channel_units: Mapping[str, str],
    channels: Sequence[str],
) -> Iterator[dict[str, Any]]:
    """The same as numbers: each channel, and what is worked out from several."""
    limits: dict[str, list[dict[str, Any]]] = {}
    others: dict[str, tuple[Interval, units.Unit]] = {}
    for node, left, right in sides:
        unit, text = unit_of(node.left), show(node.left)
        limits.setdefault(text, []).append(limit(node, right, unit))
        if not isinstance(node.left, tree.ChannelRef):
            others[text] = left, unit
    for name in channels:
        yield channel_seen(name, values[name], channel_units[name], limits.get(name, ()))
    for text, (left, unit) in others.items():
        yield worked_out(text, left, unit, limits[text])


def _told(
    node: tree.Condition, known: Mapping[tree.Compare, tuple[Interval, Interval]], values: Mapping[str, Value]
) -> list[tree.Condition]:
    """The parts that a person should hear of: of an "or" those that are true, or all where none is for certain."""
    match node:
        case tree.And(parts=parts):
            return [told for part in parts for told in _told(part, known, values)]
        case tree.Or(parts=parts):
            true = [part for part in parts if _holds(part, known, values)]
            return [told for part in true or parts for told in _told(part, known, values)]
        case _:
            return [node]


def _holds(
    node: tree.Condition, known: Mapping[tree.Compare, tuple[Interval, Interval]], values: Mapping[str, Value]
) -> bool:
    """Whether a part is true at this tick; its deadband gives nothing here."""
    match node:
        case tree.And(parts=parts):
            return all(_holds(part, known, values) for part in parts)
        case tree.Or(parts=parts):
            return any(_holds(part, known, values) for part in parts)
        case tree.Not(of=inner):
            return not _holds(inner, known, values)
        case tree.Fixed(truth=truth):
            return truth
        case tree.Switch(name=name):
            return bool(values[name].value)
        case tree.Lost(name=name):
            return values[name].quality not in USABLE
        case tree.Compare():
            left, right = known.get(node, (None, None))
            if left is None or right is None:
                return False
            above, below = (left, right) if node.comparison in (">", ">=") else (right, left)
            return above[0] >= below[1]


def shown_side(node: tree.Compare, left: Interval, right: Interval) -> str:
    """Such as "boost 5.2 psi > 2 psi": a comparison with its left side as it is, and its limit."""
    unit = unit_of(node.left)
    sure = "" if node.sureness == "likely" else f"{node.sureness} "
    limit = node.right.text if isinstance(node.right, tree.Quantity) else _shown(right, unit)
    return f"{sure}{show(node.left)} {_shown(left, unit)} {node.comparison} {limit}"


def _beside(values: Mapping[str, Value], name: str | None) -> Value | None:
    """The value to show beside another; a drive of before may have no such channel. A row of a whole drive makes its
    values when they are asked for, and `get` asks for none."""
    try:
        return None if name is None else values[name]
    except KeyError:
        return None


def _afr(value: Value | None) -> str:
    """A mixture as AFR, for those who think in it; the limits stay in lambda."""
    if value is None or value.value is None:
        return ""
    return f" = AFR {_SIGNS.get(value.quality, '')}{value.value:.1f}"


def _channel(name: str, value: Value, unit: str, beside: str, limits: Sequence[str]) -> str:
    behind = beside + (f" ({', '.join(dict.fromkeys(limits))})" if limits else "")
    if value.value is None:
        return f"{name} {value.quality.words}"
    shown = "" if unit in _SILENT_UNITS else unit
    if value.quality is Quality.WITHIN:
        low, high = value.interval()
        return f"{name} {spelt(low, 3)} to {spelt(high, 3)} {shown}".rstrip() + behind
    band = f" ± {spelt(value.uncertainty, 1)}" if value.uncertainty else ""
    return f"{name} {_SIGNS.get(value.quality, '')}{spelt(value.value, 3)}{band} {shown}".rstrip() + behind


def _verdict(node: tree.Compare, right: Interval) -> str:
    """Such as "likely above 8 psi"."""
    words = _ABOVE[node.sureness]
    if node.comparison in ("<", "<="):
        words = words.replace("above", "below")
    if isinstance(node.right, tree.Quantity):
        return f"{words} {node.right.text}"
    return f"{words} {_shown(right, unit_of(node.left))}"


def _shown(interval: Interval, unit: units.Unit) -> str:
    if interval is None:
        return "unknown"
    # Of 0 and -0 either may come out; to a person they are one (and -0 + 0 is 0).
    low, high = (unit.from_si(x) + 0.0 if math.isfinite(x) else x for x in interval)
    symbol = "" if unit.symbol in _SILENT_UNITS else unit.symbol
    if math.isinf(high):
        text = f"≥{spelt(low, 3)}"
    elif math.isinf(low):
        text = f"≤{spelt(high, 3)}"
    else:
        text = spelt(low, 3) if low == high else f"{spelt(low, 3)} to {spelt(high, 3)}"
    return f"{text} {symbol}".rstrip()


def unit_of(node: tree.Number) -> units.Unit:
    """The unit to show a number in: that of a channel in it that measures the same, without its zero for a step."""
    wanted = dimension(node)
    if isinstance(node, tree.Window) and isinstance(node.of, tree.Holds):
        return units.unit("%")
    for inner in tree.walk(node):
        if isinstance(inner, tree.ChannelRef) and inner.unit.dimension == wanted:
            return units.Unit(inner.unit.symbol, wanted, inner.unit.factor) if is_step(node) else inner.unit
    if wanted == units.TIME:
        return units.unit("s")
    for inner in tree.walk(node):
        if isinstance(inner, tree.Window) and inner.kind == "rate" and inner.dimension == wanted:
            return _per_second(inner)
    return units.Unit("in SI", wanted, 1.0)


def _per_second(node: tree.Window) -> units.Unit:
    of = unit_of(node.of)
    return units.Unit(f"{of.symbol}/s", node.dimension, of.factor)


def show(node: tree.Node) -> str:
    """A tree as it would be written, for messages and explanations."""
    match node:
        case tree.Compare() | tree.And() | tree.Or() | tree.Not() | tree.Switch() | tree.Lost() | tree.Fixed():
            return _show_condition(node)
        case tree.Quantity(text=text):
            return text
        case tree.ChannelRef(name=name):
            return name
        case tree.Negative(of=inner):
            return f"-{_inner(inner)}"
        case tree.Arithmetic(operation=operation, left=left, right=right):
            return f"{_inner(left)} {operation} {_inner(right)}"
        case _:
            return _show_call(node)


def _show_call(node: tree.TableCall | tree.Absolute | tree.Extreme | tree.Window | tree.TimeIn | tree.Holds) -> str:
    match node:
        case tree.TableCall(name=name, argument=argument):
            return f"{name}({show(argument)})"
        case tree.Absolute(of=inner):
            return f"abs({show(inner)})"
        case tree.Extreme(kind=kind, parts=numbers):
            return f"{kind}({', '.join(map(show, numbers))})"
        case tree.Window(of=tree.Holds(of=condition), width_ns=width):
            return f"share({show(condition)}, {spelt(width / 1e9)} s)"
        case tree.Window(kind=kind, of=inner, width_ns=width):
            return f"{kind}({show(inner)}, {spelt(width / 1e9)} s)"
        case tree.TimeIn(of=condition):
            return f"time_in({show(condition)})"
        case tree.Holds(of=condition):
            return f"share({show(condition)})"


def _show_condition(node: tree.Condition) -> str:
    match node:
        case tree.Fixed(text=text):
            return text
        case tree.Switch(name=name):
            return name
        case tree.Lost(name=name):
            return f"lost {name}"
        case tree.Compare():
            sure = "" if node.sureness == "likely" else f"{node.sureness} "
            return f"{sure}{show(node.left)} {node.comparison} {show(node.right)}"
        case tree.And(parts=parts):
            return " and ".join(_inner(p) for p in parts)
        case tree.Or(parts=parts):
            return " or ".join(_inner(p) for p in parts)
        case tree.Not(of=condition):
            return f"not {_inner(condition)}"


def _inner(node: tree.Node) -> str:
    return f"({show(node)})" if isinstance(node, tree.Arithmetic | tree.And | tree.Or) else show(node)
