"""A second engine to grade the rules with. It shares no code and no equations with the simulators.

Textbook pieces, all from memory: throttle as an orifice by Bernoulli, manifold as a first-order lag with the filling
time V / (eta Vd n / 2), torque by mean effective pressure (Heywood, ch. 2 and 7); boost of a fixed volume by its
slip, of a wheel by the square of its speed, of a turbo by a lag towards what the exhaust gives (Heywood, ch. 6).
The throttle lies behind the compressor here. Pressures in kPa absolute, speeds in rpm and km/h.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import Literal

Compressor = Literal["displacement", "centrifugal", "turbo", "none"]
FaultName = Literal["lean", "over_boost", "wideband_off", "wideband_pulled_up", "pressure_off", "pressure_pulled_up"]
FAULTS: tuple[FaultName, ...] = (
    "lean", "over_boost", "wideband_off", "wideband_pulled_up", "pressure_off", "pressure_pulled_up",
)  # fmt: skip

TICK_S = 0.02
PSI = 6.894757
_R, _KELVIN = 0.287, 300.0  # kJ/(kg K), K
_DISPLACEMENT_M3, _FILLING, _MANIFOLD_M3 = 2.0e-3, 0.85, 3.0e-3
_BORE_M2, _IDLE_M2 = 1.9e-3, 1.55e-5
_MASS_KG, _DRAG_N_S2_M2, _ROLL_N = 1450.0, 0.42, 170.0
_GEARS = (125.0, 72.0, 47.0, 35.0, 28.0)  # rpm for each km/h
_IDLE_RPM, _CUT_RPM = 800.0, 1500.0
_FULL_PSI = 6.0


@dataclass(frozen=True, slots=True)
class Stretch:
    """Some seconds in which the driver does one thing: `throttle` 0 to 1, or a speed to hold in km/h."""

    seconds: float
    throttle: float | None = None
    speed: float | None = None
    gear: int | None = None
    key: bool = True
    starter: bool = False
    name: str = ""
    neutral: bool = False


#: One errand: a start, the town, two pulls with a lift between them, a stop. The faults come in the second pull.
CYCLE = (
    Stretch(5.0, 0.0, name="key on"),
    Stretch(1.2, 0.0, starter=True, name="start"),
    Stretch(30.0, 0.0, name="idle"),
    Stretch(12.0, speed=45.0, name="off"),
    Stretch(10.0, speed=50.0, name="town"),
    Stretch(6.0, 0.0, name="coasting"),
    Stretch(12.0, speed=70.0, name="road"),
    Stretch(4.0, 1.0, gear=3, name="first pull"),
    Stretch(5.0, 0.0, gear=3, name="lift"),
    Stretch(12.0, speed=70.0, name="road"),
    Stretch(5.5, 1.0, gear=3, name="second pull"),
    Stretch(5.0, 0.0, gear=3, name="lift"),
    Stretch(8.0, speed=40.0, name="town"),
    Stretch(12.0, speed=0.0, name="stop"),
    Stretch(20.0, 0.0, key=False, name="key off"),
)


#: The same with a quarter of an hour of road before the first pull, for a climb.
LONG_ROAD = tuple(replace(s, seconds=900.0) if s.name == "road" and n == 6 else s for n, s in enumerate(CYCLE))
#: And with half an hour of it.
HALF_HOUR = tuple(replace(s, seconds=1750.0) if s.name == "road" and n == 6 else s for n, s in enumerate(CYCLE))


def starts_of(name: str, cycle: tuple[Stretch, ...] = CYCLE) -> float:
    """When the last stretch of a name begins, s."""
    at, found = 0.0, math.nan
    for one in cycle:
        found = at if one.name == name else found
        at += one.seconds
    return found


@dataclass(slots=True)
class State:
    """What is true at a moment."""

    time_s: float = 0.0
    key: bool = True
    running: bool = False
    starter: bool = False
    throttle: float = 0.0
    rpm: float = 0.0
    speed: float = 0.0
    map_kpa: float = 101.0
    air_kpa: float = 101.0
    lambda_: float = math.inf
    supply: float = 12.3
    #: What a closed loop adds to the fuel, as a share.
    trim: float = 0.0

    @property
    def boost_psi(self) -> float:
        """Manifold above the air."""
        return (self.map_kpa - self.air_kpa) / PSI


@dataclass(slots=True)
class PlainEngine:
    """Engine, car and driver. `fault` begins at `fault_s` and lasts; `climb_kpa_s` is how fast the air thins."""

    compressor: Compressor
    fault: FaultName | None = None
    fault_s: float = math.inf
    air_kpa: float = 100.0
    climb_kpa_s: float = 0.0
    cycle: tuple[Stretch, ...] = CYCLE
    now: State = field(default_factory=State)
    displacement_m3: float = _DISPLACEMENT_M3
    idle_m2: float = _IDLE_M2
    #: A hole behind the throttle, and whether the air is metered ahead of it (a leak is then not fuelled for).
    leak_m2: float = 0.0
    metered_ahead: bool = False
    #: Share of a leak that idle speed control takes back by shutting its own passage.
    idle_control: float = 0.0
    _boost: float = 0.0  # of a turbo, kPa
    _gear: int = 0

    def __post_init__(self) -> None:
        self.now = State(map_kpa=self.air_kpa, air_kpa=self.air_kpa)

    @property
    def length_s(self) -> float:
        """Of the cycle."""
        return sum(one.seconds for one in self.cycle)

    def step(self) -> State:
        """The next tick."""
        s = self.now
        stretch = self._stretch(s.time_s)
        s.time_s = round(s.time_s + TICK_S, 6)
        s.key, s.starter = stretch.key, stretch.starter
        s.air_kpa -= self.climb_kpa_s * TICK_S
        s.running = stretch.key and (s.running or (stretch.starter and s.rpm > 150))
        wanted = self._foot(stretch)
        s.throttle += (wanted - s.throttle) * min(1.0, TICK_S / 0.08)
        self._turn(stretch)
        self._breathe()
        s.lambda_ = self._mixture()
        charging = 10.1 if s.starter and not s.running else 14.1 if s.running else 12.4
        s.supply += (charging - s.supply) * 0.2
        return s

    def _stretch(self, time_s: float) -> Stretch:
        for one in self.cycle:
            if time_s < one.seconds:
                return one
            time_s -= one.seconds
        return self.cycle[-1]

    def _foot(self, stretch: Stretch) -> float:
        """A proportional driver."""
        if stretch.throttle is not None:
            return stretch.throttle
        assert stretch.speed is not None
        return min(0.45, max(0.0, 0.06 + 0.03 * (stretch.speed - self.now.speed))) if stretch.speed else 0.0

    def _turn(self, stretch: Stretch) -> None:
        """Road speed by Newton, engine speed by the gear; below idle the clutch slips."""
        s = self.now
        if not s.running:
            s.rpm += ((220.0 if stretch.starter else 0.0) - s.rpm) * 0.1
            s.speed = max(0.0, s.speed - 5 * TICK_S)
            return
        if stretch.neutral:
            # Out of gear it turns as fast as friction lets it, within some tenths of a second.
            s.rpm += (self._idle_rpm() + 4500 * s.throttle - s.rpm) * TICK_S / 0.35
            return
        self._gear = stretch.gear - 1 if stretch.gear else self._chosen()
        ratio = _GEARS[self._gear]
        coupled = s.speed * ratio
        s.rpm += (max(self._idle_rpm(), coupled) - s.rpm) * 0.15
        drives = s.throttle > 0.02 or coupled > _IDLE_RPM
        newton_metre = self._torque() if drives else 0.0
        metres_s = s.speed / 3.6
        wheel_n = newton_metre * ratio * 0.3770 * 0.9  # rpm per km/h -> rad/s per m/s
        brakes = 3500.0 if stretch.speed is not None and s.speed > stretch.speed + 4 * bool(stretch.speed) else 0.0
        force = wheel_n - brakes - (_ROLL_N if s.speed > 0 else 0.0) - _DRAG_N_S2_M2 * metres_s**2
        s.speed = max(0.0, (metres_s + force / _MASS_KG * TICK_S) * 3.6)

    def _idle_rpm(self) -> float:
        """What a leak adds to idle speed where nothing takes it back."""
        return _IDLE_RPM * (1.0 + 0.25 * (1.0 - self.idle_control) * min(1.0, self.leak_m2 / self.idle_m2))

    def _chosen(self) -> int:
        """The highest gear that keeps the engine above 1700 rpm."""
        return max((n for n, r in enumerate(_GEARS) if self.now.speed * r > 1700), default=0)

    def _torque(self) -> float:
        """N m at the crankshaft: mean effective pressure in proportion to the manifold's, less friction."""
        burning = 0.0 if math.isinf(self.now.lambda_) else 1.0
        mean_kpa = burning * 11.0 * (self.now.map_kpa - 15.0) - 150.0
        return mean_kpa * 1000 * self.displacement_m3 / (4 * math.pi)

    def _breathe(self) -> None:
        s = self.now
        if s.rpm < 50:
            s.map_kpa += (s.air_kpa - s.map_kpa) * 0.1
            return
        before = s.air_kpa + (self._boosted() if s.throttle > 0.15 else 0.0)
        swept = _FILLING * self.displacement_m3 * s.rpm / 120
        own = self.idle_m2 - min(0.3 * self.idle_m2, self.idle_control * self.leak_m2)
        own *= 1.0 if s.running else 2.0
        area = 0.7 * (_BORE_M2 * math.sin(s.throttle * math.pi / 2) ** 2 + own + self.leak_m2)
        # Bernoulli through the throttle against what the engine draws: p^2 = K p1 (p1 - p).
        k = 2 * _R * 1000 * _KELVIN * (area / swept) ** 2
        target = before * (math.sqrt(k * k + 4 * k) - k) / 2
        filling_s = max(TICK_S, _MANIFOLD_M3 / swept)
        s.map_kpa += (max(20.0, target) - s.map_kpa) * min(1.0, TICK_S / filling_s)

    def _boosted(self) -> float:
        """Pressure above the air ahead of the throttle, kPa."""
        s, full = self.now, _FULL_PSI * PSI
        if self.fault == "over_boost" and s.time_s >= self.fault_s:
            full *= 2.2
        if self.compressor == "displacement":
            return full * max(0.0, 1 - 300 / s.rpm)
        if self.compressor == "centrifugal":
            return full * (s.rpm / 4700) ** 2
        if self.compressor == "none":
            return 0.0
        flow = s.map_kpa / 100 * s.rpm / 3000  # of what the turbine needs for all of it
        lag_s = 0.3 + 0.9 / max(flow, 0.3)
        self._boost += (min(full, 1.4 * full * flow**2) - self._boost) * TICK_S / lag_s
        return self._boost

    def _mixture(self) -> float:
        """Lambda in the cylinders."""
        s = self.now
        if not s.running or (s.throttle < 0.02 and s.rpm > _CUT_RPM):
            return math.inf
        rich = min(1.0, max(0.0, (s.boost_psi + 1.0) / 3.0))
        meant = (1.0 - 0.19 * rich) * self._unmetered()
        return meant * 1.19 if self.fault == "lean" and s.time_s >= self.fault_s else meant

    def _unmetered(self) -> float:
        """Air over metered air, less what a trim of up to 25 % makes up for; 1 where the manifold is the meter."""
        if not self.metered_ahead or not self.leak_m2:
            return 1.0
        open_m2 = _BORE_M2 * math.sin(self.now.throttle * math.pi / 2) ** 2 + self.idle_m2
        self.now.trim = min(0.25, self.leak_m2 / open_m2)
        return (1.0 + self.leak_m2 / open_m2) / (1.0 + self.now.trim)
