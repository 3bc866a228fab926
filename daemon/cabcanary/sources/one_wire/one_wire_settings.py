"""The settings of thermometers on a 1-Wire bus."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import Field, field_validator

from cabcanary.sources.kind import SourceSettings
from cabcanary.validation.base import Name
from cabcanary.validation.quantities import FolderPath, Seconds

if TYPE_CHECKING:
    pass


#: The chip's family, then its number. The families are those of the kernel's Documentation/w1/slaves/w1_therm.rst.
_ID = re.compile(r"(10|22|28|3b|42)-[0-9a-f]{12}")


class OneWireSource(SourceSettings):
    """Thermometers on a 1-wire bus; each is an item, named here for the place where it sits."""

    kind: Literal["one_wire"]
    thermometers: dict[Name, str] = Field(min_length=1)
    folder: FolderPath = Path("/sys/bus/w1/devices")
    #: A conversion takes up to 0.75 s, and the thermometers of a bus take turns: faster than this gains nothing.
    rate_hz: float = Field(default=0.5, gt=0, le=10)
    #: Four conversions: one that another program has begun, ours, and as much again for a busy bus.
    hung_after: Seconds = 3.0

    @field_validator("thermometers")
    @classmethod
    def _ids(cls, thermometers: dict[str, str]) -> dict[str, str]:
        for name, number in thermometers.items():
            if not _ID.fullmatch(number):
                raise ValueError(
                    f"'{number}' of {name} is no 1-wire thermometer; write the name of its folder "
                    "in /sys/bus/w1/devices, such as 28-0123456789ab"
                )
        if len(set(thermometers.values())) < len(thermometers):
            raise ValueError("one thermometer has two names; remove one")
        return thermometers
