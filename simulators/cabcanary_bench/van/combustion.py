"""What reaches the cylinders and what leaves them when something is wrong: fuel shares, one lean cylinder, misfire,
air that is added on the way. With nothing wrong every factor is one."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary_bench.faults.kinds import PUMP_CAPACITY_KG_S
from cabcanary_bench.van.fuelling import energy_factor

if TYPE_CHECKING:
    from cabcanary_bench.faults.effects import Effects
    from cabcanary_bench.van.breathing import Air
    from cabcanary_bench.van.build import Metering
    from cabcanary_bench.van.parameters import Van

_CYLINDERS = 4
#: A regulator holds the rail this far above the manifold, kPa (common practice for port injection).
_RAIL_KPA = 350.0
#: Dirty injectors lose this share of their loss already at idle.
_DIRT_AT_IDLE = 0.4
#: Of the oxygen of a cycle that does not burn, what the sensor still sees: the rest reacts with the unburnt fuel
#: at its hot surface (common practice).
_SEEN_OF_MISFIRE = 0.7
#: Flow at which a leaking exhaust no longer draws air in, because its pressure no longer dips below the air's.
_LEAK_FADES_KG_S = 0.012
_LEAST_FLOW_KG_S = 1e-4
#: The starting bound of demand for shares: below it the injectors' share is idle's.
_FULL_DEMAND_KG_S = 0.0100
#: Bounds of what a meter may have counted, against the engine's air: beyond them nothing burns anyway.
_METERED_LEAST, _METERED_MOST = 0.3, 2.0


def _metered(air: Air) -> float:
    """Of the air that the engine takes, what an air meter ahead of the throttle has counted: a leak comes in behind it.

    While air is blown out of a hole it has counted too much.
    """
    flow = max(air.flow_kg_s, _LEAST_FLOW_KG_S)
    return min(_METERED_MOST, max(_METERED_LEAST, 1 - air.unmetered_kg_s() / flow))


class Combustion:
    """Shares between what the controller meant and what burns. `step` comes after the mixture's."""

    def __init__(self, van: Van, metering: Metering = "speed_density") -> None:
        self._ratio = van.engine.stoichiometric_ratio
        self._mass_air = metering == "mass_air"
        self.port_share = 1.0
        self.leanest = math.inf
        self.energy_factor = 0.0
        self.added_air_kg_s = 0.0  # between the cylinders and the sensor
        self._rail = 1.0

    def stopped(self) -> None:
        """Nothing burns."""
        self.port_share, self.leanest, self.energy_factor, self.added_air_kg_s = 1.0, math.inf, 0.0, 0.0

    def rail_kpa(self, air: Air) -> float:
        """Fuel pressure in the rail, kPa absolute: an injector's flow goes with the root of it."""
        return air.map_pa / 1000 + _RAIL_KPA * self._rail * self._rail

    def fuel_share(self, effects: Effects, command: float, air: Air) -> float:
        """Of the fuel that the controller means, the share that arrives, against gasoline's need."""
        demand = air.flow_kg_s / (command * self._ratio) * effects.fuel_demand
        self._rail = effects.rail
        if demand * self._rail > min(effects.pump_capacity_kg_s, PUMP_CAPACITY_KG_S):
            self._rail = min(effects.pump_capacity_kg_s, PUMP_CAPACITY_KG_S) / demand
        share = effects.fuel * self._rail * effects.stoichiometric
        if effects.injector_dirt:
            used = min(1.0, demand / _FULL_DEMAND_KG_S)
            share *= 1 - effects.injector_dirt * (_DIRT_AT_IDLE + (1 - _DIRT_AT_IDLE) * used)
        if effects.cylinder_lean:
            share *= 1 - effects.cylinder_lean / _CYLINDERS
        if self._mass_air:
            share *= _metered(air)
        elif effects.leak_at_runner:
            share /= 1 + self._runner_air(effects, air)
        return max(share, 1e-4)

    def _runner_air(self, effects: Effects, air: Air) -> float:
        """Air that comes in behind the pressure sensor, against what the sensor accounts for."""
        return max(0.0, air.leak_kg_s()) * effects.leak_at_runner / max(air.flow_kg_s, _LEAST_FLOW_KG_S)

    def step(self, effects: Effects, mean: float, air: Air) -> None:
        """What the cylinders' mean lambda means for the leanest one, for the work, and for the exhaust."""
        self.leanest, self.energy_factor = mean, energy_factor(mean)
        if effects.cylinder_lean or effects.leak_at_runner:
            self._uneven(effects, mean, air)
        if effects.misfire:
            self.energy_factor *= 1 - effects.misfire
        self.port_share = 1 - _SEEN_OF_MISFIRE * effects.misfire
        flow = max(air.flow_kg_s, _LEAST_FLOW_KG_S)
        drawn = effects.exhaust_leak_kg_s * max(0.0, 1 - flow / _LEAK_FADES_KG_S)
        self.added_air_kg_s = effects.secondary_air_kg_s + drawn
        if self.added_air_kg_s:
            self.port_share *= flow / (flow + self.added_air_kg_s)

    def _uneven(self, effects: Effects, mean: float, air: Air) -> None:
        """One cylinder gets less fuel or more air than the others."""
        missing, extra = effects.cylinder_lean, self._runner_air(effects, air)
        others = mean * (1 - missing / _CYLINDERS) / (1 + extra)
        self.leanest = others * (1 + _CYLINDERS * extra) / max(1 - missing, 1e-3)
        self.energy_factor = (
            (_CYLINDERS - 1) * energy_factor(others) + energy_factor(self.leanest)
        ) / _CYLINDERS  # fmt: skip
