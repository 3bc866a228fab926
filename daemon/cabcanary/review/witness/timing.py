"""The wideband's timing, learnt from fuel cuts: how long gas takes to it, how fast it answers, has it grown slow?"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.review.witness.estimate import (
    CANNOT_TELL,
    DRAWS,
    NOTHING,
    TOLD,
    Estimate,
    Finding,
    cannot_tell,
    generator,
    of_draws,
)
from cabcanary.review.witness.timing_fit import LEAST, Learnt, learnt, points_of, scatter_of
from cabcanary.review.witness.timing_settings import Proposal, as_json, described, proposals
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.review.witness.lifts import Lifts
    from cabcanary.settings.schema import Settings

NAME = "the wideband's timing"
#: An interval that reaches further than this from end to end, as a ratio, says nothing of a response.
_WIDEST = 8.0
_NEEDS = f"{LEAST} lifts from the throttle with a fuel cut of a second and the throttle back on, brisk"


def timing(before: Sequence[Lifts], judged: Sequence[Lifts], settings: Settings) -> tuple[Finding, list[Proposal]]:
    """What the cuts of all drives say of delay and response, whether those judged are slower than those before, and
    which keys of the settings they contradict. Of a sensor that has grown slow the drives judged alone count."""
    said = described(settings)
    if said is None:
        return cannot_tell(NAME, "no wideband is measured", "a wideband and a manifold pressure sensor"), []
    every = [*before, *judged]
    if not any(d.pressure for d in every):
        return cannot_tell(NAME, "manifold pressure is not measured", "a manifold pressure sensor"), []
    if not any(d.reached for d in every):
        why = "no drive has run to the lean end in an overrun"
        return cannot_tell(NAME, f"{why}: the engine cuts no fuel, or the wideband does not see it", _NEEDS), []
    points = points_of(every)
    found = learnt(points)
    slower = _slower(before, judged, found)
    if slower is not None and slower.plain and slower.middle > 0:
        found = learnt(points_of(judged)) or found
    if found is None:
        return cannot_tell(NAME, f"{points.events} fuel cuts ended by the throttle in {len(every)} drives", _NEEDS), []
    response = of_draws(found.response)
    if response.high > _WIDEST * response.low:
        return cannot_tell(NAME, f"{found.events} fuel cuts leave the response open", f"more of them: {_NEEDS}"), []
    wanted = proposals(said, found)
    return _told(found, response, slower, said.response, wanted), wanted


def _slower(before: Sequence[Lifts], judged: Sequence[Lifts], found: Learnt | None) -> Estimate | None:
    """By how many per cent the response of the drives judged is above that of those before; None: too few of either.

    By the one law that fits all best: what no law knows is the same on both sides and drops out."""
    old, new = points_of(before), points_of(judged)
    if found is None or old.events < LEAST or new.events < LEAST:
        return None
    rng = generator()
    sides = [scatter_of(found.law, p) for p in (old, new)]
    draws = [s.middle + s.error * rng.standard_t(s.freedom, DRAWS) for s in sides]
    return of_draws(100.0 * np.expm1(draws[1] - draws[0]))


def _told(found: Learnt, response: Estimate, slower: Estimate | None, said: float, wanted: list[Proposal]) -> Finding:
    delay = of_draws(found.delay)
    estimates = {"delay_s": delay, "response_s": response}
    figures: dict[str, Any] = {
        "fuel_cuts": found.events,
        "probability_slower_than_settings": round(float((found.response > said).mean()), 4),
        "proposed": as_json(wanted),
    }
    words = (
        f"gas takes {_ms(delay)} to it at a re-entry, a cycle included, and it answers to 63 % in {_ms(response)}, "
        f"by {found.events} fuel cuts"
    )
    if found.volume is not None and found.dead is not None:
        volume, dead = of_draws(1e3 * found.volume), of_draws(found.dead)
        estimates |= {"volume_l": volume, "dead_time_s": dead}
        words += f"; {volume.spelt(2)} L of exhaust over its flow, a cycle, and {_ms(dead)} whatever flows"
    else:
        words += "; one delay for all, since the exhaust's flow is not known"
    figures["lines"] = [f"the settings would be: {p.line()}" for p in wanted]
    likely = figures["probability_slower_than_settings"]
    words += f". It is slower than the settings have it ({spelt(1e3 * said, 3)} ms) with probability {_likely(likely)}"
    if slower is None:
        return Finding(
            NAME, NOTHING, f"{words}. Whether it has grown slow too few drives tell.", "", estimates, figures
        )
    estimates["slower_percent"] = slower
    grown = _probability(slower)
    figures["probability_grown_slow"] = grown
    if slower.plain and slower.middle > 0:
        words = f"it has grown slow: {slower.spelt(2)} % slower than in the drives before. Now {words}"
        return Finding(NAME, TOLD, f"{words}. Look at its connector, its heater and its tip.", "", estimates, figures)
    return Finding(
        NAME, NOTHING, f"{words}, slower than in the drives before {slower.spelt(2, '+')} %.", "", estimates, figures
    )


def _probability(slower: Estimate) -> float:
    """That it is slower at all, from the middle and the interval (normal in between, which is what it is nearly)."""
    from statistics import NormalDist

    error = (slower.high - slower.low) / 3.92
    return round(NormalDist(0.0, max(error, 1e-9)).cdf(slower.middle), 4)


def _likely(probability: float) -> str:
    """No shape of a tail is known better than to a hundredth."""
    return "under 0.01" if probability < 0.01 else "over 0.99" if probability > 0.99 else f"{probability:.2f}"


def _ms(found: Estimate) -> str:
    low, middle, high = (spelt(1e3 * x, 3 if abs(x) >= 0.1 else 2) for x in (found.low, found.middle, found.high))
    return f"{middle} ms ({low} to {high})"


__all__ = ["CANNOT_TELL", "NAME", "timing"]
