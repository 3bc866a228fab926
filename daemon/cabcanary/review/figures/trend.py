"""One figure over drives: a slope with its interval, a step with the drive that it came with, and small bars.

A drive counts once. A slope is least squares over the drives' numbers; a step is the split with the largest Welch t,
and is told where fewer than one in a hundred shuffles of the same drives have one as large.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.spelling import spelt
from cabcanary.student import student_95, student_95_between

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

_BARS = "▁▂▃▄▅▆▇█"
_SIDE, _SHUFFLES, _SELDOM = 3, 999, 0.01
#: A slope is told over so many drives.
_PER_DRIVES = 10.0


@dataclass(frozen=True, slots=True)
class Trend:
    """One figure over the drives. `slope` is for ten drives, with its interval; a step came with drive `step_at`."""

    name: str
    unit: str
    numbers: tuple[float, ...]
    drives: tuple[str, ...]
    slope: float
    low: float
    high: float
    step: float | None = None
    step_at: str = ""
    #: The step's own 95 % interval.
    step_low: float | None = None
    step_high: float | None = None

    @property
    def plain(self) -> bool:
        """Whether the slope is none of chance."""
        return self.low > 0 or self.high < 0

    @property
    def step_words(self) -> str:
        """The step with its interval and its drive."""
        if self.step is None or self.step_low is None or self.step_high is None:
            return "no step"
        step, low, high = (spelt(x, 2, "+") for x in (self.step, self.step_low, self.step_high))
        return f"a step of {step} {self.unit} ({low} to {high}) with drive {self.step_at}"

    def line(self) -> str:
        """For a person."""
        said = f"{self.name}: {bars(self.numbers)} {len(self.numbers)} drives, "
        if self.step is not None:
            return said + self.step_words
        slope, low, high = (spelt(x, 2, "+") for x in (self.slope, self.low, self.high))
        slope = f"{slope} {self.unit} ({low} to {high}) in ten drives"
        return said + (slope if self.plain else f"no trend: {slope}")

    def as_json(self) -> dict[str, Any]:
        """For a program."""
        return {
            "figure": self.name, "unit": self.unit, "drives": list(self.drives), "numbers": list(self.numbers),
            "slope_in_ten_drives": self.slope, "interval": [self.low, self.high], "plain": self.plain,
            "step": self.step, "step_at": self.step_at or None,
            "step_interval": None if self.step is None else [self.step_low, self.step_high],
        }  # fmt: skip


def trend(name: str, unit: str, numbers: Sequence[float], drives: Sequence[str]) -> Trend:
    """Slope and step of these numbers, one a drive, in their order in time."""
    values = np.asarray(numbers, dtype=np.float64)
    slope, half = _slope(values)
    step, at = _step(values)
    interval = (None, None) if step is None else _around(values, at)
    return Trend(
        name, unit, tuple(numbers), tuple(drives), _PER_DRIVES * slope, _PER_DRIVES * (slope - half),
        _PER_DRIVES * (slope + half), step, drives[at] if step is not None else "", *interval,
    )  # fmt: skip


def _around(values: Floats, at: int) -> tuple[float, float]:
    """The 95 % interval of a step between two sets of drives (Welch 1947)."""
    sides = (values[:at], values[at:])
    spread = [float(np.var(x, ddof=1)) / len(x) for x in sides]
    error, step = math.sqrt(sum(spread)), float(sides[1].mean() - sides[0].mean())
    if error == 0.0:
        return step, step
    freedom = sum(spread) ** 2 / sum(v**2 / (len(x) - 1) for v, x in zip(spread, sides, strict=True))
    half = student_95_between(freedom) * error
    return step - half, step + half


def drawn_line(found: Trend) -> tuple[Floats, Floats, Floats]:
    """The line to be drawn through the drives' numbers, and the ends of the 95 % interval of its mean: the
    regression's, or of a step each side's own."""
    values = np.asarray(found.numbers, dtype=np.float64)
    if found.step is None:
        x = np.arange(len(values)) - (len(values) - 1) / 2
        line = values.mean() + found.slope / _PER_DRIVES * x
        left, freedom = values - line, len(values) - 2
        error = math.sqrt(float(left @ left) / freedom)
        half = student_95(freedom) * error * np.sqrt(1 / len(values) + x**2 / float(x @ x))
        return line, line - half, line + half
    at = found.drives.index(found.step_at)
    line, half = np.empty(len(values)), np.empty(len(values))
    for side in (slice(0, at), slice(at, len(values))):
        part = values[side]
        line[side] = part.mean()
        half[side] = student_95(len(part) - 1) * float(np.std(part, ddof=1)) / math.sqrt(len(part))
    return line, line - half, line + half


def _slope(values: NDArray[np.float64]) -> tuple[float, float]:
    """Least squares over the number of the drive, and half its 95 % interval."""
    x = np.arange(len(values), dtype=np.float64)
    x -= x.mean()
    slope = float(x @ values / (x @ x))
    left = values - values.mean() - slope * x
    freedom = len(values) - 2
    return slope, student_95(freedom) * math.sqrt(float(left @ left) / freedom / float(x @ x))


def _step(values: NDArray[np.float64]) -> tuple[float | None, int]:
    """The most likely step and the drive with which it came; None where the drives' own scatter explains it."""
    if len(values) < 2 * _SIDE:
        return None, 0
    (largest,), (at,) = _largest(values[None, :])
    # The same drives in another order: the seed is fixed, so that one asks twice and hears the same.
    rng = np.random.default_rng(1)
    shuffled = rng.permuted(np.tile(values, (_SHUFFLES, 1)), axis=1)
    as_large = int((_largest(shuffled)[0] >= largest).sum())
    if (as_large + 1) / (_SHUFFLES + 1) >= _SELDOM:
        return None, 0
    before, after = values[:at], values[at:]
    # A slope makes a large t as well: a step leaves less behind.
    flat = float(np.var(before) * len(before) + np.var(after) * len(after))
    x = np.arange(len(values)) - (len(values) - 1) / 2
    sloped = values - values.mean() - float(x @ values / (x @ x)) * x
    if float(sloped @ sloped) < flat:
        return None, 0
    return float(after.mean() - before.mean()), int(at)


def _largest(rows: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Of each row the largest Welch t of all splits, and where it splits."""
    count = rows.shape[1]
    splits = np.arange(_SIDE, count - _SIDE + 1)
    sums, squares = np.cumsum(rows, axis=1), np.cumsum(rows**2, axis=1)
    spread, means = [], []
    for total, square, n in (
        (sums[:, splits - 1], squares[:, splits - 1], splits),
        (sums[:, -1:] - sums[:, splits - 1], squares[:, -1:] - squares[:, splits - 1], count - splits),
    ):
        means.append(total / n)
        spread.append(np.maximum(square - total**2 / n, 0.0) / (n - 1) / n)
    t = np.abs(means[1] - means[0]) / np.sqrt(np.maximum(spread[0] + spread[1], 1e-24))
    best = t.argmax(axis=1)
    return t[np.arange(len(t)), best], splits[best]


def bars(numbers: Sequence[float]) -> str:
    """The numbers as small bars from the lowest to the highest, the last forty at most."""
    shown = list(numbers)[-40:]
    low, high = min(shown), max(shown)
    width = high - low or 1.0
    return "".join(_BARS[min(len(_BARS) - 1, int((x - low) / width * len(_BARS)))] for x in shown)
