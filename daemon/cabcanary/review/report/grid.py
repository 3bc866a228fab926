"""Cells as a ladder: a rung for each step of one quantity, and along it the other; each cell with all that is known."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.display import after, decimals
from cabcanary.review.report.markup import Markup, el, joined, number, sideways
from cabcanary.review.report.plot import WIDTH
from cabcanary.review.report.scales import Scale, scale
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.display import Display
    from cabcanary.review.figures.cells import Cell

_LEFT, _TOP, _RUNG, _BOTTOM = 106.0, 22.0, 62.0, 40.0
#: Of a rung's height so much is for the scale; the rest is for the count.
_SCALE = 44.0
#: A cell of this width has room for both figures under it.
_ROOM = 52.0


@dataclass(frozen=True, slots=True)
class Axis:
    """One of the two quantities: its name with its unit, and how wide a step is; or a name for each."""

    name: str
    step: float
    #: How a step is spoken of, {} its ends.
    phrase: str
    names: tuple[str, ...] = ()

    def words(self, n: int) -> str:
        """One step's ends."""
        if self.names:
            return self.names[n]
        return f"{spelt(n * self.step, 4)} to {spelt((n + 1) * self.step, 4)}"


class Grid:
    """Cells by row and column; `limits` are lambdas by row."""

    def __init__(
        self, cells: dict[tuple[int, int], Cell], by: Axis, along: Axis, limits: dict[int, float], display: Display
    ) -> None:
        self._cells, self._by, self._along, self._limits, self._display = cells, by, along, limits, display
        rows, columns = {r for r, _ in cells}, {c for _, c in cells}
        #: The highest on top, as boost is thought of.
        self._rows = list(range(max(rows), min(rows) - 1, -1))
        self._columns = list(range(min(columns), max(columns) + 1))

    def sentence(self) -> str:
        """What the ladder shows, for whoever does not see it."""
        (row, column), cell = max(self._cells.items(), key=lambda item: item[1].mean)
        (other, place), rich = min(self._cells.items(), key=lambda item: item[1].mean)
        empty = len(self._rows) * len(self._columns) - len(self._cells)
        return (
            f"{len(self._cells)} cells are filled and {empty} empty. The leanest cell is on average "
            f"{self._mean(cell)}, at "
            f"{self._at(row, column)}; the richest {self._mean(rich)}, at {self._at(other, place)}."
        )

    def _at(self, row: int, column: int) -> str:
        ends = self._by.phrase.format(self._by.words(row)), self._along.phrase.format(self._along.words(column))
        return " and ".join(ends)

    def _mean(self, cell: Cell) -> str:
        return self._display.show(cell.mean, "lambda", cell.within or 0.0)

    def figure(self, title: str, key: str) -> Markup:
        """The ladder."""
        display = self._display
        ends = [e for c in self._cells.values() for e in (c.mean - _reach(c), c.mean + _reach(c))]
        y = scale([*ends, *self._limits.values()], 0.0, 1.0, 0.1)
        height = _TOP + len(self._rows) * _RUNG + _BOTTOM
        width = (WIDTH - _LEFT - 8) / len(self._columns)
        unit = display.unit_for("lambda")
        parts = [el("text", f"{self._by.name}", x=4.0, y=12.0, class_="name")]
        for n, row in enumerate(self._rows):
            top = _TOP + n * _RUNG
            rung = Scale(y.low, y.high, top + _SCALE, top + 4)
            parts += self._rung(row, top, rung, unit)
            for m, column in enumerate(self._columns):
                cell = self._cells.get((row, column))
                if cell is not None:
                    parts.append(_cell(cell, _LEFT + (m + 0.5) * width, rung, width))
        bottom = _TOP + len(self._rows) * _RUNG
        for m, column in enumerate(self._columns):
            words = self._along.words(column)
            if not self._along.names:
                words = words.split(" to ")[0]
            at = _LEFT + (m + 0.5 if self._along.names else m) * width
            parts.append(el("text", words, x=at, y=bottom + 14, class_="tick middle"))
        parts.append(el("text", self._along.name, x=WIDTH - 8, y=bottom + 31, class_="name end"))
        inner = joined(el("title", title, id=f"{key}-t"), el("desc", self.sentence(), id=f"{key}-d"), *parts)
        picture = el(
            "svg", inner, xmlns="http://www.w3.org/2000/svg", viewBox=f"0 0 {number(WIDTH)} {number(height)}",
            role="img", aria_labelledby=f"{key}-t {key}-d",
        )  # fmt: skip
        caption = "Under each cell: for how long it was seen" + (", × in how many visits." if width >= _ROOM else ".")
        caption += " Dashed: the ceiling, the tightest in that step." if self._limits else ""
        return el("figure", sideways(picture, title, "wide ladder"), el("figcaption", caption))

    def _rung(self, row: int, top: float, rung: Scale, unit: str) -> list[Markup]:
        display, parts = self._display, []
        parts.append(el("line", x1=_LEFT, y1=top + _RUNG - 2, x2=WIDTH - 8, y2=top + _RUNG - 2, class_="axis"))
        parts.append(el("text", self._by.words(row), x=4.0, y=top + _SCALE / 2 + 4, class_="tick"))
        for value in rung.ticks(3)[:3]:
            shown = display.number(value, "lambda")
            parts.append(el("line", x1=_LEFT, y1=rung.at(value), x2=WIDTH - 8, y2=rung.at(value), class_="grid"))
            words = f"{shown:.{decimals(unit, 1.0 if unit == 'AFR' else 0.1)}f}"
            parts.append(el("text", words, x=_LEFT - 4, y=rung.at(value) + 3.5, class_="small end"))
        if row in self._limits:
            at = rung.at(self._limits[row])
            parts.append(el("path", d=f"M{number(_LEFT)} {number(at)}H{number(WIDTH - 8)}", class_="limit"))
        return parts

    def table(self, title: str) -> Markup:
        """The same in numbers."""
        heads = (
            self._by.name,
            self._along.name,
            self._display.unit_for("lambda"),
            "spread",
            "seen for",
            "ticks",
            "visits",
        )
        head = el("tr", *(el("th", words, scope="col") for words in heads))
        rows = []
        for row in self._rows:
            here = [(c, self._cells[row, c]) for c in self._columns if (row, c) in self._cells]
            for n, (column, cell) in enumerate(here):
                first = (el("th", self._by.words(row), scope="rowgroup", rowspan=str(len(here))),) if n == 0 else ()
                rows.append(el("tr", *first, el("td", self._along.words(column)), *self._numbers(cell)))
        caption = el("caption", f"{title}, in numbers. A mean without ± was visited once.")
        return el("table", caption, el("thead", head), el("tbody", *rows), class_="numbers")

    def _numbers(self, cell: Cell) -> list[Markup]:
        unit, display = self._display.unit_for("lambda"), self._display
        mean = self._mean(cell).removeprefix(f"{unit} ")
        spread = f"{display.size(cell.spread, 'lambda'):.3f}{after(unit)}"
        return [
            el("td", mean),
            el("td", spread),
            el("td", f"{cell.seconds:.1f} s"),
            el("td", str(cell.ticks)),
            el("td", str(cell.visits)),
        ]


def _reach(cell: Cell) -> float:
    """How far a cell's marks reach from its mean; what is hardly known must not flatten all others."""
    return max(cell.spread, min(cell.within or 0.0, 0.15))


def _cell(cell: Cell, x: float, rung: Scale, width: float) -> Markup:
    mean = rung.at(cell.mean)
    parts = []
    low, high = rung.at(cell.mean - cell.spread), rung.at(cell.mean + cell.spread)
    parts.append(el("path", d=f"M{number(x)} {number(low)}V{number(high)}", class_="spread"))
    if cell.within is not None:
        off = min(cell.within, _reach(cell))
        low, high = rung.at(cell.mean - off), rung.at(cell.mean + off)
        caps = "" if off < cell.within else "".join(f"M{number(x - 4)} {number(at)}h8" for at in (low, high))
        parts.append(el("path", d=f"M{number(x)} {number(low)}V{number(high)}{caps}", class_="whisker"))
    parts.append(el("path", d=f"M{number(x)} {number(mean)}h0", class_="mean"))
    if cell.within is None:
        parts.append(el("path", d=f"M{number(x)} {number(mean)}h0", class_="hole"))
    count = f"{cell.seconds:.0f} s" if cell.seconds >= 9.95 else f"{cell.seconds:.1f} s"
    words = f"{count} ×{cell.visits}" if width >= _ROOM else count
    bottom = rung.start + 12
    return joined(*parts, el("text", words, x=x, y=bottom, class_="small middle"))
