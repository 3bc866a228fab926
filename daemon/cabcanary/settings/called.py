"""What people call a channel: the words in which the cab speaks of it."""

from __future__ import annotations

#: Of channels that go by a standard name.
_STANDARD = {
    "lambda": "mixture",
    "map": "manifold pressure",
    "engine_map": "the engine's own manifold pressure",
    "boost_as_burnt": "boost at the wideband",
    "supply": "supply voltage",
    "coolant": "coolant temperature",
    "air_pressure": "air pressure",
    "barometer": "air pressure at the barometer",
    "fuel_system": "state of the fuel system",
    "clock_set": "whether the clock is set",
    "recording": "whether it records",
}


def called(name: str, written: str | None) -> str:
    """What is written in the settings, else the words for a standard name, else the name with its words apart."""
    return written or _STANDARD.get(name) or name.replace("_", " ")
