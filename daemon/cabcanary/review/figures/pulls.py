"""Pulls: stretches of boost, how long each has lasted at a tick, and what the charge air did in each."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.model import Quality
from cabcanary.review.figures.columns import spans
from cabcanary.review.figures.drive_figures import FROM_PSI

if TYPE_CHECKING:
    from cabcanary.review.figures.columns import Columns, Floats

#: Shorter ones say nothing of heat, s; and the charge air goes on warming for so long after one.
LEAST_PULL_S, _AFTER_S = 1.0, 3.0


@dataclass(frozen=True, slots=True)
class Rise:
    """What one pull did to the charge air: from what, by how much at most (within what, 95 %), at what mean boost."""

    at_s: float
    seconds: float
    boost_psi: float
    from_c: float
    rise_k: float
    within_k: float


def seconds_into(columns: Columns) -> Floats:
    """For how long the pull has lasted in which the gas at the wideband was burnt, s; NaN outside pulls."""
    found = np.full(columns.rows, np.nan)
    if columns.roles.burnt is None:
        return found
    boost = columns.good(columns.roles.burnt, "psi", Quality.WITHIN)
    for first, last in spans(boost > FROM_PSI):
        found[first:last] = columns.seconds[first:last] - columns.seconds[first]
    return found


def rises(columns: Columns, charge: str | None) -> list[Rise]:
    """Every pull of a second and more in which the charge temperature was seen."""
    if columns.roles.boost is None or not columns.has(charge):
        return []
    boost, warm = columns.good(columns.roles.boost, "psi", Quality.WITHIN), columns.good(charge, "°C")
    doubt, found = columns.doubt(charge, "K"), []
    for first, last in spans(boost > FROM_PSI):
        seconds = float(columns.seconds[last - 1] - columns.seconds[first])
        end = int(np.searchsorted(columns.seconds, columns.seconds[last - 1] + _AFTER_S, side="right"))
        during = warm[first:end]
        if seconds < LEAST_PULL_S or not np.isfinite(warm[first]) or not np.isfinite(during).any():
            continue
        # Two readings of one sensor: what is wrong with it as a whole drops out of their difference, and nobody has
        # said how much of it that is, so none is taken off.
        within = 2.0 * float(np.hypot(doubt[first], doubt[first]))
        rise = float(np.nanmax(during) - warm[first])
        mean = float(np.nanmean(boost[first:last]))
        found.append(Rise(float(columns.seconds[first]), seconds, mean, float(warm[first]), rise, within))
    return found
