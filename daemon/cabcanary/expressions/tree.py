"""The tree of a condition: what the grammar makes and both evaluators walk."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.units import Dimension, Unit

Comparison = Literal[">", ">=", "<", "<="]
Operation = Literal["+", "-", "*", "/"]
#: How sure one must be that a limit is passed: more likely than not, not to be ruled out, or beyond doubt.
Sureness = Literal["likely", "possible", "certain"]
WindowKind = Literal["rate", "average", "lowest", "highest"]


@dataclass(frozen=True, slots=True)
class Quantity:
    """A number with its unit, held in SI; `text` is how it was written, with the limit's name where it has one."""

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
class Absolute:
    """The number without its sign."""

    of: Number


@dataclass(frozen=True, slots=True)
class Extreme:
    """The smallest or largest of several numbers at the same tick."""

    kind: Literal["min", "max"]
    parts: tuple[Number, ...]


@dataclass(frozen=True, slots=True)
class Window:
    """A number over the ticks of the last `width_ns`: how fast it changed, its mean, its lowest, its highest."""

    kind: WindowKind
    of: Number
    width_ns: int
    dimension: Dimension


@dataclass(frozen=True, slots=True)
class TimeIn:
    """For how long a condition has been true, in seconds; 0 while it is false."""

    of: Condition


@dataclass(frozen=True, slots=True)
class Holds:
    """1 while a condition is true, 0 while it is false: what a share is the average of."""

    of: Condition


@dataclass(frozen=True, slots=True)
class Compare:
    """A comparison; `deadband_si` works on the return side only."""

    comparison: Comparison
    left: Number
    right: Number
    deadband_si: float = 0.0
    sureness: Sureness = "likely"


@dataclass(frozen=True, slots=True)
class Switch:
    """A channel of states taken as a condition: true when it is not 0."""

    name: str


@dataclass(frozen=True, slots=True)
class Lost:
    """Whether nothing is known of a channel just now; never unknown itself."""

    name: str


@dataclass(frozen=True, slots=True)
class Fixed:
    """True or false for as long as this stage is in force; `text` is what was asked."""

    truth: bool
    text: str


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


Number = Quantity | ChannelRef | TableCall | Arithmetic | Negative | Absolute | Extreme | Window | TimeIn | Holds
Condition = Compare | Switch | Lost | Fixed | And | Or | Not
Node = Number | Condition


def parts_of(node: Node) -> tuple[Node, ...]:
    """The numbers and conditions directly inside a node."""
    match node:
        case Quantity() | ChannelRef() | Switch() | Lost() | Fixed():
            return ()
        case TableCall(argument=inner):
            return (inner,)
        case Negative(of=inner) | Absolute(of=inner) | Window(of=inner):
            return (inner,)
        case TimeIn(of=condition) | Holds(of=condition) | Not(of=condition):
            return (condition,)
        case Arithmetic(left=left, right=right) | Compare(left=left, right=right):
            return (left, right)
        case And(parts=conditions) | Or(parts=conditions):
            return conditions
        case Extreme(parts=numbers):
            return numbers


def walk(node: Node) -> Iterator[Node]:
    """The node and everything inside it, outside first, left to right."""
    yield node
    for part in parts_of(node):
        yield from walk(part)


def channels_in(node: Node) -> tuple[str, ...]:
    """The channels that a condition reads, in order of appearance, each once."""
    return tuple(dict.fromkeys(n.name for n in walk(node) if isinstance(n, ChannelRef | Switch | Lost)))


def comparisons_in(node: Node) -> tuple[Compare, ...]:
    """The comparisons of a condition, in order."""
    return tuple(n for n in walk(node) if isinstance(n, Compare))


def longest_window_ns(node: Node) -> int:
    """How long a single unknown reading can keep a condition unknown; windows inside windows add up."""
    inner = max((longest_window_ns(p) for p in parts_of(node)), default=0)
    return inner + (node.width_ns if isinstance(node, Window) else 0)
