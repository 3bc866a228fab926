"""Whether a step in the trims is the fuel of another blend: by when it came, its sign and its size."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from cabcanary.review.figures.trend import Trend
    from cabcanary.store.fuel_receipts import Receipt

#: What a step may lie beside the stoichiometry's: the loop's target, density, the learning of long trims, per cent.
_BESIDE = 0.6
#: Less of a change of blend is none that a trim would show, per cent.
_LEAST = 0.4


class Blend(NamedTuple):
    """A change of blend: the fills around it, and by how much trims follow, per cent, once the tank holds it alone."""

    was: Receipt
    now: Receipt
    percent: float


def changes_of(receipts: Sequence[Receipt]) -> list[Blend]:
    """Every fill with another blend than the one before. The mass of fuel for the same air goes with one over the
    stoichiometric ratio."""
    found = []
    for was, now in pairwise(receipts):
        percent = 100.0 * (was.ratio / now.ratio - 1.0)
        if abs(percent) >= _LEAST:
            found.append(Blend(was, now, percent))
    return found


def explained(trend: Trend, days: Sequence[date], receipts: Sequence[Receipt]) -> str:
    """What the blends say of a step in a trend of trims; empty where none was changed then. `days` of its drives."""
    if trend.step is None or trend.step_low is None or trend.step_high is None:
        return ""
    # Which drive a step came with is known to about one.
    at = trend.drives.index(trend.step_at)
    first, last = days[max(0, at - 2)], days[at]
    blend = next((b for b in reversed(changes_of(receipts)) if first <= b.now.day <= last), None)
    if blend is None:
        return ""
    said = f"the blend changed from {blend.was.words} to {blend.now.words} on {blend.now.day}"
    full, sign = abs(blend.percent), 1.0 if blend.percent > 0 else -1.0
    size = f"{spelt(blend.percent, 2, '+')} % by stoichiometry, less while the tank is mixed"
    low, high = sorted((sign * trend.step_low, sign * trend.step_high))
    if high < 0.0 or low > full + _BESIDE:
        left = trend.step - blend.percent
        return f"{said}, which explains {size}, and not this step: {spelt(left, 2, '+')} % is left, look for its cause"
    return f"{said}, which explains it ({size}): fuel, and no drift"
