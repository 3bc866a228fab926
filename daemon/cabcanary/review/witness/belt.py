"""Whether the compressor makes what it made at the same engine speed: the belt's slip, in per cent.

The law is the machine's own. A wheel's head is in proportion to the square of its tip speed over the inlet's
temperature, with head = ratio^((k-1)/k) - 1 (Euler's equation of turbomachinery; Dixon and Hall, Fluid Mechanics and
Thermodynamics of Turbomachinery, ch. 7; from memory). A fixed volume a turn gives a ratio that speed hardly changes and
slip takes from in proportion. An exhaust-driven one has no belt.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.figures.trend import trend
from cabcanary.review.witness.estimate import NOTHING, NOTICE, TOLD, Finding, cannot_tell, generator, of_draws, shift
from cabcanary.review.witness.two_way import huber, levels
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cabcanary.review.witness.drive_signals import DriveSignals

    Floats = NDArray[np.float64]

NAME = "compressor and belt"
#: (k - 1) / k of air.
_HEAD = 0.4 / 1.4
_CELL_RPM, _WIDE_PERCENT, _LEAST_RATIO = 250.0, 80.0, 1.02
#: The throttle has been open for so many rows before the boost counts.
_SETTLED_ROWS = 2
#: Fewer drives with a wide open throttle before say nothing of how they scatter.
LEAST_BEFORE = 4
#: A drive's level is not known better than this (a per cent of head is the sensors' noise over a pull).
_LEAST_SCATTER = 0.002
#: By what power of the wheel's speed its head falls with slip: 2, less where it is less efficient the faster it turns,
#: and more where more flow per turn costs head too.
_POWER = (1.75, 2.5)
#: A share of slip takes so much of a fixed volume's ratio: somewhat less for leakage inside, nearly twice where
#: the charge is cooler for it as well (no cooler behind it).
_RATIO_PER_SLIP = (0.92, 1.78)
#: Standard uncertainty of the inlet's temperature between two sets of drives, of itself: measured; from the charge
#: behind the compressor (heat soak); by season alone, 0 to 35 C.
_INLET = {"measured": 0.004, "behind it": 0.010, "": 0.045}
#: A hose or a bypass comes from one drive to the next; so large a step is told as one, share of the ratio.
_STEP = 0.01


def wide_open(drive: DriveSignals) -> NDArray[np.bool_]:
    """Rows at a throttle that has been wide open for a second."""
    wide = drive.throttle > _WIDE_PERCENT
    for n in range(1, _SETTLED_ROWS + 1):
        wide[n:] &= drive.throttle[:-n] > _WIDE_PERCENT
    wide[:_SETTLED_ROWS] = False
    found: NDArray[np.bool_] = wide & (drive.running == 1.0)
    return found


def cells_of(drive: DriveSignals, kind: str) -> dict[int, float]:
    """By steps of engine speed the logarithm of what the law says is the same at every speed.

    A wheel: log(head T / N^2), N in rpm and T in K (left out where no temperature is known). Others: log(ratio).
    """
    ratio = drive.map_kpa / drive.air_kpa
    with np.errstate(all="ignore"):
        rows = wide_open(drive) & (ratio > _LEAST_RATIO) & np.isfinite(drive.rpm)
        if kind == "centrifugal":
            warm = drive.air_k[(drive.running == 1.0) & (drive.map_kpa < drive.air_kpa)]
            warm = warm[np.isfinite(warm)]
            inlet = float(np.median(warm)) if len(warm) else 1.0
            value = np.log((ratio**_HEAD - 1.0) * inlet / drive.rpm**2)
        else:
            value = np.log(ratio)
    cell = np.floor(drive.rpm / _CELL_RPM)
    return {int(c): float(np.median(value[rows & (cell == c)])) for c in np.unique(cell[rows])}


def power_of(drives: Sequence[DriveSignals]) -> float | None:
    """By what power of engine speed ratio - 1 grows, wide open: about 2 of a wheel, near 0 of a fixed volume.

    None where speeds within a factor 1.3 were seen.
    """
    speeds, heads = [], []
    for drive in drives:
        ratio = drive.map_kpa / drive.air_kpa
        with np.errstate(invalid="ignore"):
            rows = wide_open(drive) & (ratio > _LEAST_RATIO) & np.isfinite(drive.rpm)
        speeds.append(np.log(drive.rpm[rows]))
        heads.append(np.log(ratio[rows] - 1.0))
    x, y = np.concatenate(speeds), np.concatenate(heads)
    if len(x) < 10 or np.ptp(np.percentile(x, (5, 95))) < np.log(1.3):
        return None
    return float(huber(np.column_stack((np.ones_like(x), x)), y)[1])


def belt(kind: str, before: Sequence[DriveSignals], judged: Sequence[DriveSignals]) -> Finding:
    """How much less the compressor turns for the same engine speed in the drives judged than in those before, both of
    one stage; never an answer without engine speed, throttle and enough pulls."""
    every = [*before, *judged]
    lacks = _lacks(kind, every)
    if lacks is not None:
        return lacks
    cells = [cells_of(d, kind) for d in every]
    numbers = levels(cells)
    old = [x for x in numbers[: len(before)] if x is not None]
    new = [x for x in numbers[len(before) :] if x is not None]
    if len(old) < LEAST_BEFORE or not new:
        return cannot_tell(
            NAME,
            f"{len(old)} drives before and {len(new)} judged reached a wide open throttle at like engine speed",
            f"{LEAST_BEFORE} drives before with a pull each, and one judged",
        )
    rng = generator()
    found = shift(old, new, _LEAST_SCATTER)
    draws = found.draws(rng)
    power = power_of(every)
    figures = {"drives": [len(old), len(new)], "power_of_speed": power}
    if kind == "centrifugal":
        known = min((d.air_known for d in every), key=lambda k: -_INLET[k])
        draws = draws + _INLET[known] * rng.standard_normal(len(draws))
        draws = draws / rng.uniform(*_POWER, len(draws))
    elif kind == "displacement":
        draws = draws / rng.uniform(*_RATIO_PER_SLIP, len(draws))
    slip = of_draws(-100.0 * np.expm1(draws))
    return _told(
        kind, Finding(NAME, "", "", "", {"slip_percent": slip}, figures), [x for x in numbers if x is not None]
    )


def _lacks(kind: str, every: Sequence[DriveSignals]) -> Finding | None:
    if kind == "none":
        return cannot_tell(NAME, "this stage has no compressor", "one")
    needs = [
        words
        for words, part in (("engine speed", "rpm"), ("the throttle", "throttle"), ("the air's pressure", "air_kpa"))
        if not any(d.seen(part) for d in every)
    ]
    if needs:
        return cannot_tell(NAME, f"{' and '.join(needs)} {'is' if len(needs) == 1 else 'are'} not measured", needs[0])
    return None


def _told(kind: str, found: Finding, numbers: Sequence[float]) -> Finding:
    slip = found.estimates["slip_percent"]
    stepped = trend("ratio", "", numbers, [str(n) for n in range(len(numbers))]).step if len(numbers) >= 6 else None
    step = stepped is not None and abs(stepped) > _STEP
    shape = " It came from one drive to the next: sooner a bypass or a hose than a belt that wears." if step else ""
    if kind == "turbo":
        head = f"the pressure ratio at like engine speed is {slip.spelt(2)} % lower than before; a turbo has no belt"
        shape = shape or " By the law of a turbo alone nobody can say why."
    else:
        head = f"the belt slips {slip.spelt(2)} % more than before, by the boost at like engine speed"
    if not slip.plain or abs(slip.middle) < NOTICE:
        within = max(abs(slip.low), abs(slip.high))
        what = "boost at like engine speed" if kind == "turbo" else "belt slip"
        return Finding(
            NAME, NOTHING, f"no change of {what} was seen; one of {spelt(within, 2)} % would have been.",
            "", found.estimates, found.figures,
        )  # fmt: skip
    if slip.middle < 0:
        head = f"the compressor makes more than before, as {spelt(-slip.middle, 2)} % more turns would"
    return Finding(NAME, TOLD, f"{head}.{shape}", "", found.estimates, {**found.figures, "step": step})
