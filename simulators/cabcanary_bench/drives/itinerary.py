"""Building blocks of a drive: the key, the starter, stands, and trips of the WLTC trace from stop to stop."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING

from cabcanary_bench.drives.scenario import Phase, Scenario
from cabcanary_bench.drives.wltc import PHASE_ENDS_S, trace
from cabcanary_bench.faults.circumstances import Circumstance, CircumstanceKind

if TYPE_CHECKING:
    import random
    from collections.abc import Iterable

CRANK_S = 2.0
PULL_S = 12.0
#: A pull needs a trip that is this fast all along, km/h: below it the driver has gears in hand, above it no power.
_PULL_KM_H = (48.0, 100.0)
_STILL_KM_H = 0.2
_KMH = 3.6


@cache
def trips(part: int) -> tuple[tuple[int, int], ...]:
    """The trips in a part of the trace (0 Low to 3 Extra-high) as (from, to) in s, both at a standstill."""
    speeds = trace()
    first = 0 if part == 0 else PHASE_ENDS_S[part - 1]
    last = min(PHASE_ENDS_S[part], len(speeds) - 1)
    still = [s for s in range(first, last + 1) if speeds[s] < _STILL_KM_H]
    return tuple((a, b) for a, b in pairwise(still) if b - a > 10)


@cache
def pull_starts(trip: tuple[int, int]) -> tuple[int, ...]:
    """Seconds of a trip at which a slope makes a pull: fast enough, not slowing down, and not at the trip's end."""
    speeds, length = trace(), round(PULL_S)
    return tuple(
        s
        for s in range(trip[0] + 5, trip[1] - length - 5)
        if all(_PULL_KM_H[0] < v < _PULL_KM_H[1] for v in speeds[s : s + length]) and speeds[s + length] >= speeds[s]
    )


class Itinerary:
    """Writes phases one after the other, with the circumstances that go with them."""

    def __init__(self, rng: random.Random) -> None:
        self.rng = rng
        self.now_s = 0.0
        self.phases: list[Phase] = []
        self.circumstances: list[Circumstance] = []
        self._height = [(0.0, 0.0)]

    @property
    def height_m(self) -> float:
        """How far above its start the drive is now."""
        return self._height[-1][1]

    def add(
        self, name: str, length_s: float, trace_s: float = 0.0, *, grade: float = 0.0, hold: bool = False,
        key_on: bool = True, crank: bool = False,
    ) -> None:  # fmt: skip
        """One phase of this length."""
        end = round(self.now_s + length_s, 2)
        self.phases.append(
            Phase(name, self.now_s, end, trace_s, grade, hold=hold, key_on=key_on, crank=crank)
        )  # fmt: skip
        self.now_s = end

    def circumstance(self, kind: CircumstanceKind, start_s: float, length_s: float, amount: float = 1.0) -> None:
        """Something ordinary that goes on from a time on."""
        self.circumstances.append(Circumstance(kind, start_s, start_s + length_s, amount))

    def start(self, dwell_s: float = 4.0) -> None:
        """Key on, a look at the dashboard, starter, a few seconds of idle."""
        if dwell_s > 0:
            self.add("key on", dwell_s, hold=True)
        else:
            self.circumstance(CircumstanceKind.CRANK_WITHOUT_DWELL, self.now_s, CRANK_S)
        self.add("start", CRANK_S, hold=True, crank=True)
        self.stand(self.rng.uniform(4.0, 8.0))

    def stand(self, length_s: float, name: str = "stand") -> None:
        """Idle at a standstill."""
        self.add(name, round(length_s, 1), hold=True)

    def off(self, length_s: float) -> None:
        """Key off, parked."""
        self.add("key off", round(length_s, 1), hold=True, key_on=False)

    def stall(self) -> None:
        """The engine stalls at a standstill and is started again."""
        self.circumstance(CircumstanceKind.STALL, self.now_s + 0.5, 1.0)
        self.stand(self.rng.uniform(2.5, 5.0), "stalled")
        self.add("start", CRANK_S, hold=True, crank=True)

    def start_stop(self, length_s: float) -> None:
        """The engine rests while the van stands."""
        self.circumstance(CircumstanceKind.START_STOP, self.now_s + 2.0, length_s - 2.0)
        self.stand(length_s, "start-stop")
        self.add("start", CRANK_S, hold=True, crank=True)

    def trip(self, trip: tuple[int, int], grade: float = 0.0, pulls: Iterable[tuple[int, float]] = ()) -> None:
        """Drive a trip, on a slope of `grade` percent, with (second of the trace, grade) for each pull in it."""
        begin_s, at, name = self.now_s, float(trip[0]), "drive"
        for second, slope in sorted(pulls):
            if second < at:
                continue
            self.add(name, second - at, at, grade=grade)
            self.add("pull", PULL_S, second, grade=slope)
            at = second + PULL_S
        self.add(name, trip[1] - at, at, grade=grade)
        self._climb(begin_s)

    def _climb(self, since_s: float) -> None:
        """Keep the book of heights for the phases since a time."""
        speeds = trace()
        for phase in self.phases:
            if phase.start_s < since_s:
                continue
            metres = sum(speeds[round(phase.trace_s) : round(phase.trace_end_s)]) / _KMH
            self._height.append((phase.end_s, self._height[-1][1] + metres * phase.grade_percent / 100))

    def scenario(self, name: str, start_coolant_c: float, base_m: float = 0.0, towed_kg: float = 0.0) -> Scenario:
        """The whole drive, from a start at `base_m` above the sea."""
        hilly = any(abs(m) > 1.0 for _, m in self._height)
        lowest = min(m for _, m in self._height)
        # Nobody drives below the sea.
        base = max(base_m, -lowest)
        altitude = (
            tuple((t, base + m) for t, m in (*self._height, (self.now_s + 1.0, self._height[-1][1])))
            if hilly or base
            else ()
        )
        return Scenario(
            name,
            self.now_s,
            tuple(self.phases),
            start_coolant_c=start_coolant_c,
            circumstances=tuple(self.circumstances),
            altitude=altitude,
            towed_kg=towed_kg,
        )
