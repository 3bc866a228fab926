"""The published laws of temperature sensors: resistance or thermoelectric voltage <-> temperature in °C.

Each law is a class with `forward(wire) -> °C` and `inverse(°C) -> wire`; both are strictly monotone in the
range that `wire_range` gives.
"""

from __future__ import annotations

import math
from bisect import bisect_right

_KELVIN = 273.15


class Beta:
    """A thermistor by its beta: R = R25 exp(B (1/T - 1/298.15)), T in kelvin; wire in ohm."""

    _T25 = 298.15

    def __init__(self, r25_ohm: float, beta_k: float) -> None:
        self._r25, self._beta = r25_ohm, beta_k

    def forward(self, wire: float) -> float:
        """Ohm -> °C."""
        return 1.0 / (1.0 / self._T25 + math.log(wire / self._r25) / self._beta) - _KELVIN

    def inverse(self, value: float) -> float:
        """°C -> ohm."""
        return self._r25 * math.exp(self._beta * (1.0 / (value + _KELVIN) - 1.0 / self._T25))


class SteinhartHart:
    """A thermistor by three coefficients: 1/T = A + B ln R + C (ln R)^3; wire in ohm.

    Steinhart and Hart, Calibration curves for thermistors, Deep-Sea Research 15, 1968 (cited from memory).
    The inverse is Cardano's solution of the same cubic.
    """

    def __init__(self, a: float, b: float, c: float) -> None:
        self._a, self._b, self._c = a, b, c

    def forward(self, wire: float) -> float:
        """Ohm -> °C."""
        x = math.log(wire)
        return 1.0 / (self._a + self._b * x + self._c * x * x * x) - _KELVIN

    def inverse(self, value: float) -> float:
        """°C -> ohm."""
        y = (self._a - 1.0 / (value + _KELVIN)) / (2.0 * self._c)
        root = math.sqrt((self._b / (3.0 * self._c)) ** 3 + y * y)
        return math.exp(math.cbrt(root - y) - math.cbrt(root + y))


class Platinum:
    """A platinum resistor by IEC 60751: R = R0 (1 + A t + B t^2 + C (t - 100) t^3), C for t < 0 only; wire in ohm."""

    _A, _B, _C = 3.9083e-3, -5.775e-7, -4.183e-12

    def __init__(self, r0_ohm: float) -> None:
        self._r0 = r0_ohm

    def inverse(self, value: float) -> float:
        """°C -> ohm."""
        t = value
        ratio = 1.0 + self._A * t + self._B * t * t
        if t < 0:
            ratio += self._C * (t - 100.0) * t * t * t
        return self._r0 * ratio

    def forward(self, wire: float) -> float:
        """Ohm -> °C: the quadratic's root above 0 °C, refined by Newton's method below."""
        ratio = wire / self._r0
        t = (-self._A + math.sqrt(max(0.0, self._A * self._A - 4.0 * self._B * (1.0 - ratio)))) / (2.0 * self._B)
        if ratio >= 1.0:
            return t
        for _ in range(4):
            slope = self._A + 2.0 * self._B * t + self._C * (4.0 * t - 300.0) * t * t
            t -= (self.inverse(t) / self._r0 - ratio) / slope
        return t


# NIST ITS-90 reference functions of type K (NIST Monograph 175; the same as IEC 60584-1), mV from °C.
_K_BELOW = (
    0.0,
    0.394501280250e-01,
    0.236223735980e-04,
    -0.328589067840e-06,
    -0.499048287770e-08,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
_K_ABOVE = (
    -0.176004136860e-01,
    0.389212049750e-01,
    0.185587700320e-04,
    -0.994575928740e-07,
    0.318409457190e-09,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
_K_EXPONENTIAL = (0.118597600000, -0.118343200000e-03, 126.968600000)
_K_LOWEST, _K_HIGHEST = -200.0, 1372.0
_GRID_STEP = 10.0


def type_k_millivolts(celsius: float) -> float:
    """Thermoelectric voltage of type K against a junction at 0 °C, mV."""
    if celsius < 0:
        return _polynomial(_K_BELOW, celsius)
    a0, a1, a2 = _K_EXPONENTIAL
    return _polynomial(_K_ABOVE, celsius) + a0 * math.exp(a1 * (celsius - a2) ** 2)


def _polynomial(coefficients: tuple[float, ...], x: float) -> float:
    result = 0.0
    for c in reversed(coefficients):
        result = result * x + c
    return result


_GRID_T = tuple(_K_LOWEST + _GRID_STEP * n for n in range(int((_K_HIGHEST - _K_LOWEST) / _GRID_STEP) + 1))
_GRID_MV = tuple(type_k_millivolts(t) for t in _GRID_T)


class TypeK:
    """A type K thermocouple whose cold junction is accounted for already; wire in mV against 0 °C."""

    wire_range = (_GRID_MV[0], type_k_millivolts(_K_HIGHEST))

    def forward(self, wire: float) -> float:
        """MV -> °C: the reference function inverted, from a grid of 10 °C by the secant method."""
        n = min(max(1, bisect_right(_GRID_MV, wire)), len(_GRID_MV) - 1)
        t0, t1 = _GRID_T[n - 1], _GRID_T[n]
        e0, e1 = _GRID_MV[n - 1] - wire, _GRID_MV[n] - wire
        # The grid leaves an error under 0.1 °C; three secant steps take it below what a double can tell.
        for _ in range(3):
            if e1 == e0:
                break
            t0, t1, e0 = t1, t1 - e1 * (t1 - t0) / (e1 - e0), e1
            e1 = type_k_millivolts(t1) - wire
        return t1

    def inverse(self, value: float) -> float:
        """°C -> mV."""
        return type_k_millivolts(value)
