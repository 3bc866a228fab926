"""Under boost, where no loop is closed: what the wideband shows beside the engine's own air over its own fuel.

On the road the loop holds lambda at 1, and that says what air over fuel is there, whatever the scale of the meter
and of the injectors and the blend of the tank. Under boost of the same drive the wideband should move by as much as air
over fuel does. Where it does not, the gauge is another one there than on the road (back pressure), or the fuel that the
engine believes to deliver is not delivered. Which of them the numbers cannot say.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.witness.drive_signals import ROW_S
from cabcanary.review.witness.estimate import (
    DRAWS,
    NOTHING,
    TOLD,
    Finding,
    cannot_tell,
    generator,
    of_draws,
    shift,
)
from cabcanary.review.witness.leak import idle_rows
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cabcanary.review.witness.drive_signals import DriveSignals

    Floats = NDArray[np.float64]
    Truths = NDArray[np.bool_]

QUESTION = "is the mixture under boost what air over fuel says"
LEAST_BEFORE = 4
#: From this pressure ratio on; a pull's first rows are of the gas before it.
_BOOSTED, _SETTLING_ROWS = 1.08, 3
_LEAST_ROAD_ROWS, _LEAST_BOOSTED_ROWS = 40, 8
#: The road begins at so many times the idle's flow.
_OVER_IDLE = 1.6
#: Flow that changes faster than this, share a second, is left out: meter, fuel and gauge are not of one instant.
_FASTEST = 0.5
#: How much later than the air the fuel may be told, s.
_LAGS_S = np.arange(0.0, 2.55, 0.1)
#: How far meter and injectors are off at high flow beside the road, standard uncertainty; from memory.
_CURVES = 0.023
#: And how far one drive may lie from another of the same vehicle.
_LEAST_SCATTER = 0.004
#: What is less is within what both curves do, share.
_NOTICE = 0.02


def under_boost(before: Sequence[DriveSignals], judged: Sequence[DriveSignals]) -> Finding:
    """By how much the wideband shows more under boost than air over fuel says, %, and how far that has moved."""
    if not any(d.seen("fuel_rate", "mass_air") for d in judged):
        return cannot_tell(
            QUESTION, "the bus does not tell the metered air and the fuel rate",
            "mass air flow (PID 10) and fuel rate (PID 5E) on the bus: many vehicles have one of them",
        )  # fmt: skip
    lags = [lag for d in (*before, *judged) if (lag := lag_of(d)) is not None]
    lag_s = float(np.median(lags)) if lags else 0.0
    old, new = ([x for d in drives if (x := apart(d, lag_s)) is not None] for drives in (before, judged))
    if not new:
        return cannot_tell(
            QUESTION, "there is too little of a warm closed loop and of boost in one drive",
            f"{spelt(_LEAST_BOOSTED_ROWS * ROW_S)} s of settled boost, {spelt(_LEAST_ROAD_ROWS * ROW_S)} s of the road",
        )  # fmt: skip
    rng = generator()
    scatter = max(float(np.std([*old, *new])), _LEAST_SCATTER)
    error = np.hypot(scatter / np.sqrt(len(new)), _CURVES)
    now = of_draws(100 * np.expm1(float(np.mean(new)) + error * rng.standard_normal(DRAWS)))
    estimates = {"apart_percent": now}
    moved = None
    if len(old) >= LEAST_BEFORE:
        moved = of_draws(100 * np.expm1(shift(old, new, _LEAST_SCATTER).draws(rng)))
        estimates["moved_percent"] = moved
    figures = {"drives": len(new), "before": len(old)}
    if moved is not None and moved.plain and abs(moved.middle) > 100 * _NOTICE:
        words = f"under boost alone the wideband has moved by {moved.spelt(2, '+')} % against air over fuel"
        return Finding(QUESTION, TOLD, _which(words, moved.middle), "", estimates, figures)
    if now.plain and abs(now.middle) > 100 * _NOTICE:
        words = f"under boost the wideband shows {now.spelt(2, '+')} % beside air over fuel, both taken from the road"
        return Finding(QUESTION, TOLD, _which(words, now.middle), "", estimates, figures)
    words = f"under boost the wideband goes with air over fuel: {now.spelt(2, '+')} %"
    if moved is not None:
        words += f", and moved by {moved.spelt(2, '+')} % since the drives before"
    return Finding(QUESTION, NOTHING, f"{words}.", "", estimates, figures)


def _which(words: str, middle: float) -> str:
    """Both of two causes: the numbers are the same, and only one of them hurts the engine."""
    if middle > 0:
        return (
            f"{words}. Fuel that is not delivered (pump, filter, injectors) looks like this, and so does a gauge that "
            "reads lean with back pressure: I can't tell which. Believe the lean reading until the fuel pressure was "
            "measured under boost."
        )
    return (
        f"{words}. Such a gauge reads rich under boost, and the mixture may be leaner than shown "
        f"(a shown 0.82 may be {spelt(0.82 / (1 + middle / 100), 3)}); or more fuel is delivered than the engine knows."
    )


def apart(drive: DriveSignals, lag_s: float) -> float | None:
    """Of one drive: log of the wideband over air over fuel, under boost less on the road; None: too little was seen.

    Fuel is told `lag_s` later than air.
    """
    if drive.fuel_rate is None or not drive.seen("fuel_rate", "mass_air", "mixture", "closed"):
        return None
    with np.errstate(all="ignore"):
        flow, fuel = np.log(drive.mass_air), np.log(drive.fuel_rate)
        ratio = drive.map_kpa / drive.air_kpa
        fuel = _later(fuel, drive.seconds, lag_s)
        differs = np.log(drive.mixture) - (flow - fuel)
        rate = _rate(flow, drive.seconds)
        boosted = (drive.running == 1.0) & (drive.closed < 0.01) & (ratio >= _BOOSTED)
    usable = np.isfinite(differs) & (np.abs(rate) < _FASTEST) & (drive.masked < 0.5)
    road = usable & drive.warm & (drive.closed > 0.99) & _above_idle(drive)
    boosted = usable & _settled(boosted)
    if road.sum() < _LEAST_ROAD_ROWS or boosted.sum() < _LEAST_BOOSTED_ROWS:
        return None
    # Air let in behind the meter is metered on the road too little by a share that fades as one over the flow.
    fading = np.column_stack([np.ones(road.sum()), 1.0 / drive.mass_air[road]])
    at_high_flow = np.linalg.lstsq(fading, differs[road], rcond=None)[0][0]
    return float(np.mean(differs[boosted]) - at_high_flow)


def _above_idle(drive: DriveSignals) -> Truths:
    """Rows with plainly more flow than an idle has: an exhaust's leak and a leak's largest share are left out."""
    idle = drive.mass_air[idle_rows(drive)]
    idle = idle[np.isfinite(idle)]
    found: Truths = drive.mass_air >= _OVER_IDLE * (float(np.median(idle)) if len(idle) else 0.0)
    return found


def lag_of(drive: DriveSignals) -> float | None:
    """By how much the bus tells the fuel later than the air, s: where their ratio moves least from row to row.

    One drive tells it to a fifth of a second, in which a pull's flow grows by 4 %. It is the bus's own, so the middle
    of many drives is taken.
    """
    if drive.fuel_rate is None:
        return None
    with np.errstate(all="ignore"):
        flow, fuel = np.log(drive.mass_air), np.log(drive.fuel_rate)
        moves = [np.abs(np.diff(flow - _later(fuel, drive.seconds, lag))) for lag in _LAGS_S]
    kept = [m[np.isfinite(m)] for m in moves]
    if min(map(len, kept)) < _LEAST_ROAD_ROWS:
        return None
    return float(_LAGS_S[int(np.argmin([m.mean() for m in kept]))])


def _later(values: Floats, seconds: Floats, lag_s: float) -> Floats:
    """What will have been told so much later; NaN where that is not seen."""
    whole = int(lag_s / ROW_S)
    part = lag_s / ROW_S - whole
    padded = np.append(values, np.full(whole + 1, np.nan))
    times = np.append(seconds, np.full(whole + 1, np.nan))
    count = len(values)
    near, far = padded[whole : whole + count], padded[whole + 1 : whole + 1 + count]
    found = near if part == 0.0 else (1 - part) * near + part * far
    # Rows that were left out lie between.
    return np.where(
        times[whole + (part > 0) : whole + (part > 0) + count] - seconds < lag_s + 1.5 * ROW_S, found, np.nan
    )


def _rate(flow: Floats, seconds: Floats) -> Floats:
    """Change of a logarithm a second, between the neighbours of each row; NaN beside a gap."""
    found = np.full(len(flow), np.nan)
    if len(flow) > 2:
        span = seconds[2:] - seconds[:-2]
        found[1:-1] = np.where(span < 2.5 * ROW_S, (flow[2:] - flow[:-2]) / span, np.nan)
    return found


def _settled(boosted: Truths) -> Truths:
    """Without the first rows of each pull."""
    kept = boosted.copy()
    for back in range(1, _SETTLING_ROWS + 1):
        kept[back:] &= boosted[:-back]
        kept[:back] = False
    return kept
