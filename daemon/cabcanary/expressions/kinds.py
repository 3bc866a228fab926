"""What the same unit may stand for: a share in percent or a plain number, a reading of temperature or a step."""

from __future__ import annotations

from typing import Literal

from cabcanary import units
from cabcanary.expressions import tree
from cabcanary.expressions.bounds import dimension
from cabcanary.spelling import spelt

#: Of numbers without a dimension. "number" is one written without a unit; empty: it may be any of them.
Share = Literal["%", "lambda", "plain", "number", ""]
#: Of temperatures: 20 °C on a scale is 293 K, as a step it is 20 K. Empty: it may be either.
Scale = Literal["reading", "step", ""]

_PERCENT = ("%", "m%")
_WORDS = {"%": "percent", "lambda": "lambda", "plain": "a plain number", "number": "a plain number"}


def share_of(node: tree.Number) -> Share:
    """What a number without a dimension is a number of."""
    match node:
        case tree.ChannelRef(unit=unit):
            return _of_symbol(unit.symbol)
        case tree.Quantity(si=si, text=text):
            return _of_quantity(si, text)
        case tree.Negative(of=inner) | tree.Absolute(of=inner):
            return share_of(inner)
        case tree.Window(kind=kind, of=inner):
            return "" if kind == "rate" else share_of(inner)
        case tree.Extreme(parts=parts):
            return next((s for p in parts if (s := share_of(p))), "")
        case tree.Arithmetic(operation="+" | "-", left=left, right=right):
            one, other = share_of(left), share_of(right)
            return one if one == other else ""
        case _:
            return ""


def _of_symbol(symbol: str) -> Share:
    if symbol in _PERCENT:
        return "%"
    return "lambda" if symbol == "lambda" else "plain" if symbol == "" else ""


def _of_quantity(si: float, text: str) -> Share:
    last = text.rpartition(" ")[2]
    if last.endswith("%"):
        return "%"
    if last == "lambda":
        return "lambda"
    try:
        float(last)
    except ValueError:
        return ""
    # Nothing is nothing in any unit; what a function gives has the unit of its channel.
    return "" if si == 0.0 or "(" in text else "number"


def shares_differ(left: tree.Number, right: tree.Number) -> tuple[str, str] | None:
    """Why two numbers without a dimension cannot be compared, and what to write; None: they can."""
    if dimension(left) != units.DIMENSIONLESS:
        return None
    one, other = share_of(left), share_of(right)
    if "%" not in (one, other) or one == other or not (one and other):
        return None
    number = left if one != "%" else right
    if not isinstance(number, tree.Quantity) or share_of(number) != "number":
        return f"compares {_WORDS[one]} with {_WORDS[other]}", "give both sides the same unit"
    written, meant = spelt(number.si), number.si if abs(number.si) > 1.0 else 100.0 * number.si
    return (
        f"{written} is a plain number, and against percent it is {spelt(100.0 * number.si)} %",
        f"write {spelt(meant)} %",
    )


def share_added(left: tree.Number, right: tree.Number) -> tuple[str, str] | None:
    """Why a plain number cannot be added to a share in percent, and what to write; 1 + 5 % is 1.05 all the same."""
    for one, other in ((left, right), (right, left)):
        if share_of(one) != "%" or not isinstance(other, tree.Quantity):
            continue
        if share_of(other) == "number" and abs(other.si) > 1.0:
            return f"adds {spelt(100.0 * other.si)} % to percent", f"write {spelt(other.si)} %"
    return None


def scale_of(node: tree.Number) -> Scale:
    """Whether a temperature is a reading or the size of a step."""
    match node:
        case tree.ChannelRef(unit=unit):
            return "reading" if unit.offset else ""
        case tree.Quantity(text=text):
            return "reading" if text.endswith(("°C", "°F")) else ""
        case tree.Negative(of=inner) | tree.Absolute(of=inner):
            return "step" if scale_of(inner) == "step" else ""
        case tree.Window(kind=kind, of=inner):
            return "step" if kind == "rate" else scale_of(inner)
        case tree.Extreme(parts=parts):
            return next((s for p in parts if (s := scale_of(p))), "")
        case tree.Arithmetic(operation="-", left=left, right=right):
            one, other = scale_of(left), scale_of(right)
            if one == "reading":
                return "step" if other == "reading" else "reading"
            return one
        case tree.Arithmetic(operation="+", left=left, right=right):
            both = (scale_of(left), scale_of(right))
            return "reading" if "reading" in both else "step" if "step" in both else ""
        case _:
            return ""


def scales_differ(left: tree.Number, right: tree.Number) -> tuple[str, str] | None:
    """Why a reading cannot be compared with a step, and what to write."""
    if dimension(left) != units.TEMPERATURE or {scale_of(left), scale_of(right)} != {"reading", "step"}:
        return None
    for side in (left, right):
        if isinstance(side, tree.Quantity):
            return f"{side.text} is a reading, and this is the size of a step", _IN_K
    return "compares a reading of temperature with the size of a step", "compare two readings, or two steps"


def scale_added(operation: str, left: tree.Number, right: tree.Number) -> tuple[str, str] | None:
    """Why two temperatures cannot be added: 20 °C on top of a reading would be 293 K more."""
    if dimension(left) != units.TEMPERATURE:
        return None
    one, other = scale_of(left), scale_of(right)
    if operation == "+" and one == other == "reading":
        number = next((n for n in (right, left) if isinstance(n, tree.Quantity)), None)
        if number is None:
            return "adds two readings of temperature", "a sum of two temperatures means nothing; take their difference"
        return f"{number.text} is a reading, and adding it adds {spelt(number.si)} K", _IN_K
    if operation == "-" and one == "step" and other == "reading":
        return "subtracts a reading of temperature from the size of a step", _IN_K
    return None


_IN_K = "write a step of temperature in K: 20 °C more is 20 K more"
