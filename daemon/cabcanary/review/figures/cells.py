"""A quantity by two others, in cells: how much of it was seen, how it scatters, and how far its middle may be off."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.student import student_95

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.review.figures.columns import Floats, Mask

#: A cell with less than this is empty, s: about what a wideband needs to settle, and a dozen of its readings.
LEAST_S = 0.5
#: A boost that trembles about the edge of a cell is one visit: what lies less apart than this, s, is no second opinion.
APART_S = 2.0
#: More columns than any grid has.
_WIDE = 1 << 20


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell. `ticks` were seen in so many `visits`: between two it was left for longer than `APART_S`.

    `spread` is the standard deviation of single ticks. `within` is how far the mean may be off, at 95 %: two standard
    uncertainties of the sensor, and Student's t over the means of the visits, added. None: there was one visit, and
    what another would show nobody knows.
    """

    ticks: int
    seconds: float
    visits: int
    mean: float
    spread: float
    sensor: float
    within: float | None


def cells(
    rows: Mask, a: Floats, b: Floats, values: Floats, doubt: Floats, seconds: Floats, steps: Floats
) -> dict[tuple[int, int], Cell]:
    """The mean of `values` by whole numbers `a` and `b` (NaN: in no cell), over `rows`.

    `doubt` is the standard uncertainty of each value, `seconds` each row's time, `steps` for how long it stands.
    """
    where = np.flatnonzero(rows & np.isfinite(values) & np.isfinite(a) & np.isfinite(b))
    x, y = a[where].astype(np.int64), b[where].astype(np.int64)
    low = int(y.min()) if len(y) else 0
    code = x * _WIDE + (y - low)
    found: dict[tuple[int, int], Cell] = {}
    for one in np.unique(code).tolist():
        here = where[code == one]
        stands_for = float(steps[here].sum())
        if stands_for < LEAST_S:
            continue
        visit = np.cumsum(np.diff(seconds[here], prepend=seconds[here[0]]) > APART_S)
        numbers, sensor = values[here], 2.0 * float(doubt[here].mean())
        found[one // _WIDE, one % _WIDE + low] = Cell(
            len(here),
            round(stands_for, 2),
            int(visit[-1]) + 1,
            float(numbers.mean()),
            float(numbers.std(ddof=1)) if len(numbers) > 1 else 0.0,
            sensor,
            _within(numbers, visit, sensor),
        )
    return found


def _within(numbers: Floats, visit: NDArray[np.int64], sensor: float) -> float | None:
    means = np.bincount(visit, numbers) / np.bincount(visit)
    if len(means) < 2:
        return None
    return sensor + student_95(len(means) - 1) * float(means.std(ddof=1)) / math.sqrt(len(means))
