"""Between what each channel's value lies whatever happens, as far as the settings say: for when a rule is read."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.channels.air import AirPressure
from cabcanary.channels.boost import Boost, Vacuum
from cabcanary.channels.engine import Afr, Airflow, EngineRunning
from cabcanary.channels.formula import Formula
from cabcanary.channels.gas import AsBurnt, FuelCutGas
from cabcanary.expressions.bounds import Bounds, bounds

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.channels.derive import Derived
    from cabcanary.channels.measured import Measured
    from cabcanary.channels.pipeline import Pipeline

_ANY: Bounds = (-math.inf, math.inf)
_NOT_NEGATIVE: Bounds = (0.0, math.inf)
#: No road's air lies outside these, Pa: the highest passes, and the heaviest weather at the sea.
_AIR: Bounds = (45_000.0, 110_000.0)
#: What measures nothing below nothing.
_FROM_ZERO = ("lambda", "manifold_pressure", "barometric_pressure", "supply_voltage", "engine_speed", "airflow")


def reaches(pipeline: Pipeline, wires: Mapping[str, Bounds | None]) -> dict[str, Bounds]:
    """The lowest and highest value of each channel, in SI.

    `wires` gives for a measured channel the lowest and highest number that its item can be, in the source's unit.
    """
    found: dict[str, Bounds] = {m.name: _measured(m, wires.get(m.name)) for m in pipeline.measured}
    for derived in pipeline.derived:
        found[derived.name] = _derived(derived, found)
    return found


def _measured(channel: Measured, wire: Bounds | None) -> Bounds:
    spec, unit = channel.spec, units.unit(channel.spec.unit)
    known: list[Bounds] = []
    if unit.dimension in (units.TEMPERATURE, units.ANGULAR_SPEED) or spec.measures in _FROM_ZERO:
        gauge = spec.reference != "absolute"
        known += [] if gauge else [_NOT_NEGATIVE]
    if spec.learn_ends:
        known.append((0.0, 1.0))
    if channel.ends_si is not None:
        known.append(channel.ends_si)
    elif wire is not None and spec.ratiometric is None and channel.chain.curve is None:
        known.append(_through(channel, wire))
    if spec.plausible is not None:
        known.append((unit.to_si(spec.plausible[0]), unit.to_si(spec.plausible[1])))
    return max((b[0] for b in known), default=-math.inf), min((b[1] for b in known), default=math.inf)


def _through(channel: Measured, wire: Bounds) -> Bounds:
    """A source's lowest and highest number as the channel's."""
    source, scale = units.unit(channel.wire_symbol), channel.spec.afr_scale or 1.0
    unit, divider = units.unit(channel.spec.unit), channel.spec.divider
    ground = channel.spec.ground
    if ground.fixed or ground.measured:
        return _ANY
    low, high = (unit.from_si(x * source.factor * divider + source.offset) / scale for x in wire)
    return unit.to_si(low), unit.to_si(high)


def _derived(channel: Derived, found: Mapping[str, Bounds]) -> Bounds:
    match channel:
        case AirPressure():
            sensors = [found.get(s, _ANY) for s in channel.spec.sensors]
            return min([_AIR[0], *(b[0] for b in sensors)]), max([_AIR[1], *(b[1] for b in sensors)])
        case Boost():
            return _boost(channel, found)
        case Vacuum():
            pressure, air = found.get(channel.spec.pressure, _ANY), found.get(channel.spec.air, _ANY)
            return 0.0, max(0.0, air[1] - pressure[0])
        case AsBurnt():
            return found.get(channel.spec.of, _ANY)
        case Formula():
            return bounds(channel.tree, found)
        case EngineRunning() | FuelCutGas():
            return 0.0, 1.0
        case Airflow() | Afr():
            return _NOT_NEGATIVE
        case _:
            return _ANY


def _boost(channel: Boost, found: Mapping[str, Bounds]) -> Bounds:
    pressure = found.get(channel.spec.pressure, _ANY)
    if channel.gauge is not None:
        return pressure
    air = found.get(channel.spec.air, _ANY)
    sealed = channel.sealed_pa
    return pressure[0] - air[1] + sealed, pressure[1] - air[0] + sealed
