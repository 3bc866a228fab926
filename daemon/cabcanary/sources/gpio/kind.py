"""Switches and buttons as a kind of source: their settings, and how they are opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cabcanary.sources.gpio.gpio_settings import GpioSource
    from cabcanary.sources.gpio.inputs import GpioInputs
    from cabcanary.sources.kind import Opening


def pins_of(spec: GpioSource) -> dict[str, int | str]:
    """The pin of each item."""
    return {item: pin.pin for item, pin in spec.pins.items()}


def open_gpio(spec: GpioSource, opening: Opening) -> GpioInputs:
    """What watches the pins."""
    from cabcanary.sources.gpio.inputs import GpioInputs

    return GpioInputs(opening.name, spec, opening.clock, opening.slots, opening.status, opening.pressed)
