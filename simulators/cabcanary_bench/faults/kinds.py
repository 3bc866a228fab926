"""Every kind of fault: its words, what its severity means, from where on it must be found, and what it does."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from cabcanary_bench.faults.acts import Act, add, at_least, blend, host, switch, times
from cabcanary_bench.faults.fuels import stoichiometric_share

if TYPE_CHECKING:
    from cabcanary_bench.faults.effects import Effects

# --- what full severity is -------------------------------------------------------------------------------
#: The pump of the bench van can deliver this: half of it is full load on gasoline, two thirds on E85.
PUMP_CAPACITY_KG_S = 0.0200
_DRIFT_LAMBDA = 0.20
_EXHAUST_LEAK_KG_S = 1.2e-3
#: An open 6 mm port, and a hole of 5.6 mm, m2.
_TAP_M2, _LEAK_M2 = 28.3e-6, 25e-6
#: A leak at a runner's gasket goes to one cylinder; the rest of it mixes in the plenum and is measured.
_RUNNER_SHARE = 0.15
_KINK_LAG_S = 4.0
_GROUND_V = 0.5
_BROWN_OUT_V = 4.9
_REGULATOR_V = 4.0
_NOISE_LAMBDA, _NOISE_MAP_V = 0.20, 0.50
_SLOW_TIMES = 10.0


class FaultKind(StrEnum):
    """The faults known; `info` says what each one's severity, 0 to 1, means."""

    # mixture
    LEAN_MIXTURE = "lean_mixture"
    FUEL_PUMP_LOST = "fuel_pump_lost"
    WEAK_PUMP = "weak_pump"
    ONE_CYLINDER_LEAN = "one_cylinder_lean"
    FUEL_PRESSURE_FALLING = "fuel_pressure_falling"
    CLOGGED_INJECTORS = "clogged_injectors"
    WRONG_FUEL = "wrong_fuel"
    WIDEBAND_DRIFT = "wideband_drift"
    EXHAUST_LEAK = "exhaust_leak"
    MISFIRE = "misfire"
    TIP_IN_LEAN = "tip_in_lean"
    # boost
    OVER_BOOST = "over_boost"
    BELT_SLIP = "belt_slip"
    BELT_LOST = "belt_lost"
    HOSE_OFF = "hose_off"
    BYPASS_STUCK_OPEN = "bypass_stuck_open"
    BYPASS_STUCK_SHUT = "bypass_stuck_shut"
    # plumbing
    UNMEANT_BOOST = "unmeant_boost"
    TAP_OPEN = "tap_open"
    VACUUM_LEAK = "vacuum_leak"
    MAP_LINE_OFF = "map_line_off"
    MAP_LINE_KINKED = "map_line_kinked"
    MAP_LINE_MELTED = "map_line_melted"
    # electrics
    ALTERNATOR_DEAD = "alternator_dead"
    OVER_VOLTAGE = "over_voltage"
    SENSOR_GROUND_BAD = "sensor_ground_bad"
    CONVERTER_GROUND_BAD = "converter_ground_bad"
    FUSE_BLOWN = "fuse_blown"
    FEED_LIVE = "feed_live"
    CRANK_BROWN_OUT = "crank_brown_out"
    SENSOR_SUPPLY_SAG = "sensor_supply_sag"
    # sensors
    WIDEBAND_SILENT = "wideband_silent"
    WIDEBAND_RAIL_LOW = "wideband_rail_low"
    WIDEBAND_RAIL_HIGH = "wideband_rail_high"
    WIDEBAND_STUCK = "wideband_stuck"
    WIDEBAND_NOISY = "wideband_noisy"
    WIDEBAND_SLOW = "wideband_slow"
    HEATER_DEAD = "heater_dead"
    MAP_WIRE_OPEN = "map_wire_open"
    MAP_STUCK = "map_stuck"
    MAP_NOISY = "map_noisy"
    CHARGE_WIRE_OPEN = "charge_wire_open"
    CHARGE_SHORT = "charge_short"
    SUPPLY_WIRE_OPEN = "supply_wire_open"
    SENSORS_SWAPPED = "sensors_swapped"
    # data
    SERIAL_NOISE = "serial_noise"
    WIDEBAND_UNPLUGGED = "wideband_unplugged"
    CAN_SILENT = "can_silent"
    ADAPTER_UNPLUGGED = "adapter_unplugged"
    CONVERTER_HUNG = "converter_hung"
    CONVERTER_FROZEN = "converter_frozen"
    # host
    DISK_FULL = "disk_full"
    CLOCK_JUMP = "clock_jump"
    PROCESS_KILLED = "process_killed"

    @property
    def info(self) -> KindInfo:
        """Everything about this kind."""
        return KINDS[self]

    @property
    def found_above(self) -> float | None:
        """Severity above which it must be found; None where the fitted sensors cannot show it."""
        return KINDS[self].found_above


@dataclass(frozen=True, slots=True)
class KindInfo:
    """A kind of fault.

    `found_above` is the severity above which a monitor must find it, in the situation `found` names (None: the
    fitted sensors cannot show it, or the rig has to look); `expects` is what it should be found as: lean,
    over_boost, supply, blind lambda, blind map, blind engine, or other for what a cross-check, a baseline or the
    report after the drive finds. `onset_s` is its usual time to grow.
    """

    family: str
    words: str
    severity: str
    found_above: float | None
    found: str
    expects: str
    onset_s: float
    acts: tuple[Act, ...]


def _wrong_fuel(effects: Effects, strength: float) -> None:
    effects.stoichiometric *= stoichiometric_share(strength)


def _pump_lost(effects: Effects, left: float) -> None:
    effects.rail *= left


def _falling_pressure(effects: Effects, strength: float) -> None:
    # An injector flows with the root of the pressure across it (Bernoulli).
    effects.rail *= math.sqrt(max(1e-6, 1 - strength))


def _map_wire(effects: Effects, strength: float) -> None:
    effects.map_stuck_v = 5.0 if strength >= 0.5 else 0.0


_OPEN, _ANY = 0.0, "unused"
_MIX, _BOOST, _PLUMB, _ELEC, _SENS, _DATA, _HOST = (
    "mixture", "boost", "plumbing", "electrics", "sensors", "data", "host",
)  # fmt: skip
_PULL, _IDLE, _RUN, _ALWAYS = "full boost", "idle", "engine running", "key on"

KINDS: dict[FaultKind, KindInfo] = {
    # --- mixture
    FaultKind.LEAN_MIXTURE: KindInfo(
        _MIX, "the engine runs lean", "share of the fuel that is missing", 0.15, _PULL, "lean", 0.2, (times("fuel", 0),)
    ),
    # Its effect takes the share of the fuel that is left in the rail, not a severity.
    FaultKind.FUEL_PUMP_LOST: KindInfo(
        _MIX, "the fuel pump has stopped", _ANY, _OPEN, _PULL, "lean", 0.0, (_pump_lost,)
    ),
    FaultKind.WEAK_PUMP: KindInfo(
        _MIX, "the fuel pump is weak", "share of its capacity that is lost", 0.70, _PULL, "lean", 5.0,
        (lambda e, s: setattr(e, "pump_capacity_kg_s", PUMP_CAPACITY_KG_S * (1 - s)),),
    ),
    FaultKind.ONE_CYLINDER_LEAN: KindInfo(
        _MIX, "one cylinder runs lean", "share of its fuel that is missing", 0.60, _PULL, "lean", 0.2,
        (at_least("cylinder_lean", 1),),
    ),
    FaultKind.FUEL_PRESSURE_FALLING: KindInfo(
        _MIX, "fuel pressure falls", "share of the pressure that is lost", 0.30, _PULL, "lean", 2.0,
        (_falling_pressure,),
    ),
    FaultKind.CLOGGED_INJECTORS: KindInfo(
        _MIX, "the injectors are clogged", "share of the fuel missing at full demand, 0.4 of it at idle",
        0.30, _PULL, "lean", 10.0, (at_least("injector_dirt", 1),),
    ),
    FaultKind.WRONG_FUEL: KindInfo(
        _MIX, "the wrong fuel is in the tank", "ethanol by volume, in a tune for none", 0.65, _RUN, "lean", 5.0,
        (_wrong_fuel,),
    ),
    FaultKind.WIDEBAND_DRIFT: KindInfo(
        _MIX, "the wideband reads richer than true", f"of {_DRIFT_LAMBDA} lambda", 0.40, "closed loop", "other", 0.0,
        (add("wideband_drift", -_DRIFT_LAMBDA),),
    ),
    FaultKind.EXHAUST_LEAK: KindInfo(
        _MIX, "the exhaust leaks ahead of the sensor", f"of {_EXHAUST_LEAK_KG_S * 1000:g} g/s drawn in at idle",
        0.60, _IDLE, "other", 0.0, (add("exhaust_leak_kg_s", _EXHAUST_LEAK_KG_S),),
    ),
    FaultKind.MISFIRE: KindInfo(
        _MIX, "the engine misfires", "share of cycles that do not burn", 0.25, _RUN, "other", 0.0,
        (at_least("misfire", 1),),
    ),
    FaultKind.TIP_IN_LEAN: KindInfo(
        _MIX, "it runs lean as the throttle opens", "share of the wall film that is not made up for", 0.80, "tip-in",
        "lean", 0.0, (at_least("tip_in", 1),),
    ),
    # --- boost
    FaultKind.OVER_BOOST: KindInfo(
        _BOOST, "boost above the intended level", "share by which the compressor turns too fast", 0.25, _PULL,
        "over_boost", 0.5, (times("compressor_speed", 2),),
    ),
    FaultKind.BELT_SLIP: KindInfo(
        _BOOST, "the compressor belt slips", "share of the compressor's speed that is lost", 0.30, _PULL, "other", 0.5,
        (times("compressor_speed", 0),),
    ),
    FaultKind.BELT_LOST: KindInfo(
        _BOOST, "the belt is lost, with compressor, alternator and water pump", _ANY, _OPEN, _RUN, "supply", 0.0,
        (switch("compressor_speed", 0.0), switch("charging", value=False), switch("coolant_moves", value=False)),
    ),
    FaultKind.HOSE_OFF: KindInfo(
        _BOOST, "a compressor hose has come off", "share of the hose's bore that is open", 0.30, _PULL, "other", 0.0,
        (at_least("hose_open", 1),),
    ),
    FaultKind.BYPASS_STUCK_OPEN: KindInfo(
        _BOOST, "the bypass valve does not shut", "share that stays open", 0.50, _PULL, "other", 0.0,
        (blend("bypass_most_shut", 1, 0),),
    ),
    FaultKind.BYPASS_STUCK_SHUT: KindInfo(
        _BOOST, "the bypass valve does not open", "share that stays shut", 0.70, _IDLE, "other", 0.0,
        (blend("bypass_least_shut", 0, 1),),
    ),
    # --- plumbing
    FaultKind.UNMEANT_BOOST: KindInfo(
        _PLUMB, "the compressor makes boost in a stage that should have none", "share of the bypass that is shut",
        0.50, _PULL, "other", 0.0, (blend("bypass_most_shut", 0, 1),),
    ),
    FaultKind.TAP_OPEN: KindInfo(
        _PLUMB, "a port of the pressure tap is open to the air", "of a 6 mm bore", 0.70, _IDLE, "other", 0.0,
        (add("leak_m2", _TAP_M2),),
    ),
    FaultKind.VACUUM_LEAK: KindInfo(
        _PLUMB, "the intake leaks", "of 25 mm2, 0.15 of it at one runner", 0.80, _IDLE, "other", 0.0,
        (add("leak_m2", _LEAK_M2), switch("leak_at_runner", _RUNNER_SHARE)),
    ),
    FaultKind.MAP_LINE_OFF: KindInfo(
        _PLUMB, "the pressure line is off its sensor", _ANY, _OPEN, _RUN, "blind map", 0.0,
        (switch("map_line_off", value=True),),
    ),
    FaultKind.MAP_LINE_KINKED: KindInfo(
        _PLUMB, "the pressure line is kinked", f"of {_KINK_LAG_S:g} s of lag", 0.50, "a pull", "blind map", 0.0,
        (at_least("map_line_lag_s", _KINK_LAG_S),),
    ),
    FaultKind.MAP_LINE_MELTED: KindInfo(
        _PLUMB, "the pressure line has melted through", "share of the way to the atmosphere that it reads", 0.30,
        _IDLE, "blind map", 0.0, (at_least("map_line_leak", 1),),
    ),
    # --- electrics
    FaultKind.ALTERNATOR_DEAD: KindInfo(
        _ELEC, "the alternator does not charge", _ANY, _OPEN, _RUN, "supply", 0.0, (switch("charging", value=False),)
    ),
    FaultKind.OVER_VOLTAGE: KindInfo(
        _ELEC, "the regulator lets the voltage rise", f"of {_REGULATOR_V:g} V", 0.40, _RUN, "supply", 1.0,
        (add("charging_offset_v", _REGULATOR_V),),
    ),
    FaultKind.SENSOR_GROUND_BAD: KindInfo(
        _ELEC, "the sensors' ground is lifted: they read too high", f"of {_GROUND_V:g} V", 0.50, _RUN, "blind map",
        0.0, (add("ground_v", _GROUND_V),),
    ),
    FaultKind.CONVERTER_GROUND_BAD: KindInfo(
        _ELEC, "the converter's ground is lifted: all reads too low", f"of {_GROUND_V:g} V", 0.50, _RUN, "blind map",
        0.0, (add("ground_v", -_GROUND_V),),
    ),
    FaultKind.FUSE_BLOWN: KindInfo(
        _ELEC, "the sensors' fuse has blown", _ANY, _OPEN, _ALWAYS, "blind lambda", 0.0,
        (switch("feed_blown", value=True),),
    ),
    FaultKind.FEED_LIVE: KindInfo(
        _ELEC, "the sensors' feed is live with the key off", _ANY, None, "key off", "other", 0.0,
        (switch("feed_live", value=True),),
    ),
    FaultKind.CRANK_BROWN_OUT: KindInfo(
        _ELEC, "the supply breaks down while cranking", f"of {_BROWN_OUT_V:g} V below the ordinary dip", 0.50,
        "cranking", "other", 0.0, (add("cranking_drop_v", _BROWN_OUT_V),),
    ),
    FaultKind.SENSOR_SUPPLY_SAG: KindInfo(
        _ELEC, "the sensors' 5 V sags", "share that is lost", 0.15, _RUN, "blind map", 0.0,
        (times("sensor_supply_share", 0),),
    ),
    # --- sensors
    FaultKind.WIDEBAND_SILENT: KindInfo(
        _SENS, "the wideband sends nothing", _ANY, _OPEN, _ALWAYS, "blind lambda", 0.0,
        (switch("wideband_silent", value=True),),
    ),
    FaultKind.WIDEBAND_RAIL_LOW: KindInfo(
        _SENS, "the wideband is stuck at its rich end", _ANY, _OPEN, _RUN, "blind lambda", 0.0,
        (switch("wideband_stuck", -math.inf),),
    ),
    FaultKind.WIDEBAND_RAIL_HIGH: KindInfo(
        _SENS, "the wideband is stuck at its lean end", _ANY, _OPEN, _PULL, "blind lambda", 0.0,
        (switch("wideband_stuck", math.inf),),
    ),
    FaultKind.WIDEBAND_STUCK: KindInfo(
        _SENS, "the wideband is stuck where it was", _ANY, _OPEN, _RUN, "blind lambda", 0.0,
        (switch("wideband_frozen", value=True),),
    ),
    FaultKind.WIDEBAND_NOISY: KindInfo(
        _SENS, "the wideband is noisy", f"of {_NOISE_LAMBDA} lambda", 0.50, _RUN, "blind lambda", 0.0,
        (at_least("wideband_noise", _NOISE_LAMBDA),),
    ),
    FaultKind.WIDEBAND_SLOW: KindInfo(
        _SENS, "the wideband has grown slow", f"1 to {_SLOW_TIMES:g} times its response time", 0.60, "fuel cut",
        "other", 0.0, (blend("wideband_slow", 1, _SLOW_TIMES),),
    ),
    FaultKind.HEATER_DEAD: KindInfo(
        _SENS, "the wideband's heater is dead", _ANY, _OPEN, _RUN, "blind lambda", 0.0,
        (switch("heater_off", value=True),),
    ),
    FaultKind.MAP_WIRE_OPEN: KindInfo(
        _SENS, "the pressure sensor's wire is open",
        "below 0.5 the signal falls to 0 V, from 0.5 it is pulled to 5 V", _OPEN, _ALWAYS, "blind map", 0.0,
        (_map_wire,),
    ),
    FaultKind.MAP_STUCK: KindInfo(
        _SENS, "the pressure sensor is stuck where it was", _ANY, _OPEN, _RUN, "blind map", 0.0,
        (switch("map_frozen", value=True),),
    ),
    FaultKind.MAP_NOISY: KindInfo(
        _SENS, "the pressure signal is noisy", f"of {_NOISE_MAP_V:g} V", 0.60, _RUN, "blind map", 0.0,
        (at_least("map_noise_v", _NOISE_MAP_V),),
    ),
    FaultKind.CHARGE_WIRE_OPEN: KindInfo(
        _SENS, "the charge temperature's wire is open", _ANY, _OPEN, _ALWAYS, "other", 0.0,
        (switch("charge_stuck_v", 5.0),),
    ),
    FaultKind.CHARGE_SHORT: KindInfo(
        _SENS, "the charge temperature's wire is shorted to ground", _ANY, _OPEN, _ALWAYS, "other", 0.0,
        (switch("charge_stuck_v", 0.0),),
    ),
    FaultKind.SUPPLY_WIRE_OPEN: KindInfo(
        _SENS, "the supply's sense wire is open", _ANY, _OPEN, _ALWAYS, "other", 0.0, (switch("supply_sense_v", 0.0),)
    ),
    FaultKind.SENSORS_SWAPPED: KindInfo(
        _SENS, "the pressure's and the temperature's plugs are swapped", _ANY, _OPEN, _RUN, "blind map", 0.0,
        (switch("swapped", value=True),),
    ),
    # --- data
    FaultKind.SERIAL_NOISE: KindInfo(
        _DATA, "the serial line is disturbed", "share of lines that arrive damaged", 0.95, _RUN, "blind lambda", 0.0,
        (at_least("serial_noise", 1),),
    ),
    FaultKind.WIDEBAND_UNPLUGGED: KindInfo(
        _DATA, "the wideband's serial plug is out", _ANY, _OPEN, _ALWAYS, "blind lambda", 0.0,
        (switch("wideband_unplugged", value=True),),
    ),
    FaultKind.CAN_SILENT: KindInfo(
        _DATA, "the engine computer does not answer", _ANY, _OPEN, _RUN, "blind engine", 0.0,
        (switch("can_silent", value=True),),
    ),
    FaultKind.ADAPTER_UNPLUGGED: KindInfo(
        _DATA, "the CAN adapter is unplugged", _ANY, _OPEN, _RUN, "blind engine", 0.0,
        (switch("adapter_unplugged", value=True),),
    ),
    FaultKind.CONVERTER_HUNG: KindInfo(
        _DATA, "the converter does not answer", _ANY, _OPEN, _ALWAYS, "blind map", 0.0,
        (switch("converter_hung", value=True),),
    ),
    FaultKind.CONVERTER_FROZEN: KindInfo(
        _DATA, "the converter repeats its last numbers", _ANY, _OPEN, _RUN, "blind map", 0.0,
        (switch("converter_frozen", value=True),),
    ),
    # --- host
    FaultKind.DISK_FULL: KindInfo(
        _HOST, "the disk is full", _ANY, None, _ALWAYS, "other", 0.0, (host("disk_full"),)
    ),
    FaultKind.CLOCK_JUMP: KindInfo(
        _HOST, "the wall clock jumps", "of an hour", None, _ALWAYS, "other", 0.0, (host("clock_jump"),)
    ),
    FaultKind.PROCESS_KILLED: KindInfo(
        _HOST, "the daemon is killed", _ANY, None, _ALWAYS, "other", 0.0, (host("process_killed"),)
    ),
}  # fmt: skip
