"""What may be wrong after an install: in the van, on a wire, and on the meter of the person who measures."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from cabcanary_bench.faults.kinds import FaultKind

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary_bench.fast.fast import Readings, Recording
    from cabcanary_bench.fast.fitted import Wire

    Floats = NDArray[np.float64]

#: Numbers on the pressure's wire, kPa that they mean, the air's kPa -> volts that stand there in their place.
PressureVolts = Callable[["Floats", float], "Floats"]
#: A sensor's output stops at 4 and 96 % of its 5 V (common practice).
_LOWEST_V, _HIGHEST_V = 0.2, 4.8
#: Of a sensor against the air: kPa above it at 4.5 V.
_GAUGE_KPA = 200.0
#: The ends of another sensor than that of the settings, kPa absolute at 0.5 and 4.5 V.
_OTHER_RANGE_KPA = (20.0, 400.0)


def _gauge(kpa: Floats, air_kpa: float) -> Floats:
    return np.clip(0.5 + 4.0 * (kpa - air_kpa) / _GAUGE_KPA, _LOWEST_V, _HIGHEST_V)


def _other_range(kpa: Floats, _: float) -> Floats:
    low, high = _OTHER_RANGE_KPA
    return np.clip(0.5 + 4.0 * (kpa - low) / (high - low), _LOWEST_V, _HIGHEST_V)


@dataclass(frozen=True, slots=True)
class InstallFault:
    """One fault by the name of its cause. `kind` with its severity is put into the van; `meter` are the readings that
    differ from a good install's (V, or yes and no); the rest changes a wire. `needs` is what the settings must have."""

    kind: FaultKind | None = None
    severity: float = 1.0
    meter: Mapping[str, float | bool] = field(default_factory=dict)
    pressure_volts: PressureVolts | None = None
    mixture_volts: float | None = None
    mixture_stuck: bool = False
    supply_times: float = 1.0
    swaps: bool = False
    needs: str = ""


_NO_SIGNAL: Mapping[str, float | bool] = {"unit_signal": 0.0}

INSTALL_FAULTS: Mapping[str, InstallFault] = {
    "no_feed": InstallFault(FaultKind.WIDEBAND_SILENT, meter={"feed": 0.0, "unit_lives": False, **_NO_SIGNAL}),
    "feed_live": InstallFault(FaultKind.FEED_LIVE, meter={"feed_key_off": 12.3}),
    "converter_ground": InstallFault(FaultKind.CONVERTER_GROUND_BAD, 0.8, meter={"ground": 0.4}),
    "feed_resistance": InstallFault(meter={"feed": 11.1}),
    "sensor_ground": InstallFault(FaultKind.SENSOR_GROUND_BAD, 0.6, meter={"sensor_ground": 0.3}),
    "map_open": InstallFault(FaultKind.MAP_WIRE_OPEN, 0.2),
    "map_to_ground": InstallFault(FaultKind.MAP_WIRE_OPEN, 0.2, meter={"plug_signal": 0.0}),
    "map_to_5v": InstallFault(FaultKind.MAP_WIRE_OPEN, 1.0, meter={"plug_signal": 5.0}),
    "no_5v": InstallFault(FaultKind.MAP_WIRE_OPEN, 0.2, meter={"plug_5v": 0.0, "plug_signal": 0.0}),
    "line_off": InstallFault(FaultKind.MAP_LINE_OFF, meter={"idle_steady": False}),
    "line_kinked": InstallFault(FaultKind.MAP_LINE_KINKED, 0.6),
    "line_leaks": InstallFault(FaultKind.MAP_LINE_MELTED, 0.4),
    "vacuum_leak": InstallFault(FaultKind.TAP_OPEN, 1.0, meter={"idle_steady": False}),
    "servo_off": InstallFault(FaultKind.TAP_OPEN, 1.0, meter={"idle_steady": False, "pedal": False}),
    "gauge_sensor": InstallFault(pressure_volts=_gauge),
    "wrong_range": InstallFault(pressure_volts=_other_range),
    "swapped": InstallFault(swaps=True, needs="voltage"),
    "mixture_open": InstallFault(mixture_volts=0.0, needs="voltage"),
    "heater_dead": InstallFault(FaultKind.HEATER_DEAD, meter=_NO_SIGNAL),
    "mixture_stuck": InstallFault(mixture_stuck=True),
    "unit_dead": InstallFault(FaultKind.WIDEBAND_SILENT, meter={"unit_lives": False, **_NO_SIGNAL}),
    # It lies ahead of the engine's own sensor as well: the closed loop hides it from the wideband.
    "exhaust_leak": InstallFault(FaultKind.EXHAUST_LEAK, 1.0, needs="trims"),
    "divider": InstallFault(supply_times=0.8, needs="supply"),
    "buzzer_silent": InstallFault(meter={"buzzer": False}),
    "line_silent": InstallFault(FaultKind.WIDEBAND_SILENT, needs="text"),
}


def changed_wires(fault: InstallFault, recording: Recording, wires: Mapping[str, Wire]) -> Recording:
    """The drive with the wires as the fault has them."""
    found = dict(recording.wires)
    pressure, mixture, supply = wires.get("map"), wires.get("lambda"), wires.get("supply")
    if fault.pressure_volts and pressure:
        found[pressure.key] = _other_volts(found[pressure.key], pressure, fault.pressure_volts, recording)
    if mixture and fault.mixture_volts is not None:
        held = found[mixture.key]
        found[mixture.key] = replace(held, values=np.full(len(held.values), fault.mixture_volts * 1000))
    if mixture and fault.mixture_stuck:
        found[mixture.key] = _stuck(found[mixture.key], mixture)
    if supply and fault.supply_times != 1.0:
        held = found[supply.key]
        found[supply.key] = replace(held, values=held.values * fault.supply_times)
    if fault.swaps and mixture and pressure:
        one, other = found[mixture.key], found[pressure.key]
        found[mixture.key], found[pressure.key] = replace(one, values=other.values), replace(other, values=one.values)
    return replace(recording, wires=found)


def _other_volts(readings: Readings, wire: Wire, volts: PressureVolts, recording: Recording) -> Readings:
    """The same pressures through another sensor. What has no power gives nothing, before and after."""
    air_kpa = float(np.median(recording.truth["baro_kpa"]))
    kpa = np.array([wire.value(number) for number in readings.values.tolist()])
    changed = wire.at_converter(1.0) * volts(kpa, air_kpa)
    return replace(readings, values=np.where(readings.values > 0.0, changed, 0.0))


def _stuck(readings: Readings, wire: Wire) -> Readings:
    """Lambda 1, whatever the gas, from when it first had a number."""
    there = ~np.isnan(readings.values) & (readings.values > wire.low_end * 1.05)
    return replace(readings, values=np.where(there, round(wire.of(1.0), 3), readings.values))
