"""What can go wrong on the bench, each with its onset and its truth label."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Time constant of the rail running dry after the pump stops, s: below 2 % of the fuel after 0.3 s.
_PUMP_RUN_DOWN_S = 0.075
#: What is left in the rail then: nothing burns, and dividing by it still works.
_DRY = 1e-3


class FaultKind(StrEnum):
    """The faults known. Severity is 0 to 1 and means what stands beside each."""

    LEAN_MIXTURE = "lean_mixture"  # share of the fuel that is missing
    FUEL_PUMP_LOST = "fuel_pump_lost"  # severity unused: all fuel
    OVER_BOOST = "over_boost"  # share by which the compressor turns too fast
    BELT_SLIP = "belt_slip"  # share of the compressor's speed that is lost
    HOSE_OFF = "hose_off"  # share of the hose's bore that is open
    ALTERNATOR_DEAD = "alternator_dead"  # severity unused
    WIDEBAND_SILENT = "wideband_silent"  # severity unused: no more bytes
    WIDEBAND_RAIL_LOW = "wideband_rail_low"  # severity unused: jumps to its rich end
    WIDEBAND_RAIL_HIGH = "wideband_rail_high"  # severity unused: jumps to its lean end
    MAP_LINE_OFF = "map_line_off"  # severity unused: the sensor reads atmosphere
    MAP_WIRE_OPEN = "map_wire_open"  # below 0.5 the signal falls to 0 V, from 0.5 it is pulled to the supply


_WORDS = {
    FaultKind.LEAN_MIXTURE: "the engine runs lean",
    FaultKind.FUEL_PUMP_LOST: "the fuel pump has stopped",
    FaultKind.OVER_BOOST: "boost above the intended level",
    FaultKind.BELT_SLIP: "the compressor belt slips",
    FaultKind.HOSE_OFF: "a compressor hose has come off",
    FaultKind.ALTERNATOR_DEAD: "the alternator does not charge",
    FaultKind.WIDEBAND_SILENT: "the wideband sends nothing",
    FaultKind.WIDEBAND_RAIL_LOW: "the wideband is stuck at its rich end",
    FaultKind.WIDEBAND_RAIL_HIGH: "the wideband is stuck at its lean end",
    FaultKind.MAP_LINE_OFF: "the pressure line is off its sensor",
    FaultKind.MAP_WIRE_OPEN: "the pressure sensor's wire is open",
}


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong from `start_s` to `end_s`, growing to `severity` within `onset_s`."""

    kind: FaultKind
    start_s: float
    end_s: float
    severity: float = 1.0
    onset_s: float = 0.0

    def __post_init__(self) -> None:
        if not (self.end_s > self.start_s and 0 <= self.severity <= 1 and self.onset_s >= 0):
            raise ValueError(f"not a fault: {self}")

    @property
    def label(self) -> str:
        """The truth in words, for grading: what is wrong, and from when."""
        return f"{_WORDS[self.kind]} from {self.start_s:g} s to {self.end_s:g} s"

    def strength(self, time_s: float) -> float:
        """How much of it there is at a time, 0 to its severity."""
        if not self.start_s <= time_s < self.end_s:
            return 0.0
        if self.onset_s <= 0:
            return self.severity
        return self.severity * min(1.0, (time_s - self.start_s) / self.onset_s)


@dataclass(slots=True)
class Effects:
    """What the faults in force do to the van and its sensors, as factors and switches."""

    fuel: float = 1.0  # of the fuel meant, share that arrives
    compressor_speed: float = 1.0
    hose_open: float = 0.0
    charging: bool = True
    wideband_silent: bool = False
    wideband_stuck: float | None = None
    map_line_off: bool = False
    map_stuck_v: float | None = None


def _vehicle_effect(effects: Effects, fault: Fault, time_s: float) -> None:
    strength = fault.strength(time_s)
    if fault.kind is FaultKind.LEAN_MIXTURE:
        effects.fuel *= 1 - strength
    elif fault.kind is FaultKind.FUEL_PUMP_LOST:
        effects.fuel *= max(_DRY, math.exp(-(time_s - fault.start_s) / _PUMP_RUN_DOWN_S))
    elif fault.kind is FaultKind.OVER_BOOST:
        effects.compressor_speed *= 1 + strength
    elif fault.kind is FaultKind.BELT_SLIP:
        effects.compressor_speed *= 1 - strength
    elif fault.kind is FaultKind.HOSE_OFF:
        effects.hose_open = max(effects.hose_open, strength)
    elif fault.kind is FaultKind.ALTERNATOR_DEAD:
        effects.charging = False


def _sensor_effect(effects: Effects, fault: Fault) -> None:
    if fault.kind is FaultKind.WIDEBAND_SILENT:
        effects.wideband_silent = True
    elif fault.kind is FaultKind.WIDEBAND_RAIL_LOW:
        effects.wideband_stuck = -math.inf
    elif fault.kind is FaultKind.WIDEBAND_RAIL_HIGH:
        effects.wideband_stuck = math.inf
    elif fault.kind is FaultKind.MAP_LINE_OFF:
        effects.map_line_off = True
    elif fault.kind is FaultKind.MAP_WIRE_OPEN:
        effects.map_stuck_v = 5.0 if fault.severity >= 0.5 else 0.0


#: Shared while nothing is wrong, so that a step costs nothing; nobody writes to it.
_HEALTHY = Effects()


def effects_at(faults: Sequence[Fault], time_s: float) -> Effects:
    """Everything the faults in force at a time do; to be read only."""
    active = [fault for fault in faults if fault.start_s <= time_s < fault.end_s]
    if not active:
        return _HEALTHY
    effects = Effects()
    for fault in active:
        _vehicle_effect(effects, fault, time_s)
        _sensor_effect(effects, fault)
    return effects
