"""Which faults a vehicle can have at all, and which of them its sensors could show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from cabcanary.plan.coverage import is_to_be_fed_by_the_key
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.kernel.kernel_settings import HwmonSource, IioSource
from cabcanary_bench.faults.kinds import FaultKind

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.schema import Settings
    from cabcanary_bench.van.build import CompressorKind

#: seen: the sensors show it. unseen: nothing that is fitted could. absent: the vehicle has no such part.
Chance = Literal["seen", "unseen", "absent"]

_K = FaultKind
_MIXTURE = ("lambda map",)
_NO_BOOST = ("map throttle engine_speed",)
_OWN_SENSOR = ("map engine_map",)
#: What shows a fault: one of these sets of channels. A mixture is judged by boost, so it takes both; missing boost by
#: an open throttle, and where it is lost at once by its fall; a pressure that lies by the engine's own sensor; a leak
#: by a known normal at a known idle, or by trims.
NEEDS: Mapping[str, tuple[str, ...]] = {
    _K.LEAN_MIXTURE: _MIXTURE,
    _K.FUEL_PUMP_LOST: _MIXTURE,
    _K.WEAK_PUMP: _MIXTURE,
    _K.ONE_CYLINDER_LEAN: _MIXTURE,
    _K.FUEL_PRESSURE_FALLING: _MIXTURE,
    _K.CLOGGED_INJECTORS: _MIXTURE,
    _K.WRONG_FUEL: _MIXTURE,
    _K.MISFIRE: _MIXTURE,
    _K.TIP_IN_LEAN: ("lambda map throttle",),
    _K.WIDEBAND_DRIFT: ("lambda fuel_system",),
    _K.EXHAUST_LEAK: ("short_trim long_trim",),
    _K.OVER_BOOST: ("map",),
    _K.BELT_SLIP: _NO_BOOST,
    _K.BELT_LOST: ("supply", "coolant"),
    _K.HOSE_OFF: ("map",),
    _K.BYPASS_STUCK_OPEN: _NO_BOOST,
    _K.BYPASS_STUCK_SHUT: ("charge_temperature engine_speed",),
    _K.UNMEANT_BOOST: ("map",),
    _K.TAP_OPEN: ("map engine_speed coolant", "short_trim long_trim"),
    _K.VACUUM_LEAK: ("map engine_speed coolant", "short_trim long_trim"),
    _K.MAP_LINE_OFF: ("map engine_map", "map engine_speed"),
    _K.MAP_LINE_KINKED: _OWN_SENSOR,
    _K.MAP_LINE_MELTED: _OWN_SENSOR,
    _K.ALTERNATOR_DEAD: ("supply",),
    _K.OVER_VOLTAGE: ("supply",),
    _K.SENSOR_GROUND_BAD: _OWN_SENSOR,
    _K.CONVERTER_GROUND_BAD: _OWN_SENSOR,
    _K.CRANK_BROWN_OUT: ("supply",),
    _K.SENSOR_SUPPLY_SAG: _OWN_SENSOR,
    _K.WIDEBAND_SLOW: ("lambda map throttle",),
    "closed_loop_carried": ("fuel_system map",),
    "negative_trim_carried": ("long_trim map",),
    "charge_overheated": ("charge_temperature",),
    "hot_boosted_lean": ("charge_temperature lambda map",),
    "supply_sags_in_pulls": ("supply map",),
    "boosted_while_cold": ("coolant map",),
    "card_dead": ("recording",),
    "clock_lost": ("clock_set",),
    "board_cooks": ("board_temperature",),
}
_COMPRESSOR = frozenset(
    {_K.OVER_BOOST, _K.HOSE_OFF, _K.BYPASS_STUCK_OPEN, _K.BYPASS_STUCK_SHUT, _K.UNMEANT_BOOST, _K.BELT_SLIP}
)
_BUS = frozenset({_K.CAN_SILENT, _K.ADAPTER_UNPLUGGED})
_CONVERTER = frozenset({_K.CONVERTER_HUNG, _K.CONVERTER_FROZEN, _K.CONVERTER_GROUND_BAD})
#: Told once the engine stands; a monitor that is fed by the key may be off by then, and on only after the engine.
_AT_STANDSTILL = frozenset({"card_dead", "clock_lost"})
#: Faults of a sensor's own wire: nothing to break where it is not fitted.
_WIRES: Mapping[str, str] = {
    _K.CHARGE_WIRE_OPEN: "charge_temperature",
    _K.CHARGE_SHORT: "charge_temperature",
    _K.SENSORS_SWAPPED: "charge_temperature",
    _K.SUPPLY_WIRE_OPEN: "supply",
}


def chance_of(kind: str, settings: Settings, compressor: CompressorKind) -> Chance:
    """Whether a vehicle can have a kind of fault (or injected thing, by its name) and could show it."""
    if _absent(kind, settings, compressor):
        return "absent"
    if kind in _AT_STANDSTILL and is_to_be_fed_by_the_key(settings):
        return "unseen"
    fitted = set(settings.channels)
    needs = NEEDS.get(kind)
    return "seen" if needs is None or any(set(one.split()) <= fitted for one in needs) else "unseen"


def _absent(kind: str, settings: Settings, compressor: CompressorKind) -> bool:
    sources = settings.sources.values()
    if kind in _COMPRESSOR and _no_such_compressor(kind, compressor):
        return True
    if kind in _BUS:
        return not any(isinstance(s, CanSource) for s in sources)
    if kind in _CONVERTER:
        return not _on_converter(settings, "map")
    if kind == _K.SERIAL_NOISE:
        return _on_converter(settings, "lambda")
    return _WIRES.get(kind, "map") not in settings.channels


def _no_such_compressor(kind: str, compressor: CompressorKind) -> bool:
    if compressor == "none":
        return True
    # The exhaust drives it without a belt; a wheel that idles along with a shut bypass harms nothing.
    belt = kind == _K.BELT_SLIP and compressor == "turbo"
    return belt or (kind == _K.BYPASS_STUCK_SHUT and compressor != "displacement")


def _on_converter(settings: Settings, channel: str) -> bool:
    spec = settings.channels.get(channel)
    return isinstance(spec, MeasuredChannel) and isinstance(settings.sources[spec.source], IioSource | HwmonSource)


def missing_for(kind: str, settings: Settings) -> str:
    """In words, what would have to be fitted to show it: of the ways there are, the one that takes least."""
    if kind in _AT_STANDSTILL and is_to_be_fed_by_the_key(settings):
        return "a supply wire or an engine-speed wire, and a monitor that stays on a while after the key"
    fitted = set(settings.channels)
    lacking = [[c for c in one.split() if c not in fitted] for one in NEEDS.get(kind, ())]
    return " and ".join(c.replace("_", " ") for c in min(lacking, key=len, default=[])) or "nothing more"
