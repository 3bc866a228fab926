"""`cabcanary listen` on pins: each change of level."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from cabcanary.pins import pin_library
from cabcanary.sources.listening import ListenError, Span, Way, Wire

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cabcanary.sources.gpio.gpio_settings import GpioSource

#: How often pins are looked at, in seconds: shorter than a contact bounces.
_LOOK_S = 0.005


def _lines(wire: Wire, seconds: float | None) -> Iterator[str]:
    try:
        device_class = pin_library().DigitalInputDevice
        pins = {
            p: device_class(int(p) if p.isdigit() else p, pull_up=None, active_state=True)
            for p in wire.place.split(",")
        }
    except Exception as error:
        raise ListenError(f"the pins {wire.place} cannot be read: {error}") from error
    span, before = Span(seconds), dict.fromkeys(pins, -1)
    while not span.over:
        for pin, device in pins.items():
            level = int(device.value)
            if level != before[pin]:
                before[pin] = level
                yield span.line(f"pin {pin}: {'high' if level else 'low'}")
        time.sleep(span.left(_LOOK_S))


def _parse(text: str) -> Wire:
    if not text:
        raise ListenError("gpio names no pin")
    return Wire("gpio", text)


def _of_source(spec: GpioSource, _folder: Path) -> Wire:
    return Wire("gpio", ",".join(str(pin.pin) for pin in spec.pins.values()))


PINS = Way("gpio", "gpio:PIN for a switch", _parse, _of_source, _lines, "gpio")
