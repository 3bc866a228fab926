"""The trends of a stage as one page: what is seen in sentences first, then a plot for each figure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.display import after
from cabcanary.review.figures.trend import Trend, drawn_line
from cabcanary.review.report.markup import Markup, el, joined, number, sideways
from cabcanary.review.report.page import SAFETY, document
from cabcanary.review.report.plot import Plot, plot
from cabcanary.review.report.scales import scale
from cabcanary.review.stages.blends import changes_of, explained
from cabcanary.review.stages.trends import LEAST_DRIVES, OF_FUEL, days_of
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from cabcanary.display import Display
    from cabcanary.plan.plan import Plan
    from cabcanary.review.figures.trend import Floats
    from cabcanary.review.stages.judgement import Stage
    from cabcanary.review.stages.trends import Age
    from cabcanary.store.fuel_receipts import Receipt

#: A plot spans at least this, by unit: what is less is noise drawn large.
_LEAST_SPAN = {"%": 3.0, "kPa": 3.0, "psi": 0.5, "bar": 0.03, "V": 0.5, "ms": 20.0, "s": 3.0}
_HEIGHT = 230.0
_MOST_TICKS = 7


def trend_page(
    plan: Plan, stage: Stage, found: Sequence[Trend], old: Sequence[Age], receipts: Sequence[Receipt]
) -> str:
    """The whole document; it asks nothing of anybody and runs nothing."""
    settings = plan.settings
    display, days = settings.shown_in, dict(zip([f.drive for f in stage.figures], _days(stage), strict=True))
    title = f"{settings.vehicle.name}: trends of stage {stage.name}"
    said = [sentence(t, display, days, receipts) for t in found]
    return document(
        title,
        el("h1", f"{settings.vehicle.name}: trends"),
        el("p", f"Stage “{stage.name}”, {_span(stage, days)}", class_="under"),
        el("div", *(el("p", words) for words in (*SAFETY[:2], *_SAYS)), class_="safety"),
        _section("seen", "What is seen", said or [f"No figure was seen in {LEAST_DRIVES} drives yet."]),
        *(_of(n, t, words, display, days, receipts) for n, (t, words) in enumerate(zip(found, said, strict=True))),
        _ages(old),
        _fuel(receipts),
        _numbers(found, display, days),
        _section("how", "How to read it", list(_HOW)),
    )


_SAYS = (
    "This page says how figures of recorded drives went. What was not seen is not known.",
    "A trend is no cause: it says when to look and where, and a tuner decides what it means.",
)
_HOW = (
    "Each dot is a drive, by how far its figure lies from the middle of all drives where they can be compared.",
    "The line is least squares, the dotted lines are the 95 % interval of its mean; at a step each side has its own.",
    "A step is told where fewer than one in a hundred shuffles of the same drives have one as large.",
    "A figure of a sensor begins anew with another serial number.",
)


def sentence(t: Trend, display: Display, days: dict[str, date], receipts: Sequence[Receipt]) -> str:
    """What one trend says, in the owner's units."""
    unit, (low, high) = display.unit_for(t.unit), (display.size(x, t.unit) for x in (t.low, t.high))
    name, drives = t.name[0].upper() + t.name[1:], len(t.numbers)
    if t.step is not None and t.step_low is not None and t.step_high is not None:
        ends = (spelt(display.size(x, t.unit), 2, "+") for x in (t.step, t.step_low, t.step_high))
        step, least, most = ends
        words = (
            f"{name}: a step of {step} {unit} ({least} to {most}) with the drive of {days[t.step_at]}, in {drives} "
            "drives."
        )
        fuel = explained(t, [days[d] for d in t.drives], receipts) if t.name in OF_FUEL else ""
        return f"{words} {fuel[0].upper()}{fuel[1:]}." if fuel else words
    slope = f"{spelt(display.size(t.slope, t.unit), 2, '+')} {unit} ({spelt(low, 2, '+')} to {spelt(high, 2, '+')})"
    if t.plain:
        return f"{name}: a slope of {slope} in ten drives, over {drives} drives."
    return f"{name}: no trend in {drives} drives; {slope} in ten drives."


def _days(stage: Stage) -> list[date]:
    return days_of(stage, [f.drive for f in stage.figures])


def _span(stage: Stage, days: dict[str, date]) -> str:
    known = list(days.values())
    return f"{len(stage.figures)} drives" + (f" from {known[0]} to {known[-1]}" if known else "")


def _section(key: str, title: str, sentences: Sequence[str], *parts: Markup) -> Markup:
    return el("section", el("h2", title, id=key), *(el("p", s) for s in sentences), *parts, aria_labelledby=key)


def _of(
    n: int, t: Trend, words: str, display: Display, days: dict[str, date], receipts: Sequence[Receipt]
) -> Markup:  # fmt: skip
    """One figure's plot, with the sentence above it."""
    drawing = _drawn(t, display, days, receipts)
    caption = f"Each dot is one of {len(t.numbers)} drives; dotted lines are the 95 % interval of the line's mean."
    figure = el("figure", drawing.svg(t.name, words, f"trend-{n}"), el("figcaption", caption))
    return _section(f"of-{n}", t.name[0].upper() + t.name[1:], [words], figure)


def _drawn(t: Trend, display: Display, days: dict[str, date], receipts: Sequence[Receipt]) -> Plot:
    unit = display.unit_for(t.unit)
    xs = np.arange(1.0, len(t.numbers) + 1.0)
    factor = display.size(1.0, t.unit)
    values = factor * np.asarray(t.numbers)
    line, low, high = (factor * ends for ends in drawn_line(t))
    p = plot(_HEIGHT, scale([0.5, len(xs) + 0.5], 0, 1, 1.0, 0.0), scale([*values, *low, *high], 0, 1, _least(unit)))
    p.axes("drive", f"against the middle of all drives{',' + after(unit) if after(unit) else ''}", x_ticks=_ticks(t))
    at = t.drives.index(t.step_at) if t.step is not None else len(xs)
    for side in (slice(0, at), slice(at, len(xs))):
        if len(xs[side]) > 1:
            _band(p, xs[side], low[side], high[side])
            p.line(xs[side], line[side], "past")
    fills = _fills(t, days, receipts)
    for x, _ in fills:
        _upright(p, x, "receipt")
    if t.step is not None:
        _upright(p, at + 0.5, "limit")
    p.dots(xs, values, "mean", range(len(xs)))
    # Words last: nothing is drawn over them.
    for x, words in fills:
        p.label(p.x.at(x), p.y.start - 6, words)
    if t.step is not None:
        p.label(p.x.at(at + 0.5), p.y.end + 11, f"step, {days[t.step_at]}", "limit-name")
    return p


def _band(p: Plot, xs: Floats, low: Floats, high: Floats) -> None:
    """The interval: a pale stretch whose edges are dotted, so that it is seen without its colour."""
    there = [f"{number(p.x.at(x))} {number(p.y.at(y))}" for x, y in zip(xs.tolist(), high.tolist(), strict=True)]
    back = [f"{number(p.x.at(x))} {number(p.y.at(y))}" for x, y in zip(xs.tolist(), low.tolist(), strict=True)]
    p.add(el("path", d="M" + "L".join([*there, *reversed(back)]) + "Z", class_="band"))
    for edge in (low, high):
        p.line(xs, edge, "zero")


def _fills(t: Trend, days: dict[str, date], receipts: Sequence[Receipt]) -> list[tuple[float, str]]:
    """Fills with another blend: before the first drive of that day or later, and their words."""
    known = [days[d] for d in t.drives]
    return [
        (0.5 + sum(day < blend.now.day for day in known), f"fuel: {blend.was.blend} to {blend.now.blend}")
        for blend in changes_of(receipts)
        if known[0] <= blend.now.day <= known[-1]
    ]


def _upright(p: Plot, x: float, kind: str) -> None:
    at = p.x.at(x)
    p.add(el("path", d=f"M{number(at)} {number(p.y.start)}V{number(p.y.end)}", class_=kind))


def _ticks(t: Trend) -> list[tuple[float, str]]:
    count = len(t.numbers)
    step = max(1, -(-count // _MOST_TICKS))
    return [(float(n), str(n)) for n in range(1, count + 1, step)]


def _least(unit: str) -> float:
    return _LEAST_SPAN.get(unit, 1.0)


def _ages(old: Sequence[Age]) -> Markup:
    said = [f"{age.words}." for age in old] or [
        "No part has a serial number on record: cabcanary stage CONFIG declare --part CHANNEL --serial NUMBER."
    ]
    return _section("ages", "How old the sensors are", said)


def _fuel(receipts: Sequence[Receipt]) -> Markup:
    if not receipts:
        said = "No fuel receipt is on record: cabcanary stage CONFIG fuel --litres L --blend E10."
        return _section("fuel", "Fuel", [said])
    rows = [el("tr", *(el("td", w) for w in (str(r.day), f"{spelt(r.litres, 3)} L", r.words, f"{r.ratio:.2f}")))
            for r in receipts[-12:]]  # fmt: skip
    head = el("thead", el("tr", *(el("th", w, scope="col") for w in ("day", "filled", "blend", "stoichiometric"))))
    table = el("table", el("caption", "The last fills"), head, el("tbody", *rows))
    return _section("fuel", "Fuel", [], sideways(table, "The last fills"))


def _numbers(found: Sequence[Trend], display: Display, days: dict[str, date]) -> Markup:
    """The drives' numbers, for whoever does not see the plots."""
    names = [d for d in days if any(d in t.drives for t in found)]
    if not names:
        return joined()
    columns = [dict(zip(t.drives, t.numbers, strict=True)) for t in found]
    head = [el("th", "drive of", scope="col")]
    head += [el("th", f"{t.name},{after(display.unit_for(t.unit))}", scope="col") for t in found]
    rows = []
    for name in names:
        cells = [
            spelt(display.size(c[name], t.unit), 2, "+") if name in c else "not seen"
            for c, t in zip(columns, found, strict=True)
        ]
        rows.append(el("tr", el("th", str(days[name]), scope="row"), *(el("td", cell) for cell in cells)))
    table = el("table", el("thead", el("tr", *head)), el("tbody", *rows), class_="numbers")
    return _section("numbers", "The drives' numbers", [], sideways(table, "The drives' numbers"))
