"""Trends over the drives of a stage: slopes with their interval, steps with their drive."""

from __future__ import annotations

import random

import numpy as np
import pytest
import scipy.stats

from cabcanary.review.figures.trend import Trend, bars, trend
from cabcanary.review.stages.trends import numbers_of


def of(numbers: list[float]) -> Trend:
    return trend("idle pressure", "kPa", numbers, [f"drive {n}" for n in range(len(numbers))])


def test_the_slope_is_that_of_another_library() -> None:
    rng = random.Random(2)
    numbers = [0.2 * n + rng.gauss(0.0, 1.0) for n in range(14)]
    found, theirs = of(numbers), scipy.stats.linregress(range(14), numbers)
    assert found.slope == pytest.approx(10 * theirs.slope)
    half = 10 * theirs.stderr * scipy.stats.t.ppf(0.975, 12)
    assert (found.low, found.high) == pytest.approx((10 * theirs.slope - half, 10 * theirs.slope + half), rel=0.01)


def test_a_step_is_told_with_its_drive_and_a_slope_is_none() -> None:
    rng = random.Random(3)
    stepped = of([rng.gauss(0.0, 0.4) + (3.4 if n >= 8 else 0.0) for n in range(16)])
    assert stepped.step == pytest.approx(3.4, abs=0.5)
    assert stepped.step_at == "drive 8"
    assert "a step of +3." in stepped.line()
    sloped = of([0.3 * n + rng.gauss(0.0, 0.3) for n in range(16)])
    assert sloped.step is None
    assert sloped.plain
    assert sloped.slope == pytest.approx(3.0, abs=0.6)


@pytest.mark.parametrize("trials", [60, pytest.param(400, marks=pytest.mark.long)])
def test_what_is_steady_has_seldom_a_trend(trials: int) -> None:
    rng = random.Random(4)
    steps = slopes = 0
    for _ in range(trials):
        found = of([rng.gauss(0.0, 1.0) for _ in range(15)])
        steps += found.step is not None
        slopes += found.plain
    print(f"{steps} steps and {slopes} slopes in {trials} steady rows")
    # One in a hundred, and one in twenty; three standard deviations of a binomial above.
    assert steps <= 0.01 * trials + 3 * np.sqrt(0.01 * trials)
    assert slopes <= 0.05 * trials + 3 * np.sqrt(0.05 * trials)


def test_drives_are_matched_cell_by_cell() -> None:
    # The second drive saw other cells, which lie higher by law, and is no different where both looked.
    assert numbers_of([{0: 1.0, 1: 2.0}, {1: 2.0, 2: 3.0}, {0: 1.0, 2: 3.0}]) == [0.0, 0.0, 0.0]
    assert numbers_of([{0: 1.0}, {}, {0: 3.0}, {5: 9.0}]) == [-1.0, None, 1.0, None]


def test_bars_go_from_the_lowest_to_the_highest() -> None:
    assert bars([0.0, 1.0, 2.0, 7.0, 7.0]) == "▁▂▃██"
    assert bars([3.0, 3.0]) == "▁▁"
    assert len(bars([float(n) for n in range(100)])) == 40
