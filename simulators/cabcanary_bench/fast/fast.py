"""A drive without wires: what the sources would have left in their slots, with its times, as arrays.

The vehicle and the sensors are the ones of the bench; only the transports are left out. A recording goes into the
daemon's own `Pipeline` tick by tick, or into array code column by column.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.clock import NS_PER_S
from cabcanary.model import Quality, Reading
from cabcanary_bench.drives.labels import BENCH_LIMITS, Label, Limits, label_all
from cabcanary_bench.fast.fitted import FittedWires
from cabcanary_bench.fast.obd_readings import Polled
from cabcanary_bench.fast.readings import ADC, WIDEBAND, Reasons, Track, Wires
from cabcanary_bench.sensors.outputs import Sensors
from cabcanary_bench.van.build import BENCH_VAN

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from numpy.typing import NDArray

    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.fast.fitted import Fitted
    from cabcanary_bench.sensors.traits import Traits
    from cabcanary_bench.van.vehicle import Truth

STEP_S, TICK_S = 0.01, 0.02
#: Twice the bench's own: moves rpm by 0.1 % and pressure by 0.4 kPa (99 % of the time), and saves a fifth.
SUBSTEP_S = 0.005
#: When the machine was started before the drive, as its monotonic clock has it.
_BOOT_NS = 1_000 * NS_PER_S
#: The monitor's own computer: down below this supply, up again this long after it is back.
_MONITOR_FAILS_V, _MONITOR_BOOTS_S = 6.0, 20.0
#: How often each item is asked for, Hz; as in the bench van's settings.
OBD_RATES: Mapping[str, float] = {
    "rpm": 10, "throttle": 10, "speed": 4, "map": 4, "coolant_temperature": 0.5, "intake_temperature": 0.5,
    "barometer": 0.2, "module_voltage": 1, "fuel_system_1": 2, "short_trim_1": 2, "long_trim_1": 0.5,
}  # fmt: skip

#: The monitor's own computer when nothing is wrong with it.
COMPUTER: Mapping[str, float] = {"clock_set": 1.0, "recording": 1.0, "board_temperature": 48.0, "late_ticks": 0.0}

#: The columns of the truth that are kept at every tick.
TRUTH_COLUMNS = (
    "time_s", "key_on", "cranking", "running", "speed_km_h", "rpm", "gear", "pedal_percent", "throttle_percent",
    "map_kpa", "baro_kpa", "boost_kpa", "coolant_c", "charge_c", "lambda_cylinder", "lambda_leanest", "fuel_cut",
    "exhaust_flow_g_s", "airflow_g_s", "supply_v", "short_trim_percent", "long_trim_percent", "fuel_pressure_kpa",
    "command_lambda", "closed_loop", "shown_lambda", "shown_map_kpa",
)  # fmt: skip


def _row(t: Truth, shown_lambda: float | None, shown_map: float | None) -> tuple[float, ...]:
    nan = float("nan")
    return (
        t.time_s, t.key_on, t.cranking, t.running, t.speed_km_h, t.rpm, t.gear, t.pedal_percent, t.throttle_percent,
        t.map_kpa, t.baro_kpa, t.boost_kpa, t.coolant_c, t.charge_c, t.lambda_cylinder, t.lambda_leanest, t.fuel_cut,
        t.exhaust_flow_g_s, t.airflow_g_s, t.supply_v, t.short_trim_percent, t.long_trim_percent, t.fuel_pressure_kpa,
        t.command_lambda, t.closed_loop, nan if shown_lambda is None else shown_lambda,
        nan if shown_map is None else shown_map,
    )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Readings:
    """All of one wire: times in ns, values in the wire's unit (NaN where there is none), and an index of why."""

    times_ns: NDArray[np.int64]
    values: NDArray[np.float64]
    why: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Recording:
    """A drive as the daemon would have had it.

    `tick_ns` are the ticks' times; `wires` holds (source, item) -> its readings; `reasons` what `Readings.why` points
    to; `truth` one array per column of `TRUTH_COLUMNS`, a value a tick; `runs` the ranges of ticks between which the
    monitor's computer was down, each to be given to a new pipeline.
    """

    scenario: Scenario
    seed: int
    tick_ns: NDArray[np.int64]
    wires: dict[tuple[str, str], Readings]
    reasons: tuple[tuple[Quality, str], ...]
    truth: dict[str, NDArray[np.float64]]
    labels: tuple[Label, ...]
    runs: tuple[tuple[int, int], ...]

    @property
    def zero_ns(self) -> int:
        """The time of second 0 of the drive."""
        return _BOOT_NS

    def drive_s(self, time_ns: int) -> float:
        """A reading's, tick's or event's time as seconds of the drive."""
        return (time_ns - _BOOT_NS) / NS_PER_S

    def ticks(self, run: int = 0) -> Iterator[tuple[dict[tuple[str, str], Reading], int]]:
        """What `Pipeline.step` takes, tick by tick of one run: the newest readings, and the time.

        The dictionary is one and the same, changed from tick to tick.
        """
        first, last = self.runs[run]
        queue = self._in_order(int(self.tick_ns[first - 1]) if first else 0)
        newest: dict[tuple[str, str], Reading] = {}
        waiting = next(queue, None)
        for now in self.tick_ns[first:last].tolist():
            while waiting is not None and waiting.time_ns <= now:
                newest[waiting.source, waiting.item] = waiting
                waiting = next(queue, None)
            for item, number in COMPUTER.items():
                newest["computer", item] = Reading("computer", item, number, now)
            yield newest, now

    def _in_order(self, after_ns: int) -> Iterator[Reading]:
        """Every reading after a time, oldest first."""
        keys = list(self.wires)
        times = np.concatenate([w.times_ns for w in self.wires.values()])
        wire = np.concatenate([np.full(len(w.times_ns), n) for n, w in enumerate(self.wires.values())])
        values = np.concatenate([w.values for w in self.wires.values()])
        why = np.concatenate([w.why for w in self.wires.values()])
        order = np.argsort(times, kind="stable")
        order = order[np.searchsorted(times[order], after_ns, side="right") :]
        rows = zip(
            wire[order].tolist(), times[order].tolist(), values[order].tolist(), why[order].tolist(), strict=True
        )
        reasons = self.reasons
        for n, time_ns, value, reason in rows:
            source, item = keys[n]
            if reason:
                yield Reading(source, item, None, time_ns, *reasons[reason])
            else:
                yield Reading(source, item, value, time_ns)

    def at_ticks(self, source: str, item: str) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
        """One wire as columns, a row a tick: the newest value in the wire's unit (NaN: none), and its age in ns."""
        wire = self.wires[source, item]
        index = np.searchsorted(wire.times_ns, self.tick_ns, side="right") - 1
        there = index >= 0
        index = np.maximum(index, 0)
        values = np.where(there, wire.values[index] if len(wire.values) else np.nan, np.nan)
        times = wire.times_ns[index] if len(wire.times_ns) else np.zeros(len(index), np.int64)
        return values, np.where(there, self.tick_ns - times, np.iinfo(np.int64).max)


def drive(
    scenario: Scenario,
    seed: int,
    traits: Traits | None = None,
    obd_rates: Mapping[str, float] = OBD_RATES,
    fitted: Fitted | None = None,
    limits: Limits = BENCH_LIMITS,
) -> Recording:
    """Drive a scenario as fast as it goes. The same scenario, seed and traits give the same recording.

    With `fitted` it is another vehicle, and its own sources are read; its labels go by `limits`.
    """
    return _Run(scenario, seed, traits, obd_rates, fitted, limits).recording()


class _Run:
    def __init__(
        self,
        scenario: Scenario,
        seed: int,
        traits: Traits | None,
        obd_rates: Mapping[str, float],
        fitted: Fitted | None,
        limits: Limits,
    ) -> None:
        self._scenario, self._seed, self._limits = scenario, seed, limits
        self._vehicle = scenario.vehicle(SUBSTEP_S, BENCH_VAN if fitted is None else fitted.build)
        self._sensors = Sensors(seed, traits)
        self._reasons = Reasons()
        self._wires: Wires | FittedWires
        self._obd: Polled | None
        if fitted is None:
            self._wires, self._obd = Wires(seed, self._reasons), Polled(seed, self._reasons, obd_rates)
        else:
            self._wires, self._obd = FittedWires(fitted, seed, self._reasons), fitted.polled(seed, self._reasons)
        self._ticks = round(scenario.length_s / TICK_S)
        self._columns = np.zeros((self._ticks, len(TRUTH_COLUMNS)))

    def recording(self) -> Recording:
        vehicle, sensors, scenario = self._vehicle, self._sensors, self._scenario
        for n in range(self._ticks):
            at_s = n * TICK_S
            wanted = scenario.input(at_s)
            vehicle.advance(STEP_S, wanted)
            sensors.advance(vehicle.time_s, *vehicle.exhaust(), vehicle.effects)
            wanted = scenario.input(at_s + STEP_S)
            cranking = vehicle.advance(STEP_S, wanted)
            sensors.advance(vehicle.time_s, *vehicle.exhaust(), vehicle.effects)
            truth = vehicle.truth(wanted, cranking)
            shown = sensors.show(truth, vehicle.effects)
            now_ns = _BOOT_NS + round(truth.time_s * NS_PER_S)
            self._wires.take(now_ns, truth, shown, vehicle.effects)
            if self._obd is not None:
                self._obd.take(now_ns, truth, vehicle.effects)
            self._columns[n] = _row(truth, shown.wideband, shown.map_kpa)
        return self._collected()

    def _collected(self) -> Recording:
        truth = {name: self._columns[:, n].copy() for n, name in enumerate(TRUTH_COLUMNS)}
        # The tick comes when all of its 20 ms have been taken.
        end_ns = np.round((truth["time_s"] + TICK_S) * NS_PER_S).astype(np.int64) + _BOOT_NS
        tracks: dict[tuple[str, str], Track] = {**self._wires.tracks, **(self._obd.tracks if self._obd else {})}
        wires = {
            key: Readings(np.array(t.times_ns, np.int64), np.array(t.values, np.float64), np.array(t.why, np.uint8))
            for key, t in tracks.items()
        }
        return Recording(
            self._scenario,
            self._seed,
            end_ns,
            wires,
            tuple(self._reasons.all),
            truth,
            label_all(self._scenario, truth, self._limits),
            _runs(truth["supply_v"]),
        )


def _runs(supply_v: NDArray[np.float64]) -> tuple[tuple[int, int], ...]:
    """Ranges of ticks in which the monitor's computer was up."""
    runs, first, boot = [], 0, round(_MONITOR_BOOTS_S / TICK_S)
    down = np.flatnonzero(supply_v < _MONITOR_FAILS_V)
    for n in down.tolist():
        if n > first:
            runs.append((first, n))
        first = n + boot if n >= first - boot else first
    if first < len(supply_v):
        runs.append((first, len(supply_v)))
    return tuple(runs)


__all__ = ["ADC", "OBD_RATES", "TRUTH_COLUMNS", "WIDEBAND", "Readings", "Recording", "drive"]
