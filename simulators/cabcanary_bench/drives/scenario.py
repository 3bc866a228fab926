"""A drive written as a timeline: which seconds of the WLTC trace are driven when, the grade, the faults."""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from cabcanary_bench.drives.wltc import speed_at
from cabcanary_bench.faults.faults import Fault, FaultKind
from cabcanary_bench.van.build import BENCH_VAN
from cabcanary_bench.van.vehicle import SUBSTEP_S, DriverInput, Vehicle

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.drives.expected import Expectation, Kept
    from cabcanary_bench.faults.circumstances import Circumstance
    from cabcanary_bench.van.build import Build

#: A slope begins within this time, s, so that the driver is not asked for a step in force.
_SLOPE_S = 1.0


def between(points: Sequence[tuple[float, float]], time_s: float) -> float:
    """The value at a time of points (s, value) in their order: straight lines, held beyond the ends."""
    n = bisect_right(points, (time_s, math.inf))
    if n in (0, len(points)):
        return points[min(n, len(points) - 1)][1]
    (t0, v0), (t1, v1) = points[n - 1], points[n]
    return v0 + (v1 - v0) * (time_s - t0) / (t1 - t0)


@dataclass(frozen=True, slots=True)
class Phase:
    """One stretch of a drive: the trace from `trace_s` on at normal speed, or held when `hold` is set.

    `speeds`, (s of the drive, km/h) from point to point and held beyond them, take the trace's place.
    """

    name: str
    start_s: float
    end_s: float
    trace_s: float
    grade_percent: float = 0.0
    slope_s: float = _SLOPE_S
    hold: bool = False
    key_on: bool = True
    crank: bool = False
    pedal_percent: float | None = None
    gear: int | None = None
    speeds: tuple[tuple[float, float], ...] = ()

    @property
    def trace_end_s(self) -> float:
        """Where in the trace the phase ends, s."""
        return self.trace_s if self.hold else self.trace_s + self.end_s - self.start_s

    def speed_at(self, time_s: float) -> float:
        """Target speed at a time of the drive, km/h."""
        if self.speeds:
            return between(self.speeds, time_s)
        return speed_at(self.trace_s if self.hold else self.trace_s + time_s - self.start_s)


@dataclass(frozen=True, slots=True)
class Mark:
    """What a stretch of the drive promises: `expects` is lean, over_boost, blind or silent."""

    name: str
    start_s: float
    end_s: float
    expects: str
    fault: Fault | None = None


@dataclass(frozen=True, slots=True)
class Scenario:
    """A whole drive. `altitude` is (s, m) from point to point; `towed_kg` a trailer's mass.

    Raises:
        ValueError: the phases do not follow on each other from 0 to the length.
    """

    name: str
    length_s: float
    phases: tuple[Phase, ...]
    faults: tuple[Fault, ...] = ()
    marks: tuple[Mark, ...] = ()
    start_coolant_c: float | None = None
    circumstances: tuple[Circumstance, ...] = ()
    altitude: tuple[tuple[float, float], ...] = ()
    towed_kg: float = 0.0
    expectations: tuple[Expectation, ...] = ()
    #: What the recorder must have kept; None: one drive.
    kept: Kept | None = None
    #: Alerts that may sound without being asked for.
    may_sound: tuple[str, ...] = ()
    #: No faster than this many times real time: where what a machine does takes real time.
    fastest: float = math.inf
    _starts: tuple[float, ...] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_starts", tuple(phase.start_s for phase in self.phases))
        ends = [0.0, *(phase.end_s for phase in self.phases)]
        if [phase.start_s for phase in self.phases] != ends[:-1] or ends[-1] != self.length_s:
            raise ValueError(f"the phases of {self.name} leave a gap or overlap")

    def _index(self, time_s: float) -> int:
        return max(0, bisect_right(self._starts, time_s) - 1)

    def phase_at(self, time_s: float) -> Phase:
        """The phase at a time; the last one after the end."""
        return self.phases[self._index(time_s)]

    def mark(self, name: str) -> Mark:
        """A mark by its name.

        Raises:
            KeyError: no such mark.
        """
        for mark in self.marks:
            if mark.name == name:
                return mark
        raise KeyError(name)

    def grade_at(self, time_s: float) -> float:
        """Grade, percent: each phase's, reached over the start of the phase."""
        return self._grade(self._index(time_s), time_s)

    def _grade(self, index: int, time_s: float) -> float:
        phase = self.phases[index]
        before = self.phases[index - 1].grade_percent if index else phase.grade_percent
        if phase.slope_s <= 0 or before == phase.grade_percent:
            return phase.grade_percent
        share = min(1.0, (time_s - phase.start_s) / phase.slope_s)
        return before + (phase.grade_percent - before) * share

    def altitude_at(self, time_s: float) -> float:
        """Height above the sea, m."""
        if not self.altitude:
            return 0.0
        n = min(max(1, bisect_right(self.altitude, (time_s, math.inf))), len(self.altitude) - 1)
        (t0, m0), (t1, m1) = self.altitude[n - 1], self.altitude[n]
        return m0 + (m1 - m0) * min(1.0, max(0.0, (time_s - t0) / (t1 - t0)))

    def input(self, time_s: float) -> DriverInput:
        """The driver's demands at a time of the drive, s."""
        index = self._index(time_s)
        phase = self.phases[index]
        bounded = min(time_s, self.length_s)
        return DriverInput(
            phase.key_on,
            phase.crank,
            phase.speed_at(bounded),
            self._grade(index, bounded),
            phase.pedal_percent,
            self.altitude_at(bounded),
            phase.gear,
        )

    def vehicle(self, substep_s: float = SUBSTEP_S, build: Build = BENCH_VAN) -> Vehicle:
        """The van, or another vehicle, as it stands at the start of this drive."""
        return Vehicle(
            faults=self.faults,
            start_coolant_c=self.start_coolant_c,
            circumstances=self.circumstances,
            towed_kg=self.towed_kg,
            substep_s=substep_s,
            build=build,
        )


_LEAN = Fault(FaultKind.LEAN_MIXTURE, 169.0, 172.0, severity=0.16, onset_s=0.2)
_OVER_BOOST = Fault(FaultKind.OVER_BOOST, 195.0, 208.0, severity=0.24, onset_s=0.5)
_SILENT = Fault(FaultKind.WIDEBAND_SILENT, 222.0, 241.0)

#: Five minutes with everything in them that the monitor must and must not sound for.
FIRST_DRIVE = Scenario(
    name="first drive",
    length_s=300.0,
    phases=(
        Phase("key on", 0.0, 6.0, trace_s=0, hold=True),
        Phase("start", 6.0, 8.0, trace_s=0, hold=True, crank=True),
        Phase("warm-up and idle", 8.0, 32.0, trace_s=480),
        Phase("town", 32.0, 112.0, trace_s=0),
        Phase("out of town", 112.0, 120.0, trace_s=1159),
        Phase("clean pull", 120.0, 133.0, trace_s=1167, grade_percent=10.0),
        Phase("overrun", 133.0, 141.0, trace_s=1522),
        Phase("back on", 141.0, 149.0, trace_s=1535.4, grade_percent=5.0, slope_s=0.0),
        Phase("cruise 1", 149.0, 164.0, trace_s=1284),
        Phase("lean pull", 164.0, 177.0, trace_s=1186, grade_percent=9.0),
        Phase("cruise 2", 177.0, 195.0, trace_s=1287),
        Phase("over-boost pull", 195.0, 208.0, trace_s=1184, grade_percent=11.0),
        Phase("cruise 3", 208.0, 218.0, trace_s=1759),
        Phase("silent wideband pull", 218.0, 231.0, trace_s=1182, grade_percent=9.0),
        Phase("slow down", 231.0, 265.0, trace_s=1761),
        Phase("town again", 265.0, 290.0, trace_s=506),
        Phase("key off", 290.0, 300.0, trace_s=531, hold=True, key_on=False),
    ),
    faults=(_LEAN, _OVER_BOOST, _SILENT),
    marks=(
        Mark("clean pull", 120.0, 133.0, "silent"),
        Mark("overrun and back on", 133.0, 149.0, "silent"),
        Mark("lean", _LEAN.start_s, _LEAN.end_s, "lean", _LEAN),
        Mark("over-boost", _OVER_BOOST.start_s, _OVER_BOOST.end_s, "over_boost", _OVER_BOOST),
        Mark("wideband silent", _SILENT.start_s, _SILENT.end_s, "blind", _SILENT),
    ),
)
