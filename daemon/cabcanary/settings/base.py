"""What every table of the settings shares."""

from __future__ import annotations

from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

#: How things are named in settings: as the code writes them, so that a rule can speak of them.
Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$", max_length=40)]


#: A source's items go by its own names: the kernel's (voltage0-voltage1), a chip's labels, a line's fields.
Item = Annotated[str, Field(pattern=r"^[A-Za-z][A-Za-z0-9_ .+-]*$", max_length=40)]


#: A pin by its number, or as gpiozero takes names: GPIO18, BOARD12, J8:12.
PinName = Annotated[int, Field(ge=0, le=64)] | Annotated[str, Field(pattern=r"^(GPIO|BOARD|BCM|J\d+:|\w+:)\d+$")]


class Strict(BaseModel):
    """An unknown key is an error, and nothing changes after loading."""

    model_config = ConfigDict(extra="forbid", frozen=True)
