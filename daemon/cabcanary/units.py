"""Quantities with units; fuels and their stoichiometric ratio; the standard atmosphere.

A unit is a dimension and a linear map to SI: `SI = value * factor + offset`.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass

#: Exponents of length, mass, time, temperature, current, angle. Angle is counted so that rpm and Hz differ.
Dimension = tuple[int, int, int, int, int, int]

DIMENSIONLESS: Dimension = (0, 0, 0, 0, 0, 0)
TIME: Dimension = (0, 0, 1, 0, 0, 0)
PRESSURE: Dimension = (-1, 1, -2, 0, 0, 0)
TEMPERATURE: Dimension = (0, 0, 0, 1, 0, 0)
VOLTAGE: Dimension = (2, 1, -3, 0, -1, 0)
CURRENT: Dimension = (0, 0, 0, 0, 1, 0)
RESISTANCE: Dimension = (2, 1, -3, 0, -2, 0)
ANGULAR_SPEED: Dimension = (0, 0, -1, 0, 0, 1)
ANGLE: Dimension = (0, 0, 0, 0, 0, 1)
LENGTH: Dimension = (1, 0, 0, 0, 0, 0)
VOLUME: Dimension = (3, 0, 0, 0, 0, 0)
SPEED: Dimension = (1, 0, -1, 0, 0, 0)
MASS_FLOW: Dimension = (0, 1, -1, 0, 0, 0)
VOLUME_FLOW: Dimension = (3, 0, -1, 0, 0, 0)
POWER: Dimension = (2, 1, -3, 0, 0, 0)
ENERGY: Dimension = (2, 1, -2, 0, 0, 0)

_NAMES: dict[Dimension, str] = {
    DIMENSIONLESS: "a plain number",
    TIME: "time",
    PRESSURE: "pressure",
    TEMPERATURE: "temperature",
    VOLTAGE: "voltage",
    CURRENT: "current",
    RESISTANCE: "resistance",
    ANGULAR_SPEED: "engine speed",
    ANGLE: "angle",
    LENGTH: "length",
    VOLUME: "volume",
    SPEED: "speed",
    MASS_FLOW: "mass flow",
    VOLUME_FLOW: "volume flow",
    POWER: "power",
    ENERGY: "energy",
}
_BASE_SYMBOLS = ("m", "kg", "s", "K", "A", "rad")

# Exact definitions: the international pound and inch, standard gravity (NIST SP 811, appendix B).
_PSI_PA = 0.45359237 * 9.80665 / 0.0254**2
_INHG_PA = 3386.389  # conventional inch of mercury, NIST SP 811 B.8
_MMHG_PA = 133.3224  # conventional millimetre of mercury, NIST SP 811 B.8
_INH2O_PA = 1000 * 9.80665 * 0.0254  # conventional inch of water at 1000 kg/m3
_RAD_PER_TURN = 6.283185307179586


class UnitError(ValueError):
    """A unit that does not exist, or two that do not go together."""


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of measure: `SI = value * factor + offset`."""

    symbol: str
    dimension: Dimension
    factor: float
    offset: float = 0.0

    def to_si(self, value: float) -> float:
        """Value in this unit -> value in SI base units."""
        return value * self.factor + self.offset

    def from_si(self, value: float) -> float:
        """Value in SI base units -> value in this unit."""
        return (value - self.offset) / self.factor


_UNITS = [
    Unit("", DIMENSIONLESS, 1.0),
    Unit("lambda", DIMENSIONLESS, 1.0),
    Unit("ratio", DIMENSIONLESS, 1.0),
    Unit("state", DIMENSIONLESS, 1.0),  # 0 or 1: a switch, a mask
    Unit("%", DIMENSIONLESS, 0.01),
    Unit("m%", DIMENSIONLESS, 1e-5),
    Unit("ns", TIME, 1e-9),
    Unit("ms", TIME, 1e-3),
    Unit("s", TIME, 1.0),
    Unit("min", TIME, 60.0),
    Unit("h", TIME, 3600.0),
    Unit("Pa", PRESSURE, 1.0),
    Unit("hPa", PRESSURE, 100.0),
    Unit("mbar", PRESSURE, 100.0),
    Unit("kPa", PRESSURE, 1000.0),
    Unit("bar", PRESSURE, 100_000.0),
    Unit("psi", PRESSURE, _PSI_PA),
    Unit("atm", PRESSURE, 101_325.0),
    Unit("inHg", PRESSURE, _INHG_PA),
    Unit("mmHg", PRESSURE, _MMHG_PA),
    Unit("inH2O", PRESSURE, _INH2O_PA),
    Unit("K", TEMPERATURE, 1.0),
    Unit("°C", TEMPERATURE, 1.0, 273.15),
    Unit("m°C", TEMPERATURE, 1e-3, 273.15),
    Unit("°F", TEMPERATURE, 5 / 9, 459.67 * 5 / 9),
    Unit("mV", VOLTAGE, 1e-3),
    Unit("V", VOLTAGE, 1.0),
    Unit("mA", CURRENT, 1e-3),
    Unit("A", CURRENT, 1.0),
    Unit("µW", POWER, 1e-6),
    Unit("mW", POWER, 1e-3),
    Unit("W", POWER, 1.0),
    Unit("kW", POWER, 1000.0),
    Unit("µJ", ENERGY, 1e-6),
    Unit("J", ENERGY, 1.0),
    Unit("ohm", RESISTANCE, 1.0),
    Unit("kohm", RESISTANCE, 1000.0),
    Unit("rpm", ANGULAR_SPEED, _RAD_PER_TURN / 60),
    Unit("deg", ANGLE, _RAD_PER_TURN / 360),
    Unit("rad", ANGLE, 1.0),
    Unit("m", LENGTH, 1.0),
    Unit("mm", LENGTH, 0.001),
    Unit("cm", LENGTH, 0.01),
    Unit("km", LENGTH, 1000.0),
    Unit("ft", LENGTH, 0.3048),
    Unit("mi", LENGTH, 1609.344),
    Unit("L", VOLUME, 1e-3),
    Unit("m3", VOLUME, 1.0),
    Unit("m/s", SPEED, 1.0),
    Unit("km/h", SPEED, 1000 / 3600),
    Unit("mph", SPEED, 1609.344 / 3600),
    Unit("g/s", MASS_FLOW, 1e-3),
    Unit("kg/h", MASS_FLOW, 1 / 3600),
    Unit("L/h", VOLUME_FLOW, 1e-3 / 3600),
]
_TABLE: dict[str, Unit] = {u.symbol: u for u in _UNITS}
_ALIASES = {
    "degC": "°C",
    "C": "°C",
    "degF": "°F",
    "F": "°F",
    "Ω": "ohm",
    "kΩ": "kohm",
    "kph": "km/h",
    "uW": "µW",
    "uJ": "µJ",
    "sec": "s",
}


def unit(symbol: str) -> Unit:
    """Look a unit up by its symbol.

    Raises:
        UnitError: no such unit; the message names the nearest known ones.
    """
    found = _TABLE.get(_ALIASES.get(symbol, symbol))
    if found is not None:
        return found
    if symbol.lower() in ("afr", "a/f"):
        raise UnitError(
            "AFR means nothing without its fuel: 12.5 is lambda 0.850 on a 14.7 scale and 0.888 on 14.08; "
            'write the lambda value; a channel takes unit = "lambda" with afr_scale = 14.7'
        )
    near = difflib.get_close_matches(symbol, [s for s in (*_TABLE, *_ALIASES) if s], n=3, cutoff=0.5)
    same = [s for s in _TABLE if s.lower() == symbol.lower()]
    hint = same or near
    fix = f"did you mean {' or '.join(hint)}?" if hint else "use a symbol such as kPa, psi, V, °C, rpm, s or lambda"
    raise UnitError(f"unknown unit '{symbol}'; {fix}")


def symbols() -> list[str]:
    """Every unit symbol that may be written, longest first (for a lexer)."""
    return sorted((s for s in (*_TABLE, *_ALIASES) if s), key=lambda s: (-len(s), s))


def dimension_name(dimension: Dimension) -> str:
    """A dimension in words, for messages."""
    if dimension in _NAMES:
        return _NAMES[dimension]
    return "·".join(f"{s}^{e}" for s, e in zip(_BASE_SYMBOLS, dimension, strict=True) if e)


def convert(value: float, source: str, target: str) -> float:
    """Convert a value from one unit to another.

    Raises:
        UnitError: a unit is unknown, or the two measure different things.
    """
    a, b = unit(source), unit(target)
    if a.dimension != b.dimension:
        raise UnitError(f"'{source}' is {dimension_name(a.dimension)} and '{target}' is {dimension_name(b.dimension)}")
    return b.from_si(a.to_si(value))


def difference(value: float, source: str, target: str) -> float:
    """Convert the size of a step: like `convert`, with the zero points of both units left out."""
    a, b = unit(source), unit(target)
    if a.dimension != b.dimension:
        raise UnitError(f"'{source}' is {dimension_name(a.dimension)} and '{target}' is {dimension_name(b.dimension)}")
    return value * a.factor / b.factor


#: Longer than any number with its unit; a text is tried from its end on, which takes long for a long one.
_LONGEST_QUANTITY = 60


def parse_quantity(text: str) -> tuple[float, Unit]:
    """'0.5 psi' -> (0.5, psi). A number without a unit is a plain number.

    Raises:
        UnitError: not a number followed by a known unit.
    """
    stripped = text.strip()
    if len(stripped) > _LONGEST_QUANTITY:
        raise UnitError(f"'{stripped[:12]}…' is too long for a number with a unit; write it as in '0.5 psi'")
    cut = len(stripped)
    while cut > 0:
        try:
            number = float(stripped[:cut])
        except ValueError:
            cut -= 1
            continue
        if number - number != 0:
            break  # nan and inf are no quantities
        return number, unit(stripped[cut:].strip())
    raise UnitError(f"'{text}' is not a number with a unit; write it as in '0.5 psi'")


# --- Fuels -------------------------------------------------------------------------------------------

# Heywood, Internal Combustion Engine Fundamentals, 1st ed., ch. 3: 3.773 mol of atmospheric nitrogen
# (apparent mass 28.16) come with each mol of oxygen. Atomic masses: IUPAC abridged.
_N2_PER_O2 = 3.773
_MASS_N2, _MASS_O2 = 28.16, 31.998
_MASS_C, _MASS_H, _MASS_O = 12.011, 1.008, 15.999
# kg/L at 15 °C; gasoline is the middle of EN 228's 0.720 to 0.775.
_GASOLINE_KG_L, _ETHANOL_KG_L = 0.745, 0.789


@dataclass(frozen=True, slots=True)
class Fuel:
    """A fuel as C_x H_y O_z; a mixture is written as its mean molecule."""

    name: str
    carbon: float
    hydrogen: float
    oxygen: float = 0.0

    @property
    def stoichiometric_ratio(self) -> float:
        """Air to fuel by mass at lambda 1.

        C_xH_yO_z + (x + y/4 - z/2)(O2 + 3.773 N2) -> x CO2 + y/2 H2O + ...; Heywood, ch. 3.
        """
        oxygen_mol = self.carbon + self.hydrogen / 4 - self.oxygen / 2
        air = oxygen_mol * (_MASS_O2 + _N2_PER_O2 * _MASS_N2)
        return air / (_MASS_C * self.carbon + _MASS_H * self.hydrogen + _MASS_O * self.oxygen)


FUELS: dict[str, Fuel] = {
    f.name: f
    for f in (
        Fuel("gasoline", 1, 1.87),
        Fuel("diesel", 1, 1.8),
        Fuel("ethanol", 2, 6, 1),
        Fuel("methanol", 1, 4, 1),
        Fuel("methane", 1, 4),
        Fuel("propane", 3, 8),
        Fuel("butane", 4, 10),
        Fuel("iso-octane", 8, 18),
        Fuel("toluene", 7, 8),
        Fuel("cetane", 16, 34),
        Fuel("hydrogen", 0, 2),
    )
}


def ethanol_blend_ratio(ethanol_volume_fraction: float) -> float:
    """Stoichiometric air to fuel by mass of gasoline with ethanol, 0 to 1 by volume.

    Air demand and fuel mass both add, so the mass-weighted mean is exact.

    Raises:
        ValueError: the fraction is outside 0 to 1.
    """
    if not 0 <= ethanol_volume_fraction <= 1:
        raise ValueError(f"an ethanol fraction of {ethanol_volume_fraction} is outside 0 to 1")
    ethanol = ethanol_volume_fraction * _ETHANOL_KG_L
    gasoline = (1 - ethanol_volume_fraction) * _GASOLINE_KG_L
    air = ethanol * FUELS["ethanol"].stoichiometric_ratio + gasoline * FUELS["gasoline"].stoichiometric_ratio
    return air / (ethanol + gasoline)


def fuel_ratio(name: str) -> float:
    """Stoichiometric ratio of a fuel by name: one of `FUELS`, or 'E10' for ten percent ethanol by volume.

    Raises:
        UnitError: no such fuel.
    """
    if name in FUELS:
        return FUELS[name].stoichiometric_ratio
    blend = re.fullmatch(r"[Ee](\d{1,3})", name, re.ASCII)
    if blend and int(blend[1]) <= 100:
        return ethanol_blend_ratio(int(blend[1]) / 100)
    # Never another fuel by its spelling: petrol is not methanol.
    raise UnitError(f"unknown fuel '{name}'; use one of: {', '.join(FUELS)}, or E0 to E100 for petrol with ethanol")


def lambda_to_afr(lambda_: float, stoichiometric_ratio: float) -> float:
    """Lambda -> air to fuel by mass, for a fuel of this stoichiometric ratio. For display only."""
    return lambda_ * stoichiometric_ratio


def afr_to_lambda(afr: float, stoichiometric_ratio: float) -> float:
    """Air to fuel by mass -> lambda, for a fuel of this stoichiometric ratio."""
    return afr / stoichiometric_ratio


# --- Standard atmosphere -----------------------------------------------------------------------------

_EARTH_RADIUS_M = 6_356_766.0


def standard_pressure_pa(altitude_m: float) -> float:
    """Static pressure of the US Standard Atmosphere 1976 below 11 km, from geometric altitude.

    The closed form of the first layer: P = 101325 (1 - L H / T0)^(g M / R L), with H geopotential.

    Raises:
        ValueError: altitude outside -1000 to 11000 m.
    """
    if not -1000 <= altitude_m <= 11_000:
        raise ValueError(f"an altitude of {altitude_m} m is outside -1000 to 11000 m")
    geopotential_m = _EARTH_RADIUS_M * altitude_m / (_EARTH_RADIUS_M + altitude_m)
    return float(101_325.0 * (1 - 0.0065 * geopotential_m / 288.15) ** 5.255876)
