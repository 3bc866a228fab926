"""What state compressor and cooler are in: how far the charge warms in a pull, beside what its compression alone does.

Without loss a compression by `ratio` warms air of T1 by T1 (ratio^((k-1)/k) - 1), k = 1.4 (isentropic; Dixon and Hall,
Fluid Mechanics and Thermodynamics of Turbomachinery, ch. 1; from memory). A compressor of efficiency e warms it by 1/e
of that, and a cooler leaves a part. Their product is held against that of the drives before. A charge sensor takes
seconds, so the law is made as slow as it, and like seconds of a pull are compared.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.witness.drive_signals import ROW_S
from cabcanary.review.witness.estimate import NOTHING, TOLD, Finding, cannot_tell, generator, of_draws, shift
from cabcanary.review.witness.two_way import levels
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cabcanary.review.witness.drive_signals import DriveSignals

    Floats = NDArray[np.float64]
    Truths = NDArray[np.bool_]

NAME = "the charge's heat"
LEAST_BEFORE = 4
#: (k - 1) / k of air.
_HEAD = 0.4 / 1.4
_BOOSTED = 1.08
#: Seconds into a pull that are compared with like ones.
_PARTS_S = (2.0, 3.0, 4.5, 6.5, 10.0, 15.0)
#: Time constants of a charge sensor, s.
_SLOW_S = (0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 6.0, 8.0, 12.0, 18.0)
#: Rows before a pull in which the charge's temperature is taken; and what of a rise and of its law is enough, K.
_BEFORE_ROWS, _LEAST_RISE_K, _LEAST_LAW_K = 4, 1.0, 1.0
#: A drive's number is not known better, share; nor is what two sets of drives differ in besides: the bay's own heat,
#: wind, the cooler's start (standard uncertainty, from memory).
_LEAST_SCATTER, _COMMON = 0.01, 0.03
#: Less is nobody's business, share.
_NOTICE = 0.08


def heat(before: Sequence[DriveSignals], judged: Sequence[DriveSignals]) -> Finding:
    """By how much more the charge warms for like compression in the drives judged than in those before, per cent."""
    every = [*before, *judged]
    if not any(d.seen("charge_k", "map_kpa", "air_kpa") for d in judged):
        return cannot_tell(
            NAME, "the charge's temperature, or its pressure and the air's, are not measured",
            "a charge temperature sensor behind compressor and cooler",
        )  # fmt: skip
    slow_s = slowness(every)
    numbers = levels([cells_of(d, slow_s) for d in every])
    old = [x for x in numbers[: len(before)] if x is not None]
    new = [x for x in numbers[len(before) :] if x is not None]
    if len(old) < LEAST_BEFORE or not new:
        return cannot_tell(
            NAME, f"{len(old)} drives before and {len(new)} judged had a pull of {spelt(_PARTS_S[1])} s",
            f"{LEAST_BEFORE} drives before with such a pull, and one judged",
        )  # fmt: skip
    rng = generator()
    draws = shift(old, new, _LEAST_SCATTER).draws(rng)
    draws = draws + _COMMON * rng.standard_normal(len(draws))
    found = of_draws(100.0 * np.expm1(draws))
    estimates, figures = {"warms_more_percent": found}, {"drives": [len(old), len(new)], "sensor_s": slow_s}
    if not found.plain or abs(found.middle) < 100 * _NOTICE:
        seen = f"{spelt(max(abs(found.low), abs(found.high)), 2)} %"
        words = f"for like compression it warms as before; a change of {seen} would have been seen."
        return Finding(NAME, NOTHING, words, "", estimates, figures)
    if found.middle < 0:
        words = (
            f"for like compression it warms by {found.spelt(2, '+')} % beside before: a better cooler, or colder air"
        )
        return Finding(NAME, TOLD, f"{words} than is measured.", "", estimates, figures)
    words = (
        f"for like compression it warms by {found.spelt(2, '+')} % more than before: the compressor has lost "
        "efficiency, or the cooler passes less heat (dirt, its pump, its water). I can't tell which. A warmer charge "
        "knocks sooner."
    )
    return Finding(NAME, TOLD, words, "", estimates, figures)


def slowness(drives: Sequence[DriveSignals]) -> float:
    """The sensor's time constant, s, of those asked about: the one by which each pull's points say the same."""
    scatter = []
    for slow_s in _SLOW_S:
        apart = [p - np.median(p) for d in drives for _, p in _points(d, slow_s) if len(p) > 2]
        scatter.append(float(np.mean(np.abs(np.concatenate(apart)))) if apart else 0.0)
    return _SLOW_S[int(np.argmin(scatter))]


def cells_of(drive: DriveSignals, slow_s: float) -> dict[int, float]:
    """By parts of a pull the logarithm of the charge's rise over the isentropic one, as a sensor so slow (s) has it."""
    found: dict[int, list[float]] = {}
    for into, points in _points(drive, slow_s):
        for n, (low, high) in enumerate(pairwise(_PARTS_S)):
            found.setdefault(n, []).extend(points[(into >= low) & (into < high)])
    return {n: float(np.median(values)) for n, values in found.items() if values}


def _points(drive: DriveSignals, slow_s: float) -> list[tuple[Floats, Floats]]:
    """Of each pull the seconds into it and the logarithms, where the rise is enough to be one."""
    if not drive.seen("charge_k", "map_kpa", "air_kpa"):
        return []
    found = []
    with np.errstate(all="ignore"):
        ratio = drive.map_kpa / drive.air_kpa
    for begin, end in _runs((ratio >= _BOOSTED) & (drive.running == 1.0)):
        resting = drive.charge_k[max(0, begin - _BEFORE_ROWS) : begin]
        if not np.isfinite(resting).any():
            continue
        base = float(np.nanmedian(resting))
        outside = drive.air_k[begin:end]
        outside = outside[np.isfinite(outside)]
        inlet = float(np.mean(outside)) if len(outside) and drive.air_known == "measured" else base
        law = _slowly(inlet * (ratio[begin:end] ** _HEAD - 1.0), slow_s)
        rise, into = drive.charge_k[begin:end] - base, ROW_S * np.arange(1, end - begin + 1)
        kept = (rise > _LEAST_RISE_K) & (law > _LEAST_LAW_K) & (into >= _PARTS_S[0])
        points: Floats = np.asarray(np.log(rise[kept] / law[kept]), dtype=np.float64)
        found.append((np.asarray(into[kept], dtype=np.float64), points))
    return found


def _slowly(law: Floats, slow_s: float) -> Floats:
    """A first-order sensor's answer to it, from nothing on."""
    follows = -np.expm1(-ROW_S / slow_s)
    seen, found = 0.0, np.empty(len(law))
    for n, value in enumerate(law):
        seen += follows * (value - seen)
        found[n] = seen
    return found


def _runs(wanted: Truths) -> list[tuple[int, int]]:
    """Where it is true: from a row on, to before another."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], wanted, [False]]).astype(np.int8)))
    return [(int(a), int(b)) for a, b in edges.reshape(-1, 2) if a > 0]
