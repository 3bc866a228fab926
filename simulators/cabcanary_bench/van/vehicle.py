"""The bench van: a forward mean-value model of engine, driveline and driver.

Source of the approach: mean-value engine models, Hendricks and Sorenson, SAE 900616 (from memory);
each part's own equations name theirs. Good to a few percent in shape, which is what a monitor is tested
with; it is no design tool.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from cabcanary_bench.faults.course import Course
from cabcanary_bench.faults.effects import HEALTHY
from cabcanary_bench.van.breathing import Air, altitude_pa
from cabcanary_bench.van.build import BENCH_VAN, Build
from cabcanary_bench.van.combustion import Combustion
from cabcanary_bench.van.compressors import charger
from cabcanary_bench.van.driver import RPM_PER_RAD_S, Driver, Situation, friction_nm
from cabcanary_bench.van.electrics import Electrics, Load
from cabcanary_bench.van.fuelling import Fuelling, energy_factor
from cabcanary_bench.van.gas import CP_J_KG_K, KELVIN, compressed_k
from cabcanary_bench.van.parameters import Van, bench_van

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.faults.circumstances import Circumstance
    from cabcanary_bench.faults.faults import Fault

#: The manifold settles in tens of ms, the coupling in 20 ms.
SUBSTEP_S = 0.002
_FIRING_RPM = 150.0
_STALL_RPM = 60.0
_CRANK_S = 0.8  # the controller finds the cylinders in about two turns
_STARTER_RAD_S = 220.0 * math.pi / 30  # with nothing to turn
_STARTER_NM_S = 12.0
_STARTER_LIMIT_NM = 190.0
_FLARE_S, _FLARE_SPARK = 0.6, 0.05
_FOOT_OFF = 0.01
_AHEAD_PER_NM = 0.012
_IDLE_BAND = 0.25  # of idle speed: the integral works only near it
_RADIATOR_W_K = 12_000.0
_LOCK_RPM = 1000.0  # below it the coupling only slips
_BITE_RPM, _BITE_SPAN_RPM = 800.0, 400.0
_COUPLING_LIMIT_NM = 700.0
_KMH = 3.6
_LAPSE_K_M = 0.0065  # standard atmosphere
_LIMIT_LEAST_S = 0.12  # a limiter cuts for some cycles at least (common practice)
_LIMIT_GAP = 0.985  # a limiter gives the fuel back this far below its limit
_BY_HAND_S, _RETARD_S = 0.7, 0.15  # how long a change of gear takes
_RETARDED = 0.4  # of the work, with the spark as late as a box asks for while it shifts (common practice)
_HEAD_SHARE = 0.25
#: What a trailer adds to the drag, m2, and how it rolls (common practice).
_TRAILER_DRAG_M2 = 0.8


@dataclass(frozen=True, slots=True)
class DriverInput:
    """The driver's demands at a moment; `pedal_percent` and `gear` override the driver model when given."""

    key_on: bool
    crank: bool
    target_speed_km_h: float
    grade_percent: float = 0.0
    pedal_percent: float | None = None
    altitude_m: float = 0.0
    gear: int | None = None


@dataclass(frozen=True, slots=True)
class Truth:
    """What the van really does at a moment; units in the names, pressures absolute except boost.

    `lambda_cylinder` is the mean of the cylinders, `lambda_leanest` the leanest one's; 1/lambda at the port is
    `port_share` / lambda_cylinder, less than the cylinders' where oxygen passes unburnt or air is added.
    """

    time_s: float
    key_on: bool
    cranking: bool
    running: bool
    speed_km_h: float
    rpm: float
    gear: int
    pedal_percent: float
    throttle_percent: float
    map_kpa: float
    baro_kpa: float
    boost_kpa: float
    coolant_c: float
    charge_c: float
    ambient_c: float
    lambda_cylinder: float
    fuel_cut: bool
    exhaust_flow_g_s: float
    airflow_g_s: float
    supply_v: float
    short_trim_percent: float
    long_trim_percent: float
    command_lambda: float
    port_share: float = 1.0
    lambda_leanest: float = math.inf
    fuel_pressure_kpa: float = 0.0
    closed_loop: bool = False


def _towing(van: Van, towed_kg: float) -> Van:
    """The van with a trailer behind it."""
    if towed_kg <= 0:
        return van
    body = replace(van.body, mass_kg=van.body.mass_kg + towed_kg, drag_area_m2=van.body.drag_area_m2 + _TRAILER_DRAG_M2)
    return replace(van, body=body)


class Vehicle:
    """The van with its driver. `step` advances it; nothing in it reads a clock or draws a random number."""

    def __init__(
        self,
        van: Van | None = None,
        faults: Sequence[Fault] = (),
        baro_kpa: float = 101.325,
        start_coolant_c: float | None = None,
        circumstances: Sequence[Circumstance] = (),
        towed_kg: float = 0.0,
        substep_s: float = SUBSTEP_S,
        build: Build = BENCH_VAN,
    ) -> None:
        self.van = _towing(van or bench_van(), towed_kg)
        self._course = Course(faults, circumstances)
        self.effects = HEALTHY
        self._sea_level_pa = baro_kpa * 1000
        self.air = Air(self.van, self._sea_level_pa, charger(build.compressor, self.van))
        self.driver = Driver(self.van, self.air)
        self.fuel = Fuelling()
        # The tank was filled long ago: the controller has learnt an ordinary blend.
        self.fuel.learn(Course((), circumstances).at(0.0).stoichiometric)
        self.burning = Combustion(self.van, build.metering)
        self.electrics = Electrics(self.van.supply, build.alternator)
        self.time_s = 0.0
        self._substep_s = substep_s
        self._speed = 0.0
        self._rad_s = 0.0
        self._ratio = self.van.driveline.gears[0]
        self._coolant = self.van.cooling.start_c if start_coolant_c is None else start_coolant_c
        self._running = False
        self._has_run = False
        self._cranked_s = 0.0
        self._idle_integral = 0.0
        self._idle_area = 0.0
        self._limited, self._limit_s = False, 0.0
        self._shift_s = 0.0  # time left of a change of gear
        self._start_air = 1.0  # 1 while starting, then fading: more air and earlier spark make the flare

    def step(self, dt_s: float, wanted: DriverInput) -> Truth:
        """Advance by `dt_s` seconds, in substeps of at most 2 ms; return the state at the end."""
        return self.truth(wanted, self.advance(dt_s, wanted))

    def advance(self, dt_s: float, wanted: DriverInput) -> bool:
        """As `step`, without the truth; returns whether the starter turned."""
        van, air = self.van, self.air
        effects = self.effects = self._course.at(self.time_s)
        self._surround(wanted.altitude_m)
        rpm = self._rad_s * RPM_PER_RAD_S
        self._ignition(dt_s, wanted, rpm)
        cranking = wanted.key_on and wanted.crank and not self._running
        self._mixture(dt_s, rpm)
        friction = friction_nm(van, rpm, self._coolant) + effects.extra_load_nm
        energy = self._energy(rpm)
        back = air.baro_pa + van.engine.exhaust_back_pressure_pa + air.charger.back_pa
        self._idle(dt_s, rpm)
        situation = Situation(self._speed, self._rad_s, self._planned_energy(), friction, back, self._idle_area)
        self._drive(dt_s, wanted, situation)
        air.slow(dt_s, rpm, self._idle_area, effects.compressor_speed)
        self._move(dt_s, wanted.grade_percent, energy, friction, back, cranking)
        self._slow_states(dt_s, wanted, cranking)
        self.time_s = round(self.time_s + dt_s, 9)  # hours of 10 ms must still end on whole ones
        return cranking

    def _surround(self, altitude_m: float) -> None:
        """Weather, altitude, and open or stuck parts of the intake."""
        air, effects = self.air, self.effects
        height = altitude_m + effects.altitude_m
        baro, ambient = self._sea_level_pa + effects.air_offset_pa, self.van.cooling.ambient_c + KELVIN
        if height:
            baro, ambient = altitude_pa(baro, height), ambient - _LAPSE_K_M * height
        air.surround(baro, ambient + effects.ambient_offset_k)
        if not self.time_s:
            air.map_pa = air.baro_pa  # the van has stood here
        air.hose_open, air.leak_m2, air.soak_k = effects.hose_open, effects.leak_m2, effects.charge_soak_k
        air.shut_least, air.shut_most = effects.bypass_least_shut, effects.bypass_most_shut

    def _ignition(self, dt_s: float, wanted: DriverInput, rpm: float) -> None:
        if not wanted.key_on or self.effects.stall or (self._running and rpm < _STALL_RPM):
            self._running = False
            self._cranked_s = 0.0
        elif not self._running and rpm > _FIRING_RPM:
            self._cranked_s += dt_s
            self._running = self._cranked_s >= _CRANK_S
        self._has_run = self._has_run or self._running

    def _mixture(self, dt_s: float, rpm: float) -> None:
        fuel, effects, burning = self.fuel, self.effects, self.burning
        if not self._running:
            fuel.stopped()
            burning.stopped()
            return
        fuel.overrun(dt_s, self.driver.pedal, rpm, self._forced_cut(dt_s, rpm))
        share = burning.fuel_share(effects, fuel.command, self.air)
        fuel.step(
            dt_s,
            self.air.map_pa,
            self.air.baro_pa,
            self._coolant,
            share,
            burning.port_share,
            effects.tip_in,
            loop=effects.secondary_air_kg_s <= 0,
        )
        burning.step(effects, fuel.cylinder, self.air)

    def _forced_cut(self, dt_s: float, rpm: float) -> bool:
        """Whether a limiter or traction control takes the fuel away."""
        effects = self.effects
        self._limit_s = max(0.0, self._limit_s - dt_s)
        gap = _LIMIT_GAP if self._limited else 1.0
        above = rpm > effects.limiter_rpm * gap or self._speed * _KMH > effects.speed_limit_km_h * gap
        if above and not self._limited:
            self._limit_s = _LIMIT_LEAST_S
        self._limited = above or self._limit_s > 0
        return effects.forced_cut or self._limited

    def _energy_at(self, factor: float) -> float:
        """Work per kg of air at the piston, J, for an energy factor."""
        engine = self.van.engine
        return engine.efficiency * engine.heating_value_j_kg / engine.stoichiometric_ratio * factor

    def _planned_energy(self) -> float:
        """What the driver may count on, the compressor's work taken off."""
        return self._energy_at(energy_factor(self.fuel.command)) - self._compressor_work()

    def _compressor_work(self) -> float:
        """Work the compressor takes from the crankshaft per kg of air, J."""
        if self.air.ratio <= 1 or not self.air.charger.on_crankshaft:
            return 0.0
        hot = compressed_k(self.air.ambient_k, self.air.ratio, self.air.charger.efficiency)
        return CP_J_KG_K * (hot - self.air.ambient_k)

    def _energy(self, rpm: float) -> float:
        engine = self.van.engine
        burning = self._running and not self.fuel.cut
        work = self._energy_at(self.burning.energy_factor) if burning else 0.0
        if self.driver.pedal < _FOOT_OFF:
            # Idle keeps spark in hand on both sides, and uses it against changes of speed.
            idle_rpm = engine.idle_rpm + self.effects.idle_raise_rpm
            spark = engine.idle_spark * (1 + 0.8 * (idle_rpm - rpm) / idle_rpm)
            work *= min(1.0, max(0.45, spark + _FLARE_SPARK * self._start_air - self.effects.late_spark))
        if self._shift_s > 0 and self.effects.shift == "retard":
            work *= _RETARDED
        return work - self._compressor_work()

    def _idle(self, dt_s: float, rpm: float) -> None:
        """Idle air: a PI control of speed, never below what holds the overrun pressure."""
        engine = self.van.engine
        if not self._running:
            self._idle_integral, self._start_air = 0.0, 1.0
            self._idle_area = self.air.idle_area_for(engine.idle_map_pa, engine.idle_rpm / RPM_PER_RAD_S) * 1.5
            return
        self._start_air *= 1 - dt_s / _FLARE_S
        base = self.air.idle_area_for(engine.idle_map_pa, engine.idle_rpm / RPM_PER_RAD_S)
        idle_rpm = engine.idle_rpm + self.effects.idle_raise_rpm
        error = (idle_rpm - rpm) / idle_rpm
        if self.driver.pedal < _FOOT_OFF and abs(error) < _IDLE_BAND:
            self._idle_integral = min(0.6, max(-0.4, self._idle_integral + 0.35 * error * dt_s))
        ahead = _AHEAD_PER_NM * self.effects.extra_load_nm  # a load is announced to the controller
        wanted = base * (1 + self._idle_integral + 0.8 * max(-1.0, error) + self._start_air + ahead)
        least = self.air.idle_area_for(engine.overrun_map_pa, max(self._rad_s, 1.0))
        self._idle_area += (max(wanted, least) - self._idle_area) * min(1.0, dt_s / 0.08)

    def _drive(self, dt_s: float, wanted: DriverInput, now: Situation) -> None:
        driver, gear = self.driver, self.driver.gear
        target = wanted.target_speed_km_h / _KMH if self._running else 0.0
        driver.step(dt_s, target, wanted.grade_percent, now)
        if wanted.pedal_percent is not None:
            driver.override(wanted.pedal_percent / 100)
        if wanted.gear is not None:
            driver.engage(wanted.gear)
        if self.effects.shift:
            self._shift(dt_s, gear)

    def _shift(self, dt_s: float, gear_before: int) -> None:
        """A change of gear by hand, or by a box that asks for a moment of late spark."""
        by_hand = self.effects.shift == "manual"
        if self.driver.gear != gear_before and self._speed > 1.0:
            self._shift_s = _BY_HAND_S if by_hand else _RETARD_S
        self._shift_s = max(0.0, self._shift_s - dt_s)
        if by_hand and self._shift_s > 0:
            self.driver.lift(dt_s)

    def _coupling_limit(self, wheel_rad_s: float, rad_s: float) -> float:
        """Torque the coupling can pass: little near idle, so that the van stands and creeps off."""
        if self._shift_s > 0 and self.effects.shift == "manual":
            return 0.0
        if wheel_rad_s * RPM_PER_RAD_S > _LOCK_RPM:
            return _COUPLING_LIMIT_NM
        if self.driver.pedal < _FOOT_OFF:
            return 0.0
        bite = (rad_s * RPM_PER_RAD_S - _BITE_RPM) / _BITE_SPAN_RPM
        return self.van.driveline.launch_torque_nm * min(1.5, max(0.0, bite))

    def _move(self, dt_s: float, grade: float, energy: float, friction: float, back_pa: float, cranking: bool) -> None:
        """Advance pressure, crankshaft and road speed together; energy in J per kg of air, rest SI."""
        van, air = self.van, self.air
        line = van.driveline
        steps = max(1, math.ceil(dt_s / self._substep_s - 1e-9))
        dt = dt_s / steps
        resistance = self.driver.road_load_n(self._speed, grade) + self.driver.brake_n
        mass = van.body.mass_kg * (1 + van.body.rotating_share)
        pump = van.engine.displacement_m3 / (4 * math.pi)
        pedal, stiff = min(self.driver.pedal, self._throttle_most()), line.coupling_nm_s
        wanted_ratio = line.gears[self.driver.gear - 1]
        self._ratio += (wanted_ratio - self._ratio) * min(1.0, 3 * dt_s / line.shift_s)
        ratio = self._ratio * line.final_ratio / line.tyre_radius_m
        speed, rad_s = self._speed, self._rad_s
        limit = self._coupling_limit(speed * ratio, rad_s)
        work = air.engine_coefficient * energy
        residual = van.engine.residual_pa
        per_inertia, per_mass = dt / van.engine.inertia_kg_m2, dt / mass
        at_wheel = ratio * line.efficiency
        fast = air.fast
        for _ in range(steps):
            fast(dt, pedal, rad_s)
            torque = work * (air.map_pa - residual) - pump * (back_pa - air.map_pa) - friction
            if cranking:
                torque += min(_STARTER_LIMIT_NM, max(0.0, _STARTER_NM_S * (_STARTER_RAD_S - rad_s)))
            passed = stiff * (rad_s - speed * ratio)
            if not -limit <= passed <= limit:
                passed = limit if passed > 0 else -limit
            rad_s += per_inertia * (torque - passed)
            speed += per_mass * (passed * at_wheel - resistance)
            if rad_s < 0 or speed < 0:
                rad_s, speed = max(0.0, rad_s), max(0.0, speed)
        self._speed, self._rad_s = speed, rad_s

    def _throttle_most(self) -> float:
        """How far the controller lets the throttle open, 0 to 1."""
        too_fast = self._limited and self._speed * _KMH > self.effects.speed_limit_km_h * _LIMIT_GAP
        return 0.0 if too_fast else self.effects.throttle_most

    def _slow_states(self, dt_s: float, wanted: DriverInput, cranking: bool) -> None:
        cooling, moves = self.van.cooling, self.effects.coolant_moves
        fuel_w = 0.0
        if self._running and not self.fuel.cut:
            fuel_kg_s = self.air.flow_kg_s / (self.fuel.cylinder * self.van.engine.stoichiometric_ratio)
            fuel_w = fuel_kg_s * self.van.engine.heating_value_j_kg * cooling.heat_share
        loss = cooling.loss_w_k * (self._coolant - (self.air.ambient_k - KELVIN))
        if self._coolant > cooling.thermostat_c and moves:
            # The thermostat opens and the radiator takes the rest.
            loss += _RADIATOR_W_K * (self._coolant - cooling.thermostat_c)
        # Standing coolant: only the coolant in the head takes up the heat.
        capacity = cooling.heat_capacity_j_k * (1.0 if moves else _HEAD_SHARE)
        self._coolant += (fuel_w - loss) * dt_s / capacity
        idling = self.driver.pedal < _FOOT_OFF and not self.fuel.cut
        load = Load(wanted.key_on, cranking, self._running, self.fuel.cut, self._has_run, idling)
        self.electrics.step(dt_s, self.time_s, load, self.effects)

    def exhaust(self) -> tuple[float, float, float]:
        """What leaves the engine now: rpm, g/s at the sensor, 1/lambda at the port."""
        return self._rad_s * RPM_PER_RAD_S, self._exhaust_g_s()[1], self.burning.port_share / self.fuel.cylinder

    def _exhaust_g_s(self) -> tuple[float, float]:
        """Air and all of the gas at the sensor, g/s."""
        air_g_s = (self.air.flow_kg_s + self.burning.added_air_kg_s) * 1000
        drawn_g_s = self.air.flow_kg_s * 1000
        return drawn_g_s, air_g_s + drawn_g_s / (self.fuel.cylinder * self.van.engine.stoichiometric_ratio)

    def truth(self, wanted: DriverInput, cranking: bool = False) -> Truth:
        """The state as it is now."""
        air, fuel = self.air, self.fuel
        air_g_s, exhaust_g_s = self._exhaust_g_s()
        return Truth(
            self.time_s,
            wanted.key_on,
            cranking,
            self._running,
            self._speed * _KMH,
            self._rad_s * RPM_PER_RAD_S,
            self.driver.gear,
            self.driver.pedal * 100,
            air.throttle * 100,
            air.map_pa / 1000,
            air.baro_pa / 1000,
            (air.map_pa - air.baro_pa) / 1000,
            self._coolant,
            air.charge_k - KELVIN,
            air.ambient_k - KELVIN,
            fuel.cylinder,
            fuel.cut,
            exhaust_g_s,
            air_g_s,
            self.electrics.volts,
            fuel.short_trim * 100,
            fuel.long_trim * 100,
            fuel.command,
            self.burning.port_share,
            self.burning.leanest,
            self.burning.rail_kpa(air) if wanted.key_on else air.baro_pa / 1000,
            fuel.closed,
        )
