"""A quantity as the pages write it: so many decimals as a person needs, its unit, its band."""

from __future__ import annotations

from cabcanary.spelling import spelt

#: Decimals by unit: no more than a sensor of that kind holds still, so that a large number does not flicker.
_DECIMALS = {
    "lambda": 2,
    "psi": 1,
    "bar": 2,
    "kPa": 0,
    "inHg": 1,
    "V": 1,
    "°C": 0,
    "°F": 0,
    "rpm": 0,
    "km/h": 0,
    "%": 0,
}
#: Not written behind a value: the channel's name says it already.
_SILENT_UNITS = ("lambda", "state", "ratio", "")
_DIGITS, _BAND_DIGITS = 3, 2


def number(value: float, unit: str) -> str:
    """A value without its unit; a state in words."""
    if unit == "state":
        return "on" if value else "off"
    if unit in _DECIMALS:
        # No minus before a zero.
        return f"{round(value, _DECIMALS[unit]) + 0.0:.{_DECIMALS[unit]}f}"
    return spelt(value, _DIGITS)


def unit_words(unit: str) -> str:
    """The unit as it stands behind a value; empty where the channel's name says it."""
    return "" if unit in _SILENT_UNITS else unit


def band(uncertainty: float | None) -> str:
    """The standard uncertainty behind a value; empty where nobody stated one."""
    return f"± {spelt(uncertainty, _BAND_DIGITS)}" if uncertainty else ""


def between(value: float, uncertainty: float, unit: str) -> str:
    """An interval: two uncertainties to each side."""
    return f"{number(value - 2 * uncertainty, unit)} to {number(value + 2 * uncertainty, unit)}"


def quantity(value: float, unit: str) -> str:
    """A value with its unit."""
    return f"{number(value, unit)} {unit_words(unit)}".strip()


def words_of(name: str) -> str:
    """A name of the settings for a person."""
    return name.replace("_", " ")
