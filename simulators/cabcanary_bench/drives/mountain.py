"""Drives over a mountain pass: up to 2000 m higher within half an hour, for vehicles that know no barometer."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from cabcanary_bench.drives.itinerary import Itinerary, pull_starts, trips
from cabcanary_bench.faults.circumstances import CircumstanceKind

if TYPE_CHECKING:
    from cabcanary_bench.drives.scenario import Scenario

_MEDIUM, _HIGH = 1, 2
#: Mountain roads rise by 5 to 8 % (common practice), and the top of the pass lies so far above the start.
_GRADES = (5.0, 8.0)
_CLIMB_M = (600.0, 2000.0)
_PULL_GRADE = 10.0


def mountain(seed: int, climb_m: float | None = None, *, down: bool = True) -> Scenario:
    """Up a pass, two pulls at its top, and `down` again; nothing is wrong with it. `climb_m` is drawn if not given.

    About 1 m higher in a second: half an hour for the highest.
    """
    rng = random.Random(seed * 69_621 + 11)  # noqa: S311  # reproducible is the point
    climb = rng.uniform(*_CLIMB_M) if climb_m is None else climb_m
    way = Itinerary(rng)
    way.start(dwell_s=rng.uniform(3.0, 6.0))
    way.stand(rng.uniform(10.0, 25.0))
    roads = [trip for part in (_MEDIUM, _HIGH, _HIGH) for trip in trips(part)]
    while way.height_m < climb:
        way.trip(rng.choice(roads), rng.uniform(*_GRADES))
        way.stand(rng.uniform(2.0, 8.0))
    _top(way)
    while down and way.height_m > 0:
        way.trip(rng.choice(roads), -rng.uniform(*_GRADES))
        way.stand(rng.uniform(2.0, 8.0))
    way.off(12.0)
    way.circumstance(CircumstanceKind.WEATHER, 0.0, way.now_s + 1.0, rng.uniform(-4.0, 2.5))
    return way.scenario(f"mountain {seed}", rng.uniform(65, 88), rng.uniform(0, 300))


def _top(way: Itinerary) -> None:
    """The two pulls, on a fast stretch without a slope of its own."""
    trip = max(trips(_HIGH), key=lambda t: len(pull_starts(t)))
    starts = pull_starts(trip)
    way.trip(trip, 0.0, [(starts[0], _PULL_GRADE), (starts[-1], _PULL_GRADE)])
    way.stand(5.0)
