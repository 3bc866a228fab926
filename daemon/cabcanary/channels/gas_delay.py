"""How long ago the gas at the wideband was burnt: the pipe's volume over the flow, and an engine cycle."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

_R_AIR = 287.05  # J/(kg K), dry air
#: Exhaust gas in the pipe by flow, K: hotter the more comes through. From memory, and only the delay at light
#: load depends on it; under load the sensor's own lag is longer than the way.
_TEMPERATURE = ((0.003, 600.0), (0.010, 750.0), (0.040, 950.0), (0.150, 1150.0))
#: The exhaust pipe is taken to stand at one atmosphere, Pa; back-pressure shifts the delay by as much in percent.
_PIPE_PA = 101_325.0
#: Slower than this the engine pumps too little for the figure to mean anything.
_SLOWEST_RPM = 300.0


@dataclass(frozen=True, slots=True)
class Pipe:
    """Exhaust from ports to sensor, and the engine that feeds it: m³, m³, its volumetric efficiency, K, and s."""

    volume_m3: float
    displacement_m3: float
    volumetric_efficiency: float
    intake_k: float
    longest_s: float
    #: Dead time of the wideband and its line, whatever flows, s.
    dead_s: float = 0.0


def air_flow_kg_s(pipe: Pipe, rpm: float, map_pa: float) -> float:
    """Air that the engine takes, by speed and density: half its displacement a turn at manifold density (Heywood,
    Internal Combustion Engine Fundamentals, 1st ed., 2.10 and 6.2; cited from memory)."""
    density = map_pa / (_R_AIR * pipe.intake_k)
    return pipe.volumetric_efficiency * density * pipe.displacement_m3 / 2.0 * rpm / 60.0


def volume_flow_m3_s(pipe: Pipe, rpm: float, map_pa: float) -> float:
    """Exhaust in the pipe, m³/s: air flow over its density there; 0 where nothing is pumped."""
    flow = air_flow_kg_s(pipe, rpm, map_pa)
    return flow / _density(flow) if flow > 0.0 else 0.0


def gas_delay_s(pipe: Pipe, rpm: float, map_pa: float) -> float:
    """From burning to the sensor: volume times density over mass flow, one cycle of two turns to get out, dead time."""
    if rpm < _SLOWEST_RPM:
        return pipe.longest_s
    flow = air_flow_kg_s(pipe, rpm, map_pa)
    if flow <= 0.0:
        return pipe.longest_s
    return min(pipe.volume_m3 * _density(flow) / flow + 120.0 / rpm + pipe.dead_s, pipe.longest_s)


def _density(flow: float) -> float:
    """Of exhaust gas in the pipe at this flow of air, kg/m³."""
    return _PIPE_PA / (_R_AIR * _temperature_k(flow))


def _temperature_k(flow: float) -> float:
    if flow <= _TEMPERATURE[0][0]:
        return _TEMPERATURE[0][1]
    for (x0, y0), (x1, y1) in itertools.pairwise(_TEMPERATURE):
        if flow <= x1:
            return y0 + (y1 - y0) * (flow - x0) / (x1 - x0)
    return _TEMPERATURE[-1][1]
