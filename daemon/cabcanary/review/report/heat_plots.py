"""What pulls did to the charge air, and the supply over the drive."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.figures.drive_figures import STARTED_S
from cabcanary.review.figures.pulls import LEAST_PULL_S, rises
from cabcanary.review.report.looked import Section, clock
from cabcanary.review.report.markup import el
from cabcanary.review.report.plot import plot
from cabcanary.review.report.scales import Scale, scale

if TYPE_CHECKING:
    from cabcanary.review.report.looked import Looked

#: Of the supply this much is taken together, s.
SLICE_S = 30.0


def heat(looked: Looked) -> Section:
    """By how much the charge air warmed in each pull, over its boost."""
    section = Section("Charge temperature rise over boost")
    charge = "charge_temperature"
    if not looked.columns.has(charge):
        section.sentences.append(
            "This vehicle has no channel charge_temperature, so the charge air's heat is not known."
        )
        return section
    if looked.columns.roles.boost is None:
        section.sentences.append("There is no channel for boost on this vehicle, so there are no pulls to show.")
        return section
    found = rises(looked.columns, charge)
    if not found:
        words = f"No pull of {LEAST_PULL_S:.0f} s or more was seen together with the charge temperature."
        section.sentences.append(words)
        return section
    display, top = looked.display, max(found, key=lambda r: r.rise_k)
    most = f"{top.rise_k:.1f}" + (f" ± {top.within_k:.1f} K" if top.within_k else " K")
    section.sentences.append(
        f"In {len(found)} pulls of {LEAST_PULL_S:.0f} s and more the charge air warmed by "
        f"{min(r.rise_k for r in found):.1f} to {top.rise_k:.1f} K. The most was {most}, from "
        f"{display.show(top.from_c, '°C')}, in {top.seconds:.1f} s at {looked.boost(top.boost_psi)} on average, from "
        f"{clock(top.at_s)} on."
    )
    if not any(r.within_k for r in found):
        section.sentences.append("Nobody has stated the sensor's uncertainty.")
    xs = [looked.in_boost_unit(r.boost_psi) for r in found]
    ends = [e for r in found for e in (r.rise_k - r.within_k, r.rise_k + r.within_k)]
    p = plot(250.0, scale(xs, 0, 1, looked.in_boost_unit(3.0)), scale([0.0, *ends], 0, 1, 5.0))
    p.axes(f"mean boost of the pull, {looked.boost_unit}", "warmer at most, K")
    for x, r in zip(xs, found, strict=True):
        p.whisker(x, r.rise_k - r.within_k, r.rise_k + r.within_k)
    p.dots(np.array(xs), np.array([r.rise_k for r in found]), "mean", range(len(found)))
    p.extreme(looked.in_boost_unit(top.boost_psi), top.rise_k, f"at {clock(top.at_s)}", "rise")
    caption = f"Each of the {len(found)} dots is a pull, with what the sensor's uncertainty leaves open."
    section.parts.append(el("figure", p.svg(section.title, caption, "heat"), el("figcaption", caption)))
    section.figures = {
        "pulls": [
            {"at_s": round(r.at_s, 2), "seconds": round(r.seconds, 2), "boost_psi": round(r.boost_psi, 4),
             "from_c": round(r.from_c, 3), "rise_k": round(r.rise_k, 3), "within_k": round(r.within_k, 3)}
            for r in found
        ]
    }  # fmt: skip
    return section


def supply(looked: Looked) -> Section:
    """The supply voltage while the engine ran."""
    section, columns = Section("Supply"), looked.columns
    settings = looked.drive.plan.settings
    names = [n for n, c in settings.channels.items() if getattr(c, "measures", "") == "supply_voltage"]
    name = next((n for n in ("supply", *names) if columns.has(n)), None)
    if name is None:
        section.sentences.append("This vehicle has no channel for its supply, so the supply is not known.")
        return section
    volts = columns.good(name, "V")
    rows = np.isfinite(volts) & (columns.seconds > STARTED_S)
    if columns.roles.running is not None:
        rows &= columns.running()
    if not rows.any():
        section.sentences.append(
            f"The supply was not seen while the engine ran, later than {STARTED_S:.0f} s from the first sample."
        )
        return section
    seconds, seen = columns.seconds[rows], volts[rows]
    lowest, highest = int(np.argmin(seen)), int(np.argmax(seen))
    off = 2.0 * float(columns.doubt(name, "V")[rows][lowest])
    display, limit = looked.display, looked.number("supply_lowest", "V")
    middle = display.show(float(np.median(seen)), "V")
    words = (
        f"While the engine ran, from {STARTED_S:.0f} s on, the supply was {middle} in the middle, at the lowest "
        f"{display.show(float(seen[lowest]), 'V', off)} at {clock(float(seconds[lowest]))}, at the highest "
        f"{display.show(float(seen[highest]), 'V')} at {clock(float(seconds[highest]))}"
    )
    if limit is None:
        words += "; the rules have no limit for it."
    else:
        below = float(columns.steps[rows][seen < limit].sum())
        words += f"; it was below the limit of {display.show(limit, 'V')} for {below:.1f} s."
    section.sentences.append(words)
    section.figures = {
        "lowest_v": round(float(seen[lowest]), 4), "lowest_at_s": round(float(seconds[lowest]), 2),
        "highest_v": round(float(seen[highest]), 4), "middle_v": round(float(np.median(seen)), 4),
    }  # fmt: skip
    slices = (seconds // SLICE_S).astype(np.int64)
    end = max(float(columns.seconds[-1]), SLICE_S) / 60
    p = plot(210.0, Scale(0.0, end, 0, 1), scale([*seen.tolist(), *([limit] if limit else [])], 0, 1, 1.0))
    p.axes("minutes from the first sample", "supply, V")
    for n in np.unique(slices).tolist():
        here = seen[slices == n]
        at = min((n + 0.5) * SLICE_S / 60, end)
        p.whisker(at, float(here.min()), float(here.max()), "spread" if end < 12 else "spread thin")
        p.dots(np.array([at]), np.array([float(here.mean())]), "dot")
    if limit is not None:
        p.limit(np.array([0.0, end]), np.array([limit, limit]), "limit")
    p.dots(seconds[lowest : lowest + 1] / 60, seen[lowest : lowest + 1], "dot")
    p.extreme(float(seconds[lowest]) / 60, float(seen[lowest]), f"lowest, {clock(float(seconds[lowest]))}", "supply")
    caption = f"Each bar goes from the lowest to the highest of {SLICE_S:.0f} s; the dot is their mean."
    section.parts.append(el("figure", p.svg("Supply over the drive", caption, "supply"), el("figcaption", caption)))
    return section
