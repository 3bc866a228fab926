"""The way of the gas to the wideband and its response, fitted to re-entries after fuel cuts.

Each reading on the way from the lean end to the mixture behind says: delay of this re-entry plus response times what
share of the way takes (`step_shape`). So for a given response the delays are means and the squares that are left say
which response fits; delays over 1 / flow are then a straight line, whose slope is the exhaust's volume. What nobody
measures is a mixture of laws, each with its weight by how well it fits (Bayesian model averaging; Hoeting et al. 1999):
whether the sensor works in 1/lambda or lambda, a second lag, and how far beyond its end it felt the cut. Scatter goes
in by leaving out one drive after the other (jackknife; Efron and Tibshirani 1993, ch. 11), by Student's t.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.review.witness.estimate import DRAWS, generator
from cabcanary.review.witness.step_shape import SECOND, shape_of
from cabcanary.review.witness.two_way import huber

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cabcanary.review.witness.lifts import Lifts

    Floats = NDArray[np.float64]

#: Responses that are asked about, s.
RESPONSES = np.geomspace(0.015, 1.2, 56)
#: A cycle where nobody measures engine speed, s: 1300 to 3500 rpm.
_CYCLES = (0.04, 0.08)
#: With fewer drives than this the re-entries are the clusters.
_DRIVES = 4
#: Re-entries without which there is no estimate; each with as many readings on the way is looked at for the response.
LEAST = 8
#: And so many are enough.
_MOST = 100
#: From injection to the first gas at the port, in cycles: an intake stroke's wait, and 450 to 540 degrees.
_FIRST_GAS = (0.60, 0.95)
#: And from there to the last cylinder's.
_LAST_GAS = (0.15, 0.7)
#: When fuel comes back after the manifold has begun to rise, s: a pedal's switch, one wait for the crank.
_RESUMES = (0.0, 0.045)
#: By how much the sensor's form may differ from all of those, standard deviation of the logarithm of response.
_FORM = 0.14
#: How much of that is then delay's.
_GIVEN = 0.75
#: How far a rise may be from what the response makes of it (gas is no step, directions differ), logarithm.
_RISES = 0.4
#: In what share of a cycle the gas changes: cylinder by cylinder, or at the last of them where the input is clipped.
SPREADS = (0.0, 1.0)
#: Share of fuel that the walls keep back at a re-entry, how long, s, and when the first reading that counts comes.
FILMS, _FILM_S, _VISIBLE_S = (0.0, 0.05), 0.25, 0.03
#: No gas is there before it can be: half a cycle, give or take so much, s.
_SOONEST, _SOON_S = 0.5, 0.02
#: The whole way takes at least so much of a cycle.
_SHORTEST = 0.9
#: How far exhaust temperature and volumetric efficiency are from the settings' law, standard deviation.
_HOT = 0.06
#: A likelihood is flattened by this, since readings of one re-entry err together.
_FLAT = 0.6


class Law(NamedTuple):
    """`inverse`: works in 1/lambda, else in lambda behind the clipping. `beyond`: how far past the shown end the cut
    was felt, 0 to 1 of what free air is, or as a share of lambda; `second` lag; `spread`: in what share of a cycle the
    gas changes as the sensor sees it; `film`: the share of fuel that the ports' walls keep back at first; cycle where
    none is known, s."""

    inverse: bool
    second: float
    beyond: float
    spread: float
    film: float
    cycle: float


@dataclass(frozen=True, slots=True)
class Points:
    """Readings of all re-entries, one behind the other; `event` and `group` count from 0."""

    times: Floats
    readings: Floats
    event: NDArray[np.int64]
    edge: Floats
    target: Floats
    cycle: Floats
    flow: Floats
    group: NDArray[np.int64]
    rises: Floats
    spacing: float

    @property
    def events(self) -> int:
        """How many re-entries."""
        return len(self.target)

    @property
    def flowing(self) -> bool:
        """Whether the exhaust's flow is known of all."""
        return bool(np.isfinite(self.flow).all())


def points_of(drives: Sequence[Lifts]) -> Points:
    """All re-entries of some drives; where engine speed is known of most, of those alone."""
    every = [(n, e) for n, d in enumerate(drives) for e in d.reentries]
    timed = [x for x in every if np.isfinite(x[1].cycle)]
    kept = timed if len(timed) >= max(LEAST, len(every) // 2) else every
    flowing = [x for x in kept if np.isfinite(x[1].flow)]
    kept = flowing if len(flowing) >= max(LEAST, len(kept) // 2) else kept
    # More say no more, and take their time: what scatters is drives.
    kept = kept[:: -(-len(kept) // _MOST)] if len(kept) > _MOST else kept
    groups = [n for n, _ in kept]
    if len(set(groups)) < _DRIVES:
        groups = list(range(len(kept)))
    events = [e for _, e in kept]
    return Points(
        np.concatenate([np.zeros(0), *(e.times for e in events)]),
        np.concatenate([np.zeros(0), *(e.readings for e in events)]),
        np.repeat(np.arange(len(events)), [len(e.times) for e in events]),
        np.array([e.edge for e in events]),
        np.array([e.target for e in events]),
        np.array([e.cycle for e in events]),
        np.array([e.flow for e in events]),
        np.unique(np.array(groups, dtype=np.int64), return_inverse=True)[1],
        np.array([r for d in drives for r in d.rises]),
        float(np.median([d.spacing for d in drives])) if drives else 0.0,
    )


@dataclass(frozen=True, slots=True)
class Fitted:
    """By law: squares that are left by re-entry and response, and the delay of each by response, s."""

    law: Law
    squares: Floats
    delays: Floats

    def response(self, weights: Floats) -> float:
        """The likeliest logarithm of response, each re-entry weighing so much."""
        total = weights @ self.squares
        at = int(np.clip(np.argmin(total), 1, len(total) - 2))
        a, b, c = total[at - 1 : at + 2]
        bend = a - 2 * b + c
        shift = 0.5 * (a - c) / bend if bend > 0 else 0.0
        logs = np.log(RESPONSES)
        return float(logs[at] + np.clip(shift, -1.0, 1.0) * (logs[1] - logs[0]))

    def delays_at(self, log_response: float) -> Floats:
        """The delay of each re-entry, were the response this."""
        place = (log_response - np.log(RESPONSES[0])) / np.log(RESPONSES[1] / RESPONSES[0])
        n = int(np.clip(place, 0, len(RESPONSES) - 2))
        found: Floats = self.delays[:, n] * (n + 1 - place) + self.delays[:, n + 1] * (place - n)
        return found


def laws(points: Points) -> list[Law]:
    """Those that are asked about."""
    cycles = (0.0,) if np.isfinite(points.cycle).all() else _CYCLES
    kinds = [*((True, b) for b in (0.0, 0.5, 1.0)), (False, 0.0), (False, 0.25)]
    rest = [(s, g, f, c) for s in SECOND for g in SPREADS for f in FILMS for c in cycles]
    return [Law(inverse, s, b, g, f, c) for inverse, b in kinds for s, g, f, c in rest]


def share_done(law: Law, points: Points) -> Floats:
    """How much of the way from what it felt in the cut to the mixture behind each reading has done."""
    e = points.event
    edge, readings = points.edge[e], points.readings
    first = np.flatnonzero(np.diff(e, prepend=-1))
    since = points.times - points.times[first][e]
    # What the walls keep back comes later (Aquino, SAE 810494): at first the mixture is leaner than behind.
    target = points.target[e] / (1.0 - law.film * np.exp(-(since + _VISIBLE_S) / _FILM_S))
    if law.inverse:
        start, end, here = (1.0 - law.beyond) / edge, 1.0 / target, 1.0 / readings
    else:
        start, end, here = edge * (1.0 + law.beyond), target, readings
    return np.asarray((here - start) / (end - start))


def fitted(law: Law, points: Points) -> Fitted:
    """Delays of all re-entries for each response, and what is left."""
    e = points.event
    done = share_done(law, points)
    cycle = law.spread * np.where(np.isfinite(points.cycle), points.cycle, law.cycle)[e]
    took = RESPONSES[:, None] * shape_of(law.second).times_at(done[None, :], cycle[None, :] / RESPONSES[:, None])
    late = points.times[None, :] - took
    # A reading low on the slope has its time by chance: noise over slope. The same for all laws, that they compare.
    weight = (
        np.clip((1 / points.target[e] - 1 / points.readings) / (1 / points.target - 1 / points.edge)[e], 0.1, 1.0) ** 2
    )
    total = np.bincount(e, weight, points.events)
    delays = np.array([np.bincount(e, weight * row, points.events) for row in late]).T / total[:, None]
    left = weight * (late - delays.T[:, e]) ** 2
    squares = np.array([np.bincount(e, row, points.events) for row in left]).T
    # A re-entry that nothing fits (a second lift, a misfire) has no more say than a bad one.
    best = squares.min(axis=1)
    most = 6.0 * max(float(np.median(best)), 1e-9)
    return Fitted(law, squares * np.minimum(1.0, most / np.maximum(best, 1e-12))[:, None], delays)


class Learnt(NamedTuple):
    """Draws: response, s; delay at the re-entries' own flow, s; exhaust volume, m³, and dead time, s (None: no flow).
    `law` fits best."""

    response: Floats
    delay: Floats
    volume: Floats | None
    dead: Floats | None
    law: Law
    events: int


def learnt(points: Points) -> Learnt | None:
    """What these re-entries say; None where they are too few."""
    if points.events < LEAST:
        return None
    every = [fitted(law, points) for law in laws(points)]
    everyone = np.ones(points.events)
    logs = np.array([f.response(everyone) for f in every])
    middles = np.array([_figures(f, x, points, everyone) for f, x in zip(every, logs, strict=True)])
    weights = _weights(every, logs, middles, points)
    best = every[int(np.argmax(weights))]
    covariance, freedom = _jackknifed(best, points)
    spreads = np.array([f.law.spread for f in every])
    return _drawn(points, best.law, (logs, middles, spreads, weights), covariance, freedom)


def _jackknifed(f: Fitted, points: Points) -> tuple[Floats, int]:
    """Covariance of the response's logarithm and of `_figures`, and its degrees of freedom."""
    groups = int(points.group.max()) + 1
    left = []
    for n in range(groups):
        without = (points.group != n).astype(float)
        left.append((log := f.response(without), *_figures(f, log, points, without)))
    apart = np.array(left) - np.mean(left, axis=0)
    return np.asarray((groups - 1) / groups * apart.T @ apart), groups - 1


class Scatter(NamedTuple):
    """The logarithm of response by one law: the middle, its standard error by scatter alone, degrees of freedom."""

    middle: float
    error: float
    freedom: int


def scatter_of(law: Law, points: Points) -> Scatter:
    """Of some drives' re-entries, for holding them against others."""
    f = fitted(law, points)
    covariance, freedom = _jackknifed(f, points)
    return Scatter(f.response(np.ones(points.events)), float(np.sqrt(covariance[0, 0])), freedom)


def _weights(every: Sequence[Fitted], logs: Floats, middles: Floats, points: Points) -> Floats:
    """By what is left of each law, how fast readings rise to the lean end in it, and that gas takes its time."""
    left = np.array([float(f.squares.sum(axis=0).min()) for f in every])
    counts = np.bincount(points.event, minlength=points.events)
    freedom = max(1.0, float(np.maximum(counts - 1, 0).sum()))
    found = -_FLAT * 0.5 * min(freedom, points.events) * np.log(np.maximum(left, 1e-12) / max(left.min(), 1e-12))
    found -= 0.5 * (np.maximum(0.0, _SOONEST * middles[:, 1] - middles[:, 0]) / _SOON_S) ** 2
    if len(points.rises) >= LEAST:
        seen = float(np.median(points.rises)) - points.spacing
        for n, f in enumerate(every):
            made = _rise(f.law, float(np.exp(logs[n])), points)
            step = 0.5 * points.spacing
            found[n] -= 0.5 * (np.log((max(seen, 0.0) + step) / (made + step)) / _RISES) ** 2
    found = np.exp(found - found.max())
    return np.asarray(found / found.sum())


def _rise(law: Law, response: float, points: Points) -> float:
    """From a tenth to nine tenths of the way to the lean end, s, if the response is the same to both sides."""
    edge, one = float(np.median(points.edge)), 1.0
    at = 1.0 / (1.0 - np.array([0.1, 0.9]) * (1.0 - 1.0 / edge))
    start = np.full(2, one)
    cut = np.full(2, edge)
    if law.inverse:
        done = (1.0 / start - 1.0 / at) / (1.0 / start - (1.0 - law.beyond) / cut)
    else:
        done = (at - start) / (cut * (1.0 + law.beyond) - start)
    cycle = law.spread * (law.cycle or float(np.median(points.cycle)))
    times = shape_of(law.second).times_at(done, np.full(2, cycle / response))
    return response * float(times[1] - times[0])


def _figures(f: Fitted, log_response: float, points: Points, weights: Floats) -> tuple[float, float, float, float]:
    """Mean delay, mean cycle, volume and what does not go with flow, before what nobody measures is taken off.

    The cycle's share is taken as one here: the law of the settings."""
    delays = f.delays_at(log_response)
    cycle = np.where(np.isfinite(points.cycle), points.cycle, f.law.cycle)
    kept = weights > 0
    mean = float(huber(np.ones((int(kept.sum()), 1)), delays[kept])[0])
    if not points.flowing:
        return mean, float(cycle[kept].mean()), 0.0, 0.0
    design = np.column_stack((np.ones(int(kept.sum())), 1.0 / points.flow[kept]))
    constant, volume = huber(design, delays[kept] - cycle[kept])
    return mean, float(cycle[kept].mean()), float(volume), float(constant)


def _drawn(
    points: Points, best: Law, laws_said: tuple[Floats, Floats, Floats, Floats], covariance: Floats, freedom: int
) -> Learnt | None:
    rng = generator()
    logs, middles, spreads, weights = laws_said
    law = rng.choice(len(logs), DRAWS, p=weights)
    values, vectors = np.linalg.eigh(covariance)
    root = vectors * np.sqrt(np.maximum(values, 0.0))
    tails = np.sqrt(freedom / rng.chisquare(freedom, DRAWS))
    scatter = (rng.standard_normal((DRAWS, 5)) @ root.T) * tails[:, None]
    form = _FORM * rng.standard_normal(DRAWS)
    response = np.exp(logs[law] + scatter[:, 0] + form)
    # What is response is not delay: the time to 63 % of the step is what the readings know.
    given = -_GIVEN * response * np.expm1(form)
    mean, cycle, volume, constant = (middles[law, k] + scatter[:, k + 1] for k in range(4))
    volume = volume * (1.0 + _HOT * rng.standard_normal(DRAWS))
    # Gas that changes at once does so as the last cylinders do, up to a cycle behind the first.
    first = rng.uniform(*_FIRST_GAS, DRAWS) + (1.0 - spreads[law]) * rng.uniform(*_LAST_GAS, DRAWS)
    unseen = (1.0 - first) * cycle - rng.uniform(*_RESUMES, DRAWS) + given
    # A way shorter than a cycle there is none.
    can = np.flatnonzero(mean + unseen > _SHORTEST * cycle)
    if len(can) < DRAWS // 50:
        return None
    can = rng.choice(can, DRAWS)
    response, delay, volume, dead = (x[can] for x in (response, mean + unseen, volume, constant + unseen))
    flowing = points.flowing
    return Learnt(response, delay, volume if flowing else None, dead if flowing else None, best, points.events)
