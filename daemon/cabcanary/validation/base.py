"""What every table of the settings shares."""

from __future__ import annotations

import re
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

#: How things are named in settings: as the code writes them, so that a rule can speak of them.
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=40)]


#: A source's items go by its own names: the kernel's (voltage0-voltage1), a chip's labels, a line's fields.
Item = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_ .+-]*$", max_length=40)]


_PIN = re.compile(r"^(GPIO|BOARD|BCM|\w+:)\d+$")
_MOST_PINS = 64


def _is_pin(given: Any) -> Any:
    """One check for both ways to write a pin, so that a wrong one is one problem."""
    number = isinstance(given, int) and not isinstance(given, bool) and 0 <= given <= _MOST_PINS
    if not number and not (isinstance(given, str) and _PIN.match(given)):
        raise ValueError(
            f"{given!r} is no pin; write its GPIO number from 0 to {_MOST_PINS}, such as 18, "
            'or a name such as "GPIO18" or "BOARD12"'
        )
    return given


#: A pin by its number, or as gpiozero takes names: GPIO18, BOARD12, J8:12.
PinName = Annotated[int | str, BeforeValidator(_is_pin)]

#: GPIO numbers of the 40-pin header, by the place on it (Raspberry Pi documentation, "GPIO and the 40-pin header").
_HEADER = {
    3: 2, 5: 3, 7: 4, 8: 14, 10: 15, 11: 17, 12: 18, 13: 27, 15: 22, 16: 23, 18: 24, 19: 10, 21: 9, 22: 25, 23: 11,
    24: 8, 26: 7, 27: 0, 28: 1, 29: 5, 31: 6, 32: 12, 33: 13, 35: 19, 36: 16, 37: 26, 38: 20, 40: 21,
}  # fmt: skip


def same_pin(pin: int | str) -> int | str:
    """A pin in the one way in which it equals itself however it was written."""
    if isinstance(pin, int):
        return pin
    kind, number = re.split(r"(?=\d+$)", pin, maxsplit=1)
    if kind in ("GPIO", "BCM"):
        return int(number)
    if kind in ("BOARD", "J8:"):
        return _HEADER.get(int(number), f"BOARD{int(number)}")
    return pin


class Strict(BaseModel):
    """An unknown key is an error, and nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class ChannelSettings(Strict):
    """What the settings of every channel have, measured or derived."""

    #: What people call it, as the cab speaks of it: "manifold pressure". Standard names have such words by themselves.
    called: str | None = Field(default=None, min_length=2, max_length=40, pattern=r"^[^\x00-\x1f]+$")
