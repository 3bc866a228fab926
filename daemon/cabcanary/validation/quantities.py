"""Field types for quantities written with their unit, such as "0.3 s" or "2 psi"."""

from __future__ import annotations

import os
import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from pydantic import BeforeValidator

from cabcanary import units

if TYPE_CHECKING:
    from collections.abc import Callable


#: No time in settings is longer, s: a year. Beyond some centuries its nanoseconds leave 64 bits.
LONGEST_S = 366 * 86_400.0


def _seconds(raw: Any) -> float:
    if isinstance(raw, bool) or not isinstance(raw, str):
        raise ValueError(f'a time has a unit; write it as in "0.3 s", not {raw!r}')  # noqa: TRY004 - pydantic reports ValueError
    value, unit = units.parse_quantity(raw)
    if unit.dimension != units.TIME:
        raise ValueError(f'"{raw}" is {units.dimension_name(unit.dimension)}, not a time; write it as in "0.3 s"')
    if value < 0:
        raise ValueError(f'a time cannot be negative; write it as in "0.3 s", not "{raw}"')
    if unit.to_si(value) > LONGEST_S:
        raise ValueError(f'"{raw}" is longer than a year; write a shorter time, as in "0.3 s"')
    return unit.to_si(value)


#: A duration in seconds, written with its unit.
Seconds = Annotated[float, BeforeValidator(_seconds)]


def quantity_of(symbol: str) -> Callable[[Any], float]:
    """A validator for quantities of one kind, such as "2.49 kohm"; gives the value in SI."""
    wanted = units.unit(symbol)

    def validate(raw: Any) -> float:
        if not isinstance(raw, str):
            raise ValueError(f'write it with its unit, as in "1 {symbol}", not {raw!r}')  # noqa: TRY004
        value, unit = units.parse_quantity(raw)
        if unit.dimension != wanted.dimension:
            raise ValueError(
                f'"{raw}" is {units.dimension_name(unit.dimension)}, not {units.dimension_name(wanted.dimension)}'
            )
        return unit.to_si(value)

    return validate


def _unit_symbol(raw: Any) -> str:
    if not isinstance(raw, str):
        raise ValueError(f'a unit is text; write it as in "kPa", not {raw!r}')  # noqa: TRY004
    units.unit(raw)
    return raw


#: The symbol of a unit that exists.
UnitSymbol = Annotated[str, BeforeValidator(_unit_symbol)]

_VARIABLE = re.compile(r"\$\{(?P<name>[A-Z][A-Z0-9_]*)(?::-(?P<default>[^}]*))?\}")


def _expand(raw: Any) -> Any:
    """Put the environment's values into "${NAME}" and "${NAME:-default}"."""
    if not isinstance(raw, str):
        return raw

    def value(match: re.Match[str]) -> str:
        found = os.environ.get(match["name"], match["default"])
        if found is None:
            raise ValueError(
                f"the environment has no {match['name']}; set it, or write ${{{match['name']}:-default}} with a default"
            )
        return found

    return _VARIABLE.sub(value, raw)


#: A path or device name in which "${NAME:-default}" stands for a variable of the environment.
Place = Annotated[str, BeforeValidator(_expand)]
FolderPath = Annotated[Path, BeforeValidator(_expand)]
#: The same, where an empty text, also one that a variable leaves empty, means that there is none.
FolderPathOrNone = Annotated[Path | None, BeforeValidator(lambda raw: _expand(raw) or None)]
