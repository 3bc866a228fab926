"""The truth about a drive for grading: each fault, its start and end, and when it began to show."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary_bench.drives.verdict import CEILING, LEAN_BY, OVER_BOOST_PSI
from cabcanary_bench.faults.kinds import FaultKind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.faults.circumstances import Circumstance
    from cabcanary_bench.faults.faults import Fault

_KPA_PER_PSI = 6.894757
#: The engine computer's barometer goes in whole kPa; a limit passed by less may not be passed at all.
_PLAINLY_PSI = 0.3
#: Boost so short a time before a hose came off is what is lost.
_BEFORE_S = 0.2
#: A label's kind: boost above the limit for a moment, with no fault.
ABOVE_THE_LIMIT = "above_the_limit"
#: Ticks of 20 ms: longer than the on-delay of over-boost and the time permitted to a mixture 0.05 too lean.
_LEAST_TICKS = 12
#: Transport and response of a wideband as slow as they come, after the cut has ended.
_CUT_AIR_S = 1.0
#: A sensor's drift shows in closed loop above idle, and there only over some seconds: 15 s.
_ABOVE_IDLE_RPM, _LEAST_CLOSED_TICKS = 1200.0, 750
#: A leak is judged at a warm idle (°C, a degree above the rules' own), over some seconds: 23 s.
_WARM_C, _LEAST_IDLE_TICKS = 71.0, 1150


@dataclass(frozen=True, slots=True)
class Limits:
    """What a vehicle is held to: (boost in psi, leanest lambda) from point to point, and the most boost, psi gauge.

    `lean_from_psi` is the boost from which a lean mixture has to be found; `unmeant_psi` is what a stage without a
    compressor bears, where boost is judged by that alone; `lost_from_psi` from which boost a vehicle without a throttle
    sensor shows that it is lost (None: from any).
    """

    ceiling: tuple[tuple[float, float], ...]
    over_boost_psi: float
    lean_from_psi: float = 2.0
    unmeant_psi: float | None = None
    lost_from_psi: float | None = None


BENCH_LIMITS = Limits(CEILING, OVER_BOOST_PSI)


@dataclass(frozen=True, slots=True)
class Label:
    """One thing that was so from `start_s` to `end_s`.

    `onset_cylinder_s` is when it first was there in the engine, `onset_sensor_s` when it first stood in what the
    sensors put out; None: never within its time. For what should be found as lean or as over-boost both count by
    the vehicle's limits (lean: past the ceiling by 0.05 lambda above `lean_from_psi`), for everything else by its
    strength with the engine's key on. `must_be_found` says that it was severe enough and did show.
    """

    kind: str
    family: str
    words: str
    is_fault: bool
    start_s: float
    end_s: float
    severity: float
    expects: str
    must_be_found: bool
    onset_cylinder_s: float | None
    onset_sensor_s: float | None

    def as_json(self) -> dict[str, Any]:
        """For a program to read."""
        return asdict(self)


def label_all(
    scenario: Scenario, truth: Mapping[str, NDArray[np.float64]], limits: Limits = BENCH_LIMITS
) -> tuple[Label, ...]:
    """Every fault and circumstance of a drive, by the limits of the vehicle."""
    faults = [_fault(fault, truth, limits) for fault in scenario.faults]
    moments = [] if faults else _above_the_limit(truth, limits)
    return (*faults, *(_ordinary(one) for one in scenario.circumstances), *moments)


def _above_the_limit(truth: Mapping[str, NDArray[np.float64]], limits: Limits) -> list[Label]:
    """Where boost is above the limit with nothing wrong, as a turbo's may be for a moment in thin air."""
    time, above = truth["time_s"], truth["boost_kpa"] / _KPA_PER_PSI > limits.over_boost_psi
    edges = np.flatnonzero(np.diff(np.concatenate([[False], above, [False]]).astype(np.int8)))
    words = "boost is above the limit"
    return [
        Label(ABOVE_THE_LIMIT, "ordinary", words, False, begin, end, 0.0, "silent", False, None, None)
        for begin, end in zip(time[edges[::2]].tolist(), time[edges[1::2] - 1].tolist(), strict=True)
    ]


def _ordinary(one: Circumstance) -> Label:
    return Label(
        str(one.kind), "ordinary", one.label, False, one.start_s, one.end_s, one.amount, "silent", False, None, None
    )


def _fault(fault: Fault, truth: Mapping[str, NDArray[np.float64]], limits: Limits) -> Label:
    info = fault.kind.info
    time = truth["time_s"]
    during = (time >= fault.start_s) & (time < fault.end_s)
    cylinder, sensor = _shows(fault, truth, limits)
    onset_cylinder, onset_sensor = _first(time, during & cylinder), _first(time, during & sensor)
    must = (
        fault.must_be_found and onset_sensor is not None and _shows_long_enough(fault, truth, during & sensor, limits)
    )
    return Label(
        str(fault.kind), info.family, fault.label, True, fault.start_s, fault.end_s, fault.severity, info.expects,
        must, onset_cylinder, onset_sensor,
    )  # fmt: skip


def _shows(
    fault: Fault, truth: Mapping[str, NDArray[np.float64]], limits: Limits
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """When it is there in the engine, and when in the sensors' outputs."""
    boost = truth["boost_kpa"] / _KPA_PER_PSI
    shown_boost = (truth["shown_map_kpa"] - truth["baro_kpa"]) / _KPA_PER_PSI
    expects = fault.kind.info.expects
    with np.errstate(invalid="ignore"):  # NaN: nothing shown, and so no onset
        if expects == "lean":
            burning = truth["fuel_cut"] == 0
            cylinder = burning & _too_lean(boost, truth["lambda_cylinder"], limits)
            return cylinder, _too_lean(shown_boost, truth["shown_lambda"], limits)
        if expects == "over_boost":
            return boost > limits.over_boost_psi, shown_boost > limits.over_boost_psi
    above = fault.kind.found_above or 0.0
    time = truth["time_s"]
    grown_s = fault.start_s
    if fault.severity > 0 and fault.onset_s > 0:
        grown_s += fault.onset_s * min(1.0, above / fault.severity)
    there = (truth["key_on"] > 0) & (time >= grown_s)
    return there, there


def _shows_long_enough(
    fault: Fault, truth: Mapping[str, NDArray[np.float64]], shows: NDArray[np.bool_], limits: Limits
) -> bool:
    """Whether it shows long enough, once, for anything to be said of it."""
    if fault.kind.info.found == "closed loop":
        can_be_told = (truth["closed_loop"] > 0) & (truth["rpm"] > _ABOVE_IDLE_RPM)
        return _longest(shows & can_be_told) >= _LEAST_CLOSED_TICKS
    if fault.kind is FaultKind.VACUUM_LEAK:
        # What idle pressure is normal is only known of a warm engine.
        warm_idle = (truth["coolant_c"] >= _WARM_C) & (truth["speed_km_h"] < 1.0) & (truth["running"] > 0)
        return _longest(shows & warm_idle) >= _LEAST_IDLE_TICKS
    if fault.kind is FaultKind.TIP_IN_LEAN:
        # The air of an overrun that has just ended goes past the sensor as well, and nothing tells the two apart.
        shows = shows & ~_just_cut(truth)
    return _longest(shows & _plainly(fault, truth, shows, limits)) >= _LEAST_TICKS


def _just_cut(truth: Mapping[str, NDArray[np.float64]]) -> NDArray[np.bool_]:
    """Where a fuel cut has ended so lately that its air may still be at the sensor, or on its way."""
    time = truth["time_s"]
    last_s = np.maximum.accumulate(np.where(truth["fuel_cut"] > 0, time, -np.inf))
    just: NDArray[np.bool_] = time - last_s < _CUT_AIR_S
    return just


def _plainly(
    fault: Fault, truth: Mapping[str, NDArray[np.float64]], sensor: NDArray[np.bool_], limits: Limits
) -> NDArray[np.bool_]:
    """Where it stands in the sensors' outputs beyond what two barometers may differ by."""
    if fault.kind is FaultKind.HOSE_OFF and limits.lost_from_psi is not None:
        before = (truth["time_s"] >= fault.start_s - _BEFORE_S) & (truth["time_s"] < fault.start_s)
        had_boost = bool(np.any(before & (truth["boost_kpa"] / _KPA_PER_PSI > limits.lost_from_psi)))
        return sensor & had_boost
    least = {"over_boost": limits.over_boost_psi}.get(fault.kind.info.expects)
    if fault.kind is FaultKind.UNMEANT_BOOST:
        least = limits.unmeant_psi
    if least is None:
        return sensor
    with np.errstate(invalid="ignore"):
        shown = (truth["shown_map_kpa"] - truth["baro_kpa"]) / _KPA_PER_PSI
        plainly: NDArray[np.bool_] = sensor & (shown > least + _PLAINLY_PSI)
    return plainly


def _longest(there: NDArray[np.bool_]) -> int:
    """The ticks of the longest stretch in which it is there."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], there, [False]]).astype(np.int8)))
    return int((edges[1::2] - edges[::2]).max()) if len(edges) else 0


def _too_lean(boost_psi: NDArray[np.float64], lambda_: NDArray[np.float64], limits: Limits) -> NDArray[np.bool_]:
    limit = np.interp(boost_psi, [b for b, _ in limits.ceiling], [c for _, c in limits.ceiling])
    lean: NDArray[np.bool_] = (boost_psi > limits.lean_from_psi) & (lambda_ >= limit + LEAN_BY)
    return lean


def _first(time: NDArray[np.float64], where: NDArray[np.bool_]) -> float | None:
    found = np.flatnonzero(where)
    return float(time[found[0]]) if len(found) else None
