"""Plots as SVG within the page: axes, lines with gaps, points, limits, and what a named extreme is.

Written by hand and not by a plotting library, after measuring: six plots of 4,000 points take the usual one 0.9 s and
443 kB each, with 1 to 1.5 s of import before the first; these take a few ms and kB, go dark with the reader's screen,
and their points can be read by a program.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.figures.columns import spans
from cabcanary.review.report.markup import Markup, el, joined, number
from cabcanary.review.report.scales import Scale, thinned, thinned_line
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

#: Units of the drawing; the page scales it to the reader's screen.
WIDTH, LEFT, RIGHT, TOP, BOTTOM = 520.0, 52.0, 12.0, 16.0, 36.0
#: Line height of small letters, and about what one of them takes.
_LINE, _LETTER = 13.0, 6.0


class Plot:
    """One plot. Values go in; `svg` gives the whole, with the sentence that says what it shows."""

    def __init__(self, height: float, x: Scale, y: Scale) -> None:
        self.height, self.x, self.y = height, x, y
        self._below: list[Markup] = []
        self._parts: list[Markup] = []
        self._labels: list[tuple[float, float]] = []

    # --- what everything lies on ------------------------------------------------------------------------

    def axes(self, x_name: str, y_name: str, *, x_ticks: Iterable[tuple[float, str]] | None = None) -> None:
        """Ticks with their numbers, names at the ends."""
        bottom, right = self.y.start, self.x.end
        xs = list(x_ticks) if x_ticks is not None else _named(self.x.ticks(7))
        for value, words in xs:
            at = self.x.at(value)
            self._below.append(el("line", x1=at, y1=bottom, x2=at, y2=bottom + 4, class_="axis"))
            self._below.append(el("text", words, x=at, y=bottom + 16, class_="tick middle"))
        for value, words in _named(self.y.ticks(5)):
            at = self.y.at(value)
            self._below.append(el("line", x1=self.x.start, y1=at, x2=right, y2=at, class_="grid"))
            self._below.append(el("text", words, x=self.x.start - 6, y=at + 4, class_="tick end"))
        self._below.append(el("line", x1=self.x.start, y1=bottom, x2=right, y2=bottom, class_="axis"))
        self._below.append(el("text", x_name, x=right, y=bottom + 31, class_="name end"))
        self._below.append(el("text", y_name, x=4, y=11, class_="name"))

    def add(self, part: Markup) -> None:
        """Something that is drawn already."""
        self._parts.append(part)

    def span(self, first: float, last: float, kind: str) -> None:
        """A stretch of x, from the top to the bottom."""
        a, b = self.x.at(first), self.x.at(last)
        top, bottom = min(self.y.start, self.y.end), max(self.y.start, self.y.end)
        self._parts.append(el("rect", x=a, y=top, width=max(0.8, b - a), height=bottom - top, class_=kind))

    # --- what was measured ------------------------------------------------------------------------------

    def line(self, xs: Floats, ys: Floats, kind: str, keep: Iterable[int] = ()) -> None:
        """A line with gaps where there is no number; in each column of the print its extremes are kept, and `keep`."""
        self._parts.append(el("path", d=self._path(xs, ys, list(keep)), class_=kind))

    def _path(self, xs: Floats, ys: Floats, keep: list[int]) -> str:
        found: list[str] = []
        for first, last in spans(np.isfinite(xs) & np.isfinite(ys)):
            x, y = self.x.all(xs[first:last]), self.y.all(ys[first:last])
            rows = thinned_line(x, y, [k - first for k in keep if first <= k < last])
            points = [f"{number(a)} {number(b)}" for a, b in zip(x[rows].tolist(), y[rows].tolist(), strict=True)]
            found.append("M" + "L".join(points) + ("h0" if len(points) == 1 else ""))
        return "".join(found)

    def dots(self, xs: Floats, ys: Floats, kind: str, keep: Iterable[int] = ()) -> int:
        """Points, those that lie on each other once; returns how many are drawn. A ring is a dot on a larger one."""
        x, y = self.x.all(xs), self.y.all(ys)
        rows = thinned(x, y, keep)
        path = "".join(f"M{number(a)} {number(b)}h0" for a, b in zip(x[rows].tolist(), y[rows].tolist(), strict=True))
        if path:
            self._parts.append(el("path", d=path, class_=kind))
        if path and kind.startswith("ring"):
            self._parts.append(el("path", d=path, class_="hole"))
        return len(rows)

    def whisker(self, x: float, low: float, high: float, kind: str = "whisker") -> None:
        """An interval upwards."""
        at, a, b = self.x.at(x), self.y.at(low), self.y.at(high)
        self._parts.append(el("path", d=f"M{number(at)} {number(a)}V{number(b)}", class_=kind))

    def extreme(self, x: float, y: float, words: str, name: str) -> None:
        """A point that the text names: a circle round it with its words, and its values for a program."""
        cx, cy = self.x.at(x), self.y.at(y)
        values = {"data_name": name, "data_x": spelt(x), "data_y": spelt(y)}
        self._parts.append(el("circle", cx=cx, cy=cy, r=5.0, class_="named", **values))
        self.label(cx, cy - 10, words)

    # --- words ------------------------------------------------------------------------------------------

    def label(self, x: float, y: float, words: str, kind: str = "label") -> None:
        """Words near a point, moved to where they are within the plot and on no others."""
        half = len(words) * _LETTER / 2
        x = min(max(x, self.x.start + half), self.x.end - half)
        y = max(y, _LINE)
        while any(abs(x - a) < half * 2 and abs(y - b) < _LINE for a, b in self._labels) and y < self.y.start:
            y += _LINE
        self._labels.append((x, y))
        self._parts.append(el("text", words, x=x, y=y, class_=f"{kind} middle"))

    def limit(self, xs: Floats, ys: Floats, words: str) -> None:
        """A limit: dashed, with its name at its end."""
        self.line(xs, ys, "limit")
        known = np.flatnonzero(np.isfinite(ys))
        if len(known):
            last = int(known[-1])
            half = len(words) * _LETTER / 2
            self.label(self.x.at(float(xs[last])) - half, self.y.at(float(ys[last])) - 9, words, "limit-name")

    def svg(self, title: str, sentence: str, key: str) -> Markup:
        """The plot, its name and the sentence that says what it shows to whoever does not see it."""
        inner = joined(
            el("title", title, id=f"{key}-t"), el("desc", sentence, id=f"{key}-d"), *self._below, *self._parts
        )
        return el(
            "svg",
            inner,
            xmlns="http://www.w3.org/2000/svg",
            viewBox=f"0 0 {number(WIDTH)} {number(self.height)}",
            role="img",
            aria_labelledby=f"{key}-t {key}-d",
        )


def plot(height: float, x: Scale, y: Scale) -> Plot:
    """A plot of this height whose scales have the room that axes need."""
    return Plot(height, Scale(x.low, x.high, LEFT, WIDTH - RIGHT), Scale(y.low, y.high, height - BOTTOM, TOP))


def _named(values: list[float]) -> list[tuple[float, str]]:
    """Ticks with as many decimals as tell them apart."""
    step = values[1] - values[0] if len(values) > 1 else 1.0
    places = max(0, -math.floor(math.log10(step) + 1e-9))
    return [(v, f"{v:.{places}f}".replace("-", "−")) for v in values]
