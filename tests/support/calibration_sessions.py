"""Calibration sessions with a known truth: sensors with errors of their own, gauges within theirs, a noisy converter.

Written from the sensors' side (pressure -> share of the supply -> volts -> codes), where the fitter goes from the wire
to the value; nothing of it is taken from the fitter.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from cabcanary import units
from cabcanary.calibration.points import Point, Session, readings_of
from cabcanary.calibration.sensor import Sensor
from cabcanary.channels.chain import Known, Surroundings
from cabcanary.settings.sensors import MeasuredChannel

AROUND = Surroundings(Known(5.0), Known(0.0), Known(25.0))
#: A converter of 16 bits over 6.144 V in 2^15 steps (a common part's data sheet), mV.
STEP_MV = 0.1875
COUNT, SECONDS = 50, 5.0

PRESSURE = {
    "source": "adc", "item": "voltage0", "unit": "kPa", "wire_unit": "V", "measures": "manifold_pressure",
    "curve": {"kind": "linear", "points": [[0.5, 20.0], [4.5, 250.0]]}, "rails": [0.25, 4.75], "accuracy": 4.0,
    "resolution": STEP_MV / 1000,
}  # fmt: skip
SUPPLY = {
    "source": "adc", "item": "voltage1", "unit": "V", "wire_unit": "V", "measures": "supply_voltage", "divider": 4.0,
    "rails": [2.0, 19.5], "plausible": [1.0, 21.0], "resolution": STEP_MV / 1000,
}  # fmt: skip
BETA = {
    "source": "adc", "item": "voltage2", "unit": "°C", "measures": "temperature",
    "pull_up": {"resistance": "2.49 kohm", "supply": "5 V"},
    "curve": {"kind": "thermistor_beta", "r25": "10 kohm", "beta": 3950.0, "range": [-20.0, 130.0]},
    "resolution": STEP_MV,
}  # fmt: skip
STEINHART = {
    **BETA,
    "curve": {"kind": "thermistor", "a": 1.129241e-3, "b": 2.341077e-4, "c": 8.775468e-8, "range": [-20.0, 130.0]},
}
TABLE = {
    **PRESSURE,
    "curve": {"kind": "table", "points": [[0.5, 20.0], [1.4, 70.0], [2.6, 130.0], [3.7, 195.0], [4.5, 250.0]]},
}
PLATINUM = {
    "source": "adc", "item": "voltage2", "unit": "°C", "measures": "temperature",
    "pull_up": {"resistance": "1 kohm", "supply": "5 V"},
    "curve": {"kind": "platinum", "r0": "1000 ohm", "range": [-40.0, 200.0]}, "resolution": STEP_MV,
}  # fmt: skip


def sensor_of(settings: dict[str, object], name: str = "map") -> Sensor:
    return Sensor(name, MeasuredChannel.model_validate(settings), units.unit("mV"))


@dataclass
class Simulated:
    """A session, the sensor as the settings have it, and the true curve: wire -> value."""

    sensor: Sensor
    session: Session
    truth: Callable[[float], float]

    def furthest(self, new: Sensor) -> float:
        """How far a curve is from the truth, at worst along its range."""
        return max(abs(new.old(float(w)) - self.truth(float(w))) for w in new.looks())


def taken(sensor: Sensor, volts: Callable[[float], float], noise_v: float, random: np.random.Generator):
    """Readings through a converter while the wire goes as `volts` of time says."""
    times = [SECONDS * n / COUNT for n in range(COUNT)]
    wires = []
    for t in times:
        at_converter = volts(t) / sensor.spec.divider + random.normal(0.0, noise_v)
        raw = min(max(round(at_converter * 1000 / STEP_MV), 0), 32767) * STEP_MV
        wires.append(sensor.chain.curve_reading(raw, AROUND))
    return readings_of(times, wires)


def session_of(
    sensor: Sensor, volts_at: Callable[[float], float], values: list[float], random: np.random.Generator,
    *, limits: float, reading: float | None, noise_v: float = 0.002, normal_s: float = 0.0,
) -> Session:  # fmt: skip
    """A session at these true values: one error of the gauge for all, one of its reading for each."""
    gauge = random.uniform(-limits, limits)
    points = []
    for value in values:
        slip = random.uniform(-reading, reading) if reading else random.normal(0.0, normal_s)
        points.append(
            Point(value + gauge + slip, taken(sensor, lambda _, v=value: volts_at(v), noise_v, random), reading)
        )
    return Session(tuple(points), limits)


def spread_values(low: float, high: float, number: int, random: np.random.Generator) -> list[float]:
    """So many values from end to end of what a person can reach, unevenly."""
    width = (high - low) / number
    return [low + width * (n + random.uniform(0.35, 0.65)) for n in range(number)]


# --- the kinds -------------------------------------------------------------------------------------------------------


def pressure(random: np.random.Generator, *, stated: bool = True) -> Simulated:
    """A ratiometric sensor of 10 to 90 % of 5 V for 20 to 250 kPa, with an error of zero and of gain."""
    sensor = sensor_of(PRESSURE)
    zero, gain = random.uniform(-0.03, 0.03), random.uniform(-0.03, 0.03)

    def volts(kpa: float) -> float:
        return 5.0 * (0.1 + 0.8 * (kpa - 20.0) / 230.0) * (1.0 + gain) + zero

    def truth(wire: float) -> float:
        return 20.0 + 230.0 * ((wire - zero) / (1.0 + gain) / 5.0 - 0.1) / 0.8

    number = int(random.integers(2 if stated else 4, 7))
    reading = float(random.choice([0.3, 0.7, 1.5])) if stated else None
    values = spread_values(35.0, 225.0, number, random)
    session = session_of(
        sensor, volts, values, random, limits=float(random.choice([0.0, 0.5, 1.0])), reading=reading, normal_s=0.4
    )
    return Simulated(sensor, session, truth)


def unstated(random: np.random.Generator) -> Simulated:
    """As `pressure`, where nobody said how finely the gauge was read."""
    return pressure(random, stated=False)


def supply(random: np.random.Generator) -> Simulated:
    """A divider of 30 over 10 kohm, of resistors within 1 %, against a meter."""
    sensor = sensor_of(SUPPLY, "supply")
    upper, lower = (r * (1 + random.uniform(-0.01, 0.01)) for r in (30_000.0, 10_000.0))
    ratio = (upper + lower) / lower

    def truth(wire: float) -> float:
        return wire / 4.0 * ratio

    session = session_of(
        sensor, lambda v: v / ratio * 4.0, spread_values(5.0, 17.0, int(random.integers(2, 7)), random), random,
        limits=0.03, reading=0.02, noise_v=0.001,
    )  # fmt: skip
    return Simulated(sensor, session, truth)


def _under_pull_up(ohm: float, pull: float) -> float:
    return 5.0 * ohm / (ohm + pull)


def beta(random: np.random.Generator) -> Simulated:
    """A thermistor of two parameters, both a few percent off, in a bath with a thermometer."""
    sensor = sensor_of(BETA, "charge_temperature")
    r25, b = 10_000 * (1 + random.uniform(-0.05, 0.05)), 3950 * (1 + random.uniform(-0.02, 0.02))

    def ohm(celsius: float) -> float:
        return r25 * math.exp(b / (celsius + 273.15) - b / 298.15)

    def truth(wire: float) -> float:
        return b / (math.log(wire / r25) + b / 298.15) - 273.15

    values = [random.uniform(0.0, 10.0), random.uniform(75.0, 95.0)]
    session = session_of(
        sensor, lambda t: _under_pull_up(ohm(t), 2490.0), values, random, limits=0.2, reading=0.3, noise_v=0.001
    )
    return Simulated(sensor, session, truth)


def steinhart(random: np.random.Generator) -> Simulated:
    """A thermistor of three parameters, at three to six temperatures."""
    sensor = sensor_of(STEINHART, "charge_temperature")
    shift, stretch = random.uniform(-0.05, 0.05), 1.0 + random.uniform(-0.02, 0.02)
    a, b, c = 1.129241e-3, 2.341077e-4 * stretch, 8.775468e-8 * (1 + random.uniform(-0.05, 0.05))

    def kelvin(log_ohm: float) -> float:
        u = log_ohm + shift
        return 1.0 / (a + b * u + c * u * u * u - 2.341077e-4 * (stretch - 1) * math.log(10_000))

    def ohm(celsius: float) -> float:
        low, high = math.log(10.0), math.log(1e7)  # hot, cold
        for _ in range(100):
            middle = (low + high) / 2
            low, high = (middle, high) if kelvin(middle) > celsius + 273.15 else (low, middle)
        return math.exp(low)

    values = spread_values(-5.0, 110.0, int(random.integers(3, 7)), random)
    session = session_of(
        sensor, lambda t: _under_pull_up(ohm(t), 2490.0), values, random, limits=0.1, reading=0.15, noise_v=0.0005
    )
    return Simulated(sensor, session, lambda wire: kelvin(math.log(wire)) - 273.15)


def table(random: np.random.Generator) -> Simulated:
    """A sensor with a bent characteristic, shifted and stretched as a whole."""
    sensor = sensor_of(TABLE)
    shift, stretch = random.uniform(-3.0, 3.0), 1 + random.uniform(-0.02, 0.02)
    volts, kpa = (list(column) for column in zip(*TABLE["curve"]["points"], strict=True))

    def at(value: float) -> float:
        return float(np.interp((value - shift) / stretch, kpa, volts))

    def truth(wire: float) -> float:
        return shift + stretch * float(np.interp(wire, volts, kpa))

    values = spread_values(35.0, 225.0, int(random.integers(2, 5)), random)
    session = session_of(sensor, at, values, random, limits=0.5, reading=0.7)
    return Simulated(sensor, session, truth)


def free_table(random: np.random.Generator) -> Simulated:
    """The same where every value of the table is off by itself, with a point near each."""
    sensor = sensor_of(TABLE)
    volts = [v for v, _ in TABLE["curve"]["points"]]
    kpa = [k + random.uniform(-2.5, 2.5) for _, k in TABLE["curve"]["points"]]
    values = [kpa[0] + 2.0, *(k + random.uniform(-8, 8) for k in kpa[1:-1]), kpa[-1] - 2.0, kpa[1] + 20, kpa[3] - 20]
    values = [min(max(v, 22.0), 248.0) for v in values]
    session = session_of(
        sensor, lambda v: float(np.interp(v, kpa, volts)), values, random, limits=0.3, reading=0.5, noise_v=0.001
    )
    return Simulated(sensor, session, lambda wire: float(np.interp(wire, volts, kpa)))


def platinum(random: np.random.Generator) -> Simulated:
    """A platinum resistor whose resistance at 0 °C is off: IEC 60751 above 0 °C, R = R0 (1 + A t + B t^2)."""
    sensor = sensor_of(PLATINUM, "oil")
    r0 = 1000 * (1 + random.uniform(-0.01, 0.01))
    a, b = 3.9083e-3, -5.775e-7

    def ohm(celsius: float) -> float:
        return r0 * (1 + a * celsius + b * celsius * celsius)

    def truth(wire: float) -> float:
        if wire >= r0:
            return (-a + math.sqrt(a * a - 4 * b * (1 - wire / r0))) / (2 * b)
        low, high = -60.0, 1.0
        for _ in range(80):
            middle = (low + high) / 2
            below = 1 + a * middle + b * middle**2 - 4.183e-12 * (middle - 100) * middle**3 < wire / r0
            low, high = (middle, high) if below else (low, middle)
        return low

    values = spread_values(5.0, 150.0, int(random.integers(2, 5)), random)
    session = session_of(
        sensor, lambda t: _under_pull_up(ohm(t), 1000.0), values, random, limits=0.2, reading=0.3, noise_v=0.0005
    )
    return Simulated(sensor, session, truth)


KINDS = {k.__name__: k for k in (pressure, unstated, supply, beta, steinhart, table, free_table, platinum)}
