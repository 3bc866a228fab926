"""Two sets of drives compared: one number a drive, matched cell by cell, with the interval of the difference.

Samples within a drive are not independent, so a drive counts once, however long it was.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.student import student_95_between

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: Fewer drives a side than this have no interval.
_LEAST_DRIVES = 2


@dataclass(frozen=True, slots=True)
class Difference:
    """How far the second set lies above the first, and between what with 95 % confidence."""

    middle: float
    low: float
    high: float
    drives: tuple[int, int]

    @property
    def plain(self) -> bool:
        """Whether nothing is outside the interval."""
        return self.low > 0.0 or self.high < 0.0


def difference(before: Sequence[Mapping[int, float]], after: Sequence[Mapping[int, float]]) -> Difference | None:
    """The difference of two sets of drives, each drive with its cells; None where there is too little to tell.

    A drive's number is the mean, over the cells that both sets have, of how far it lies from the middle of the first
    set in that cell. The interval is Welch's (Welch 1947), whose degrees of freedom fall with few drives.
    """
    common = {c for d in before for c in d} & {c for d in after for c in d}
    if not common:
        return None
    centre = {c: float(np.median([d[c] for d in before if c in d])) for c in common}
    first, second = _numbers(before, centre), _numbers(after, centre)
    if min(len(first), len(second)) < _LEAST_DRIVES:
        return None
    middle = float(np.mean(second) - np.mean(first))
    spread = [float(np.var(x, ddof=1)) / len(x) for x in (first, second)]
    error = math.sqrt(sum(spread))
    if error == 0.0:
        return Difference(middle, middle, middle, (len(first), len(second)))
    freedom = sum(spread) ** 2 / sum(v**2 / (len(x) - 1) for v, x in zip(spread, (first, second), strict=True))
    half = student_95_between(freedom) * error
    return Difference(middle, middle - half, middle + half, (len(first), len(second)))


def _numbers(drives: Sequence[Mapping[int, float]], centre: Mapping[int, float]) -> list[float]:
    found = []
    for drive in drives:
        apart = [drive[c] - centre[c] for c in drive if c in centre]
        if apart:
            found.append(float(np.mean(apart)))
    return found
