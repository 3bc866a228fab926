"""Whether the wideband tells the truth: held against the engine's own closed loop, and what else shifts the mixture."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.review.witness import mixture_causes as causes
from cabcanary.review.witness.estimate import (
    CANNOT_TELL,
    NOTHING,
    TOLD,
    Estimate,
    Finding,
    cannot_tell,
    generator,
    of_draws,
    shift,
)
from cabcanary.review.witness.mixture_cells import mixture_cells
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.review.witness.drive_signals import DriveSignals
    from cabcanary.review.witness.mixture_cells import MixtureCells

BIAS, CAUSE = "is the wideband telling the truth", "what shifts the mixture"
LEAST_BEFORE = 4
#: Where the loop's own sensor holds the mixture: lambda 1 within this, standard uncertainty (from memory).
LOOP = 0.0025
#: A drive's mean is not known better; and a walk from drive to drive of so much is asked about.
_LEAST_SCATTER = 0.001
_WALKS = (0.0, 0.0005, 0.001, 0.002, 0.004, 0.008, 0.016)
#: A bias below this, share, is within what any gauge is sold with.
_NOTICE = 0.015
#: So probable a cause is told, and one that is not says so: wrong is worse than no answer.
_TOLD, _NOTHING = 0.90, 0.75


def bias(drives: Sequence[DriveSignals]) -> Finding:
    """By how much the wideband shows too much now, a share, from all drives in their order in time.

    A random walk from drive to drive, whose step is the likeliest of some (Kalman filter; Kalman 1960).
    """
    cells = [mixture_cells(d) for d in drives]
    numbers = [x for c in cells if (x := _closed(c)) is not None]
    if not numbers:
        lacks = not any(d.seen("closed") for d in drives)
        why = (
            "the bus does not say when the engine's own loop is closed" if lacks else "no drive had a warm closed loop"
        )
        return cannot_tell(
            BIAS, why, "the fuel system's status (PID 03) on the bus, and ten seconds of a warm closed loop"
        )
    middle, error = walk(np.array(numbers))
    draws = np.expm1(middle + np.hypot(error, LOOP) * generator().standard_normal(20_000))
    found = of_draws(100.0 * draws)
    return _bias_told(found, len(numbers))


def _closed(cells: MixtureCells) -> float | None:
    """Away from idle, where a leak of the exhaust is not drawn in."""
    values = [v for (kind, n), v in cells.values.items() if kind == "shown" and n > 1]
    return float(np.mean(values)) if values else None


def walk(numbers: np.ndarray[tuple[int], np.dtype[np.float64]]) -> tuple[float, float]:
    """Where a random walk has got to by its last number, and the standard error."""
    steps = np.diff(numbers)
    # Differences of neighbours have twice the noise and one step of the walk.
    noise = max(float(np.sqrt(np.mean(steps**2) / 2)) if len(steps) else 0.003, _LEAST_SCATTER)
    results = []
    for step in _WALKS:
        for share in (0.25, 0.5, 1.0):
            spread = max(noise * share, _LEAST_SCATTER)
            results.append(_filtered(numbers, step**2, spread**2))
    logs = np.array([r[2] for r in results])
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    middle = float(weights @ np.array([r[0] for r in results]))
    spread = float(weights @ np.array([r[1] + (r[0] - middle) ** 2 for r in results]))
    return middle, float(np.sqrt(spread))


def _filtered(
    numbers: np.ndarray[tuple[int], np.dtype[np.float64]], step: float, noise: float
) -> tuple[float, float, float]:
    """State, its variance and the log likelihood; the first number begins it."""
    state, variance, log = float(numbers[0]), noise, 0.0
    for number in numbers[1:]:
        variance += step
        total = variance + noise
        apart = float(number) - state
        log -= 0.5 * (apart**2 / total + float(np.log(total)))
        state, variance = state + variance / total * apart, variance * noise / total
    return state, variance, log


def _bias_told(found: Estimate, drives: int) -> Finding:
    estimates, figures = {"shows_too_much_percent": found}, {"drives": drives}
    far = max(abs(found.low), abs(found.high))
    under = (
        "Under boost no loop witnesses it: if it is off there by the same share, a shown 0.82 was "
        f"{spelt(0.82 / (1 + found.middle / 100), 3)} ({spelt(0.82 / (1 + found.high / 100), 3)} to "
        f"{spelt(0.82 / (1 + found.low / 100), 3)})"
    )
    if not found.plain or abs(found.middle) < 100 * _NOTICE:
        words = (
            f"at lambda 1 it agrees with the engine's own loop within {spelt(far, 2)} % in {drives} drives. {under}."
        )
        return Finding(BIAS, NOTHING, words, "", estimates, figures)
    side = "lean" if found.middle > 0 else "rich"
    words = f"at lambda 1 it shows {found.spelt(2, '+')} % (too {side}), by the engine's own loop. {under}."
    return Finding(BIAS, TOLD, words, "", estimates, figures)


def cause(before: Sequence[DriveSignals], judged: Sequence[DriveSignals]) -> Finding:
    """What has shifted the mixture between two sets of drives, by its shape over air flow; or that nobody can tell."""
    old, new = [mixture_cells(d) for d in before], [mixture_cells(d) for d in judged]
    seen, errors = {}, {}
    for key in sorted({k for c in new for k in c.values}):
        sides = [[c.values[key] for c in side if key in c.values] for side in (old, new)]
        if len(sides[0]) >= LEAST_BEFORE and sides[1]:
            found = shift(sides[0], sides[1])
            seen[key], errors[key] = found.middle, found.error
    kinds = {k for k, _ in seen}
    bands = {n for k, n in seen if k == "trim"}
    if "trim" not in kinds or len(bands) < 3 or 0 not in bands:
        return cannot_tell(
            CAUSE, "the shape of the trims over air flow was not seen on enough drives",
            f"fuel trims and the fuel system's status on the bus, {LEAST_BEFORE} drives before with an idle and a road",
        )  # fmt: skip
    flows = {
        n: float(np.mean([c.flows[n] for c in (*old, *new) if n in c.flows]))
        for n in range(5)
        if any(n in c.flows for c in (*old, *new))
    }
    weights = causes.weigh(seen, errors, flows)
    return _cause_told(weights, seen, metered="air" in kinds)


_SENTENCES = {
    causes.WIDEBAND: "the wideband's reading has moved by {shown} % everywhere and the trims have not: the gauge",
    causes.AIR: "trims grew by {idle} % at idle and fade with flow, and more air is taken than metered: air is "
    "let in behind the meter",
    causes.EXHAUST: "trims or the reading grew by {idle} % at idle alone: an exhaust that leaks ahead of the sensor",
    causes.FUEL: "trims moved by {far} % with as much air as before: the fuel's blend or pressure, or the injectors",
    causes.METER: "trims moved by {far} % everywhere, and so did air by speed and density over metered air: the meter",
    causes.BOOSTED: "the mixture moved under boost alone: fuel under load, or a sensor whose error grows with pressure",
}


def _cause_told(weights: dict[str, float], seen: dict[tuple[str, int], float], *, metered: bool) -> Finding:
    ordered = sorted(weights.items(), key=lambda w: -w[1])
    figures = {"probabilities": {k: round(v, 4) for k, v in ordered}, "cause": None}
    name, probable = ordered[0]
    if name == causes.NOTHING and probable > _NOTHING:
        return Finding(
            CAUSE, NOTHING, "nothing moved beyond what tanks and days explain.", "", {}, figures | {"cause": name}
        )
    if name == causes.NOTHING or probable < _TOLD or weights[causes.NOTHING] > _FALSE:
        likely = " or ".join(k for k, v in ordered[:2])
        return Finding(CAUSE, CANNOT_TELL, f"I can't tell: {likely} would look like this.", "more drives", {}, figures)
    if name in (causes.FUEL, causes.METER) and not metered:
        name = causes.FUEL
    far = [v for (k, n), v in seen.items() if k == "trim" and n > 1]
    shown = [v for (k, n), v in seen.items() if k == "shown" and n > 0]
    parts = {
        "idle": spelt(100 * max(seen.get(("trim", 0), 0.0), seen.get(("shown", 0), 0.0)), 2, "+"),
        "far": spelt(100 * float(np.mean(far)), 2, "+") if far else "?",
        "shown": spelt(100 * float(np.mean(shown)), 2, "+") if shown else "?",
    }
    words = f"{_SENTENCES[name].format(**parts)} (probability {spelt(probable, 3)})."
    return Finding(CAUSE, TOLD, words, "", {}, figures | {"cause": name})


#: A fault is told where nothing at all is less probable than this.
_FALSE = 0.005
