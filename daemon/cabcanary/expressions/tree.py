"""The tree of a condition: what the grammar makes and the evaluators walk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from cabcanary.units import Dimension, Unit

Comparison = Literal[">", ">=", "<", "<="]
Operation = Literal["+", "-", "*", "/"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, held in SI. `absolute` is false for the size of a step (a deadband)."""

    si: float
    dimension: Dimension
    text: str


@dataclass(frozen=True, slots=True)
class ChannelRef:
    """A channel's value; `unit` is the channel's."""

    name: str
    unit: Unit


@dataclass(frozen=True, slots=True)
class TableCall:
    """A table at a value: straight lines between points in SI, held beyond the ends."""

    name: str
    argument: Number
    xs: tuple[float, ...]
    ys: tuple[float, ...]
    dimension: Dimension


@dataclass(frozen=True, slots=True)
class Arithmetic:
    """Two numbers and an operation between them."""

    operation: Operation
    left: Number
    right: Number
    dimension: Dimension


@dataclass(frozen=True, slots=True)
class Negative:
    """The number with its sign changed."""

    of: Number


@dataclass(frozen=True, slots=True)
class Compare:
    """A comparison; `deadband_si` works on the return side only. `index` is where its memory is kept."""

    comparison: Comparison
    left: Number
    right: Number
    deadband_si: float
    index: int


@dataclass(frozen=True, slots=True)
class Switch:
    """A channel of states taken as a condition: true when it is not 0."""

    name: str


@dataclass(frozen=True, slots=True)
class And:
    """True when all are."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Or:
    """True when one is."""

    parts: tuple[Condition, ...]


@dataclass(frozen=True, slots=True)
class Not:
    """True when it is false."""

    of: Condition


Number = Quantity | ChannelRef | TableCall | Arithmetic | Negative
Condition = Compare | Switch | And | Or | Not


def channels_in(node: Number | Condition) -> tuple[str, ...]:
    """The channels that a condition reads, in order of appearance, each once."""
    return tuple(dict.fromkeys(_walk(node)))


def _walk(node: Number | Condition) -> list[str]:
    match node:
        case ChannelRef(name=name) | Switch(name=name):
            return [name]
        case Quantity():
            return []
        case TableCall(argument=inner):
            return _walk(inner)
        case Negative(of=number):
            return _walk(number)
        case Not(of=condition):
            return _walk(condition)
        case Arithmetic(left=left, right=right) | Compare(left=left, right=right):
            return _walk(left) + _walk(right)
        case And(parts=parts) | Or(parts=parts):
            return [name for part in parts for name in _walk(part)]
