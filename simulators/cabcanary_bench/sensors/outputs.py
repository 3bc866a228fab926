"""The sensors of the bench van: lag, transport delay, warm-up, noise, ranges and wire faults.

Pure: time and truth in, volts and serial lines out. The random numbers are seeded.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.channels.shapes import Curve, Lines
from cabcanary.channels.temperature import Beta
from cabcanary_bench.sensors.traits import Traits
from cabcanary_bench.sensors.wideband import GasColumn, Wideband, exhaust_k

if TYPE_CHECKING:
    from cabcanary_bench.faults.effects import Effects
    from cabcanary_bench.van.vehicle import Truth

__all__ = ["GasColumn", "Outputs", "Sensors", "exhaust_k", "map_kpa", "map_volts", "ntc_ohm", "ntc_volts"]

SENSOR_SUPPLY_V = 5.0
#: A 5 V regulator needs this much above its output.
_REGULATOR_DROP_V = 1.0

# --- manifold pressure: absolute, ratiometric, 10 to 90 % of its supply -------------------------------
MAP_LOW_KPA, MAP_HIGH_KPA = 20.0, 250.0
_MAP_LOW_SHARE, _MAP_SPAN_SHARE = 0.1, 0.8
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
NTC_OHM_25, NTC_BETA_K, NTC_PULL_UP_OHM = 10_000.0, 3950.0, 2490.0
_NTC = Beta(NTC_OHM_25, NTC_BETA_K)


@dataclass(frozen=True, slots=True)
class Outputs:
    """What the sensors put out at a moment.

    `wideband` is the lambda shown, or None with the reason in `wideband_status` (ok, heating, silent, off);
    `map_kpa` and `boost_kpa` are what the pressure sensor's voltage says, None with its supply off or its
    voltage outside 0.5 to 4.5 V; voltages are at the converter's pins. The last three are for vehicles with other
    wiring: the pressure that the sensor takes, kPa absolute with its error and noise, the sensors' 5 V, and whether
    they have any.
    """

    time_s: float
    wideband: float | None
    wideband_status: str
    map_v: float
    map_kpa: float | None
    boost_kpa: float | None
    supply_v: float
    charge_v: float
    line_kpa: float = 0.0
    five_v: float = SENSOR_SUPPLY_V
    powered: bool = True

    @property
    def line(self) -> bytes:
        """The wideband's serial line now; empty while it sends nothing."""
        if self.wideband is not None:
            return b"lambda=%.3f status=ok\r\n" % self.wideband
        return b"lambda=--- status=heating\r\n" if self.wideband_status == "heating" else b""


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

    def __init__(self, seed: int = 1, traits: Traits | None = None) -> None:
        # Reproducible noise is the point; nothing secret hangs on it.
        self._rng = random.Random(seed)  # noqa: S311
        self.traits = traits or Traits()
        self.wideband = Wideband(self._rng, self.traits)
        self._moved_s: float | None = None
        self._shown_s: float | None = None
        self._line_kpa: float | None = None  # pressure at the sensor's end of its line
        self._map_v = 0.0

    def step(self, truth: Truth, effects: Effects) -> Outputs:
        """What every sensor puts out at the truth's time."""
        inverse = truth.port_share / truth.lambda_cylinder
        self.advance(truth.time_s, truth.rpm, truth.exhaust_flow_g_s, inverse, effects)
        return self.show(truth, effects)

    def advance(self, time_s: float, rpm: float, flow_g_s: float, inverse: float, effects: Effects) -> None:
        """Move the gas on to a time; between two `show`s it may be called any number of times."""
        dt = 0.0 if self._moved_s is None else time_s - self._moved_s
        self._moved_s = time_s
        self.wideband.advance(dt, time_s, rpm, flow_g_s, inverse, effects)

    def show(self, truth: Truth, effects: Effects) -> Outputs:
        """What every sensor puts out, once the gas has been moved on to the truth's time."""
        dt = 0.0 if self._shown_s is None else truth.time_s - self._shown_s
        self._shown_s = truth.time_s
        traits = self.traits
        powered = (truth.key_on or effects.feed_live) and not effects.feed_blown
        shown, status = self.wideband.show(dt, powered, truth.supply_v, effects)
        gauss = self._rng.gauss
        pressure_noise, supply_noise, charge_noise = gauss(0, 1), gauss(0, 1), gauss(0, 1)
        five_v = SENSOR_SUPPLY_V * traits.supply_5v_share * effects.sensor_supply_share
        five_v = min(five_v, max(0.5, truth.supply_v - _REGULATOR_DROP_V))
        pressure = self._at_line_end(dt, truth, effects) + traits.map_error_kpa
        pressure += pressure_noise * traits.map_noise_kpa
        volts = map_volts(pressure, five_v)
        charge = ntc_volts(truth.charge_c, five_v) + charge_noise * traits.charge_noise_v
        volts, charge = self._wired(volts, charge, effects)
        if not powered:
            volts = charge = 0.0  # their 5 V supply is off with the key
        reading = map_kpa(volts)
        supply = max(0.0, truth.supply_v + supply_noise * traits.supply_noise_v + min(0.0, effects.ground_v))
        return Outputs(
            truth.time_s,
            shown,
            status,
            volts,
            reading,
            None if reading is None else reading - truth.baro_kpa,
            supply / SUPPLY_DIVIDER if effects.supply_sense_v is None else effects.supply_sense_v,
            charge,
            pressure,
            five_v,
            powered,
        )

    def _at_line_end(self, dt_s: float, truth: Truth, effects: Effects) -> float:
        """Pressure where the sensor is, kPa: at the end of a line that may be thin, holed, frozen or off."""
        wanted = truth.baro_kpa if effects.map_line_off else truth.map_kpa
        if effects.map_line_leak:
            wanted += effects.map_line_leak * (truth.baro_kpa - wanted)
        lag = self.traits.map_line_lag_s + effects.map_line_lag_s
        if self._line_kpa is None or (lag <= 0 and not effects.map_line_frozen):
            self._line_kpa = wanted
        elif not effects.map_line_frozen:
            self._line_kpa += (wanted - self._line_kpa) * dt_s / (lag + dt_s)
        return self._line_kpa

    def _wired(self, volts: float, charge: float, effects: Effects) -> tuple[float, float]:
        """What the converter sees of the two sensors' voltages: grounds, cross-talk, broken and wrong wires."""
        traits = self.traits
        lifted = effects.ground_v + traits.heater_ground_v
        volts, charge = max(0.0, volts + lifted), max(0.0, charge + lifted)
        if effects.map_noise_v:
            volts = max(0.0, volts + self._rng.gauss(0.0, effects.map_noise_v))
        if traits.crosstalk:
            volts += traits.crosstalk * (charge - volts)
        if effects.charge_stuck_v is not None:
            charge = effects.charge_stuck_v
        if effects.map_stuck_v is not None:
            volts = effects.map_stuck_v
        if effects.map_frozen:
            volts = self._map_v
        self._map_v = volts
        return (charge, volts) if effects.swapped else (volts, charge)
