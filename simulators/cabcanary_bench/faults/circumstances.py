"""Ordinary things that look like faults and are not, each with a time, an amount, and a label.

A mere way of driving (a start without waiting, a long descent) has no acts: its label stands in the drive's
truth, and `generator.py` writes its phases.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from cabcanary_bench.faults.acts import Act, add, at_least, switch, times
from cabcanary_bench.faults.fuels import stoichiometric_share

if TYPE_CHECKING:
    from cabcanary_bench.faults.effects import Effects

_SECONDARY_AIR_KG_S = 2.5e-3
_FAST_IDLE_RPM, _HEATING_SPARK = 350.0, 0.25
_AIR_CONDITIONING_NM, _STEERING_NM = 14.0, 18.0
_LOAD_DROP_V = -0.15
_VAPOUR_RAIL, _BEND_RAIL = 0.80, 0.85
_TRACTION_THROTTLE = 0.1
_WET_SLIP = 0.15
_DONOR_V, _JUMP_DROP_V = 14.4, 1.4
_BROWN_OUT_V = 5.0
#: More ethanol than this is only ordinary where the controller measures it.
_TOLD_ABOVE = 0.25


class CircumstanceKind(StrEnum):
    """The ordinary things known; `info` says what each one's amount means."""

    ALTITUDE = "altitude"
    WEATHER = "weather"
    AMBIENT = "ambient"
    COLD_START = "cold_start"
    CATALYST_HEATING = "catalyst_heating"
    CRANK_WITHOUT_DWELL = "crank_without_dwell"
    STALL = "stall"
    START_STOP = "start_stop"
    REMOTE_START = "remote_start"
    JUMP_START = "jump_start"
    BROWN_OUT = "brown_out"
    HOT_RESTART = "hot_restart"
    HEAT_SOAK = "heat_soak"
    LONG_ENGINE_BRAKING = "long_engine_braking"
    MANUAL_SHIFTS = "manual_shifts"
    AUTOMATIC_SHIFTS = "automatic_shifts"
    LIMITER_CUT = "limiter_cut"
    TRACTION_CUT = "traction_cut"
    SPEED_CUT = "speed_cut"
    WET_BELT = "wet_belt"
    FROZEN_MAP_LINE = "frozen_map_line"
    AIR_CONDITIONING = "air_conditioning"
    STEERING_LOAD = "steering_load"
    LOW_TANK_IN_BEND = "low_tank_in_bend"
    FUEL_BLEND = "fuel_blend"
    SMART_ALTERNATOR = "smart_alternator"
    STAGE_WITHOUT_BOOST = "stage_without_boost"

    @property
    def info(self) -> CircumstanceInfo:
        """Everything about this kind."""
        return CIRCUMSTANCES[self]


@dataclass(frozen=True, slots=True)
class CircumstanceInfo:
    """A kind of circumstance: words, what its amount is, what it does.

    `every_s` and `for_s` make it come and go: for so long in every so long. `fades` lets it die out evenly from
    its start to its end.
    """

    words: str
    amount: str
    acts: tuple[Act, ...] = ()
    every_s: float = 0.0
    for_s: float = 0.0
    fades: bool = False


def _limiter(effects: Effects, rpm: float) -> None:
    effects.limiter_rpm = rpm


def _speed(effects: Effects, km_h: float) -> None:
    effects.speed_limit_km_h = km_h


def _blend(effects: Effects, ethanol: float) -> None:
    if ethanol > _TOLD_ABOVE:
        effects.fuel_demand /= stoichiometric_share(ethanol)
    else:
        effects.stoichiometric *= stoichiometric_share(ethanol)


_K = CircumstanceKind
CIRCUMSTANCES: dict[CircumstanceKind, CircumstanceInfo] = {
    _K.ALTITUDE: CircumstanceInfo("higher up", "m above the drive's own profile", (add("altitude_m", 1.0),)),
    _K.WEATHER: CircumstanceInfo("the weather's pressure", "kPa above 101.325", (add("air_offset_pa", 1000.0),)),
    _K.AMBIENT: CircumstanceInfo("the weather's warmth", "K above the van's 20 °C", (add("ambient_offset_k", 1.0),)),
    _K.COLD_START: CircumstanceInfo("a cold start", "the scenario's start temperature"),
    _K.CATALYST_HEATING: CircumstanceInfo(
        "the catalyst is heated, with secondary air", f"of {_SECONDARY_AIR_KG_S * 1000:g} g/s of air",
        (
            add("secondary_air_kg_s", _SECONDARY_AIR_KG_S),
            add("idle_raise_rpm", _FAST_IDLE_RPM),
            at_least("late_spark", _HEATING_SPARK),
        ),
        fades=True,
    ),
    _K.CRANK_WITHOUT_DWELL: CircumstanceInfo("the starter turns at once with the key", "unused"),
    _K.STALL: CircumstanceInfo("the engine stalls", "unused", (switch("stall", value=True),)),
    _K.START_STOP: CircumstanceInfo(
        "start-stop: the engine rests with the key on, and so does the wideband's heater", "unused",
        (switch("stall", value=True), switch("heater_off", value=True)),
    ),
    _K.REMOTE_START: CircumstanceInfo(
        "started from afar: the engine warms up with nobody in it, what the ignition feeds is live", "unused", (),
    ),
    _K.JUMP_START: CircumstanceInfo(
        "a jump start from another vehicle", f"of {_DONOR_V:g} V, and a deeper dip",
        (switch("supply_forced_v", _DONOR_V), add("cranking_drop_v", _JUMP_DROP_V)),
    ),
    _K.BROWN_OUT: CircumstanceInfo(
        "the supply dips in mid-drive", f"down to {_BROWN_OUT_V:g} V", (switch("supply_forced_v", _BROWN_OUT_V),)
    ),
    _K.HOT_RESTART: CircumstanceInfo(
        "vapour in the rail after a hot restart", f"of {1 - _VAPOUR_RAIL:.0%} of the fuel",
        (times("rail", _VAPOUR_RAIL),), fades=True,
    ),
    _K.HEAT_SOAK: CircumstanceInfo(
        "the engine bay has soaked in heat", "K at idle; fades with flow", (add("charge_soak_k", 1.0),), fades=True
    ),
    _K.LONG_ENGINE_BRAKING: CircumstanceInfo("a long descent on the engine brake", "unused"),
    _K.MANUAL_SHIFTS: CircumstanceInfo("gears are changed by hand", "unused", (switch("shift", "manual"),)),
    _K.AUTOMATIC_SHIFTS: CircumstanceInfo(
        "gears change with a moment of late spark", "unused", (switch("shift", "retard"),)
    ),
    _K.LIMITER_CUT: CircumstanceInfo("the engine speed limiter cuts fuel", "rpm", (_limiter,)),
    _K.TRACTION_CUT: CircumstanceInfo(
        "traction control cuts fuel and shuts the throttle", "unused",
        (switch("forced_cut", value=True), switch("throttle_most", _TRACTION_THROTTLE)), every_s=0.6, for_s=0.2,
    ),
    _K.SPEED_CUT: CircumstanceInfo("the road speed limiter shuts the throttle and cuts fuel", "km/h", (_speed,)),
    _K.WET_BELT: CircumstanceInfo(
        "the belt is wet and slips now and then", f"of {_WET_SLIP:.0%}",
        (times("compressor_speed", 1 - _WET_SLIP),), every_s=4.0, for_s=1.0,
    ),
    _K.FROZEN_MAP_LINE: CircumstanceInfo(
        "ice shuts the pressure line until it melts", "unused", (switch("map_line_frozen", value=True),)
    ),
    _K.AIR_CONDITIONING: CircumstanceInfo(
        "the air conditioning comes and goes", f"of {_AIR_CONDITIONING_NM:g} N m",
        (add("extra_load_nm", _AIR_CONDITIONING_NM), add("charging_offset_v", _LOAD_DROP_V)), every_s=30.0, for_s=18.0,
    ),
    _K.STEERING_LOAD: CircumstanceInfo(
        "the steering is turned at a standstill", f"of {_STEERING_NM:g} N m", (add("extra_load_nm", _STEERING_NM),),
        every_s=6.0, for_s=1.5,
    ),
    _K.LOW_TANK_IN_BEND: CircumstanceInfo(
        "the tank is low and the pump breathes air in a bend", f"of {1 - _BEND_RAIL:.0%} of the fuel",
        (times("rail", _BEND_RAIL),), every_s=8.0, for_s=0.3,
    ),
    _K.FUEL_BLEND: CircumstanceInfo(
        "ethanol in the fuel", f"share by volume; the controller knows it above {_TOLD_ABOVE}", (_blend,)
    ),
    _K.SMART_ALTERNATOR: CircumstanceInfo(
        "the alternator charges on overrun and rests under load", "unused", (switch("smart_alternator", value=True),)
    ),
    _K.STAGE_WITHOUT_BOOST: CircumstanceInfo(
        "the bypass is held open: a stage without boost", "unused", (switch("bypass_most_shut", 0.0),)
    ),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Circumstance:
    """One ordinary thing from `start_s` to `end_s`; `amount` is in the unit that its kind names."""

    kind: CircumstanceKind
    start_s: float
    end_s: float
    amount: float = 1.0

    def __post_init__(self) -> None:
        if not self.end_s > self.start_s:
            raise ValueError(f"not a circumstance: {self}")

    @property
    def label(self) -> str:
        """The truth in words."""
        return f"{self.kind.info.words} from {self.start_s:g} s to {self.end_s:g} s"

    @property
    def steady_s(self) -> float:
        """From when on its force stays the same until its end."""
        return math.inf if self.kind.info.every_s or self.kind.info.fades else self.start_s

    def force(self, time_s: float) -> float | None:
        """What its acts are given at a time at which it is in force; None while it has gone for a moment."""
        info = self.kind.info
        since = time_s - self.start_s
        if info.every_s and since % info.every_s >= info.for_s:
            return None
        if info.fades:
            return self.amount * (1 - since / (self.end_s - self.start_s))
        return self.amount
