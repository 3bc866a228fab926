"""Where a manifold keeps still: how an idle is known on a vehicle that has neither speed nor throttle."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

#: It keeps within this for so long, kPa and s.
_STEADY_KPA, STEADY_S = 3.0, 5.0
#: Fewer rows say nothing, and of a slot's rows so many must be wanted ones.
_LEAST_ROWS, _SHARE = 20, 0.9


class Spell(NamedTuple):
    """Five seconds in which the pressure kept still: its level, kPa, and the rows."""

    level: float
    rows: Mask


def still_spells(seconds: Floats, wanted: Mask, kpa: Floats) -> list[Spell]:
    """Every slot of five seconds, of those rows, in which the pressure kept still."""
    found = []
    slot = (seconds // STEADY_S).astype(np.int64)
    for number in np.unique(slot[wanted]):
        rows = (slot == number) & wanted
        if rows.sum() < _SHARE * (slot == number).sum() or rows.sum() < _LEAST_ROWS:
            continue
        low, middle, high = np.percentile(kpa[rows], (5, 50, 95))
        if high - low < _STEADY_KPA:
            found.append(Spell(float(middle), rows))
    return found


def lowest_of(spells: list[Spell], within_kpa: float) -> list[Spell]:
    """The lowest level and those within so much above it: one and the same idle."""
    lowest = min((s.level for s in spells), default=0.0)
    return [s for s in spells if s.level <= lowest + within_kpa]
