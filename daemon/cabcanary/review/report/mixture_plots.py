"""Mixture, as burnt: against boost and the ceiling, by boost and seconds into the pull, over engine "
"speed and pressure."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary import units
from cabcanary.model import Quality
from cabcanary.review.figures.cells import LEAST_S, Cell, cells
from cabcanary.review.figures.drive_figures import STEPS
from cabcanary.review.figures.pulls import seconds_into
from cabcanary.review.report.grid import Axis, Grid
from cabcanary.review.report.looked import Section
from cabcanary.review.report.markup import el
from cabcanary.review.report.plot import plot
from cabcanary.review.report.scales import scale

if TYPE_CHECKING:
    from cabcanary.review.figures.columns import Floats
    from cabcanary.review.report.looked import Looked

#: From here on a mixture is drawn, psi: the ceilings of rule files begin about here.
_FROM_PSI = -3.0
#: Ends of the seconds into a pull.
INTO_S = (0.0, 1.0, 2.0, 3.0, 5.0, 8.0, float("inf"))
SPEED_RPM = 500.0
#: Steps of manifold pressure, absolute, by the unit in which it is shown.
PRESSURE_STEPS = {"psi": 3.0, "kPa": 20.0, "bar": 0.2}
_HOW = (
    "A cell has its mean (dot), the spread of single ticks (broad bar: one standard deviation to each "
    "side) and how far "
    "the mean may be off (thin line: 95 %, the sensor's own uncertainty and the scatter between visits, "
    "added). A ring in "
    "place of a dot was visited once: how far another visit would lie is not known. A thin line without ends goes on. "
    f"Cells with less than {LEAST_S:.1f} s are empty."
)


def against_boost(looked: Looked) -> Section:
    """Every tick's mixture against the boost under which it was burnt."""
    section, columns, roles = Section("Mixture against boost, as burnt"), looked.columns, looked.columns.roles
    lacks = _lacks(looked)
    if lacks:
        section.sentences.append(lacks)
        return section
    boost = columns.good(roles.burnt, "psi", Quality.WITHIN)
    mixture = columns.good(roles.mixture, "", Quality.SATURATED_HIGH, Quality.SATURATED_LOW)
    rows = np.isfinite(boost) & np.isfinite(mixture) & (boost > _FROM_PSI)
    if roles.running is not None:
        rows &= columns.running()
    if not rows.any():
        section.sentences.append("No tick with a running engine had both boost and mixture, so nothing can be drawn.")
        return section
    judged = rows & ~looked.columns.masked()
    edge = np.isin(columns.quality(str(roles.mixture)), (Quality.SATURATED_HIGH, Quality.SATURATED_LOW))
    section.sentences += _said(looked, judged, boost, mixture)
    x, y = looked.in_boost_unit(boost), looked.in_mixture(mixture)
    bounds = _ceiling_line(looked, x[rows])
    p = plot(
        320.0,
        scale(x[rows].tolist(), 0, 1, looked.in_boost_unit(4.0), 0.03),
        scale([*y[rows].tolist(), *(bounds[1].tolist() if bounds else [])], 0, 1, looked.in_mixture(0.2)),
    )
    p.axes(f"boost when it was burnt, {looked.boost_unit}", looked.display.unit_for("lambda"))
    drawn = p.dots(x[rows & ~judged], y[rows & ~judged], "ring")
    found = looked.figures.leanest
    index = np.flatnonzero(judged)
    keep = (
        [] if found is None else [int(np.argmin(np.abs(columns.seconds[index] - found.at.at_s)))] if len(index) else []
    )
    drawn += p.dots(x[judged], y[judged], "dot", keep)
    ends = p.dots(x[judged & edge], y[judged & edge], "at-end")
    if bounds:
        p.limit(*bounds, "ceiling")
    if found is not None:
        p.extreme(
            looked.in_boost_unit(found.boost_psi), looked.in_mixture(found.mixture), "leanest that lasted", "leanest"
        )
    count = int(rows.sum())
    section.sentences.append(
        f"Drawn are {drawn} of {count} ticks: of those that lie on each other one, and every extreme. Filled: judged "
        "by the rule for a lean mixture; rings: masked (gas of a fuel cut, or suppressed by that rule)."
        + (f" Squares, {ends} of the filled ones, stand at an end of the sensor's range." if ends else "")
    )
    sentence = (
        f"{count} ticks of mixture over the boost under which each was burnt; {int(judged.sum())} of them are judged."
    )
    section.parts.append(el("figure", p.svg("Mixture against boost", sentence, "boost"), el("figcaption", sentence)))
    section.figures = {
        "ticks": count,
        "judged": int(judged.sum()),
        "masked": int((rows & ~judged).sum()),
        "drawn": drawn,
    }
    return section


def _lacks(looked: Looked) -> str:
    roles = looked.columns.roles
    if roles.mixture is None:
        return "There is no wideband on this vehicle, so no mixture can be shown."
    if roles.burnt is None:
        return "There is no channel for boost on this vehicle, so mixture cannot be shown against it."
    return ""


def _said(looked: Looked, judged: Any, boost: Floats, mixture: Floats) -> list[str]:
    """Whether any of it lay above the ceiling, and for how long."""
    if looked.ceiling is None:
        return ["The rules of this drive have no ceiling, so the mixture is shown without one."]
    under = judged & (boost >= 2.0)
    limit = np.array([looked.ceiling(b) for b in boost[under].tolist()])
    above = float(looked.columns.steps[under][mixture[under] > limit].sum())
    seen = float(looked.columns.steps[under].sum())
    if not seen:
        return [f"No judged mixture was seen above {looked.boost(2.0)}."]
    return [f"Of {seen:.1f} s of judged mixture above {looked.boost(2.0)}, {above:.1f} s lay above the ceiling."]


def _ceiling_line(looked: Looked, shown: Floats) -> tuple[Floats, Floats] | None:
    if looked.ceiling is None or not len(shown):
        return None
    low, high = float(shown.min()), float(shown.max())
    xs = np.linspace(low, max(high, low + 0.1), 80)
    psi = xs / looked.in_boost_unit(1.0)
    return xs, looked.in_mixture(np.array([looked.ceiling(p) for p in psi.tolist()]))


# --- in cells -------------------------------------------------------------------------------------------------------


def _mixture_rows(looked: Looked) -> tuple[Any, Floats, Floats]:
    """Where a mixture counts in a cell (good, judged, engine running), the mixture, its standard uncertainty."""
    columns, name = looked.columns, looked.columns.roles.mixture
    mixture = columns.good(name)
    rows = np.isfinite(mixture) & ~looked.columns.masked()
    if columns.roles.running is not None:
        rows &= columns.running()
    return rows, mixture, columns.doubt(name)


def into_pulls(looked: Looked) -> Section:
    """Mixture by boost and by how long the pull has lasted."""
    section, columns = Section("Mixture by boost and seconds into the pull"), looked.columns
    lacks = _lacks(looked)
    if lacks:
        section.sentences.append(lacks)
        return section
    rows, mixture, doubt = _mixture_rows(looked)
    step = STEPS[looked.boost_unit]
    boost = looked.in_boost_unit(columns.good(columns.roles.burnt, "psi", Quality.WITHIN))
    into = seconds_into(columns)
    found = cells(rows, np.floor(boost / step), _binned(into), mixture, doubt, columns.seconds, columns.steps)
    by = Axis(f"boost, {looked.boost_unit}", step, f"{{}} {looked.boost_unit} of boost")
    names = tuple(f"{a:.0f} to {b:.0f} s" if b < float("inf") else f"from {a:.0f} s" for a, b in pairwise(INTO_S))
    along = Axis("seconds into the pull", 1.0, "{} into the pull", names)
    return _grid_section(looked, section, found, by, along, "boosted", _limits(looked, found, step))


def _binned(into: Floats) -> Floats:
    number = np.digitize(np.nan_to_num(into, nan=-1.0), INTO_S) - 1.0
    return np.where(np.isfinite(into), number, np.nan)


def _limits(looked: Looked, found: dict[tuple[int, int], Cell], step: float) -> dict[int, float]:
    """The ceiling in each step of boost: the tightest in it."""
    if looked.ceiling is None:
        return {}
    to_psi = 1.0 / looked.in_boost_unit(1.0)
    return {
        row: min(looked.ceiling(row * step * to_psi), looked.ceiling((row + 1) * step * to_psi)) for row, _ in found
    }


def by_speed(looked: Looked) -> Section:
    """Mixture over engine speed and the pressure in the manifold."""
    section, columns, roles = Section("Mixture over engine speed and pressure"), looked.columns, looked.columns.roles
    settings = looked.drive.plan.settings
    speed = next((n for n, c in settings.channels.items() if getattr(c, "measures", "") == "engine_speed"), None)
    speed = speed or ("engine_speed" if columns.has("engine_speed") else None)
    if roles.mixture is None or speed is None or roles.pressure is None:
        lacks = "a wideband" if roles.mixture is None else "engine speed" if speed is None else "manifold pressure"
        section.sentences.append(f"This vehicle has no channel for {lacks}, so the mixture cannot be shown over both.")
        return section
    rows, mixture, doubt = _mixture_rows(looked)
    symbol = looked.display.unit_for("kPa")
    step = PRESSURE_STEPS[symbol]
    pressure = _burnt_pressure(looked, symbol)
    numbers = columns.good(speed, "rpm")
    found = cells(
        rows, np.floor(pressure / step), np.floor(numbers / SPEED_RPM), mixture, doubt, columns.seconds, columns.steps
    )
    section.sentences.append(
        "Pressure is the manifold's, absolute, when the gas was burnt; engine speed is that of the same tick, which a "
        "wideband sees a tenth of a second or two later."
    )
    return _grid_section(
        looked,
        section,
        found,
        Axis(f"pressure, {symbol} absolute", step, f"{{}} {symbol}"),
        Axis("engine speed, rpm", SPEED_RPM, "{} rpm"),
        "speed",
        {},
    )


def _burnt_pressure(looked: Looked, symbol: str) -> Floats:
    """Boost as burnt and the air together are the pressure as burnt; without such channels the pressure of the tick."""
    columns, roles = looked.columns, looked.columns.roles
    if roles.burnt is None or roles.air is None or not columns.has(roles.air):
        return columns.good(roles.pressure, symbol)
    more = (Quality.WITHIN,)
    burnt: Floats = columns.good(roles.burnt, "psi", *more) * units.difference(1.0, "psi", symbol)
    return burnt + columns.good(roles.air, symbol, *more)


def _grid_section(
    looked: Looked, section: Section, found: dict[tuple[int, int], Cell], by: Axis, along: Axis, key: str,
    limits: dict[int, float],
) -> Section:  # fmt: skip
    if not found:
        section.sentences.append(f"No cell was seen for {LEAST_S:.1f} s, so all are empty.")
        return section
    grid = Grid(found, by, along, limits, looked.display)
    section.sentences += [grid.sentence(), _HOW] if limits else [grid.sentence()]
    if limits and not any(c.sensor for c in found.values()):
        section.sentences.append(
            "Nobody has stated the wideband's own uncertainty (calibrate, or accuracy in the settings)."
        )
    section.parts += [grid.figure(section.title, key), grid.table(section.title)]
    section.figures = {
        "cells": [
            {
                by.name: by.words(row), along.name: along.words(column), "ticks": c.ticks, "seconds": c.seconds,
                "visits": c.visits, "lambda": round(c.mean, 5), "spread": round(c.spread, 5),
                "within": None if c.within is None else round(c.within, 5),
            }
            for (row, column), c in sorted(found.items())
        ]
    }  # fmt: skip
    return section
