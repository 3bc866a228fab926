"""The whole drive as one ribbon: boost, what could not be seen, and where alerts began."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.model import Quality
from cabcanary.review.figures.columns import spans
from cabcanary.review.report.looked import Section, clock
from cabcanary.review.report.markup import el, number
from cabcanary.review.report.plot import BOTTOM, plot
from cabcanary.review.report.scales import Scale, scale

if TYPE_CHECKING:
    from cabcanary.review.report.looked import Looked

_HEIGHT = 200.0
#: Gaps nearer to each other than this are drawn as one, s: at an hour's scale nobody tells them apart.
_JOINED_S = 1.0


def ribbon(looked: Looked) -> Section:
    """The drive at a glance."""
    section, columns, roles = Section("The drive at a glance"), looked.columns, looked.columns.roles
    if roles.boost is None:
        section.sentences.append("There is no channel for boost on this vehicle, so there is no course of it to show.")
        return section
    if columns.rows < 2:
        section.sentences.append("The drive is too short to be drawn.")
        return section
    boost = looked.in_boost_unit(columns.good(roles.boost, "psi", Quality.WITHIN, Quality.SATURATED_HIGH))
    minutes = columns.seconds / 60
    known = boost[np.isfinite(boost)]
    p = plot(_HEIGHT, Scale(0.0, float(minutes[-1]), 0, 1), scale([0.0, *known.tolist()], 0, 1, 5.0, 0.14))
    p.axes("minutes from the first sample", f"boost, {looked.boost_unit}")
    unseen = _unseen(looked)
    for first, last in unseen:
        p.span(first / 60, last / 60, "unseen")
    highest = looked.figures.highest_at
    kept = [] if highest is None else [int(np.argmin(np.abs(columns.seconds - highest.at_s)))]
    p.line(minutes, boost, "measured", kept)
    zero = p.y.at(0.0)
    p.add(el("path", d=f"M{number(p.x.start)} {number(zero)}H{number(p.x.end)}", class_="zero"))
    for n, alert in enumerate(looked.sounded, 1):
        x = p.x.at(alert.at_s / 60)
        bottom = _HEIGHT - BOTTOM
        p.add(el("path", d=f"M{number(x)} {number(bottom)}V16", class_="moment"))
        if len(looked.sounded) <= 30:
            p.add(el("text", str(n), x=x, y=11.0, class_="middle"))
    top = looked.figures
    if top.highest_psi is not None and top.highest_at is not None:
        p.extreme(top.highest_at.at_s / 60, looked.in_boost_unit(top.highest_psi), "most that lasted", "boost")
    total = sum(last - first for first, last in unseen)
    what = "mixture or boost" if roles.mixture is not None else "boost"
    words = f"Boost over {float(minutes[-1]):.1f} minutes. Hatched: {what} could not be seen, {total:.0f} s in all"
    words += f", also while the engine stood. Numbered: the {len(looked.sounded)} alerts." if looked.sounded else "."
    section.sentences.append(
        f"From {clock(0.0)} to {clock(float(columns.seconds[-1]))}; times in this report count from the first sample."
    )
    section.parts.append(el("figure", p.svg("Boost over the drive", words, "ribbon"), el("figcaption", words)))
    return section


def _unseen(looked: Looked) -> list[tuple[float, float]]:
    columns, roles = looked.columns, looked.columns.roles
    more = (Quality.WITHIN, Quality.SATURATED_HIGH, Quality.SATURATED_LOW)
    gone = ~np.isfinite(columns.good(roles.boost, "", *more))
    if roles.mixture is not None:
        gone |= ~np.isfinite(columns.good(roles.mixture, "", *more))
    found: list[tuple[float, float]] = []
    for first, last in spans(gone):
        a, b = float(columns.seconds[first]), float(columns.seconds[last - 1])
        if found and a - found[-1][1] < _JOINED_S:
            found[-1] = (found[-1][0], b)
        else:
            found.append((a, b))
    return found
