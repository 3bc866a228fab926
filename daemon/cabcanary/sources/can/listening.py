"""`cabcanary listen` on a vehicle bus: every frame; nothing is sent."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.sources.listening import ListenError, Span, Way, Wire, rated

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cabcanary.sources.can.can_settings import CanSource


def _lines(wire: Wire, seconds: float | None) -> Iterator[str]:
    from cabcanary.sources.can.python_can import can

    # Adapters that can keep silent in hardware are asked to; nothing is sent in either case.
    options: dict[str, Any] = {"listen_only": True} if wire.interface == "slcan" else {}
    try:
        bus = can.Bus(channel=wire.place, interface=wire.interface, bitrate=wire.rate, **options)
    except (can.CanError, ValueError, OSError) as error:
        raise ListenError(f"the bus {wire.place} cannot be opened: {error}") from error
    yield f"listening on {wire.place} at {wire.rate} bit/s, sending nothing; a quiet bus may just be asleep"
    span, heard = Span(seconds), False
    try:
        while not span.over:
            message = bus.recv(span.left(1.0))
            if message is None:
                if not (heard and span.over):
                    yield span.line("(nothing)")
                continue
            heard = True
            digits = 8 if message.is_extended_id else 3
            yield span.line(f"{message.arbitration_id:0{digits}X}  {message.data.hex(' ').upper()}")
    except (can.CanError, ValueError, IndexError) as error:
        raise ListenError(f"the bus was lost: {error}") from error
    finally:
        bus.shutdown()


def _parse(text: str) -> Wire:
    place, rate = rated(text)
    interface, _, channel = place.partition(":")
    if not channel or rate is None:
        raise ListenError(f"'can:{text}' is no bus")
    return Wire("can", channel, rate, interface)


def _of_source(spec: CanSource, _folder: Path) -> Wire:
    return Wire("can", spec.channel, spec.bitrate, spec.interface)


_HOW = "can:INTERFACE:CHANNEL@BITRATE for a bus (can:slcan:/dev/ttyACM0@500000)"
BUS = Way("can", _HOW, _parse, _of_source, _lines, "can")
