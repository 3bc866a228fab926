"""The bench's faults: a kind, a time, a severity, an onset, and a label that says the truth."""

from __future__ import annotations

import math
from dataclasses import dataclass

from cabcanary.spelling import spelt
from cabcanary_bench.faults.effects import Effects
from cabcanary_bench.faults.kinds import KINDS, FaultKind, KindInfo

__all__ = ["KINDS", "Effects", "Fault", "FaultKind", "KindInfo"]

#: Time constant of the rail running dry after the pump stops, s: below 2 % of the fuel after 0.3 s.
_PUMP_RUN_DOWN_S = 0.075
#: Fuel left in the rail then, as a share: nothing burns, and dividing by it still works.
_DRY = 1e-3


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
        """The truth in words, for grading: the fault, its start and its end."""
        return f"{self.kind.info.words} from {spelt(self.start_s)} s to {spelt(self.end_s)} s"

    @property
    def must_be_found(self) -> bool:
        """Whether it is severe enough that a monitor may not miss it."""
        above = self.kind.found_above
        return above is not None and self.severity > above

    def strength(self, time_s: float) -> float:
        """How much of it there is at a time, 0 to its severity."""
        if not self.start_s <= time_s < self.end_s:
            return 0.0
        if self.onset_s <= 0:
            return self.severity
        return self.severity * min(1.0, (time_s - self.start_s) / self.onset_s)

    @property
    def steady_s(self) -> float:
        """From when on its force stays the same until its end."""
        return math.inf if self.kind is FaultKind.FUEL_PUMP_LOST else self.start_s + self.onset_s

    def force(self, time_s: float) -> float:
        """What its acts are given at a time at which it is in force: mostly its strength."""
        if self.kind is FaultKind.FUEL_PUMP_LOST:
            return max(_DRY, math.exp(-(time_s - self.start_s) / _PUMP_RUN_DOWN_S))
        # A wire breaks at once, to one side or the other.
        return self.severity if self.kind is FaultKind.MAP_WIRE_OPEN else self.strength(time_s)
