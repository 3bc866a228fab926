"""The limits that a rule's condition compares with, as they are at one moment, for the words about an alert."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.expressions import tree
from cabcanary.expressions.scalar import compile_number

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from cabcanary.expressions.scalar import Interval, Values
    from cabcanary.model import Frame
    from cabcanary.rules.load import Rule
    from cabcanary.units import Unit

#: Not written behind a figure: the channel's name says it already.
_SILENT_UNITS = ("lambda", "state", "ratio")


class Limits:
    """Knows the limits of all rules; asked only when an alert is raised."""

    def __init__(self, rules: Iterable[Rule]) -> None:
        self._of = {rule.id: [*_limits(rule.when)] for rule in rules}

    def text(self, alert: str, frame: Frame) -> str:
        """Such as `limit lambda 0.865, boost 2 psi`; empty for what is no rule, and where nothing is compared."""
        parts = []
        for name, unit, limit in self._of.get(alert, ()):
            at = limit(frame.values)
            if at is None or at[0] != at[1]:
                continue
            symbol = "" if unit.symbol in _SILENT_UNITS else f" {unit.symbol}"
            parts.append(f"{name} {(at[0] - unit.offset) / unit.factor:.3g}{symbol}")
        return "limit " + ", ".join(dict.fromkeys(parts)) if parts else ""


def _limits(node: object) -> Iterator[tuple[str, Unit, Callable[[Values], Interval]]]:
    """Every comparison of a channel with something; the others have no limit that could be said in a word."""
    if isinstance(node, tree.Compare):
        for side, other in ((node.left, node.right), (node.right, node.left)):
            if isinstance(side, tree.ChannelRef):
                yield side.name, side.unit, compile_number(other)
                return
    elif isinstance(node, tree.And | tree.Or):
        for part in node.parts:
            yield from _limits(part)
    elif isinstance(node, tree.Not):
        yield from _limits(node.of)
