"""How a wideband ages: how long it takes to warm up, and how fast it comes back from a fuel cut's air."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.model import Quality

if TYPE_CHECKING:
    from cabcanary.review.figures.columns import Columns, Floats

#: From the one mixture down to the other: below every wideband's lean end, above where the closed loop holds it.
_FROM, _TO = 1.35, 1.08
#: A return that takes longer is a driver who feeds the throttle in, s; fewer returns say little.
_LONGEST_S, _LEAST_RETURNS = 1.5, 3
#: Less is a sensor that was warm already, s.
_LEAST_WARM_UP_S = 1.0


def response_s(columns: Columns) -> float | None:
    """The middle time, s, in which the mixture falls from lambda 1.35 to 1.08 when fuel comes back after a cut.

    It holds the sensor's own lag and the gas's mixing: a figure to be compared with itself, from drive to drive.
    """
    more = (Quality.SATURATED_HIGH, Quality.SATURATED_LOW)
    mixture, seconds = columns.good(columns.roles.mixture, "", *more), columns.seconds
    found, left = [], None
    falls = np.flatnonzero((mixture[:-1] >= _FROM) & (mixture[1:] < _FROM))
    for row in falls.tolist():
        left = _crossing(mixture, seconds, row, _FROM)
        last = int(np.searchsorted(seconds, seconds[row] + _LONGEST_S))
        after = mixture[row + 1 : last + 1]
        ends = np.flatnonzero(after < _TO)
        # It came back in one go: no gap, and no second cut on the way.
        if not len(ends) or not np.isfinite(after[: ends[0]]).all() or (after[: ends[0]] >= _FROM).any():
            continue
        found.append(_crossing(mixture, seconds, row + int(ends[0]), _TO) - left)
    return float(np.median(found)) if len(found) >= _LEAST_RETURNS else None


def _crossing(mixture: Floats, seconds: Floats, row: int, level: float) -> float:
    """When it passes the level between a row and the next, s."""
    above, below = float(mixture[row]), float(mixture[row + 1])
    share = (above - level) / (above - below) if above > below else 1.0
    return float(seconds[row] + min(max(share, 0.0), 1.0) * (seconds[row + 1] - seconds[row]))


def warm_up_s(columns: Columns) -> float | None:
    """From the drive's first sample until the mixture is first seen, s, in a drive that the monitor came up with.

    None where the sensor was warm, was never seen, or had been heating before the drive's first sample.
    """
    name = columns.roles.mixture
    if not columns.has(name) or name is None or not columns.rows:
        return None
    qualities, seconds = columns.quality(name), columns.seconds - columns.seconds[0]
    usable = np.isin(qualities, (Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW))
    running = np.flatnonzero(columns.running())
    if not usable.any() or not len(running):
        return None
    first = int(np.argmax(usable))
    # What was kept from before the start is all there was: else it had been heating unseen.
    came_up = seconds[running[0]] < columns.drive.plan.settings.drive.kept_before - 0.5
    warmed = (qualities[:first] == Quality.WARMING).any() and seconds[first] >= _LEAST_WARM_UP_S
    return float(seconds[first]) if came_up and warmed else None
