"""Two engines that drive the second witness's estimators; they share no equation with them, nor with each other.

`Pieces` goes through quasi-steady algebra: a wheel whose work falls with its flow, an idle that balances friction and
pumping, holes by Saint-Venant's formula, VE from burnt gas left in the cylinder. `Tables` reads everything from tables
and power laws with noise of heavy tails. What an estimator does not know is drawn anew for each vehicle (volumetric
efficiency, displacement, discharge, the loop's own target) and each drive (air pressure 77 to 102 kPa, 0 to 35 C,
load of lights and fans, fuel). Rows are half seconds, as `by_rows` makes them. All magnitudes are common practice.
"""

from __future__ import annotations

import copy
import math
from abc import ABC, abstractmethod
from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from cabcanary.review.witness.drive_signals import DriveSignals

Floats = NDArray[np.float64]
Metering = Literal["mass_air", "speed_density"]
NOMINAL_M3 = 2.0e-3


@dataclass
class Faults:
    """What is wrong in a drive. Sizes are shares unless named; all zero: nothing."""

    slip: float = 0.0
    leak_mm2: float = 0.0
    takes_back: float = 0.0
    wideband: float = 0.0
    exhaust: float = 0.0
    blend: float = 0.0
    injector: float = 0.0
    injector_at_load: float = 0.0
    meter: float = 0.0
    ahead_mm2: float = 0.0
    #: Of a gauge, under boost alone.
    pressured: float = 0.0
    #: How much more the compressed charge warms.
    heats: float = 0.0


@dataclass
class Day:
    """A drive's circumstances."""

    air_kpa: float
    air_k: float
    lights: float
    soak_k: float
    fuel: float
    turn: float


@dataclass
class Vehicle(ABC):
    """What is true of one vehicle and unknown to an estimator."""

    rng: np.random.Generator
    kind: str = "centrifugal"
    metering: Metering = "mass_air"
    pulls: int = 3
    idle_s: float = 40.0
    #: How far its days differ: 1 is everything from sea level in winter to a pass in summer.
    weather: float = 1.0
    days: list[Day] = field(default_factory=list)

    def __post_init__(self) -> None:
        r = self.rng
        self.displacement = NOMINAL_M3 * (1 + r.uniform(-0.025, 0.025))
        self.volumetric = r.uniform(0.66, 0.95)
        self.discharge = r.normal(0.7, 0.05) if type(self) is Pieces else r.uniform(0.6, 0.8)
        self.loop = r.normal(1.0, 0.0025)
        self.idle_kpa = r.uniform(30.0, 40.0)
        self.work = r.uniform(8.0, 13.0)
        self.boost = r.uniform(0.35, 0.6)
        self.gauge = r.normal(0.0, 0.006)
        #: Share of the charge's heat that a cooler leaves, which nobody measures: none to all.
        self.kept = r.uniform(0.0, 1.0)
        # From a generator of its own, so that the drives of older trials stay as they were.
        own = copy.deepcopy(r)
        self.rate_scale, self.rate_curve = own.uniform(0.30, 0.36), own.uniform(-0.025, 0.025)
        self.home_kpa, self.home_k = r.uniform(80.0, 102.0), r.uniform(278.0, 303.0)

    def day(self) -> Day:
        """A new one."""
        r, w = self.rng, self.weather
        air = (1 - w) * self.home_kpa + w * r.uniform(77.5, 102.0)
        kelvin = (1 - w) * self.home_k + w * r.uniform(273.0, 308.0)
        return Day(air, kelvin, r.normal(0.0, 0.02), r.uniform(5.0, 15.0), r.normal(0.0, 0.006), r.normal(0.0, 1.0))

    # --- what the two kinds of engine do each in their own way ---

    @abstractmethod
    def ratio(self, rpm: Floats, day: Day, slip: float) -> Floats:
        """Pressure ratio with the throttle wide open."""

    @abstractmethod
    def idle(self, day: Day, faults: Faults) -> tuple[float, float]:
        """Manifold pressure, kPa, and speed, rpm, of an idle."""

    @abstractmethod
    def air(self, kpa: Floats, rpm: Floats, kelvin: Floats) -> Floats:
        """What the cylinders take, g/s."""

    @abstractmethod
    def hole(self, mm2: float, kpa: Floats, day: Day) -> Floats:
        """What a hole lets into the manifold, g/s; out of it under boost."""

    @abstractmethod
    def exhaust(self, flow: Floats, idle: float) -> Floats:
        """Share of a leak of the exhaust that is drawn in at this flow."""

    def noise(self, count: int, size: float) -> Floats:
        return self.rng.normal(0.0, size, count)

    # --- a drive ---

    def drive(self, faults: Faults | None = None, day: Day | None = None) -> DriveSignals:
        """Idle, town and road in closed loop, some pulls."""
        f, day, r = faults or Faults(), day or self.day(), self.rng
        kpa, rpm, wide, closed = self._route(day, f)
        count = len(kpa)
        # Whatever is lost, the colder the air the less it warms.
        warms = 40.0 * (1 + f.heats) * day.air_k / 293.0
        charge = day.air_k + day.soak_k + np.where(kpa > day.air_kpa, warms * (kpa / day.air_kpa - 1.0), 0.0)
        taken = self.air(kpa, rpm, charge)
        let_in = self.hole(f.leak_mm2, kpa, day)
        metered = np.maximum(taken - let_in, 0.1)
        idle = float(taken[0])
        # Air over what the engine believes, and what the fuel and its injectors make of it.
        unseen = taken / metered / (1 + f.meter) if self.metering == "mass_air" else np.ones(count)
        weak = f.injector + f.injector_at_load * (taken / taken.max()) ** 1.5
        wanted = unseen * (1 + f.blend) * (1 + day.fuel) / (1 - weak)
        drawn = f.exhaust * self.exhaust(taken, idle)
        trim = np.where(closed, wanted * (1 + drawn) / self.loop - 1.0, np.nan)
        learnt = float(np.nanmean(trim[taken > 2.5 * idle])) if np.isfinite(trim).any() else 0.0
        commanded = np.where(wide, 0.86, 1.0)
        true = np.where(closed, self.loop / (1 + drawn), commanded * wanted / (1 + 0.7 * learnt))
        seen = true * (1 + drawn) * (1 + f.wideband) * (1 + self.gauge) * np.where(wide, 1 + f.pressured, 1.0)
        mass_air = metered * (1 + f.meter) if self.metering == "mass_air" else np.full(count, np.nan)
        name = int(r.integers(1 << 40))
        return DriveSignals(
            drive=f"drive {name}",
            seconds=60.0 + 0.5 * np.arange(count),
            map_kpa=kpa + self.noise(count, 0.3) + r.normal(0, 0.2),
            air_kpa=np.full(count, day.air_kpa + r.normal(0, 0.3)),
            rpm=rpm + self.noise(count, 8.0),
            throttle=np.where(wide, 100.0, np.where(rpm < 1300, 0.0, 20.0)),
            mixture=seen * (1 + self.noise(count, 0.008)),
            charge_k=charge + self.noise(count, 0.5),
            air_k=np.full(count, day.air_k + r.normal(0, 1.0)),
            coolant_c=np.full(count, 90.0),
            mass_air=mass_air * (1 + self.noise(count, 0.01)) * (1 + r.normal(0, 0.004)),
            trim=trim + self.noise(count, 0.01) + r.normal(0, 0.002),
            closed=closed.astype(float),
            commanded=np.where(closed, 1.0, commanded),
            running=np.ones(count),
            masked=np.zeros(count),
            displacement_m3=NOMINAL_M3,
            air_known="measured",
            fuel_rate=self._fuel_rate(taken / true * (1 + day.fuel) * (1 + f.blend) / (1 - weak), name),
        )

    def _fuel_rate(self, fuel: Floats, seed: int) -> Floats:
        """What the bus tells of it, L/h: by a curve and a scale that nobody knows, up to a second old, by 0.05."""
        r = np.random.default_rng(seed)
        told = self.rate_scale * fuel * (fuel / 2.0) ** self.rate_curve * r.normal(1.0, 0.002)
        # Asked about once a second, as a busy bus answers, and answered of a moment before.
        asked = r.uniform(0.0, 1.0) + np.cumsum(r.uniform(0.9, 1.2, len(told)))
        rows = 0.5 * np.arange(len(told))
        heard = np.interp(asked - 0.2, rows, told)
        late = heard[np.maximum(np.searchsorted(asked, rows, side="right") - 1, 0)]
        return np.round(late / 0.05) * 0.05

    def _route(self, day: Day, f: Faults) -> tuple[Floats, Floats, NDArray[np.bool_], NDArray[np.bool_]]:
        r = self.rng
        idle_kpa, idle_rpm = self.idle(day, f)
        n = int(self.idle_s * 2)
        kpa, rpm = [np.full(n, idle_kpa) + r.normal(0, 0.15, n)], [np.full(n, idle_rpm) + r.normal(0, 5.0, n)]
        wide, closed = [np.zeros(n, bool)], [np.ones(n, bool)]
        for _ in range(12):
            m, speed = 16, r.uniform(1400, 3000)
            kpa.append(np.full(m, r.uniform(0.38, 0.85) * day.air_kpa))
            rpm.append(np.full(m, speed) + r.normal(0, 15, m))
            wide.append(np.zeros(m, bool))
            closed.append(np.ones(m, bool))
        for _ in range(self.pulls):
            begin, m = r.uniform(2200, 3200), 12
            speed = begin + np.arange(m) * r.uniform(130, 220)
            boosted = day.air_kpa * self.ratio(speed, day, f.slip)
            kpa.append(boosted)
            rpm.append(speed)
            wide.append(np.ones(m, bool))
            closed.append(np.zeros(m, bool))
        return np.concatenate(kpa), np.concatenate(rpm), np.concatenate(wide), np.concatenate(closed)


class Pieces(Vehicle):
    """By algebra."""

    def ratio(self, rpm: Floats, day: Day, slip: float) -> Floats:
        turning = rpm * (1 - slip)
        if self.kind == "displacement":
            # Mass in is mass out; the charge keeps `kept` of its rise, and leaks back inside the machine.
            ratio = np.full(len(rpm), 1.4)
            for _ in range(60):
                warm = 1 + self.kept * (ratio**0.286 - 1) / 0.6
                back = 200.0 * np.sqrt(np.maximum(ratio - 1, 0.0)) / 0.63
                ratio = 0.5 * ratio + 0.5 * np.maximum(1.0, (1 + 0.8 * self.boost) * (turning - back) / rpm * warm)
            return ratio
        if self.kind == "turbo":
            return 1 + self.boost * np.tanh(rpm / 2800.0) * (1 - slip)
        # Work coefficient falls with flow over tip speed, which slip raises.
        flow = np.ones(len(rpm))
        head = np.zeros(len(rpm))
        for _ in range(30):
            psi = 1.25 - 0.25 * flow**2
            head = 0.18 * self.boost * psi * (turning / 5000.0) ** 2 * 293.0 / day.air_k
            flow = 0.5 * flow + 0.5 * rpm / turning * (1 + head) ** 2.0 / 1.25
        return (1 + head) ** 3.5

    def idle(self, day: Day, faults: Faults) -> tuple[float, float]:
        at_sea = self.idle_kpa
        load = (1 + self.work) * at_sea - 100.0
        kpa = (load * (1 + day.lights) + day.air_kpa) / (1 + self.work)
        rpm = 800.0
        own = float(self.air(np.array([kpa]), np.array([rpm]), np.array([day.air_k + day.soak_k]))[0])
        extra = float(self.hole(faults.leak_mm2, np.array([kpa]), day)[0]) * (1 - faults.takes_back)
        # Half of what comes in goes into speed; the pressure follows from what the cylinders take.
        rpm *= (1 + extra / own) ** 0.5
        for _ in range(25):
            taken = float(self.air(np.array([kpa]), np.array([rpm]), np.array([day.air_k + day.soak_k]))[0])
            kpa *= (own + extra) / taken
        return kpa, rpm

    def air(self, kpa: Floats, rpm: Floats, kelvin: Floats) -> Floats:
        left = 1.10 - 0.10 * (101.0 / np.maximum(kpa, 20.0)) ** 0.78  # burnt gas left in a clearance of a tenth
        return self.volumetric * left * kpa * 1000 / (287.0 * kelvin) * self.displacement * rpm / 120.0 * 1000.0

    def hole(self, mm2: float, kpa: Floats, day: Day) -> Floats:
        up, down = day.air_kpa * 1e3, kpa * 1e3
        high, low = np.maximum(up, down), np.minimum(up, down)
        part = np.maximum(low / high, 0.5283)
        speed = np.sqrt(np.maximum(0.0, 7.0 * (part**1.4286 - part**1.7143)))
        flow = self.discharge * mm2 * 1e-6 * high / math.sqrt(287.0 * day.air_k) * speed * 1000.0
        return np.where(down < up, flow, -flow)

    def exhaust(self, flow: Floats, idle: float) -> Floats:
        return np.exp(-2.2 * (flow / idle - 1.0))


class Tables(Vehicle):
    """By tables and power laws; noise with heavy tails."""

    def noise(self, count: int, size: float) -> Floats:
        return size * 0.7 * self.rng.standard_t(4, count)

    def ratio(self, rpm: Floats, day: Day, slip: float) -> Floats:
        turning = rpm * (1 - slip) * math.sqrt(293.0 / day.air_k)  # corrected speed
        if self.kind == "displacement":
            table = np.interp(rpm, (1500, 2500, 4000, 6000), (0.90, 0.97, 1.0, 0.99))
            return (1 + 0.8 * self.boost * table) * (1 - slip) ** (1.0 + 0.8 * self.kept)
        if self.kind == "turbo":
            return 1 + self.boost * np.interp(rpm, (1500, 2500, 3500), (0.2, 0.8, 1.0)) * (1 - slip)
        speeds = np.array([0.0, 1500, 2000, 2500, 3000, 3500, 4000, 4500, 5000, 5500, 6000])
        return 1 + self.boost * np.interp(turning, speeds, (speeds / 5000.0) ** 2.08)

    def idle(self, day: Day, faults: Faults) -> tuple[float, float]:
        kpa = self.idle_kpa * (1 + day.lights) - np.interp(day.air_kpa, (75, 102), (2.3, 0.0))
        warm = day.air_k + day.soak_k
        kpa *= warm / 300.0  # as much air, however warm
        own = float(self.air(np.array([kpa]), np.array([760.0]), np.array([warm]))[0])
        extra = float(self.hole(faults.leak_mm2, np.array([kpa]), day)[0]) * (1 - faults.takes_back)
        # Idle control holds the speed, mostly: the pressure carries the rest.
        rpm = 760.0 * (1 + 0.2 * extra / own)
        low, high = 15.0, 95.0
        for _ in range(50):
            middle = (low + high) / 2
            enough = float(self.air(np.array([middle]), np.array([rpm]), np.array([warm]))[0]) > own + extra
            low, high = (low, middle) if enough else (middle, high)
        return low, rpm

    def air(self, kpa: Floats, rpm: Floats, kelvin: Floats) -> Floats:
        share = np.interp(kpa, (20, 40, 70, 100, 160), (0.80, 0.88, 0.95, 1.0, 1.02)) * np.interp(
            rpm, (700, 2000, 3500, 6000), (0.93, 0.98, 1.0, 0.96)
        )
        return self.volumetric * share * 3.4837 * kpa / kelvin * self.displacement * 1000 * rpm / 120.0

    def hole(self, mm2: float, kpa: Floats, day: Day) -> Floats:
        # Choked constant 0.0404 kg sqrt(K)/(s N); below by the ellipse that incompressible practice draws.
        part = (kpa / day.air_kpa - 0.528) / (1 - 0.528)
        share = np.sqrt(np.clip(1 - np.clip(part, 0, None) ** 2, 0, None))
        flow = self.discharge * mm2 * 1e-6 * day.air_kpa * 1e3 * 0.0404 / math.sqrt(day.air_k) * share * 1000.0
        return np.where(
            kpa <= day.air_kpa, flow, -0.5 * self.discharge * mm2 * 0.01 * np.sqrt(np.clip(kpa - day.air_kpa, 0, None))
        )

    def exhaust(self, flow: Floats, idle: float) -> Floats:
        return np.interp(flow / idle, (1.0, 1.5, 2.0, 3.0), (1.0, 0.35, 0.08, 0.0))


ENGINES = (Pieces, Tables)
