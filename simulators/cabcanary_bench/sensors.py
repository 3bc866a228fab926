"""The sensors of the bench van: lag, transport delay, warm-up, noise, ranges and wire faults.

Pure: time and truth in, volts and serial lines out. The random numbers are seeded.
"""

from __future__ import annotations

import math
import random
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.channels.shapes import Curve, Lines
from cabcanary.channels.temperature import Beta

from .air import GAS_J_KG_K

if TYPE_CHECKING:
    from .faults import Effects
    from .vehicle import Truth

SENSOR_SUPPLY_V = 5.0

# --- wideband lambda sensor: every number a parameter of this bench, common practice for the kind -----
LAMBDA_RICH_END, LAMBDA_LEAN_END = 0.65, 1.50
WARM_UP_S = 18.0
_RESPONSE_S = 0.08  # to 63 %
_LAMBDA_NOISE = 0.002
_PIPE_M3 = math.pi / 4 * 0.0635**2 * 0.70  # 63.5 mm bore, 0.7 m from port to sensor
_EXHAUST_PA = 101_325.0

# --- manifold pressure: absolute, ratiometric, 10 to 90 % of its supply -------------------------------
MAP_LOW_KPA, MAP_HIGH_KPA = 20.0, 250.0
_MAP_LOW_SHARE, _MAP_SPAN_SHARE = 0.1, 0.8
_MAP_NOISE_KPA = 0.15
#: Share of the supply -> kPa, out to the ends of its own output, 4 and 96 %; the bench goes through it backwards.
_MAP_SHARE = Curve(
    Lines(
        [
            (share, MAP_LOW_KPA + (share - _MAP_LOW_SHARE) / _MAP_SPAN_SHARE * (MAP_HIGH_KPA - MAP_LOW_KPA))
            for share in (0.04, 0.96)
        ]
    ),
    0.04,
    0.96,
)

# --- supply and charge temperature --------------------------------------------------------------------
SUPPLY_DIVIDER = 4.0
_SUPPLY_NOISE_V = 0.01
NTC_OHM_25, NTC_BETA_K, NTC_PULL_UP_OHM = 10_000.0, 3950.0, 2490.0
_CHARGE_NOISE_V = 0.002
_NTC = Beta(NTC_OHM_25, NTC_BETA_K)


@dataclass(frozen=True, slots=True)
class Outputs:
    """What the sensors put out at a moment.

    `wideband` is the lambda shown, or None with the reason in `wideband_status` (ok, heating, silent, off);
    `map_kpa` and `boost_kpa` are what the pressure sensor's voltage says, None with its supply off or its
    voltage outside 0.5 to 4.5 V; voltages are at the converter's pins.
    """

    time_s: float
    wideband: float | None
    wideband_status: str
    map_v: float
    map_kpa: float | None
    boost_kpa: float | None
    supply_v: float
    charge_v: float

    @property
    def line(self) -> bytes:
        """The wideband's serial line now; empty while it sends nothing."""
        if self.wideband is not None:
            return b"lambda=%.3f status=ok\r\n" % self.wideband
        return b"lambda=--- status=heating\r\n" if self.wideband_status == "heating" else b""


def exhaust_k(flow_g_s: float) -> float:
    """Exhaust temperature over flow, K: 600 at 3 g/s to 1150 at 150 g/s, logarithmic (from memory)."""
    share = math.log(max(flow_g_s, 0.5) / 3) / math.log(50)
    return 600 + 550 * min(1.1, max(-0.3, share))


class GasColumn:
    """Carries gas from the cylinders to the sensor: one engine cycle, then plug flow through the pipe.

    The mixture is carried as 1/lambda, in which air is simply 0.
    """

    def __init__(self) -> None:
        self._leaving: deque[tuple[float, float]] = deque()
        self._pipe: deque[tuple[float, float]] = deque()
        self._at_port = 0.0
        self._moved_m3 = 0.0
        self._at_sensor = 0.0

    def step(self, dt_s: float, truth: Truth) -> float:
        """Advance; return 1/lambda of the gas at the sensor."""
        # 720 degrees from being burnt to having been pushed out.
        cycle_s = 120 / max(truth.rpm, 100.0)
        self._leaving.append((truth.time_s + cycle_s, 1 / truth.lambda_cylinder))
        while self._leaving and self._leaving[0][0] <= truth.time_s:
            self._at_port = self._leaving.popleft()[1]
        flow_g_s = truth.exhaust_flow_g_s
        if flow_g_s <= 0.01:
            return self._at_sensor
        density = _EXHAUST_PA / (GAS_J_KG_K * exhaust_k(flow_g_s))
        self._moved_m3 += flow_g_s / 1000 / density * dt_s
        self._pipe.append((self._moved_m3 + _PIPE_M3, self._at_port))
        while self._pipe and self._pipe[0][0] <= self._moved_m3:
            self._at_sensor = self._pipe.popleft()[1]
        return self._at_sensor


class Wideband:
    """A wide-range lambda sensor with its controller."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._gas = GasColumn()
        self._felt = 0.0  # 1/lambda: pump current is about linear in it on the lean side
        self._powered_s = 0.0
        self._last_s: float | None = None

    def step(self, truth: Truth, effects: Effects) -> tuple[float | None, str]:
        """Lambda shown, or None and why; the status is ok, heating, silent or off."""
        dt = 0.0 if self._last_s is None else truth.time_s - self._last_s
        self._last_s = truth.time_s
        arrived = self._gas.step(dt, truth)
        self._felt += (arrived - self._felt) * (1 - math.exp(-dt / _RESPONSE_S))
        noise = self._rng.gauss(0.0, _LAMBDA_NOISE)
        if not truth.key_on:
            self._powered_s = 0.0
            return None, "off"
        self._powered_s += dt
        if effects.wideband_silent:
            return None, "silent"
        if self._powered_s < WARM_UP_S:
            return None, "heating"
        shown = effects.wideband_stuck
        if shown is None:
            shown = 1 / max(self._felt, 1e-3) + noise
        return min(LAMBDA_LEAN_END, max(LAMBDA_RICH_END, shown)), "ok"


def map_volts(kpa: float, supply_v: float = SENSOR_SUPPLY_V) -> float:
    """Voltage of the pressure sensor; it stops at the ends of its own output, 4 to 96 % of its supply."""
    return supply_v * _MAP_SHARE.inverse(kpa)


def map_kpa(volts: float, supply_v: float = SENSOR_SUPPLY_V) -> float | None:
    """Pressure that a voltage of the sensor means, kPa; None outside 10 to 90 % of the supply."""
    share = volts / supply_v
    if not _MAP_LOW_SHARE <= share <= _MAP_LOW_SHARE + _MAP_SPAN_SHARE:
        return None
    return _MAP_SHARE.value(share)[0]


def ntc_ohm(celsius: float) -> float:
    """Resistance of the charge temperature sensor by the beta equation, ohm."""
    return _NTC.inverse(celsius)


def ntc_volts(celsius: float, supply_v: float = SENSOR_SUPPLY_V) -> float:
    """Voltage across the charge temperature sensor below its pull-up."""
    ohm = ntc_ohm(celsius)
    return supply_v * ohm / (ohm + NTC_PULL_UP_OHM)


class Sensors:
    """All of the van's sensors. `step` must be called with rising times."""

    def __init__(self, seed: int = 1) -> None:
        # Reproducible noise is the point; nothing secret hangs on it.
        self._rng = random.Random(seed)  # noqa: S311
        self._wideband = Wideband(self._rng)

    def step(self, truth: Truth, effects: Effects) -> Outputs:
        """What every sensor puts out at the truth's time."""
        shown, status = self._wideband.step(truth, effects)
        gauss = self._rng.gauss
        pressure_noise, supply_noise, charge_noise = gauss(0, 1), gauss(0, 1), gauss(0, 1)
        pressure = truth.baro_kpa if effects.map_line_off else truth.map_kpa
        volts = map_volts(pressure + pressure_noise * _MAP_NOISE_KPA)
        charge = ntc_volts(truth.charge_c) + charge_noise * _CHARGE_NOISE_V
        if effects.map_stuck_v is not None:
            volts = effects.map_stuck_v
        if not truth.key_on:
            volts = charge = 0.0  # their 5 V supply is off with the key
        reading = map_kpa(volts)
        return Outputs(
            truth.time_s,
            shown,
            status,
            volts,
            reading,
            None if reading is None else reading - truth.baro_kpa,
            max(0.0, truth.supply_v + supply_noise * _SUPPLY_NOISE_V) / SUPPLY_DIVIDER,
            charge,
        )
