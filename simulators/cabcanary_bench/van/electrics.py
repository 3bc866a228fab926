"""The van's 12 V: battery, starter, alternator. Voltages at the battery's posts."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cabcanary_bench.faults.effects import Effects
    from cabcanary_bench.van.build import Alternator
    from cabcanary_bench.van.parameters import Supply

_AMPERE_SECONDS_PER_AH = 3600.0
_CHARGING_A = 8.0
_RIPPLE_V, _RIPPLE_HZ = 0.04, 3.1
_KEY_ON_DROP_V = 0.15
#: What a starter takes away from a supply that is held up from outside.
_STARTER_DROP_V = 2.5
_FORCED_LAG_S = 0.03
#: A smart alternator first gives back what the start has taken (common practice).
_RECHARGE_S = 60.0
#: From full to empty, open-circuit: 12.6 V full and 12.2 V half (common practice).
_EMPTY_DROP_V = 0.8

#: The engine computer starts anew below this supply.
COMPUTER_FAILS_V = 6.5


@dataclass(slots=True)
class Load:
    """What the supply has to do with at a moment."""

    key_on: bool
    cranking: bool
    running: bool
    overrun: bool
    has_run: bool
    #: Foot off the pedal and no fuel cut.
    idling: bool = False


class Electrics:
    """`volts` follows a target that what runs decides; `charge` is the battery's, 0 to 1."""

    def __init__(self, supply: Supply, alternator: Alternator = "by_drive") -> None:
        self._supply, self._alternator = supply, alternator
        self.volts = supply.resting_v
        self.charge = 1.0
        self._run_s = 0.0

    def step(self, dt_s: float, time_s: float, load: Load, effects: Effects) -> None:
        """Advance by a step."""
        self._run_s = self._run_s + dt_s if load.running else 0.0
        target, lag = self._target(time_s, load, effects)
        self.volts += (target - self.volts) * min(1.0, dt_s / lag)
        self._count(dt_s, load, effects)

    def _target(self, time_s: float, load: Load, effects: Effects) -> tuple[float, float]:
        """Where the supply is heading, V, and how fast, s."""
        supply = self._supply
        empty = _EMPTY_DROP_V * (1 - self.charge)
        if effects.supply_forced_v is not None:
            drop = _STARTER_DROP_V + effects.cranking_drop_v if load.cranking else 0.0
            return effects.supply_forced_v - drop, _FORCED_LAG_S
        if load.cranking:
            return supply.cranking_v - effects.cranking_drop_v - empty, 0.05
        if load.running:
            if not effects.charging:
                return supply.flat_v - empty, 2.0
            ripple = _RIPPLE_V * math.sin(2 * math.pi * _RIPPLE_HZ * time_s)
            held, lag = self._regulated(load, effects)
            return held + effects.charging_offset_v + ripple, lag
        if not load.key_on and load.has_run:
            return supply.after_run_v - empty, 1.0
        return supply.resting_v - (_KEY_ON_DROP_V if load.key_on else 0.0) - empty, 0.3

    def _regulated(self, load: Load, effects: Effects) -> tuple[float, float]:
        """What the regulator holds, V, and how fast it goes there, s."""
        supply, kind = self._supply, self._alternator
        recharged = self._run_s > _RECHARGE_S
        if kind == "smart" and recharged:
            resting = supply.smart_idle_v if load.idling else supply.smart_rest_v
            return (supply.smart_overrun_v if load.overrun else resting), 1.0
        if kind == "by_drive" and effects.smart_alternator and recharged:
            return (supply.smart_overrun_v if load.overrun else supply.smart_load_v), 1.0
        return (supply.charging_v if kind == "by_drive" else supply.fixed_v), 0.4

    def _count(self, dt_s: float, load: Load, effects: Effects) -> None:
        """The battery's charge: what flows in and out."""
        supply = self._supply
        if load.running and effects.charging:
            flow = _CHARGING_A
        elif load.running or load.key_on:
            flow = -supply.running_load_a if load.running else -supply.key_on_load_a
        else:
            flow = -supply.feed_load_a if effects.feed_live else 0.0
        moved = flow * dt_s / (supply.battery_ah * _AMPERE_SECONDS_PER_AH)
        self.charge = min(1.0, max(0.0, self.charge + moved))
