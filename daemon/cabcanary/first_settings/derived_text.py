"""Answers -> the tables of what is made of channels, and of the checks between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.first_settings.fitted import Fitted, si
from cabcanary.first_settings.toml_text import table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.first_settings.answers import Answers

_KPA = units.unit("kPa")
#: Until an overrun has shown it, kPa: below this no engine idles (common practice, no source).
_BELOW_IDLE_KPA = 28.0


def derived(fitted: Fitted) -> Iterator[str]:
    """Each of them uses what is fitted, and is left out where its core is not."""
    bus, speed = fitted.bus, "engine_speed" if fitted.speed else None
    lambda_channel, supply = "lambda" if fitted.wideband else None, "supply" if fitted.supply else None
    throttle, pressure = "throttle" if bus else None, "map" if fitted.pressure else None
    common = {"pressure": pressure, "engine_speed": speed, "supply": supply, "lambda_channel": lambda_channel}
    if fitted.pressure or bus:
        sensors = {"sensors": ["barometer"]} if bus else {}
        travelled = {"vehicle_speed": "vehicle_speed"} if bus else {}
        air: dict[str, Any] = {"derive": "air_pressure", "unit": "kPa"} | sensors | common | travelled
        how = "the engine computer's, else" if bus else "nothing measures it:"
        yield from table("channels.air_pressure", air, f"{how} the manifold shows it while the engine stands")
    if fitted.pressure:
        boost: dict[str, Any] = {"derive": "boost", "unit": "psi", "pressure": "map", "air": "air_pressure"}
        yield from table("channels.boost", boost)
    if fitted.pressure and bus:
        ratio: dict[str, Any] = {"derive": "formula", "unit": "ratio", "formula": "map / air_pressure"}
        yield from table("channels.pressure_ratio", ratio, "what the compressor makes, at any altitude")
    if fitted.pressure and fitted.wideband:
        burnt: dict[str, Any] = {"derive": "as_burnt", "of": "boost", "unit": "psi", "lambda_channel": "lambda"}
        burnt |= {"transport_delay": "100 ms"} | _pipe(fitted)
        yield from table("channels.boost_as_burnt", burnt, "boost when the gas that the wideband shows now was burnt")
    # Without a speed wire: quiet at the air's pressure, it stands.
    stands: dict[str, Any] = {"air": "air_pressure"} if fitted.pressure and not fitted.speed else {}
    yield from table("channels.engine_running", {"derive": "engine_running"} | common | stands | {"throttle": throttle})
    if fitted.pressure and fitted.wideband:
        cut: dict[str, Any] = {
            "derive": "fuel_cut_gas",
            "lambda_channel": "lambda",
            "pressure": "map",
            "throttle": throttle,
        }
        cut |= {"below_idle_kpa": _below_idle(fitted.answers), "transport_delay": "150 ms"}
        idles = (
            "below what it idles at" if fitted.answers.driven.below_idle else "until a first drive has shown its idle"
        )
        yield from table("channels.fuel_cut_gas", cut | _pipe(fitted) | {"longest": "1 s"}, f"below_idle_kpa: {idles}")


def _below_idle(answers: Answers) -> float:
    below = answers.driven.below_idle
    return _BELOW_IDLE_KPA if below is None else round(_KPA.from_si(si(below)), 1)


def _pipe(fitted: Fitted) -> dict[str, Any]:
    litres = fitted.pipe_litres
    if not fitted.gas_by_flow or litres is None:
        return {}
    pipe = {"volume": f"{round(litres, 2)} L", "displacement": fitted.answers.vehicle.displacement}
    return {"pipe": pipe | {"engine_speed": "engine_speed", "pressure": "map"}}


def checks(fitted: Fitted) -> Iterator[str]:
    """The tables of the checks; each with what it needs."""
    if not (fitted.pressure and fitted.wideband):
        return
    yield ""
    yield f"# --- Checks between channels: what another one contradicts is not believed {'-' * 38}"
    yield ""
    if fitted.bus:
        yield from _checks_with_the_bus(fitted)
    follows: dict[str, Any] = {"kind": "follows_load", "channel": "lambda", "pressure": "map"}
    why = "a rich mixture that does not move from light load to boost is none"
    yield from table("checks.follows_load", follows, why)


def _checks_with_the_bus(fitted: Fitted) -> Iterator[str]:
    unit = units.unit(fitted.answers.manifold_pressure.unit or "kPa")
    if fitted.answers.bus.pressure_sensor is not False and fitted.answers.manifold_pressure.against == "vacuum":
        within, below = (round(unit.from_si(_KPA.to_si(x)), 4) for x in (8.0, 100.0))
        line = {"kind": "agree", "channel": "map", "witness": "engine_map", "within": within, "below": below}
        yield from table("checks.line", line | {"for_longer_than": "2 s"}, "a line that leaks, is kinked or is off")
    key_on: dict[str, Any] = {
        "kind": "key_on",
        "channel": "map",
        "engine_speed": "engine_speed",
        "barometer": "barometer",
    }
    yield from table("checks.key_on", key_on | {"for_longer_than": "1 s"})
    if fitted.supply:
        feed = {"kind": "agree", "channel": "supply", "witness": "module_voltage", "within": 1.5}
        yield from table("checks.feed", feed | {"for_longer_than": "3 s"})
    overrun: dict[str, Any] = {"kind": "overrun", "channel": "lambda", "pressure": "map", "throttle": "throttle"}
    overrun |= {"engine_speed": "engine_speed", "below_idle_kpa": _below_idle(fitted.answers), "shut_percent": 0.8}
    why = "in a fuel cut a living wideband sees air"
    yield from table("checks.overrun", overrun | {"for_longer_than": "2.5 s"}, why)
