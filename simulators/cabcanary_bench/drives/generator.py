"""Drives made up from a seed: ordinary ones of many kinds, and the same with a fault in them."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from enum import StrEnum
from itertools import pairwise
from typing import TYPE_CHECKING

from cabcanary_bench.drives.itinerary import PULL_S, Itinerary, pull_starts, trips
from cabcanary_bench.drives.wltc import trace
from cabcanary_bench.faults.circumstances import Circumstance, CircumstanceKind
from cabcanary_bench.faults.faults import Fault, FaultKind

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary_bench.drives.scenario import Phase, Scenario

_LOW, _MEDIUM, _HIGH, _EXTRA = 0, 1, 2, 3
#: In a bend; a tank that is low is so in each.
_BEND_S = 3.0
_C = CircumstanceKind


class DriveKind(StrEnum):
    """Kinds of ordinary drives."""

    TOWN = "town"
    COUNTRY = "country"
    MOTORWAY = "motorway"
    HILL = "hill"
    TOWING = "towing"
    COLD_START = "cold_start"
    DELIVERY = "delivery"
    IDLE = "idle"
    DESCENT = "descent"


def ordinary(seed: int, kind: DriveKind | None = None, minutes: float | None = None) -> Scenario:
    """An ordinary drive, nothing wrong with it; `minutes` is about its length, from 3 up."""
    rng = random.Random(seed * 2_654_435_761 + 17)  # noqa: S311  # reproducible is the point
    kind = kind or rng.choice(list(DriveKind))
    length_s = 60 * (minutes or rng.uniform(10, 30))
    way = Itinerary(rng)
    cold = kind is DriveKind.COLD_START
    way.start(dwell_s=0.0 if rng.random() < 0.15 else rng.uniform(1.5, 6.0))
    if rng.random() < 0.10:
        way.stand(rng.uniform(40.0, 120.0), "remote start")
        way.circumstance(_C.REMOTE_START, 0.0, way.now_s)
    elif rng.random() < 0.05:
        way.circumstance(_C.JUMP_START, 0.0, way.now_s)
    _KINDS[kind](way, length_s)
    way.off(rng.uniform(8.0, 15.0))
    _surroundings(way, cold=cold)
    start_c = rng.uniform(-15, 10) if cold else rng.uniform(62, 88)  # nobody sensible boosts a cold engine
    base_m = rng.choice([0.0, 0.0, rng.uniform(0, 800), rng.uniform(800, 2200)])
    towed = rng.uniform(600, 1500) if kind is DriveKind.TOWING else 0.0
    return way.scenario(f"{kind} {seed}", start_c, base_m, towed)


def _surroundings(way: Itinerary, *, cold: bool) -> None:
    """Weather, fuel, alternator and gearbox, for the whole drive."""
    rng, whole = way.rng, way.now_s + 1.0
    way.circumstance(_C.WEATHER, 0.0, whole, rng.uniform(-4.0, 2.5))
    way.circumstance(_C.AMBIENT, 0.0, whole, rng.uniform(-35, -10) if cold else rng.uniform(-18, 15))
    way.circumstance(_C.FUEL_BLEND, 0.0, whole, rng.choice([0.0, 0.05, 0.10, 0.10, 0.85]))
    shifts = rng.choice([None, _C.MANUAL_SHIFTS, _C.AUTOMATIC_SHIFTS])
    if shifts is not None:
        way.circumstance(shifts, 0.0, whole)
    for kind, chance in ((_C.SMART_ALTERNATOR, 0.4), (_C.WET_BELT, 0.15)):
        if rng.random() < chance:
            way.circumstance(kind, 0.0, whole)
    if rng.random() < 0.1:
        way.circumstance(_C.LIMITER_CUT, 0.0, whole, rng.uniform(4900, 5200))
    if rng.random() < 0.04:
        way.circumstance(_C.BROWN_OUT, rng.uniform(0.3, 0.7) * way.now_s, 0.4)
    if cold:
        _in_the_cold(way)
    elif rng.random() < 0.4:
        way.circumstance(_C.AIR_CONDITIONING, 0.0, whole)
    for phase in way.phases:
        _on_the_way(way, phase)


def _in_the_cold(way: Itinerary) -> None:
    rng = way.rng
    way.circumstance(_C.COLD_START, 0.0, 60.0)
    way.circumstance(_C.CATALYST_HEATING, 0.0, rng.uniform(40, 70), rng.uniform(0.6, 1.0))
    if rng.random() < 0.4:
        way.circumstance(_C.FROZEN_MAP_LINE, 0.0, rng.uniform(40, 150))


def _into_bends(phase: Phase) -> list[float]:
    """Seconds of a stretch at which the trace slows down for some seconds, as into a bend: nobody boosts there."""
    speeds = trace()
    first, last = math.ceil(phase.trace_s), math.floor(phase.trace_end_s) - math.ceil(_BEND_S)
    slowing = [s for s in range(first, last) if all(b < a - 0.5 for a, b in pairwise(speeds[s : s + 4]))]
    return [phase.start_s + s - phase.trace_s for n, s in enumerate(slowing) if n == 0 or s - slowing[n - 1] > 1]


def _on_the_way(way: Itinerary, phase: Phase) -> None:
    """What one stretch brings: a bend with a low tank, a slippery pull, the steering turned at a stand."""
    rng, length_s = way.rng, phase.end_s - phase.start_s
    if phase.name == "drive" and rng.random() < 0.02:
        for second in _into_bends(phase):
            way.circumstance(_C.LOW_TANK_IN_BEND, second, _BEND_S)
    elif phase.name == "pull" and rng.random() < 0.05:
        way.circumstance(_C.TRACTION_CUT, phase.start_s + 2.0, 1.5)
    elif phase.name == "stand" and length_s > 8 and rng.random() < 0.3:
        way.circumstance(_C.STEERING_LOAD, phase.start_s + 2.0, length_s - 2.0)


def _any_trip(way: Itinerary, *parts: int) -> tuple[int, int]:
    return way.rng.choice([trip for part in parts for trip in trips(part)])


def _pulls(way: Itinerary, trip: tuple[int, int], most: int, low: float, high: float) -> list[tuple[int, float]]:
    """Up to `most` pulls in a trip, well apart, at slopes between two grades."""
    found: list[tuple[int, float]] = []
    starts = list(pull_starts(trip))
    way.rng.shuffle(starts)
    for start in starts:
        if len(found) < most and all(abs(start - other) > 3 * PULL_S for other, _ in found):
            found.append((start, way.rng.uniform(low, high)))
    return found


def _town(way: Itinerary, length_s: float) -> None:
    rng = way.rng
    while way.now_s < length_s:
        way.trip(_any_trip(way, _LOW, _LOW, _MEDIUM), grade=rng.uniform(-1.5, 1.5))
        if rng.random() < 0.2:
            way.start_stop(rng.uniform(6.0, 40.0))
        else:
            way.stand(rng.uniform(2.0, 45.0))


def _country(way: Itinerary, length_s: float) -> None:
    rng = way.rng
    while way.now_s < length_s:
        trip = _any_trip(way, _MEDIUM, _HIGH)
        way.trip(trip, rng.uniform(-1.5, 1.5), _pulls(way, trip, rng.randrange(3), 7.0, 10.0))
        way.stand(rng.uniform(2.0, 15.0))


def _motorway(way: Itinerary, length_s: float) -> None:
    rng = way.rng
    way.trip(_any_trip(way, _LOW))
    if rng.random() < 0.3:
        way.circumstance(_C.SPEED_CUT, 0.0, length_s + 1800, rng.uniform(105, 120))
    on_s = way.now_s  # at least one trip at speed, however short the drive
    while way.now_s < length_s or way.now_s == on_s:
        trip = _any_trip(way, _EXTRA, _EXTRA, _HIGH)
        way.trip(trip, rng.uniform(-1.0, 1.0), _pulls(way, trip, rng.randrange(2), 6.0, 9.0))
        way.stand(rng.uniform(2.0, 8.0))


def _hill(way: Itinerary, length_s: float) -> None:
    rng = way.rng
    while way.now_s < length_s:
        trip = _any_trip(way, _MEDIUM, _HIGH)
        way.trip(trip, rng.uniform(1.0, 3.5), _pulls(way, trip, 3, 8.0, 11.0))
        way.stand(rng.uniform(2.0, 10.0))
        way.trip(_any_trip(way, _MEDIUM, _HIGH), rng.uniform(-5.0, -2.0))


def _towing(way: Itinerary, length_s: float) -> None:
    rng = way.rng
    while way.now_s < length_s:
        trip = _any_trip(way, _LOW, _MEDIUM, _HIGH)
        way.trip(trip, rng.uniform(-1.0, 2.0), _pulls(way, trip, 2, 5.0, 7.5))
        way.stand(rng.uniform(2.0, 20.0))


def _delivery(way: Itinerary, length_s: float) -> None:
    """Short hops with the key turned off at each door, stalls, and starts while everything is hot."""
    rng = way.rng
    while way.now_s < length_s:
        way.trip(_any_trip(way, _LOW))
        if rng.random() < 0.25:
            way.stall()
        way.stand(rng.uniform(1.0, 4.0))
        way.off(rng.uniform(15.0, 90.0))
        way.circumstance(_C.HEAT_SOAK, way.now_s, 120.0, rng.uniform(10, 35))
        if rng.random() < 0.5:
            way.circumstance(_C.HOT_RESTART, way.now_s, rng.uniform(10, 25), rng.uniform(0.3, 1.0))
        way.start(dwell_s=0.0 if rng.random() < 0.5 else rng.uniform(0.5, 2.0))


def _idle(way: Itinerary, length_s: float) -> None:
    rng = way.rng
    while way.now_s < length_s:
        way.stand(rng.uniform(60.0, 240.0))
        way.trip(_any_trip(way, _LOW))


def _descent(way: Itinerary, length_s: float) -> None:
    rng = way.rng
    while way.now_s < length_s:
        trip = _any_trip(way, _MEDIUM, _HIGH)
        way.circumstance(_C.LONG_ENGINE_BRAKING, way.now_s, float(trip[1] - trip[0]))
        way.trip(trip, rng.uniform(-8.0, -5.0))
        way.stand(rng.uniform(2.0, 6.0))
        up = _any_trip(way, _HIGH)
        way.trip(up, rng.uniform(0.0, 3.0), _pulls(way, up, 1, 8.0, 10.5))


_KINDS: dict[DriveKind, Callable[[Itinerary, float], None]] = {
    DriveKind.TOWN: _town,
    DriveKind.COUNTRY: _country,
    DriveKind.MOTORWAY: _motorway,
    DriveKind.HILL: _hill,
    DriveKind.TOWING: _towing,
    DriveKind.COLD_START: _town,
    DriveKind.DELIVERY: _delivery,
    DriveKind.IDLE: _idle,
    DriveKind.DESCENT: _descent,
}

# --- faults -------------------------------------------------------------------------------------------------

#: How long a fault lasts, s: a broken part stays broken, a brief loss ends.
_LASTS_S = (20.0, 60.0)
#: Longest driving before the pulls, s: enough for the van to have moved.
_SHORT_TRIP_S = 100


def faulty(seed: int, kind: FaultKind | None = None, severity: float | None = None) -> Scenario:
    """A short drive of four to five minutes with one fault in it, placed where it would show."""
    rng = random.Random(seed * 40_503 + 5)  # noqa: S311  # reproducible is the point
    kind = kind or rng.choice([k for k in FaultKind if k.info.family != "host"])
    scenario = _errand(rng, f"{kind} {seed}")
    return with_fault(scenario, kind, rng, severity)


def errand(seed: int) -> Scenario:
    """The short drive in which `faulty` puts its fault, with nothing wrong, up to some seconds after its first pull."""
    scenario = _errand(random.Random(seed * 40_503 + 5), f"errand {seed}")  # noqa: S311  # reproducible is the point
    pull = next(phase for phase in scenario.phases if phase.name == "pull")
    return cut_off(scenario, pull.end_s + 20.0)


def cut_off(scenario: Scenario, end_s: float) -> Scenario:
    """The drive up to an instant."""
    if end_s >= scenario.length_s:
        return scenario
    end_s = round(end_s, 2)
    phases = [p for p in scenario.phases if p.start_s < end_s]
    return replace(scenario, length_s=end_s, phases=(*phases[:-1], replace(phases[-1], end_s=end_s)))


def _errand(rng: random.Random, name: str) -> Scenario:
    way = Itinerary(rng)
    way.start(dwell_s=rng.uniform(3.0, 6.0))
    way.stand(rng.uniform(10.0, 20.0))
    # The longest high-speed trip: two pulls, a fuel cut after each.
    trip = max(trips(_HIGH), key=lambda t: len(pull_starts(t)))
    way.trip(rng.choice([t for t in trips(_LOW) if t[1] - t[0] < _SHORT_TRIP_S]))
    way.stand(rng.uniform(28.0, 40.0))
    way.trip(trip, 0.0, _pulls(way, trip, 3, 10.0, 12.0))
    way.stand(rng.uniform(5.0, 10.0))
    way.off(15.0)
    way.circumstance(_C.WEATHER, 0.0, way.now_s + 1.0, rng.uniform(-4.0, 2.5))
    return way.scenario(name, rng.uniform(60, 88))


def with_fault(scenario: Scenario, kind: FaultKind, rng: random.Random, severity: float | None = None) -> Scenario:
    """The drive with one fault of a kind where the kind shows; severity is drawn over its whole range if not given."""
    if severity is None:
        severity = rng.uniform(0.05, 1.0)
    start, end = _window(scenario, kind, rng)
    onset = kind.info.onset_s * rng.uniform(0.5, 1.5)
    fault = Fault(kind, round(start, 2), round(end, 2), severity, onset)
    circumstances = scenario.circumstances
    if kind is FaultKind.UNMEANT_BOOST:
        stage = Circumstance(_C.STAGE_WITHOUT_BOOST, 0.0, scenario.length_s + 1.0)
        circumstances = (*circumstances, stage)
    return replace(
        scenario, name=f"{scenario.name} with {kind}", faults=(*scenario.faults, fault), circumstances=circumstances
    )


def _window(scenario: Scenario, kind: FaultKind, rng: random.Random) -> tuple[float, float]:
    """From when to when a fault shows best in a drive."""
    found, lasts = kind.info.found, rng.uniform(*_LASTS_S)
    if found == "cranking":
        start = _phase(scenario, rng, "start")
        return start.start_s - 0.5, start.end_s + 0.5
    if found == "key off":
        off = _phase(scenario, rng, "key off")
        return max(1.0, off.start_s - 5.0), scenario.length_s
    if found == "idle":
        stand = max((p for p in scenario.phases if p.name == "stand"), key=lambda p: p.end_s - p.start_s)
        return stand.start_s + rng.uniform(1.0, 4.0), stand.end_s
    # The first pull: earlier driving makes a fault neither easier nor harder to see.
    pull = next(phase for phase in scenario.phases if phase.name == "pull")
    if found in ("full boost", "a pull"):
        start_s = pull.start_s + rng.uniform(2.0, 5.0)
        return start_s, min(scenario.length_s, start_s + max(lasts, PULL_S))
    # Anywhere before a pull, so that it has had the time to be there when it matters.
    start_s = pull.start_s - rng.uniform(2.0, 15.0)
    return start_s, min(scenario.length_s, pull.end_s + lasts)


def _phase(scenario: Scenario, rng: random.Random, name: str) -> Phase:
    """A phase of this name.

    Raises:
        ValueError: the drive has none.
    """
    named = [phase for phase in scenario.phases if phase.name == name]
    if not named:
        raise ValueError(f"{scenario.name} has no '{name}' for a fault to show in")
    return rng.choice(named)
