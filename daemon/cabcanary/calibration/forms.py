"""Which parameters so many points decide, for each kind of curve, and the curve that they make.

Every form is linear in its parameters: z(y) = base(x) + design(x) @ parameters, where x is the wire, y the value and z
a fixed function of y (itself; 1/T for thermistors; R/R0 for platinum). So one solver fits them all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.channels.temperature import Platinum
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.calibration.least_squares import Array
    from cabcanary.calibration.sensor import Sensor

_KELVIN, _T25 = 273.15, 298.15
_PLATINUM = Platinum(1.0)


def _same(values: Array) -> Array:
    return values


def _ones(values: Array) -> Array:
    return np.ones_like(values)


def _zeros(values: Array) -> Array:
    return np.zeros_like(values)


@dataclass(frozen=True, slots=True)
class Form:
    """A curve with free parameters. `keys` are what the settings then say."""

    words: str
    design: Callable[[Array], Array]
    curve: Callable[[Array], dict[str, Any]]
    base: Callable[[Array], Array] = _zeros
    #: z of a value, and how fast it goes with the value.
    z: Callable[[Array], Array] = _same
    z_slope: Callable[[Array], Array] = _ones
    #: Whether it leaves the old curve's slope as it was.
    only_offset: bool = False


def form_for(sensor: Sensor, points: int, places: int) -> Form:
    """The form that so many points at so many different places of the range decide."""
    curve = sensor.spec.curve
    kind = curve.kind if curve is not None else ""
    if kind == "platinum":
        return _platinum(sensor)
    if kind in ("thermistor", "thermistor_beta"):
        return _steinhart_hart(sensor) if places >= 3 else _thermistor(sensor, slope=places >= 2)
    if kind == "table" and curve.between == "lines" and places >= len(curve.points) > 2 and points > 2:  # type: ignore[union-attr]
        return _free_table(sensor)
    return _over_old(sensor, slope=places >= 2)


# --- a straight line over the old curve ------------------------------------------------------------------------------


def _over_old(sensor: Sensor, *, slope: bool) -> Form:
    """Reference against old value: for a line it is a new line, for a table or a polynomial a stretched one."""

    def stretched(p: Array) -> dict[str, Any]:
        offset, factor = (float(p[0]), float(p[1])) if slope else (float(p[0]), 1.0)
        return _stretched(sensor, offset, factor)

    what = "table" if sensor.spec.curve is not None and sensor.spec.curve.kind == "table" else "curve"
    line = sensor.spec.curve is None or sensor.spec.curve.kind == "linear"
    if not slope:
        words = "offset alone, with the slope that it had"
        return Form(words, lambda x: np.ones((len(x), 1)), stretched, base=sensor.over, only_offset=True)
    words = "offset and slope of a straight line" if line else f"offset and slope over the old {what}"
    return Form(words, lambda x: np.column_stack([np.ones(len(x)), sensor.over(x)]), stretched)


def _stretched(sensor: Sensor, offset: float, factor: float) -> dict[str, Any]:
    scale, spec = sensor.spec.afr_scale or 1.0, sensor.spec
    match spec.curve:
        case None:
            low, high = sensor.wire_ends
            points = [[x, (offset + factor * sensor.old(x)) * scale] for x in (low, high)]
            # A curve is over the wire unit; without one it was taken from the source.
            return {"curve": {"kind": "linear", "points": points}, "wire_unit": sensor.wire_unit}
        case curve if curve.kind in ("linear", "table"):
            points = [[x, (offset + factor * v / scale) * scale] for x, v in curve.points]
            new: dict[str, Any] = {"kind": curve.kind, "points": points}
            if curve.kind == "table" and curve.between != "lines":
                new["between"] = curve.between
            return {"curve": new}
        case curve:
            assert curve.kind == "polynomial"
            coefficients = [factor * c for c in curve.coefficients]
            coefficients[0] += offset * scale
            return {"curve": {"kind": "polynomial", "coefficients": coefficients, "range": list(curve.range)}}


def _free_table(sensor: Sensor) -> Form:
    """Each value of a table for itself, joined by lines: z = sum of values times hat functions of the wire."""
    curve = sensor.spec.curve
    assert curve is not None
    assert curve.kind == "table"
    nodes = np.array([x for x, _ in curve.points])

    def hats(x: Array) -> Array:
        return np.column_stack([np.interp(x, nodes, one) for one in np.eye(len(nodes))])

    def table(p: Array) -> dict[str, Any]:
        points = [[float(x), float(v)] for x, v in zip(nodes, p, strict=True)]
        return {"curve": {"kind": "table", "points": points}}

    return Form("every value of the table", hats, table)


# --- thermistors: 1/T over the logarithm of the resistance ------------------------------------------------------------


def _inverse_kelvin(celsius: Array) -> Array:
    return 1.0 / (celsius + _KELVIN)


def _inverse_kelvin_slope(celsius: Array) -> Array:
    return -1.0 / (celsius + _KELVIN) ** 2


def _thermistor(sensor: Sensor, *, slope: bool) -> Form:
    """One point scales the resistance (or shifts a), two scale beta too: 1/T = p0 + p1 (1/T by the old curve)."""
    curve = sensor.spec.curve
    assert curve is not None

    def old(x: Array) -> Array:
        return _inverse_kelvin(sensor.over(x))

    def made(p: Array) -> dict[str, Any]:
        p0, p1 = (float(p[0]), float(p[1])) if slope else (float(p[0]), 1.0)
        if curve.kind == "thermistor_beta":
            beta = curve.beta / p1
            # From 1/T = p0 + p1 (1/T25 + ln(R/R25)/beta), put into the same form again.
            r25 = curve.r25 * math.exp(beta * ((1.0 - p1) / _T25 - p0))
            new = {"kind": curve.kind, "r25": f"{spelt(r25, 8)} ohm", "beta": beta}
        else:
            assert curve.kind == "thermistor"
            new = {"kind": curve.kind, "a": p0 + p1 * curve.a, "b": p1 * curve.b, "c": p1 * curve.c}
        return {"curve": _with_range(sensor, new)}

    beta = curve.kind == "thermistor_beta"
    if not slope:
        words = "its resistance at 25 °C" if beta else "an offset of 1/T"
        return Form(
            words, lambda x: np.ones((len(x), 1)), made, old, _inverse_kelvin, _inverse_kelvin_slope, only_offset=True
        )
    words = "its resistance at 25 °C and its beta" if beta else "offset and slope of 1/T"
    return Form(
        words,
        lambda x: np.column_stack([np.ones(len(x)), old(x)]),
        made,
        z=_inverse_kelvin,
        z_slope=_inverse_kelvin_slope,
    )


def _steinhart_hart(sensor: Sensor) -> Form:
    """1/T = a + b ln R + c (ln R)^3 (Steinhart and Hart, Deep-Sea Research 15, 1968; cited from memory)."""

    def design(x: Array) -> Array:
        log = np.log(x)
        return np.column_stack([np.ones(len(x)), log, log**3])

    def made(p: Array) -> dict[str, Any]:
        a, b, c = (float(v) for v in p)
        return {"curve": _with_range(sensor, {"kind": "thermistor", "a": a, "b": b, "c": c})}

    return Form("a, b and c of Steinhart and Hart", design, made, z=_inverse_kelvin, z_slope=_inverse_kelvin_slope)


def _with_range(sensor: Sensor, new: dict[str, Any]) -> dict[str, Any]:
    """A range that was written stays written."""
    curve = sensor.spec.curve
    assert curve is not None
    if "range" in curve.model_fields_set:
        new["range"] = list(curve.range)  # type: ignore[union-attr]
    return new


# --- platinum: R/R0 is the standard's, R0 is the sensor's ------------------------------------------------------------


def _platinum(sensor: Sensor) -> Form:
    def ratio(celsius: Array) -> Array:
        return np.array([_PLATINUM.inverse(float(t)) for t in celsius])

    def ratio_slope(celsius: Array) -> Array:
        return (ratio(celsius + 0.05) - ratio(celsius - 0.05)) / 0.1

    def made(p: Array) -> dict[str, Any]:
        return {"curve": _with_range(sensor, {"kind": "platinum", "r0": f"{spelt(1.0 / float(p[0]), 8)} ohm"})}

    return Form("its resistance at 0 °C", lambda x: x[:, None], made, z=ratio, z_slope=ratio_slope)
