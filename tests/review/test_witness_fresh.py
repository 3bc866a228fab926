"""The second witness out of sample: fresh seeds, and a third engine with other equations than those it was tuned on.

Prints a table; full counts: -m long.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
import scipy.stats
from lumped_engine import Lumped
from witness_engines import ENGINES
from witness_trials import FRESH, RIGHT, RIGHT_BY_DENSITY, Covered, belts, biases, confusion, leaks, under_boosts

if TYPE_CHECKING:
    from collections.abc import Callable

    from witness_engines import Metering, Vehicle

EVERY = (*ENGINES, Lumped)
LOW, HIGH = 0.92, 0.98
#: What is asked, as (engine, trials) -> what was covered.
ASKED: dict[str, Callable[[type[Vehicle], int], Covered]] = {
    "slip, centrifugal": lambda e, n: belts(e, "centrifugal", n, 0.12, FRESH),
    "slip, displacement": lambda e, n: belts(e, "displacement", n, 0.12, FRESH),
    "leak by trims": lambda e, n: leaks(e, "mass_air", n, 10.0, first=FRESH),
    "leak by speed and density": lambda e, n: leaks(e, "speed_density", n, 10.0, first=FRESH),
    "moved under boost": lambda e, n: under_boosts(e, n, 0.10, first=FRESH)[1],
    "wideband, still": lambda e, n: biases(e, n, 0.0, FRESH),
    "wideband, drifting": lambda e, n: biases(e, n, 0.004, FRESH),
}


@pytest.mark.parametrize("trials", [12, pytest.param(200, marks=pytest.mark.long)])
@pytest.mark.parametrize("question", ASKED)
def test_intervals_hold_the_truth_on_fresh_seeds_and_a_third_engine(question: str, trials: int) -> None:
    found = [ASKED[question](engine, trials) for engine in EVERY]
    each = ", ".join(f"{e.__name__} {c.share:.3f}" for e, c in zip(EVERY, found, strict=True))
    held, total = sum(c.held for c in found), sum(c.trials for c in found)
    print(f"{question:<26} held {held} of {total} ({held / total:.3f}): {each}; usual width {found[0].width:.2f}")
    assert held >= scipy.stats.binom.ppf(0.001, total, LOW)
    assert held <= scipy.stats.binom.ppf(0.999, total, HIGH)
    # Nor does one engine make up for another.
    for one in found:
        assert one.held >= scipy.stats.binom.ppf(0.0005, trials, LOW)


@pytest.mark.parametrize("trials", [4, pytest.param(40, marks=pytest.mark.long)])
@pytest.mark.parametrize("engine", EVERY)
@pytest.mark.parametrize(("metering", "table"), [("mass_air", RIGHT), ("speed_density", RIGHT_BY_DENSITY)])
def test_causes_are_right_first_on_fresh_seeds_and_a_third_engine(
    metering: Metering, table: dict[str, str], engine: type[Vehicle], trials: int
) -> None:
    right = wrong = 0
    for fault, answer in table.items():
        answers = confusion(engine, fault, trials, metering, FRESH)
        right += answers[answer]
        wrong += trials - answers[answer] - answers["can't tell"]
    total = trials * len(table)
    print(f"{engine.__name__:>7} {metering:<13} right {right / total:.3f}, wrong {wrong / total:.3f} of {total}")
    assert right >= 0.8 * total
    assert wrong <= 0.02 * total
