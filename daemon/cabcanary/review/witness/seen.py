"""How much has really been seen: the mixture against its limit by boost and engine speed, and what more would say.

Ticks of one pull are not independent, so a pull or, where there are enough, a drive is what counts (a cluster). Where
the 95th percentile lies takes the clusters' mean (Student's t), their spread (chi-square) and the scatter within a
cluster as it was, all drawn.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.model import Quality
from cabcanary.review.figures.drive_figures import BAND_PSI, FROM_PSI, figures_from
from cabcanary.review.witness.estimate import NOTHING, TOLD, Estimate, Finding, cannot_tell, generator, of_draws
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from cabcanary.review.figures.columns import Columns
    from cabcanary.review.figures.drive_figures import Figures

    Floats = NDArray[np.float64]

NAME = "how much has been seen"
#: Engine speed in steps of this, rpm.
_SPEED_RPM = 1000.0
#: Less apart than this is one pull, s; a pull of less in a cell says nothing there.
_APART_S, _LEAST_S = 2.0, 0.3
#: So many drives are clusters of their own; of fewer their pulls are.
_DRIVES = 4
#: Fewer clusters have no interval.
_LEAST = 3
_PERCENTILE, _Z95 = 95.0, 1.645
#: So probable on one side it counts as decided.
_SURE = 0.95
#: Seconds above these are told, psi.
_TOLD_FROM = 1.0
_MOST_PULLS = 200
#: A smaller probability is not told as a number: no shape of the tail is known so well.
_SELDOM = 0.01


@dataclass(frozen=True, slots=True)
class Pull:
    """What one pull showed in one cell: lambda less its limit by ticks, s, and the sensor's standard uncertainty."""

    drive: str
    beyond: Floats
    seconds: float
    doubt: float


Cells = dict[tuple[int, int], list[Pull]]


@dataclass(frozen=True, slots=True)
class CellSeen:
    """One cell: what was seen of lambda less its limit. `probability`: of the 95th percentile beyond the limit."""

    band: int
    speed: int
    seconds: float
    pulls: int
    drives: int
    percentile: Estimate | None = None
    probability: float | None = None
    more_pulls: int | None = None

    @property
    def words(self) -> str:
        """Which cell it is."""
        low = FROM_PSI + self.band * BAND_PSI
        at = "" if self.speed < 0 else f", {self.speed * _SPEED_RPM:.0f} to {(self.speed + 1) * _SPEED_RPM:.0f} rpm"
        return f"{low:.0f} to {low + BAND_PSI:.0f} psi{at}"

    def line(self) -> str:
        """For a person."""
        return f"{self.words}: {self.seconds:.1f} s in {self.pulls} pulls of {self.drives} drives; {self.said}"

    @property
    def said(self) -> str:
        """Where its 95th percentile lies, and what would decide."""
        if self.percentile is None or self.probability is None:
            return "too few to say how they scatter"
        side = f"95th percentile of lambda less its limit {self.percentile.spelt(2, '+')}"
        more = f"; about {self.more_pulls} more pulls would decide" if self.more_pulls else ""
        likely = "under 0.01" if self.probability < _SELDOM else f"{self.probability:.2f}"
        return f"{side}, beyond it with probability {likely}{more}"

    @property
    def decided(self) -> bool | None:
        """Whether it is beyond its limit; None where that is open, or nothing says how it scatters."""
        if self.probability is None or max(self.probability, 1 - self.probability) < _SURE:
            return None
        return self.probability >= _SURE

    def as_json(self) -> dict[str, Any]:
        """For a program."""
        p = self.percentile
        return {
            "boost_psi": [FROM_PSI + self.band * BAND_PSI, FROM_PSI + (self.band + 1) * BAND_PSI],
            "speed_rpm": None if self.speed < 0 else [self.speed * _SPEED_RPM, (self.speed + 1) * _SPEED_RPM],
            "seconds": self.seconds, "pulls": self.pulls, "drives": self.drives,
            "percentile_95_beyond_limit": None if p is None else {"middle": p.middle, "interval": [p.low, p.high]},
            "probability_beyond": self.probability, "more_pulls": self.more_pulls,
        }  # fmt: skip


def cells_seen(columns: Columns, ceiling: Callable[[float], float], into: Cells, *, by_speed: bool = True) -> None:
    """Add one drive's pulls to the cells, by the rules' own masks and alignment; `ceiling` by boost in psi.

    Without `by_speed` a cell has all engine speeds, and its number for that is -1.
    """
    roles = columns.roles
    if roles.burnt is None or roles.mixture is None:
        return
    boost = columns.good(roles.burnt, "psi", Quality.WITHIN)
    mixture, doubt = columns.good(roles.mixture), columns.doubt(roles.mixture)
    known = by_speed and columns.has("engine_speed")
    speed = columns.good("engine_speed", "rpm") if known else np.full(columns.rows, np.nan)
    band = np.floor((boost - FROM_PSI) / BAND_PSI)
    rows = np.flatnonzero((band >= 0) & np.isfinite(mixture) & ~columns.masked())
    if not len(rows):
        return
    limits = np.array([ceiling(b) for b in np.round(boost[rows], 2)])
    cell = np.where(np.isfinite(speed[rows]), np.floor(speed[rows] / _SPEED_RPM), -1.0)
    seconds = columns.seconds[rows]
    pull = np.cumsum(np.diff(seconds, prepend=seconds[0]) > _APART_S)
    code = (pull * 1000 + band[rows].astype(np.int64)) * 1000 + cell.astype(np.int64) + 1
    for one in np.unique(code):
        here = code == one
        lasted = float(columns.steps[rows[here]].sum())
        if lasted >= _LEAST_S:
            first = rows[here][0]
            found = Pull(columns.name, mixture[rows[here]] - limits[here], lasted, float(doubt[first]))
            into.setdefault((int(band[first]), int(one % 1000) - 1), []).append(found)


def judged_cell(key: tuple[int, int], pulls: Sequence[Pull]) -> CellSeen:
    """What the pulls of one cell say."""
    drives = {p.drive for p in pulls}
    clusters = (
        [[p for p in pulls if p.drive == d] for d in sorted(drives)] if len(drives) >= _DRIVES else [[p] for p in pulls]
    )
    seconds = round(sum(p.seconds for p in pulls), 2)
    if len(clusters) < _LEAST:
        return CellSeen(*key, seconds, len(pulls), len(drives))
    values = [np.concatenate([p.beyond for p in c]) for c in clusters]
    means = np.array([v.mean() for v in values])
    within = np.concatenate([v - v.mean() for v in values])
    draws, doubt = _percentiles(means, within), float(np.mean([p.doubt for p in pulls]))
    # The sensor's own uncertainty shifts them all.
    draws = draws + doubt * generator().standard_normal(len(draws))
    found, probability = of_draws(draws), float((draws > 0.0).mean())
    per_cluster = len(pulls) / len(clusters)
    more = _more(found.middle, float(means.std(ddof=1)), doubt, len(clusters), probability)
    return CellSeen(
        *key,
        seconds,
        len(pulls),
        len(drives),
        found,
        round(probability, 4),
        None if more is None else math.ceil(more * per_cluster),
    )


def _percentiles(means: Floats, within: Floats) -> Floats:
    rng, n = generator(), len(means)
    spread = float(means.std(ddof=1))
    chi = rng.chisquare(n - 1, 20_000)
    between = spread * np.sqrt((n - 1) / chi)
    # Given the spread, the mean is normal: together Student's t.
    middle = float(means.mean()) + between / math.sqrt(n) * rng.standard_normal(20_000)
    some = within if len(within) <= 400 else np.quantile(within, (np.arange(400) + 0.5) / 400)
    normal = np.quantile(rng.standard_normal(20_000), (np.arange(50) + 0.5) / 50)
    grid = np.linspace(0.0, float(np.quantile(between, 0.999)), 25)
    far = [float(np.percentile(np.add.outer(b * normal, some), _PERCENTILE)) for b in grid]
    found: Floats = middle + np.interp(between, grid, far)
    return found


def _more(middle: float, spread: float, doubt: float, clusters: int, probability: float) -> int | None:
    """Further clusters until the 95th percentile is plainly on its side; None: it is already, or never will be."""
    if max(probability, 1 - probability) >= _SURE:
        return None
    for n in range(clusters + 1, clusters + _MOST_PULLS):
        error = math.hypot(spread * math.sqrt(1 / n + _Z95**2 / (2 * (n - 1))), doubt)
        if abs(middle) > _Z95 * error:
            return n - clusters
    return None


class SeenSoFar:
    """What the drives have shown of the mixture under boost, taken in one by one, so that none need be kept.

    `ceiling` is the limit by boost in psi; without it nothing is said of cells.
    """

    def __init__(self, ceiling: Callable[[float], float] | None) -> None:
        self._ceiling = ceiling
        self.cells: Cells = {}
        self._bands: Cells = {}
        self._above: dict[float, float] = {}
        self._highest: list[float] = []
        #: Of each drive the leanest sustained: lambda, boost in psi, standard uncertainty.
        self._leanest: list[tuple[float, float, float]] = []

    def add(self, columns: Columns, figures: Figures) -> None:
        """One drive, and its figures."""
        if self._ceiling is not None:
            cells_seen(columns, self._ceiling, self.cells)
            cells_seen(columns, self._ceiling, self._bands, by_speed=False)
        for a in figures.above:
            self._above[a.step_psi] = self._above.get(a.step_psi, 0.0) + a.seconds
        if figures.highest_psi is not None:
            self._highest.append(figures.highest_psi)
        if (lean := figures.leanest) is not None:
            row = int(np.searchsorted(columns.seconds, lean.at.at_s - 0.005))
            self._leanest.append((lean.mixture, lean.boost_psi, float(columns.doubt(columns.roles.mixture)[row])))

    def band(self, number: int) -> CellSeen | None:
        """A band of boost at all engine speeds; None where nothing was seen."""
        pulls = self._bands.get((number, -1))
        return None if pulls is None else judged_cell((number, -1), pulls)

    @property
    def sentence(self) -> str:
        """How long, how lean, and how far."""
        reached = [step for step, seconds in self._above.items() if seconds >= _TOLD_FROM]
        nothing = f"nothing above {max(self._highest):.1f} psi yet" if self._highest else "no boost yet"
        if not reached:
            return f"{nothing}."
        top = max(reached)
        lean = "no mixture that lasted"
        if self._leanest:
            mixture, boost_psi, doubt = max(self._leanest)
            stated = f" ± {spelt(2.0 * doubt, 1)}" if doubt else ", with no accuracy stated"
            lean = f"leanest sustained {mixture:.2f}{stated} at {boost_psi:.1f} psi"
        return f"seen {self._above[top]:.0f} s above {spelt(top, 2)} psi, {lean}, {nothing}."


def seen(drives: Sequence[Columns], ceiling: Callable[[float], float] | None) -> Finding:
    """What the drives have shown of the mixture under boost, in a sentence and by cells."""
    if not any(c.roles.burnt and c.roles.mixture for c in drives):
        return cannot_tell(NAME, "boost and mixture are not both measured", "a wideband and a manifold pressure sensor")
    if ceiling is None:
        return cannot_tell(NAME, "the rules have no table 'ceiling' that limits lambda", "that table, from your tuner")
    so_far = SeenSoFar(ceiling)
    for columns in drives:
        so_far.add(columns, figures_from(columns))
    judged = [judged_cell(k, p) for k, p in sorted(so_far.cells.items())]
    figures = {"cells": [c.as_json() for c in judged], "lines": [c.line() for c in judged]}
    return Finding(NAME, TOLD if judged else NOTHING, so_far.sentence, "", {}, figures)
