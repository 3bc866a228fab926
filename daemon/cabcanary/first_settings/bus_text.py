"""What is asked of an engine computer, and the channels that its answers make."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.first_settings.toml_text import table

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.first_settings.fitted import Fitted

#: What is asked of an engine computer: item, how often each second, the channel that it makes, and its lines.
_ASKED: tuple[tuple[str, float, str, str], ...] = (
    ("rpm", 10, "engine_speed", 'measures = "engine_speed"\nunit = "rpm"\nstale_after = "0.5 s"'),
    (
        "throttle",
        10,
        "throttle",
        'measures = "throttle"\nunit = "%"\nlearn_ends = true # its rest is 0 %\nstale_after = "1 s"',
    ),
    ("speed", 4, "vehicle_speed", 'measures = "vehicle_speed"\nunit = "km/h"\nstale_after = "2 s"'),
    ("map", 4, "engine_map", 'unit = "kPa"\nstale_after = "2 s"'),
    ("maf", 4, "mass_air", 'measures = "airflow"\nunit = "g/s"\nstale_after = "2 s"'),
    ("coolant_temperature", 0.5, "coolant", 'measures = "temperature"\nunit = "°C"\nstale_after = "10 s"'),
    ("intake_temperature", 0.5, "", ""),
    ("barometer", 0.2, "barometer", 'measures = "barometric_pressure"\nunit = "kPa"\nstale_after = "20 s"'),
    ("module_voltage", 1, "module_voltage", 'measures = "voltage"\nunit = "V"\nstale_after = "5 s"'),
    ("fuel_system_1", 2, "fuel_system", 'unit = ""\nstale_after = "3 s"'),
    ("short_trim_1", 2, "short_trim", 'unit = "%"\nstale_after = "3 s"'),
    ("long_trim_1", 0.5, "long_trim", 'unit = "%"\nstale_after = "10 s"'),
)


def asked_of_it(fitted: Fitted) -> Iterator[tuple[str, float]]:
    """Its items, and how often each is wanted, per second."""
    # An engine computer has the one or the other.
    other = "map" if fitted.answers.bus.pressure_sensor is False else "maf"
    yield from ((item, rate) for item, rate, _, _ in _ASKED if item != other)


def channels_of_it(fitted: Fitted) -> Iterator[str]:
    """Their tables; none without a bus."""
    if not fitted.bus:
        return
    asked = dict(asked_of_it(fitted))
    for item, _, channel, lines in _ASKED:
        if channel and item in asked:
            yield f"[channels.{channel}]"
            yield f'source = "engine"\nitem = "{item}"\n{lines}'
            yield ""
    formula: dict[str, Any] = {"derive": "formula", "unit": "%", "formula": "short_trim + long_trim"}
    yield from table("channels.fuel_trim", formula)
