"""The settings of switches and buttons."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from pydantic import Field

from cabcanary.sources.kind import SourceSettings
from cabcanary.validation.base import Name, PinName, Strict
from cabcanary.validation.quantities import Seconds

if TYPE_CHECKING:
    pass


class DigitalPin(Strict):
    """One switch or button on a pin."""

    pin: PinName
    pull: Literal["up", "down", "none"] = "none"
    #: Which level means "on".
    active: Literal["high", "low"] = "high"
    debounce: Seconds = 0.03


class GpioSource(SourceSettings):
    """Switches and buttons on the computer's own pins: ignition, acknowledge, anything that is on or off."""

    kind: Literal["gpio"]
    pins: dict[Name, DigitalPin] = Field(min_length=1)
