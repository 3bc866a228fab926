"""`cabcanary listen` on a serial port: lines of text, or bytes."""

from __future__ import annotations

import os
import select
from typing import TYPE_CHECKING

import serial

from cabcanary.sources.listening import ListenError, Span, Way, Wire, rated

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

#: A line that is longer is none: the baud rate is wrong.
_LONGEST_LINE = 4096


def _text(wire: Wire, seconds: float | None) -> Iterator[str]:
    port = serial.Serial(wire.place, wire.rate, timeout=0, exclusive=True)
    yield f"listening on {wire.place} at {wire.rate} baud; times are seconds since the start"
    span, rest, heard = Span(seconds), b"", False
    with port:
        while not span.over:
            if not select.select([port.fileno()], [], [], span.left(1.0))[0]:
                if not (heard and span.over):  # the last wait is cut short, and then says nothing
                    yield span.line("(nothing)")
                continue
            data, heard = _read(port, wire, _LONGEST_LINE), True
            *lines, rest = (rest + data).split(b"\n")
            for line in lines:
                yield span.line(_shown(line))
            if len(rest) > _LONGEST_LINE:
                yield span.line(f"no line end in {len(rest)} bytes; wrong baud rate? {_shown(rest[:40])}")
                rest = b""


def _bytes(wire: Wire, seconds: float | None) -> Iterator[str]:
    port = serial.Serial(wire.place, wire.rate, timeout=0, exclusive=True)
    yield f"listening on {wire.place} at {wire.rate} baud, bytes in hexadecimal; times are seconds since the start"
    span = Span(seconds)
    with port:
        while not span.over:
            if select.select([port.fileno()], [], [], span.left(1.0))[0]:
                yield span.line(_read(port, wire, 24).hex(" ").upper())


def _read(port: serial.Serial, wire: Wire, most: int) -> bytes:
    data = os.read(port.fileno(), most)
    if not data:
        raise ListenError(f"{wire.place} was unplugged")
    return data


def _shown(data: bytes) -> str:
    """Bytes as text with everything unprintable made visible."""
    return data.rstrip(b"\r").decode("latin-1").encode("unicode_escape").decode("ascii")


def _way(name: str, how: str, lines: Callable[[Wire, float | None], Iterator[str]], prefix: str) -> Way:
    def parse(text: str) -> Wire:
        place, rate = rated(text)
        if not place.startswith("/"):
            raise ListenError(f"'{text}' names nothing to listen to")
        return Wire(name, place, rate or 9600)

    return Way(name, how, parse, lambda spec, _folder: Wire(name, spec.port, spec.baud), lines, prefix)


LINES = _way("serial", "a serial port (/dev/ttyUSB0 or /dev/ttyUSB0@19200)", _text, "")
BYTES = _way("bytes", "bytes:/dev/ttyUSB0@19200 for a port that sends no text", _bytes, "bytes")
