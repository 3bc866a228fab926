"""What faults and circumstances do, gathered at a moment: factors and switches that the van and its sensors read.

A fault and an ordinary event may do the same thing to the van (a slipping belt, a wet one); only their labels
differ. So both are put into one `Effects`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(slots=True)
class Effects:
    """Everything in force at a moment; the defaults are a healthy van on an ordinary day."""

    # --- fuel and combustion
    fuel: float = 1.0  # of the fuel meant, share that arrives, whatever the rail's pressure
    rail: float = 1.0  # of the rail's flow, share that its pressure still gives
    pump_capacity_kg_s: float = math.inf  # the pump delivers no more than this
    injector_dirt: float = 0.0  # share lost at full demand; 0.4 of it at idle
    cylinder_lean: float = 0.0  # share of one cylinder's fuel that is missing
    misfire: float = 0.0  # share of cycles that do not burn
    tip_in: float = 0.0  # share of the wall film that the controller does not make up for
    stoichiometric: float = 1.0  # air that the fuel in the tank wants, against the fuel that it was tuned for
    fuel_demand: float = 1.0  # fuel wanted against gasoline's, where the controller knows the blend
    forced_cut: bool = False  # the controller cuts fuel, as for traction
    throttle_most: float = 1.0  # what the controller allows the throttle to open
    limiter_rpm: float = math.inf  # it does so above this engine speed
    speed_limit_km_h: float = math.inf  # and above this road speed
    stall: bool = False  # the engine is stopped against the driver's will
    late_spark: float = 0.0  # share of the work given away, as when heating the catalyst
    # --- air
    compressor_speed: float = 1.0
    hose_open: float = 0.0
    bypass_least_shut: float = 0.0
    bypass_most_shut: float = 1.0
    leak_m2: float = 0.0  # into the manifold from outside
    leak_at_runner: float = 0.0  # of that, share that reaches one cylinder unseen by the pressure sensor
    altitude_m: float = 0.0  # on top of the drive's own profile
    air_offset_pa: float = 0.0  # weather, on top of the altitude's pressure
    ambient_offset_k: float = 0.0
    charge_soak_k: float = 0.0  # what a hot engine bay adds to the air on its way
    # --- exhaust
    secondary_air_kg_s: float = 0.0  # blown in at the ports
    exhaust_leak_kg_s: float = 0.0  # drawn in ahead of the sensor at idle; fades with flow
    # --- driveline, loads and cooling
    shift: str = ""  # what a change of gear does: "manual" opens the clutch, "retard" delays the spark for a moment
    extra_load_nm: float = 0.0  # at the crankshaft: air conditioning, steering
    idle_raise_rpm: float = 0.0
    coolant_moves: bool = True
    # --- supply
    charging: bool = True
    charging_offset_v: float = 0.0
    smart_alternator: bool = False  # charges on overrun, rests under load
    cranking_drop_v: float = 0.0  # below the ordinary dip
    supply_forced_v: float | None = None
    sensor_supply_share: float = 1.0  # of the sensors' 5 V
    ground_v: float = 0.0  # sensors' ground above the converter's: readings too high when positive
    feed_blown: bool = False
    feed_live: bool = False  # with the key off
    # --- wideband
    wideband_silent: bool = False
    wideband_stuck: float | None = None
    wideband_frozen: bool = False
    wideband_drift: float = 0.0  # lambda, added to what it shows
    wideband_noise: float = 0.0  # lambda, standard deviation on top
    wideband_slow: float = 1.0  # response time, times this
    heater_off: bool = False  # switched off, or dead
    # --- pressure, temperature and supply sensors
    map_line_off: bool = False
    map_line_leak: float = 0.0  # of the difference to the atmosphere, share that shows
    map_line_lag_s: float = 0.0
    map_line_frozen: bool = False
    map_stuck_v: float | None = None
    map_frozen: bool = False
    map_noise_v: float = 0.0
    charge_stuck_v: float | None = None
    supply_sense_v: float | None = None  # the supply's own wire is broken or shorted
    swapped: bool = False  # pressure and temperature plugs
    # --- data
    serial_noise: float = 0.0  # share of lines that arrive damaged
    wideband_unplugged: bool = False
    can_silent: bool = False
    adapter_unplugged: bool = False
    converter_hung: bool = False
    converter_frozen: bool = False
    # --- host: for the rig to do
    host: tuple[str, ...] = ()


#: Shared while nothing is going on, so that a step costs nothing; nobody writes to it.
HEALTHY = Effects()
