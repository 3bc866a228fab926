"""A third engine for the second witness, written after its estimators were tuned and used for grading alone.

It shares no equation with them, nor with `witness_engines.Pieces` and `Tables`. Filling goes by the ideal cycle's
volumetric efficiency with a Mach index (Taylor, The Internal Combustion Engine in Theory and Practice, vol. 1, ch. 6),
holes by valve sizing with an expansion factor (IEC 60534-2-1), idle by a balance of mean effective pressures, a wheel
by Euler's work with slip and incidence, a displacement machine by a laminar leak inside. Cited from memory.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray
from witness_engines import Day, Faults, Vehicle

Floats = NDArray[np.float64]
_COMPRESSION, _K = 10.0, 1.35
#: Pressure drop over pressure ahead at which a round hole is choked in valve sizing, and the constant that makes its
#: choked flow that of an ideal hole: 0.685 / (2/3 sqrt(2 x)).
_CHOKED = 0.72
_AS_IDEAL = 0.685 / (2.0 / 3.0 * (2.0 * _CHOKED) ** 0.5)


class Lumped(Vehicle):
    """By lumps: each part a formula of practice with its own constants."""

    def __post_init__(self) -> None:
        super().__post_init__()
        r = self.rng
        self.mach_rpm, self.exhaust_kpa = r.uniform(5500.0, 8500.0), r.uniform(1.0, 4.0)
        self.friction_kpa = r.uniform(110.0, 170.0)
        #: What a kPa in the manifold makes of indicated pressure, so that it idles at its own pressure at sea level.
        self.per_kpa = (self.friction_kpa + 101.3 + self.exhaust_kpa) / self.idle_kpa - 1.0
        self.fades, self.best_flow = r.uniform(2.0, 4.0), r.uniform(0.9, 1.15)
        self.laminar = r.uniform(0.04, 0.12)

    def ratio(self, rpm: Floats, day: Day, slip: float) -> Floats:
        turning = rpm * (1.0 - slip)
        if self.kind == "turbo":
            return 1.0 + self.boost * (1.0 - slip) / (1.0 + np.exp(-(rpm - 2300.0) / 350.0))
        if self.kind == "displacement":
            # Delivered less what leaks back in proportion to the rise; the engine swallows in proportion to density.
            ratio = np.full(len(rpm), 1.3)
            for _ in range(80):
                warm = 1.0 + self.kept * 0.286 * np.log(np.maximum(ratio, 1.0)) / 0.62
                delivered = (1.0 + 0.75 * self.boost) * turning - 3000.0 * self.laminar * (ratio - 1.0)
                ratio = 0.6 * ratio + 0.4 * np.maximum(1.0, delivered / rpm * warm)
            return ratio
        speed = (turning / 5000.0) ** 2 * 293.0 / day.air_k
        ratio = np.full(len(rpm), 1.2)
        for _ in range(40):
            # Flow over tip speed; away from the best one incidence costs.
            phi = rpm / turning * ratio**0.7 / 1.2
            work = 0.9 - 0.12 * phi
            efficiency = 0.74 - 0.5 * (phi - self.best_flow) ** 2
            head = 0.30 * self.boost * work * efficiency * speed
            ratio = 0.5 * ratio + 0.5 * (1.0 + head) ** 3.5
        return ratio

    def idle(self, day: Day, faults: Faults) -> tuple[float, float]:
        warm, rpm = day.air_k + day.soak_k, 780.0
        # Mean effective pressure: indicated in proportion to the air, less friction, lights and the pumping loop.
        pumped = self.friction_kpa * (1.0 + day.lights) + day.air_kpa + self.exhaust_kpa
        own_kpa = pumped / (1.0 + self.per_kpa)
        own = float(self.air(np.array([own_kpa]), np.array([rpm]), np.array([warm]))[0])
        extra = float(self.hole(faults.leak_mm2, np.array([own_kpa]), day)[0]) * (1.0 - faults.takes_back)
        # A third of what comes in raises the speed, the rest stays as pressure.
        faster = rpm * (1.0 + extra / own) ** 0.35
        low, high = 10.0, day.air_kpa
        for _ in range(50):
            middle = 0.5 * (low + high)
            taken = float(self.air(np.array([middle]), np.array([faster]), np.array([warm]))[0])
            low, high = (low, middle) if taken > own + extra else (middle, high)
        return 0.5 * (low + high), faster

    def air(self, kpa: Floats, rpm: Floats, kelvin: Floats) -> Floats:
        back = 101.0 + self.exhaust_kpa
        ideal = (_K - 1.0) / _K + (_COMPRESSION - back / np.maximum(kpa, 15.0)) / (_K * (_COMPRESSION - 1.0))
        choking = (1.0 + (rpm / self.mach_rpm) ** 4) ** -0.25
        # A warmer charge loses less of its density to the ports.
        warmed = (kelvin / 300.0) ** 0.3
        filled = self.volumetric * ideal * choking * warmed
        return filled * kpa * 1000.0 / (287.05 * kelvin) * self.displacement * rpm / 120.0 * 1000.0

    def hole(self, mm2: float, kpa: Floats, day: Day) -> Floats:
        ahead, behind = np.maximum(kpa, day.air_kpa) * 1e3, np.minimum(kpa, day.air_kpa) * 1e3
        drop = np.minimum((ahead - behind) / ahead, _CHOKED)
        expansion = 1.0 - drop / (3.0 * _CHOKED)
        density = ahead / (287.05 * day.air_k)
        flow = _AS_IDEAL * self.discharge * mm2 * 1e-6 * expansion * np.sqrt(2.0 * density * ahead * drop) * 1000.0
        return np.where(kpa < day.air_kpa, flow, -flow)

    def exhaust(self, flow: Floats, idle: float) -> Floats:
        return np.maximum(flow / idle, 1.0) ** -self.fades
