"""`cabcanary listen`: raw readings as they come, for the day the wires are new. Nothing is written to any wire."""

from __future__ import annotations

import os
import select
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import serial

from cabcanary.settings.wires import CanSource, IioSource, SerialPort
from cabcanary.sources.iio import millivolts
from cabcanary.sources.tree import TreeError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.settings.schema import Settings

#: Voltages are shown this often; a person cannot read faster.
_SHOW_S = 0.5


class ListenError(Exception):
    """What was asked for cannot be listened to; the message says what to write instead."""


@dataclass(frozen=True, slots=True)
class Wire:
    """Where to listen: `kind` is serial, iio or can."""

    kind: str
    place: str
    rate: int = 0
    interface: str = ""


_HOW = (
    "write a serial port (/dev/ttyUSB0 or /dev/ttyUSB0@19200), iio or iio:FOLDER for voltages, "
    "can:INTERFACE:CHANNEL@BITRATE for a bus (can:slcan:/dev/ttyACM0@500000), "
    "or the name of a source together with --config FILE"
)


def parse_wire(text: str) -> Wire:
    """What a person wrote -> where to listen.

    Raises:
        ListenError: it names no wire.
    """
    if text == "iio" or text.startswith("iio:"):
        return Wire("iio", text[4:] or "/sys/bus/iio/devices")
    place, _, rate = text.rpartition("@") if "@" in text else (text, "", "")
    if rate and not rate.isdigit():
        raise ListenError(f"'{rate}' is no rate; {_HOW}")
    if text.startswith("can:"):
        parts = place.split(":", 2)
        if len(parts) != 3 or not rate:
            raise ListenError(f"'{text}' is no bus; {_HOW}")
        return Wire("can", parts[2], int(rate), parts[1])
    if place.startswith("/"):
        return Wire("serial", place, int(rate or 9600))
    raise ListenError(f"'{text}' names nothing to listen to; {_HOW}")


def wire_of_source(settings: Settings, name: str) -> Wire:
    """The wire of a source in the settings.

    Raises:
        ListenError: there is no such source.
    """
    source = settings.sources.get(name)
    if isinstance(source, IioSource):
        return Wire("iio", str(source.folder))
    if isinstance(source, SerialPort):
        return Wire("serial", source.port, source.baud)
    if isinstance(source, CanSource):
        return Wire("can", source.channel, source.bitrate, source.interface)
    raise ListenError(f"there is no source '{name}'; there are: {', '.join(settings.sources)}")


def listen(wire: Wire, seconds: float | None) -> Iterator[str]:
    """Lines for a person, as the readings come; ends `seconds` after the wire was opened, or when it is lost.

    Raises:
        ListenError: the wire cannot be opened, or was lost.
    """
    try:
        if wire.kind == "serial":
            yield from _serial(wire, seconds)
        elif wire.kind == "iio":
            yield from _iio(Path(wire.place), seconds)
        else:
            yield from _can(wire, seconds)
    except TreeError as error:
        raise ListenError(str(error)) from error
    except OSError as error:
        words = os.strerror(error.errno) if error.errno else str(error)
        raise ListenError(f"{wire.place}: {words}; is it plugged in, and may you open it?") from error


def _ends(seconds: float | None) -> float | None:
    # Counted from here and not from the command: a CAN adapter on a serial port takes 2 s to open.
    return None if seconds is None else time.monotonic() + seconds


def _left(ends: float | None, longest: float) -> float:
    return longest if ends is None else max(0.0, min(longest, ends - time.monotonic()))


def _over(ends: float | None) -> bool:
    return ends is not None and time.monotonic() >= ends


def _serial(wire: Wire, seconds: float | None) -> Iterator[str]:
    port = serial.Serial(wire.place, wire.rate, timeout=0, exclusive=True)
    yield f"listening on {wire.place} at {wire.rate} baud; times are seconds since the start"
    started, ends, rest, heard = time.monotonic(), _ends(seconds), b"", False
    with port:
        while not _over(ends):
            if not select.select([port.fileno()], [], [], _left(ends, 1.0))[0]:
                if not (heard and _over(ends)):  # the last wait is cut short, and then says nothing
                    yield f"{time.monotonic() - started:8.2f}  (nothing)"
                continue
            data, heard = os.read(port.fileno(), 4096), True
            if not data:
                raise ListenError(f"{wire.place} was unplugged")
            *lines, rest = (rest + data).split(b"\n")
            for line in lines:
                yield f"{time.monotonic() - started:8.2f}  {_shown(line)}"
            if len(rest) > 4096:
                at = f"{time.monotonic() - started:8.2f}  "
                yield f"{at}no line end in {len(rest)} bytes; wrong baud rate? {_shown(rest[:40])}"
                rest = b""


def _shown(data: bytes) -> str:
    """Bytes as text with everything unprintable made visible."""
    return data.rstrip(b"\r").decode("latin-1").encode("unicode_escape").decode("ascii")


def _iio(folder: Path, seconds: float | None) -> Iterator[str]:
    devices = sorted(folder.glob("iio:device*"))
    if not devices:
        raise ListenError(f"there is no IIO device under {folder}; is its kernel driver loaded?")
    started, ends = time.monotonic(), _ends(seconds)
    while not _over(ends):
        for device in devices:
            name = _text(device / "name")
            for raw in sorted(device.glob("in_*_raw")):
                item = raw.name[3:-4]
                yield f"{time.monotonic() - started:8.2f}  {name} {item}: {_voltage(device, item)}"
        time.sleep(_left(ends, _SHOW_S))


def _voltage(device: Path, item: str) -> str:
    kind = item.rstrip("0123456789")
    scale = _text(device / f"in_{item}_scale") or _text(device / f"in_{kind}_scale") or "1"
    offset = _text(device / f"in_{item}_offset") or _text(device / f"in_{kind}_offset") or "0"
    raw = _text(device / f"in_{item}_raw")
    try:
        return f"raw {raw} = {millivolts(int(raw), float(scale), float(offset)):.1f} mV"
    except ValueError:
        return f"gives no number ({raw!r})"


def _text(path: Path) -> str:
    try:
        # A hung converter must not hang this, too: files that would block are not waited for.
        descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK)
    except OSError:
        return ""
    try:
        return os.read(descriptor, 256).decode(errors="replace").strip()
    except OSError as error:
        return error.strerror or "cannot be read"
    finally:
        os.close(descriptor)


def _can(wire: Wire, seconds: float | None) -> Iterator[str]:
    import can

    # Adapters that can keep silent in hardware are asked to; nothing is sent in either case.
    options: dict[str, Any] = {"listen_only": True} if wire.interface == "slcan" else {}
    try:
        bus = can.Bus(channel=wire.place, interface=wire.interface, bitrate=wire.rate, **options)
    except (can.CanError, ValueError, OSError) as error:
        raise ListenError(f"the bus {wire.place} cannot be opened: {error}") from error
    yield f"listening on {wire.place} at {wire.rate} bit/s, sending nothing; a quiet bus may just be asleep"
    started, ends, heard = time.monotonic(), _ends(seconds), False
    try:
        while not _over(ends):
            message = bus.recv(_left(ends, 1.0))
            at = f"{time.monotonic() - started:8.2f}  "
            if message is None:
                if not (heard and _over(ends)):
                    yield at + "(nothing)"
                continue
            heard = True
            digits = 8 if message.is_extended_id else 3
            yield at + f"{message.arbitration_id:0{digits}X}  {message.data.hex(' ').upper()}"
    except (can.CanError, ValueError, IndexError) as error:
        raise ListenError(f"the bus was lost: {error}") from error
    finally:
        bus.shutdown()
