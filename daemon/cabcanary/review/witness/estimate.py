"""An estimate with its interval, as draws; and what is said of it to a person and a program.

Scatter between drives goes in by Student's t, and what nobody measures (a volumetric efficiency, a discharge
coefficient) as a draw from the range in which it lies: propagation of distributions, JCGM 101:2008. The seed is fixed,
so that whoever asks twice hears the same.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

DRAWS = 20_000
#: What is claimed as a fault lies beyond zero at this: at 95 % one healthy estimate in twenty would be called one.
_SURE = (0.1, 99.9)
#: A slip below this, %, is nobody's business.
NOTICE = 1.0
CANNOT_TELL, NOTHING, TOLD = "can't tell", "nothing seen", "seen"


@dataclass(frozen=True, slots=True)
class Estimate:
    """The middle, its 95 % interval, and the wider one beyond which a fault is claimed."""

    middle: float
    low: float
    high: float
    sure: tuple[float, float]

    @property
    def plain(self) -> bool:
        """Whether it is claimed to be another than zero."""
        return self.sure[0] > 0.0 or self.sure[1] < 0.0

    def spelt(self, digits: int = 2, sign: str = "") -> str:
        """As a person reads it."""
        middle, low, high = (spelt(x, digits, sign) for x in (self.middle, self.low, self.high))
        return f"{middle} ({low} to {high})"


def of_draws(draws: Floats) -> Estimate:
    """The estimate that these draws make."""
    middle, low, high = np.percentile(draws, (50.0, 2.5, 97.5))
    sure = np.percentile(draws, _SURE)
    return Estimate(float(middle), float(low), float(high), (float(sure[0]), float(sure[1])))


def generator() -> np.random.Generator:
    """The same draws at every call."""
    return np.random.default_rng(1)


@dataclass(frozen=True, slots=True)
class Shift:
    """How far one set of drives lies above another: the middle, its standard error and the degrees of freedom."""

    middle: float
    error: float
    freedom: float

    def draws(self, rng: np.random.Generator) -> Floats:
        """Student's t about the middle."""
        return self.middle + self.error * rng.standard_t(self.freedom, DRAWS)


def shift(before: Sequence[float], after: Sequence[float], least_error: float = 0.0) -> Shift:
    """The difference of two means, a number a drive. One drive alone has the scatter of those before (a prediction).

    Of few drives a side both are taken to scatter alike, as one vehicle's do (pooled variance); `least_error` is the
    scatter of a drive below which none is believed.

    Raises:
        ValueError: fewer than two drives before, or none after.
    """
    n, m = len(before), len(after)
    if n < 2 or not m:
        raise ValueError("too few drives")
    freedom = n + m - 2
    squares = float(np.var(before) * n + np.var(after) * m)
    scatter = max(math.sqrt(squares / freedom), least_error)
    return Shift(float(np.mean(after) - np.mean(before)), scatter * math.sqrt(1 / n + 1 / m), float(freedom))


@dataclass(frozen=True, slots=True)
class Finding:
    """What one question got for an answer. `needs` says what would tell, where nothing can be told."""

    name: str
    verdict: str
    words: str
    needs: str = ""
    estimates: dict[str, Estimate] = field(default_factory=dict)
    figures: dict[str, Any] = field(default_factory=dict)

    def line(self) -> str:
        """For a person."""
        needed = f" It would take {self.needs}." if self.needs else ""
        return f"{self.name}: {self.words}{needed}"

    def as_json(self) -> dict[str, Any]:
        """For a program."""
        told = {
            k: {"middle": e.middle, "interval": [e.low, e.high], "plain": e.plain} for k, e in self.estimates.items()
        }
        return {
            "question": self.name, "verdict": self.verdict, "words": self.words, "needs": self.needs or None,
            "estimates": told, **self.figures,
        }  # fmt: skip


def cannot_tell(name: str, why: str, needs: str) -> Finding:
    """A question without an answer: never a guess."""
    return Finding(name, CANNOT_TELL, f"I can't tell: {why}.", needs)


def joined(words: Sequence[str]) -> str:
    """Several things in one sentence."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
