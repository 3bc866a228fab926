"""Arithmetic with numbers over many ticks, as `closures.py` does it for one: same operations, same order."""

from __future__ import annotations

from functools import reduce
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.expressions.signals import Span

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from cabcanary.expressions import tree
    from cabcanary.expressions.signals import Bools, Floats, Ints


def span(low: Floats, high: Floats, known: Bools, *, point: bool) -> Span:
    """A span; a point has one array for both of its ends."""
    return Span(low, low, known) if point else Span(low, high, known)


def stretches(true: Bools) -> tuple[Ints, Ints]:
    """Where stretches of "true" begin, and the rows behind them."""
    if not len(true):
        return _NO_ROWS, _NO_ROWS
    edges = np.flatnonzero(true[1:] != true[:-1]) + 1
    begins, ends = (edges[1::2], edges[::2]) if true[0] else (edges[::2], edges[1::2])
    if true[0]:
        begins = np.concatenate([[0], begins])
    return begins, np.concatenate([ends, [len(true)]]) if true[-1] else ends


_NO_ROWS = np.array([], dtype=np.int64)


def negative(x: Span) -> Span:
    """The number with its sign changed."""
    return span(-x.high, -x.low, x.known, point=x.is_point)


def absolute(x: Span) -> Span:
    """The number without its sign."""
    if x.is_point:
        size = np.where(x.low >= 0.0, x.low, -x.low)
        return Span(size, size, x.known)
    positive, nowhere = x.low >= 0.0, x.high <= 0.0
    low = np.where(positive, x.low, np.where(nowhere, -x.high, 0.0))
    high = np.where(positive, x.high, np.where(nowhere, -x.low, np.maximum(-x.low, x.high)))
    return Span(low, high, x.known)


def extreme(kind: str, parts: list[Span]) -> Span:
    """The smallest or largest of several numbers."""
    pick = np.minimum if kind == "min" else np.maximum
    known = reduce(np.logical_and, [p.known for p in parts])
    low = reduce(pick, [p.low for p in parts])
    return span(low, reduce(pick, [p.high for p in parts]), known, point=all(p.is_point for p in parts))


#: Up to here, all segments at all values cost less than to find each value's own.
_FEW_POINTS = 8


def _by_segments(xs: Floats, ys: Floats, points: Floats) -> Floats:
    found = _on_line(xs, ys, points, len(xs) - 1)
    for n in range(len(xs) - 2, 0, -1):
        found = np.where(points < xs[n], _on_line(xs, ys, points, n), found)
    return found


def _by_search(xs: Floats, ys: Floats, points: Floats) -> Floats:
    return _on_line(xs, ys, points, np.clip(np.searchsorted(xs, points, side="right"), 1, len(xs) - 1))


def _on_line(xs: Floats, ys: Floats, points: Floats, n: Any) -> Floats:
    """On the line that ends at the n-th point."""
    line: Floats = ys[n - 1] + (ys[n] - ys[n - 1]) * ((points - xs[n - 1]) / (xs[n] - xs[n - 1]))
    return line


def table(node: tree.TableCall, x: Span) -> Span:
    """A table at a value: straight lines between points, held beyond the ends."""
    xs, ys = np.array(node.xs), np.array(node.ys)

    def at(points: Floats) -> Floats:
        if len(xs) == 1:
            return np.full(len(points), ys[0])
        inside = _by_segments(xs, ys, points) if len(xs) <= _FEW_POINTS else _by_search(xs, ys, points)
        held: Floats = np.where(points <= xs[0], ys[0], np.where(points >= xs[-1], ys[-1], inside))
        return held

    low_end = at(x.low)
    if x.is_point:
        return Span(low_end, low_end, x.known)
    high_end = at(x.high)
    low, high = np.minimum(low_end, high_end), np.maximum(low_end, high_end)
    for point, value in zip(node.xs, node.ys, strict=True):
        between = (x.low < point) & (point < x.high)
        low = np.where(between, np.minimum(low, value), low)
        high = np.where(between, np.maximum(high, value), high)
    return Span(low, high, x.known)


def _add(a: Span, b: Span) -> Span:
    return span(a.low + b.low, a.high + b.high, a.known & b.known, point=a.is_point and b.is_point)


def _subtract(a: Span, b: Span) -> Span:
    return span(a.low - b.high, a.high - b.low, a.known & b.known, point=a.is_point and b.is_point)


def _corners(a: Span, b: Span, operation: Any, known: Bools) -> Span:
    if a.is_point and b.is_point:
        result = operation(a.low, b.low)
        known = known & ~np.isnan(result)
        return Span(result, result, known)
    corners = [operation(x, y) for x in (a.low, a.high) for y in (b.low, b.high)]
    known = known & ~reduce(np.logical_or, [np.isnan(c) for c in corners])
    return Span(reduce(np.minimum, corners), reduce(np.maximum, corners), known)


def _multiply(a: Span, b: Span) -> Span:
    return _corners(a, b, np.multiply, a.known & b.known)


def _divide(a: Span, b: Span) -> Span:
    zero = (b.low <= 0.0) & (b.high >= 0.0)
    return _corners(a, b, np.divide, a.known & b.known & ~zero)


ARITHMETIC: Mapping[str, Callable[[Span, Span], Span]] = {"+": _add, "-": _subtract, "*": _multiply, "/": _divide}
