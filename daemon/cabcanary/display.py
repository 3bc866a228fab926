"""How a quantity is shown to a person: in the units that the owner chose, with its unit and its uncertainty.

For display only. What is stored, compared and sent to programs stays in the channels' own units and in lambda.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

from cabcanary import units
from cabcanary.spelling import spelt

#: What an owner may choose; the empty one leaves each channel in the unit that its settings give it.
PRESSURES = ("psi", "kPa", "bar")
LAMBDA, AFR = "lambda", "AFR"
#: Below the air's pressure the trade that shows psi shows inches of mercury.
_VACUUM = "inHg"
#: Decimals where no uncertainty says how many count: as fine as the sensors of the trade resolve.
_DECIMALS = {
    "lambda": 3, AFR: 2, "psi": 1, "kPa": 1, "bar": 2, "inHg": 1, "V": 2, "°C": 1, "°F": 1, "K": 1, "rpm": 0, "%": 1,
    "s": 1,
}  # fmt: skip
#: Units that stand for nothing a person would say.
_SILENT = ("", "lambda", "state", "ratio")


class Shown(NamedTuple):
    """A number, what it may be off by and its unit, as they are shown; `vacuum`: below the air's pressure."""

    number: float
    uncertainty: float
    unit: str
    vacuum: bool = False


@dataclass(frozen=True, slots=True)
class Display:
    """The owner's choice. `pressure` is one of `PRESSURES` or empty, `mixture` lambda or AFR for `fuel`."""

    pressure: str = ""
    mixture: str = LAMBDA
    fuel: str = "E10"

    @property
    def stoichiometric_ratio(self) -> float:
        """Air to fuel by mass at lambda 1, of the fuel in the tank."""
        return units.fuel_ratio(self.fuel)

    @property
    def chosen(self) -> bool:
        """Whether anything is shown in another unit than its own."""
        return bool(self.pressure) or self.mixture != LAMBDA

    def unit_for(self, symbol: str) -> str:
        """The unit in which a number of this unit is shown. Vacuum has a unit of its own: see `show`."""
        if symbol == LAMBDA:
            return self.mixture
        return self.pressure if self.pressure and _is_pressure(symbol) else symbol

    def number(self, value: float, symbol: str) -> float:
        """A number in the unit in which it is shown."""
        wanted = self.unit_for(symbol)
        if wanted == AFR:
            return units.lambda_to_afr(value, self.stoichiometric_ratio)
        return value if wanted == symbol else units.convert(value, symbol, wanted)

    def size(self, value: float, symbol: str) -> float:
        """The size of a step or an uncertainty in the unit in which it is shown."""
        wanted = self.unit_for(symbol)
        if wanted == AFR:
            return units.lambda_to_afr(value, self.stoichiometric_ratio)
        return value if wanted == symbol else units.difference(value, symbol, wanted)

    def quantity(self, value: float, symbol: str, uncertainty: float = 0.0, *, above_air: bool = False) -> Shown:
        """A value and what it may be off by (in `symbol` as well) as they are shown.

        `above_air`: a pressure that counts from the air's. With psi what lies below it is vacuum in inHg.
        """
        unit, number, off = self.unit_for(symbol), self.number(value, symbol), self.size(uncertainty, symbol)
        if above_air and self.pressure == "psi" and number < 0:
            return Shown(
                -units.convert(number, "psi", _VACUUM), units.difference(off, "psi", _VACUUM), _VACUUM, vacuum=True
            )
        return Shown(number, off, unit)

    def show(self, value: float, symbol: str, uncertainty: float = 0.0, *, above_air: bool = False) -> str:
        """A value with its unit, and behind ± what it may be off by, where that is known (in `symbol` as well).

        `above_air`: a pressure that counts from the air's. With psi what lies below it is vacuum in inHg.
        """
        number, off, wanted, vacuum = self.quantity(value, symbol, uncertainty, above_air=above_air)
        behind = " vacuum" if vacuum else ""
        places = decimals(wanted, off)
        # What is less than the last digit is told as that: nothing measured is off by nothing.
        behind_it = f" ± {_rounded(max(off, 10.0**-places), places)}" if off > 0 else ""
        text = _rounded(number, places) + behind_it
        return f"{before(wanted)}{text}{after(wanted)}{behind}"

    @property
    def words(self) -> str:
        """What was chosen, in a sentence; empty where nothing was."""
        told = []
        if self.mixture == AFR:
            ratio = spelt(self.stoichiometric_ratio, 4)
            fuel = f"{self.fuel}, stoichiometric at {ratio}"
            told.append(f"Mixture is shown as AFR for {fuel}; what is measured is lambda.")
        if self.pressure == "psi":
            told.append("Pressure is shown in psi, and below the air's in inches of mercury.")
        elif self.pressure:
            told.append(f"Pressure is shown in {self.pressure}.")
        return " ".join(told)


def _is_pressure(symbol: str) -> bool:
    """Whether it is a unit of pressure; what rules work out may have one that no table knows, such as %/s."""
    try:
        return units.unit(symbol).dimension == units.PRESSURE
    except units.UnitError:
        return False


def decimals(unit: str, uncertainty: float = 0.0) -> int:
    """Digits behind the point: as the unit has them, and no more than two digits of an uncertainty."""
    usual = _DECIMALS.get(unit, 2)
    if not uncertainty > 0:
        return usual
    return max(0, min(usual, 1 - math.floor(math.log10(uncertainty))))


def before(unit: str) -> str:
    """What stands before a number: the name of a mixture."""
    return f"{unit} " if unit in (LAMBDA, AFR) else ""


def after(unit: str) -> str:
    """What stands behind a number: its unit."""
    return "" if unit in _SILENT or unit == AFR else f" {unit}"


def _rounded(number: float, places: int) -> str:
    """Written out; a zero has no sign."""
    text = f"{number:.{places}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text.replace("-", "−")
