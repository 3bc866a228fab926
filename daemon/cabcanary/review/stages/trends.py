"""Figures over all drives of a stage: which of them have a slope, and which a step."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.figures.drive_figures import all_cells
from cabcanary.review.figures.trend import Trend, trend

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.review.figures.drive_figures import Figures

#: Fewer drives have no trend.
LEAST_DRIVES = 6
#: Name, kind of figure, unit, scale.
_KINDS = (
    ("mixture at like boost", "mixture", "%", 100.0),
    ("boost at like speed", "boost", "%", 100.0),
    ("idle pressure", "idle", "kPa", 1.0),
    ("lowest supply", "supply", "V", 1.0),
)


def trends(drives: Sequence[Figures]) -> list[Trend]:
    """Every figure that enough drives have; the drives in their order in time."""
    found = []
    for name, kind, unit, scale in _KINDS:
        cells = all_cells(drives, kind)
        numbers = numbers_of(cells)
        rows = [(scale * x, d.drive) for x, d in zip(numbers, drives, strict=True) if x is not None]
        if len(rows) >= LEAST_DRIVES:
            found.append(trend(name, unit, [x for x, _ in rows], [d for _, d in rows]))
    return found


def numbers_of(drives: Sequence[Mapping[int, float]]) -> list[float | None]:
    """One number a drive: how far it lies from the middle of all drives, cell by cell; None for one without cells."""
    cells = {c for d in drives for c in d}
    centre = {c: float(np.median([d[c] for d in drives if c in d])) for c in cells}
    # A cell that a single drive has says nothing of how it lies to the others.
    shared = {c for c in cells if sum(c in d for d in drives) > 1}
    apart = [[d[c] - centre[c] for c in d if c in shared] for d in drives]
    return [float(np.mean(a)) if a else None for a in apart]
