"""The driver and the automatic gear choice: a target speed becomes pedal, brake and gear.

Feed-forward from the road load and the engine's own torque model, with a PI correction for the rest.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cabcanary_bench.van.breathing import Air
    from cabcanary_bench.van.parameters import Van

AIR_KG_M3 = 1.2
GRAVITY = 9.80665
RPM_PER_RAD_S = 30 / math.pi

_PROPORTIONAL_N_S_M = 1800.0
_INTEGRAL_N_M = 250.0
_INTEGRAL_LIMIT_N = 500.0
_ACCELERATION_LAG_S = 0.25
_MAX_ACCELERATION = 2.5
#: Pedal travel per second; a foot needs about a fifth of a second for all of it.
_FOOT_PER_S = 6.0
#: On the flat the driver shifts down rather than use boost; only a hill, or a load that feels like one, does.
_UNBOOSTED_SHARE = 0.97
_FLAT_PERCENT = 2.0
#: Below this target the driver stands: foot on the brake, clutch out.
_STANDING_M_S = 0.15

_SHIFT_UP_RPM, _SHIFT_DOWN_RPM = 4700.0, 1250.0
_CRUISE_RPM, _KICK_DOWN_RPM = 1500.0, 4200.0
_EASY_SHARE, _HARD_SHARE = 0.80, 0.90  # of atmospheric pressure
_SHIFT_PAUSE_S = 1.5


def friction_nm(van: Van, rpm: float, coolant_c: float) -> float:
    """Friction and accessories at the crankshaft, N m.

    fmep in bar = 0.97 + 0.15 n + 0.05 n2, n in thousands of rpm: Heywood eq. 13.6 (from memory); cold oil
    adds up to a third (common practice).
    """
    thousands = rpm / 1000
    fmep_pa = (0.97 + 0.15 * thousands + 0.05 * thousands * thousands) * 1e5
    cold = 1 + 0.33 * max(0.0, 80 - coolant_c) / 60
    return fmep_pa * van.engine.displacement_m3 / (4 * math.pi) * cold + van.engine.accessory_nm


@dataclass(slots=True)
class Situation:
    """What the driver knows of the engine at this moment; energy in J per kg of air, friction in N m."""

    speed_m_s: float
    rad_s: float
    energy: float
    friction: float
    back_pressure_pa: float
    idle_area_m2: float


class Driver:
    """Follows a target speed. `pedal` is 0 to 1, `brake_n` is at the wheels, `gear` counts from 1."""

    def __init__(self, van: Van, air: Air) -> None:
        self._van = van
        self._air = air
        self.pedal = 0.0
        self.brake_n = 0.0
        self.gear = 1
        self._last_target: float | None = None
        self._acceleration = 0.0
        self._integral = 0.0
        self._since_shift = 0.0
        self._uphill = False
        self._pump_m3_rad = van.engine.displacement_m3 / (4 * math.pi)

    def road_load_n(self, speed_m_s: float, grade_percent: float) -> float:
        """Drag, rolling and slope, N."""
        body = self._van.body
        weight = body.mass_kg * GRAVITY
        drag = 0.5 * AIR_KG_M3 * body.drag_area_m2 * speed_m_s * speed_m_s
        slope = math.atan(grade_percent / 100)
        return drag + weight * (body.rolling * math.cos(slope) + math.sin(slope))

    def rad_s_in(self, gear: int, speed_m_s: float) -> float:
        """Crankshaft speed a gear asks for, rad/s."""
        line = self._van.driveline
        return speed_m_s / line.tyre_radius_m * line.gears[gear - 1] * line.final_ratio

    def step(self, dt_s: float, target_m_s: float, grade_percent: float, now: Situation) -> None:
        """Decide on pedal, brake and gear for the next moment."""
        force = self._wanted_force(dt_s, target_m_s, grade_percent, now)
        if target_m_s < _STANDING_M_S:
            self._stand(dt_s)
            return
        self._choose_gear(dt_s, force, now)
        drag_n = self._overrun_force(now)
        self.brake_n = max(0.0, drag_n - force) if force < 0 else 0.0
        if not self._uphill:
            force = min(force, self._unboosted_force(now))
        self._move_foot(dt_s, self._pedal_for(force, now))

    def _wanted_force(self, dt_s: float, target: float, grade: float, now: Situation) -> float:
        body = self._van.body
        if self._last_target is not None:
            rate = (target - self._last_target) / dt_s
            rate = min(_MAX_ACCELERATION, max(-_MAX_ACCELERATION, rate))
            self._acceleration += (rate - self._acceleration) * dt_s / _ACCELERATION_LAG_S
        self._last_target = target
        error = target - now.speed_m_s
        if 0.0 < self.pedal < 1.0 or self.brake_n > 0:
            moved = self._integral + _INTEGRAL_N_M * error * dt_s
            self._integral = min(_INTEGRAL_LIMIT_N, max(-_INTEGRAL_LIMIT_N, moved))
        inertia = body.mass_kg * (1 + body.rotating_share)
        planned = inertia * self._acceleration + self.road_load_n(now.speed_m_s, grade)
        force = planned + _PROPORTIONAL_N_S_M * error + self._integral
        self._uphill = grade > _FLAT_PERCENT and planned > self._unboosted_force(now)
        return force

    def _unboosted_force(self, now: Situation) -> float:
        """Wheel force at a manifold pressure just short of boost, N."""
        torque = self._torque(self._air.baro_pa * _UNBOOSTED_SHARE, now)
        return torque * self._wheel_factor(self.gear)

    def _wheel_factor(self, gear: int) -> float:
        line = self._van.driveline
        return line.gears[gear - 1] * line.final_ratio * line.efficiency / line.tyre_radius_m

    def _torque(self, map_pa: float, now: Situation) -> float:
        drawn = self._air.engine_coefficient * (map_pa - self._van.engine.residual_pa) * now.energy
        return drawn - self._pump_m3_rad * (now.back_pressure_pa - map_pa) - now.friction

    def _overrun_force(self, now: Situation) -> float:
        pumping = self._pump_m3_rad * (now.back_pressure_pa - self._van.engine.overrun_map_pa)
        return -(pumping + now.friction) * self._wheel_factor(self.gear)

    def _map_for(self, force_n: float, gear: int, now: Situation) -> float:
        """Manifold pressure that makes a wheel force in a gear, Pa."""
        torque = force_n / self._wheel_factor(gear)
        drawn = self._air.engine_coefficient * now.energy
        fixed = now.friction + self._pump_m3_rad * now.back_pressure_pa + drawn * self._van.engine.residual_pa
        return (torque + fixed) / (drawn + self._pump_m3_rad)

    def _choose_gear(self, dt_s: float, force_n: float, now: Situation) -> None:
        self._since_shift += dt_s
        if self._since_shift < _SHIFT_PAUSE_S:
            return
        gear = self.gear
        rpm = self.rad_s_in(gear, now.speed_m_s) * RPM_PER_RAD_S
        if gear < len(self._van.driveline.gears) and self._may_shift_up(rpm, force_n, now):
            self.gear += 1
        elif gear > 1 and self._must_shift_down(rpm, force_n, now):
            self.gear -= 1
        if self.gear != gear:
            self._since_shift = 0.0

    def _may_shift_up(self, rpm: float, force_n: float, now: Situation) -> bool:
        if rpm > _SHIFT_UP_RPM:
            return True
        above = self.rad_s_in(self.gear + 1, now.speed_m_s) * RPM_PER_RAD_S
        easy = self._map_for(force_n, self.gear + 1, now) < _EASY_SHARE * self._air.baro_pa
        return force_n > 0 and above > _CRUISE_RPM and easy

    def _must_shift_down(self, rpm: float, force_n: float, now: Situation) -> bool:
        if rpm < _SHIFT_DOWN_RPM:
            return True
        below = self.rad_s_in(self.gear - 1, now.speed_m_s) * RPM_PER_RAD_S
        hard = self._map_for(force_n, self.gear, now) > _HARD_SHARE * self._air.baro_pa
        return hard and below < _KICK_DOWN_RPM

    def _pedal_for(self, force_n: float, now: Situation) -> float:
        map_pa = self._map_for(force_n, self.gear, now)
        if map_pa <= self._van.engine.overrun_map_pa:
            return 0.0
        intake = self._van.intake
        area = self._air.area_for(map_pa, max(now.rad_s, 60.0)) - now.idle_area_m2
        if area >= intake.throttle_area_m2:
            return 1.0
        return math.acos(1 - max(0.0, area) / intake.throttle_area_m2) * 2 / math.pi

    def _move_foot(self, dt_s: float, wanted: float) -> None:
        most = _FOOT_PER_S * dt_s
        self.pedal += min(most, max(-most, wanted - self.pedal))

    def _stand(self, dt_s: float) -> None:
        self._move_foot(dt_s, 0.0)
        self.brake_n = 0.25 * self._van.body.mass_kg * GRAVITY
        self.gear = 1
        self._integral = 0.0
        self._since_shift = _SHIFT_PAUSE_S

    def lift(self, dt_s: float) -> None:
        """Take the foot off the pedal, as for a change of gear by hand."""
        self.pedal = max(0.0, self.pedal - 2 * _FOOT_PER_S * dt_s)

    def engage(self, gear: int) -> None:
        """Hold a gear, counted from 1, whatever the speed."""
        self.gear = min(len(self._van.driveline.gears), max(1, gear))
        self._since_shift = 0.0

    def override(self, pedal: float) -> None:
        """Put the foot somewhere, 0 to 1, whatever the speed should be."""
        self.pedal = min(1.0, max(0.0, pedal))
        self.brake_n = 0.0
