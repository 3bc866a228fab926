"""The kinds of compressor: what pressure ratio each would make now with its bypass shut.

Sources: work and similarity of turbomachines, Heywood, Internal Combustion Engine Fundamentals, 1st ed., ch. 6 (from
memory): the work of a wheel goes with the square of its tip speed. Turbine as a nozzle: Stodola's ellipse (from
memory).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple, Protocol

from cabcanary_bench.van.gas import CP_J_KG_K, GAMMA

if TYPE_CHECKING:
    from cabcanary_bench.van.build import CompressorKind
    from cabcanary_bench.van.parameters import Compressor, Van, Wheel

_EXPONENT = GAMMA / (GAMMA - 1)
# Exhaust gas: cp and (k-1)/k at about 900 K (from memory), and how much more of it there is than air.
_EXHAUST_CP, _EXHAUST_EXPONENT, _WITH_FUEL = 1150.0, 0.248, 1.07
#: Exhaust temperature at the turbine, K: little at idle, full from this flow on (magnitudes from memory).
_EXHAUST_IDLE_K, _EXHAUST_RISE_K, _EXHAUST_FULL_KG_S = 750.0, 300.0, 0.08
_SLOWEST_RAD_S = 800.0  # a shaft in oil keeps turning at idle
_DRAG_PER_S = 0.8  # share of its energy that the oil takes in a second (magnitude ours)


class Moment(NamedTuple):
    """What a compressor works with now; pressures absolute, `volumetric` the engine's volumetric efficiency.

    `speed` multiplies what the compressor does: above 1 it does too much, below 1 its belt slips.
    """

    rpm: float
    volumetric: float
    charge_k: float
    ambient_k: float
    baro_pa: float
    map_pa: float
    flow_kg_s: float
    speed: float


class Charger(Protocol):
    """A compressor of any kind."""

    #: Isentropic efficiency.
    efficiency: float
    #: Whether its work is taken from the crankshaft.
    on_crankshaft: bool
    #: By how much a turbine holds back the exhaust, Pa.
    back_pa: float

    def full_ratio(self, dt_s: float, now: Moment) -> float:
        """Pressure ratio with the bypass shut, from 1 up; `dt_s` since it was last asked."""


class NoCompressor:
    """None fitted."""

    efficiency, on_crankshaft, back_pa = 1.0, False, 0.0

    def full_ratio(self, _dt_s: float, _now: Moment) -> float:
        """Always 1."""
        return 1.0


class Displacement:
    """A fixed volume each turn: the ratio is that of the volumes delivered and taken, about flat over speed."""

    on_crankshaft, back_pa = True, 0.0

    def __init__(self, spec: Compressor, displacement_m3: float) -> None:
        self._spec, self._displacement_m3 = spec, displacement_m3
        self.efficiency = spec.isentropic_efficiency

    def full_ratio(self, _dt_s: float, now: Moment) -> float:
        """Continuity of mass; internal leakage costs most at low speed."""
        spec = self._spec
        turns = spec.drive_ratio * (1 - spec.belt_creep) * now.speed
        delivered = spec.volume_m3_rev * turns * spec.volumetric_efficiency
        delivered *= max(0.0, 1 - spec.leak_rpm / max(now.rpm, 1.0))
        taken = self._displacement_m3 / 2 * now.volumetric
        return max(1.0, delivered / taken * now.charge_k / now.ambient_k)


def wheel_ratio(spec: Wheel, tip_m_s: float, inlet_k: float) -> float:
    """Pressure ratio of a wheel: `(1 + eta psi U^2 / (cp T1))^(k/(k-1))`, U the tip speed, psi its work coefficient."""
    ratio: float = (
        1 + spec.isentropic_efficiency * spec.work_coefficient * tip_m_s * tip_m_s / (CP_J_KG_K * inlet_k)
    ) ** (_EXPONENT)
    return ratio


class Centrifugal:
    """A wheel geared to the crankshaft: the ratio less one grows with the square of its speed.

    At full throttle the engine's flow grows with the same speed, so the work coefficient is taken as constant.
    """

    on_crankshaft, back_pa = True, 0.0

    def __init__(self, spec: Wheel) -> None:
        self._spec = spec
        self.efficiency = spec.isentropic_efficiency

    def full_ratio(self, _dt_s: float, now: Moment) -> float:
        """By the tip speed that the crankshaft gives it."""
        spec = self._spec
        tip = math.pi * spec.diameter_m * now.rpm / 60 * spec.drive_ratio * now.speed
        return wheel_ratio(spec, tip, now.ambient_k)


class Turbo:
    """A wheel on a shaft that the exhaust turns: boost comes late, and a wastegate holds it at its target.

    A `speed` above 1 is a wastegate that holds so many times its target; a slipping belt is none of its business.
    """

    on_crankshaft = False

    def __init__(self, spec: Wheel) -> None:
        self._spec = spec
        self.efficiency = spec.isentropic_efficiency
        self.back_pa = 0.0
        self._energy_j = spec.inertia_kg_m2 * _SLOWEST_RAD_S**2 / 2

    def full_ratio(self, dt_s: float, now: Moment) -> float:
        """The shaft's energy takes up the turbine's power less the wheel's; linearly implicit, so stable."""
        spec = self._spec
        # Tip speed squared and energy both go with the square of the shaft's speed.
        tip2_per_j = spec.diameter_m**2 / (2 * spec.inertia_kg_m2)
        taken_per_s = now.flow_kg_s * spec.work_coefficient * tip2_per_j + _DRAG_PER_S
        energy = (self._energy_j + self._turbine_w(now) * dt_s) / (1 + taken_per_s * dt_s)
        self._energy_j = max(energy, spec.inertia_kg_m2 * _SLOWEST_RAD_S**2 / 2)
        return wheel_ratio(spec, math.sqrt(self._energy_j * tip2_per_j), now.ambient_k)

    def _turbine_w(self, now: Moment) -> float:
        """Power of the turbine, W; also notes what it holds the exhaust back by."""
        spec = self._spec
        flow = now.flow_kg_s * _WITH_FUEL * self._through_turbine(now)
        kelvin = _EXHAUST_IDLE_K + _EXHAUST_RISE_K * min(1.0, now.flow_kg_s / _EXHAUST_FULL_KG_S)
        # Stodola: flow sqrt(T)/p goes with sqrt(1 - 1/ratio^2).
        ratio = math.sqrt(1 + spec.turbine * flow * flow * kelvin / now.baro_pa**2)
        self.back_pa = now.baro_pa * (ratio - 1)
        work: float = spec.turbine_efficiency * _EXHAUST_CP * kelvin * (1 - ratio**-_EXHAUST_EXPONENT)
        return flow * work

    def _through_turbine(self, now: Moment) -> float:
        """Share of the exhaust that the wastegate leaves to the turbine: it opens in proportion to boost."""
        spec = self._spec
        target = spec.target_pa * max(1.0, now.speed)
        opened = ((now.map_pa - now.baro_pa) / target - spec.gate_opens) / (spec.gate_open - spec.gate_opens)
        return 1 - (1 - spec.gate_least) * min(1.0, max(0.0, opened))


def charger(kind: CompressorKind, van: Van) -> Charger:
    """A compressor of a kind for the van, at rest."""
    if kind == "displacement":
        return Displacement(van.compressor, van.engine.displacement_m3)
    if kind == "centrifugal":
        return Centrifugal(van.centrifugal)
    return Turbo(van.turbo) if kind == "turbo" else NoCompressor()
