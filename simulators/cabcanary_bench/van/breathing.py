"""Air on its way in: throttle, compressor and bypass, manifold. The van's fastest states.

Sources: orifice flow, Heywood, Internal Combustion Engine Fundamentals, 1st ed., appendix C (from memory);
manifold filling as a mean-value model, Hendricks and Sorenson, SAE 900616 (from memory).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary_bench.van.compressors import Displacement, Moment
from cabcanary_bench.van.gas import GAMMA, GAS_J_KG_K, KELVIN, compressed_k

if TYPE_CHECKING:
    from cabcanary_bench.van.compressors import Charger
    from cabcanary_bench.van.parameters import Van

#: Below this ratio of pressures the throat is sonic: (2/(k+1))^(k/(k-1)).
CRITICAL_RATIO: float = (2 / (GAMMA + 1)) ** (GAMMA / (GAMMA - 1))
_CHOKED: float = math.sqrt(GAMMA) * (2 / (GAMMA + 1)) ** ((GAMMA + 1) / (2 * (GAMMA - 1)))
#: Above this ratio the flow is taken as linear in the ratio: the exact curve has infinite slope at 1, which
#: no fixed step can follow, and a real throat is no longer turbulent there.
_LINEAR_ABOVE = 0.98
_QUARTER_TURN = math.pi / 2
#: Air that flows this fast takes up half the heat that standing air does (common practice).
_SOAK_FLOW_KG_S = 0.010


_TURBULENT, _DOWN, _UP = 2 * GAMMA / (GAMMA - 1), 2 / GAMMA, (GAMMA + 1) / GAMMA


def _turbulent(ratio: float) -> float:
    return math.sqrt(_TURBULENT * (ratio**_DOWN - ratio**_UP))


_AT_LINEAR = _turbulent(_LINEAR_ABOVE)


def flow_factor(ratio: float) -> float:
    """Compressible orifice flow: mass flow = area * p0 / sqrt(R T0) * this, over downstream / upstream."""
    if ratio <= CRITICAL_RATIO:
        return _CHOKED
    if ratio > _LINEAR_ABOVE:
        return _AT_LINEAR * (1 - ratio) / (1 - _LINEAR_ABOVE)
    return _turbulent(ratio)


def interpolate(x: float, xs: list[float], ys: list[float]) -> float:
    """Linear table, flat beyond its ends."""
    if x <= xs[0]:
        return ys[0]
    for i in range(1, len(xs)):
        if x < xs[i]:
            return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])
    return ys[-1]


def altitude_pa(sea_level_pa: float, metres: float) -> float:
    """Pressure at a height, Pa: the standard atmosphere's troposphere (ISO 2533), scaled to the day's pressure."""
    share: float = (1 - 2.25577e-5 * metres) ** 5.25588
    return sea_level_pa * share


class Air:
    """Manifold pressure, throttle and bypass positions, charge temperature.

    `slow` sets what changes little within a step; `fast` advances the pressure by a substep.
    """

    def __init__(self, van: Van, baro_pa: float, charger: Charger | None = None) -> None:
        self._van = van
        self.charger = charger or Displacement(van.compressor, van.engine.displacement_m3)
        self.baro_pa = baro_pa
        self.ambient_k = van.cooling.ambient_c + KELVIN
        self.map_pa = baro_pa
        self.inlet_pa = baro_pa  # throttle outlet, compressor inlet
        self.throttle = 0.0  # 0 shut, 1 wide open
        self.shut = 0.0  # bypass: 0 open, 1 shut
        self.charge_k = self.ambient_k
        self.flow_kg_s = 0.0
        self.ratio = 1.0  # compressor, as it works now
        self.full_ratio = 1.0  # compressor, with the bypass shut
        self.engine_coefficient = 0.0  # flow = this * rad/s * (MAP - residual)
        self.hose_open = 0.0
        self.leak_m2 = 0.0  # into the manifold, from outside
        self.shut_least, self.shut_most = 0.0, 1.0  # what a stuck bypass still does
        self.soak_k = 0.0  # what a hot engine bay adds
        self._flux = baro_pa / math.sqrt(GAS_J_KG_K * self.ambient_k)
        self._idle_area = 0.0
        self._capacity = 0.0
        intake, compressor = van.intake, van.compressor
        self._bore = intake.throttle_area_m2 * intake.discharge
        # Looked up five times a step: kept at hand.
        self._throttle_lag_s, self._residual_pa = intake.throttle_lag_s, van.engine.residual_pa
        self._bypass_open_pa, self._bypass_lag_s = compressor.bypass_open_vacuum_pa, compressor.bypass_lag_s
        self._band = compressor.bypass_open_vacuum_pa - compressor.bypass_shut_vacuum_pa

    def surround(self, baro_pa: float, ambient_k: float) -> None:
        """The air outside has changed: another height, another weather."""
        if baro_pa != self.baro_pa or ambient_k != self.ambient_k:
            self.baro_pa, self.ambient_k = baro_pa, ambient_k
            self._flux = baro_pa / math.sqrt(GAS_J_KG_K * ambient_k)

    def slow(self, dt_s: float, rpm: float, idle_area_m2: float, compressor_speed: float) -> None:
        """Update volumetric efficiency, compressor ratio and charge temperature; area in m2."""
        van = self._van
        engine, compressor = van.engine, van.compressor
        efficiency = interpolate(rpm, engine.volumetric_rpm, engine.volumetric_efficiency)
        swept_m3_rad = engine.displacement_m3 / (4 * math.pi)
        self.engine_coefficient = swept_m3_rad * efficiency / (GAS_J_KG_K * self.charge_k)
        now = Moment(
            rpm, efficiency, self.charge_k, self.ambient_k, self.baro_pa, self.map_pa, self.flow_kg_s, compressor_speed
        )
        self.full_ratio = self.charger.full_ratio(dt_s, now)
        hot = compressed_k(self.ambient_k, max(1.0, self.ratio), self.charger.efficiency)
        cooled = hot - compressor.cooler_effectiveness * (hot - self.ambient_k)
        if self.soak_k:
            cooled += self.soak_k / (1 + self.flow_kg_s / _SOAK_FLOW_KG_S)
        self.charge_k += (cooled - self.charge_k) * dt_s / compressor.charge_lag_s
        self._idle_area = idle_area_m2 * van.intake.discharge
        self._capacity = GAS_J_KG_K * self.charge_k / van.intake.volume_m3

    def fast(self, dt_s: float, pedal: float, speed_rad_s: float) -> None:
        """Advance throttle, bypass and manifold pressure; pedal 0 to 1.

        The step is linearly implicit in the manifold pressure, which stays stable at 2 ms with the
        throttle wide open, where the explicit one does not.
        """
        baro_pa, ratio, map_pa = self.baro_pa, self.ratio, self.map_pa
        self.throttle += (pedal - self.throttle) * dt_s / self._throttle_lag_s
        area = self._bore * (1 - math.cos(self.throttle * _QUARTER_TURN)) + self._idle_area
        inlet = map_pa / ratio
        entering = area * self._flux * flow_factor(inlet / baro_pa)
        drop = 2 * abs(baro_pa - inlet)
        slope = abs(entering) / (drop if drop > 0.02 * baro_pa else 0.02 * baro_pa) / ratio  # noqa: FURB136  # hot
        if self.hose_open > 0 or self.leak_m2 > 0:
            entering, slope = self._through_holes(entering, slope)
        leaving_slope = self.engine_coefficient * speed_rad_s
        step = dt_s * self._capacity
        map_pa += (
            step * (entering - leaving_slope * (map_pa - self._residual_pa)) / (1 + step * (slope + leaving_slope))
        )
        self.map_pa = map_pa
        flow = leaving_slope * (map_pa - self._residual_pa)
        self.flow_kg_s = flow if flow > 0.0 else 0.0  # noqa: FURB136  # a call is dear here
        wanted = (self._bypass_open_pa - (baro_pa - inlet)) / self._band
        if wanted > self.shut_most:
            wanted = self.shut_most
        elif wanted < self.shut_least:
            wanted = self.shut_least
        self.shut += (wanted - self.shut) * dt_s / self._bypass_lag_s
        shut = 0.0 if self.hose_open > 0 else self.shut
        self.ratio = 1 + (self.full_ratio - 1) * shut
        self.inlet_pa = inlet

    def unmetered_kg_s(self) -> float:
        """Flow in by every hole behind the throttle, kg/s; negative while air is blown out there."""
        area = self._van.intake.hose_area_m2 * self.hose_open + self.leak_m2
        return self._hole_flow(area * self._van.intake.discharge) if area > 0 else 0.0

    def leak_kg_s(self) -> float:
        """Flow through the leak alone, kg/s; negative while the manifold is above atmosphere."""
        if self.leak_m2 <= 0:
            return 0.0
        return self._hole_flow(self.leak_m2 * self._van.intake.discharge)

    def _through_holes(self, entering: float, slope: float) -> tuple[float, float]:
        """Flow in by a hose's open end or a leak, or out of it while the manifold is above atmosphere."""
        area = (self._van.intake.hose_area_m2 * self.hose_open + self.leak_m2) * self._van.intake.discharge
        flow = self._hole_flow(area)
        steep = abs(flow) / max(2 * abs(self.baro_pa - self.map_pa), 0.02 * self.baro_pa)
        return entering + flow, slope + steep

    def _hole_flow(self, area: float) -> float:
        relative = self.map_pa / self.baro_pa
        if relative <= 1:
            return area * self._flux * flow_factor(relative)
        return -area * self._flux * relative * flow_factor(1 / relative)

    def area_for(self, map_pa: float, speed_rad_s: float) -> float:
        """Throttle area (with idle air) that would hold a manifold pressure, m2; infinite if none does."""
        van = self._van
        flow = self.engine_coefficient * speed_rad_s * (map_pa - van.engine.residual_pa)
        inlet = self._inlet_for(map_pa)
        factor = flow_factor(inlet / self.baro_pa)
        if factor <= 1e-6:
            return math.inf
        return flow / (self._flux * factor * van.intake.discharge)

    def _inlet_for(self, map_pa: float) -> float:
        """Throttle outlet pressure that goes with a manifold pressure, with the bypass settled."""
        compressor = self._van.compressor
        low = self.baro_pa - compressor.bypass_open_vacuum_pa
        high = self.baro_pa - compressor.bypass_shut_vacuum_pa
        if map_pa <= low:
            return map_pa
        top = high * self.full_ratio
        if map_pa >= top:
            return min(self.baro_pa, map_pa / self.full_ratio)
        return low + (high - low) * (map_pa - low) / (top - low)

    def idle_area_for(self, map_pa: float, speed_rad_s: float) -> float:
        """Idle air area that holds a manifold pressure with the throttle shut, m2."""
        flow = self.engine_coefficient * speed_rad_s * (map_pa - self._van.engine.residual_pa)
        return flow / (self._flux * flow_factor(map_pa / self.baro_pa) * self._van.intake.discharge)
