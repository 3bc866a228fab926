"""Answers -> the tables of the sensors' channels."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.first_settings.fitted import Fitted, si
from cabcanary.first_settings.toml_text import table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.first_settings.answers import Answers

_KPA = units.unit("kPa")


def sensors(fitted: Fitted) -> Iterator[str]:
    """Their tables; a sensor of which an answer is missing is left out."""
    if fitted.wideband:
        yield from _wideband(fitted)
    if fitted.pressure:
        yield from _pressure(fitted.answers)
    if fitted.supply:
        yield from _supply(fitted.answers)
    if fitted.charge_temperature:
        yield from _charge_temperature(fitted.answers)
    if fitted.speed_wire and not fitted.bus:
        s = fitted.answers.engine_speed
        channel = {"measures": "engine_speed", "source": "adc", "item": s.input, "unit": "rpm", "wire_unit": "V"}
        yield from table("channels.engine_speed", channel | {"curve": curve_of(s.points or [])})


def curve_of(points: list[tuple[float, float]]) -> dict[str, Any]:
    """Two points are a line, more of them a table."""
    kind = "linear" if len(points) == 2 else "table"
    return {"kind": kind, "points": [list(p) for p in sorted(points)]}


def _wideband(fitted: Fitted) -> list[str]:
    w = fitted.answers.wideband
    values: dict[str, Any] = {"measures": "lambda"}
    if w.signal == "voltage":
        values |= {"source": "adc", "item": w.input, "unit": "lambda", "wire_unit": "V"}
        values |= {"curve": curve_of(w.points or []), "afr_scale": w.afr_scale if w.scale == "AFR" else None}
        values |= {"rails": w.rails or _beside_a_break(sorted(w.points or [])), "response_time": w.response_time}
        comment = "its curve is its maker's: no other fits"
    else:
        values |= {"source": "wideband", "item": w.item, "unit": "lambda"}
        values |= {"afr_scale": w.afr_scale if w.scale == "AFR" else None, "ends": w.ends}
        values |= {"response_time": w.response_time, "stale_after": "0.15 s"}
        comment = "as its controller says it"
    behaves: dict[str, Any] = {"engine_speed": "engine_speed" if fitted.speed else None, "warm_up": w.warm_up}
    # One that is fed all the time is never dark, and then this says nothing.
    behaves["fed_with"] = "map" if w.warm_up and fitted.pressure else None
    behaves = {key: value for key, value in behaves.items() if value is not None}
    values |= {"wideband": behaves or None, "health": {"stuck_after": "10 s", "noisiest": 0.06}}
    return table("channels.lambda", values, comment)


def _beside_a_break(points: list[tuple[float, float]]) -> list[float]:
    """Rails of a wideband whose own are not known, V: a broken wire is at 0 V, so a curve that begins there loses its
    first hundredth, and above its upper end it has come off towards its supply."""
    low, high = points[0][0], points[-1][0]
    span = high - low
    return [round(low / 2 if low >= 0.2 else low + span / 100, 3), round(high + 0.08 * span, 3)]


def _pressure(answers: Answers) -> list[str]:
    p = answers.manifold_pressure
    unit, points = units.unit(p.unit or "kPa"), sorted(p.points or [])
    kpa = unit.from_si(_KPA.to_si(1.0)) - unit.from_si(0.0)
    # No manifold is emptier than 10 kPa, and a little beyond the curve's end is the sensor's own spread.
    lowest = 10.0 * kpa if p.against == "vacuum" else -91.0 * kpa
    highest = max(value for _, value in points) + 10.0 * kpa
    values: dict[str, Any] = {
        "measures": "manifold_pressure",
        "source": "adc",
        "item": p.input,
        "unit": p.unit,
        "wire_unit": "V",
    }
    values |= {"reference": "vented gauge" if p.against == "air" else None, "curve": curve_of(points)}
    values |= {"rails": p.rails or rails_of(points), "plausible": [round(lowest, 4), round(highest, 4)]}
    values |= {"accuracy": p.accuracy, "health": {"noisiest": round(10.0 * kpa, 4)}}
    return table(
        "channels.map", values, "manifold pressure" + (", above the air" if p.against == "air" else ", absolute")
    )


def rails_of(points: list[tuple[float, float]]) -> list[float] | None:
    """Where a wire is broken or shorted, V: half of what the curve leaves below and above, of a sensor on 5 V.

    None where the curve begins so low that a broken wire looks like a value.
    """
    low, high = points[0][0], points[-1][0]
    return [round(low / 2, 3), round((high + 5.0) / 2, 3)] if low >= 0.2 and high <= 4.9 else None


def _supply(answers: Answers) -> list[str]:
    upper, lower = si(answers.supply.upper or ""), si(answers.supply.lower or "")
    divider = (upper + lower) / lower
    highest = divider * (si(answers.converter.highest) if answers.converter.highest else 5.0)
    values: dict[str, Any] = {
        "measures": "supply_voltage",
        "source": "adc",
        "item": answers.supply.input,
        "unit": "V",
        "wire_unit": "V",
    }
    values |= {"divider": round(divider, 4), "rails": [2.0, round(0.975 * highest, 2)], "plausible": [3.0, 20.0]}
    values |= {"health": {"stuck_after": "10 s", "noisiest": 1.0}}
    return table("channels.supply", values, f"{answers.supply.upper} over {answers.supply.lower}")


def _charge_temperature(answers: Answers) -> list[str]:
    t = answers.charge_temperature
    values: dict[str, Any] = {
        "measures": "temperature",
        "source": "adc",
        "item": t.input,
        "unit": "°C",
        "wire_unit": "V",
    }
    if t.points is not None:
        values |= {"curve": curve_of(t.points)}
    else:
        values |= {"pull_up": {"resistance": t.pull_up, "supply": "5 V"}}
        values |= {"curve": {"kind": "thermistor_beta", "r25": t.r25, "beta": t.beta}}
        del values["wire_unit"]
    values |= {"rails": t.rails or [0.2, 4.95], "health": {"stuck_after": "30 s", "noisiest": 5.0}}
    return table("channels.charge_temperature", values, "behind the compressor")
