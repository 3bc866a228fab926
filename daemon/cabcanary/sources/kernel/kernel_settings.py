"""The settings of the kernel's trees, and the units in which their items come."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from pydantic import Field

from cabcanary.sources.kind import SourceSettings
from cabcanary.validation.quantities import FolderPath, Seconds

if TYPE_CHECKING:
    pass


#: The unit of each kind of channel, once scale and offset are applied.
IIO_UNITS = {
    "voltage": "mV",
    "altvoltage": "mV",
    "current": "mA",
    "power": "mW",
    "resistance": "ohm",
    "temp": "m°C",
    "pressure": "kPa",
    "humidityrelative": "m%",
    "energy": "J",
    "angl": "rad",
}


#: The unit of each kind of channel of a chip.
HWMON_UNITS = {
    "in": "mV",
    "curr": "mA",
    "power": "µW",
    "temp": "m°C",
    "fan": "rpm",
    "humidity": "m%",
    "energy": "µJ",
}


#: A channel as the kernel names it: voltage0, temp_ambient, voltage0-voltage1.
CHANNEL = re.compile(r"([a-z]+)(\d*)(?:_[a-z_]+)?(?:-\1\d+)?")


class IioSource(SourceSettings):
    """Voltages, currents, resistances and temperatures through the kernel's IIO tree, by the device's name or label."""

    kind: Literal["iio"]
    device: str = Field(min_length=1)
    folder: FolderPath = Path("/sys/bus/iio/devices")
    rate_hz: float = Field(default=50.0, gt=0, le=1000)
    #: A read that takes longer is hung: its channel is left to a thread of its own. 0.15 s keeps the other
    #: channels of the device fresher than their stale limit; smaller would split on a slow converter.
    hung_after: Seconds = 0.15


class HwmonSource(SourceSettings):
    """Voltages, currents and temperatures through the kernel's hwmon tree, by the chip's name."""

    kind: Literal["hwmon"]
    device: str = Field(min_length=1)
    folder: FolderPath = Path("/sys/class/hwmon")
    rate_hz: float = Field(default=10.0, gt=0, le=1000)
    hung_after: Seconds = 0.3


def item_kind(item: str) -> str:
    """ "voltage0-voltage1" -> "voltage"; empty for what is no name of the kernel's."""
    match = CHANNEL.fullmatch(item)
    return match[1] if match else ""
