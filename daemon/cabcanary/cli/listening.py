"""`cabcanary listen`: raw readings as they come, for the day the wires are new. Nothing is written to any wire."""

from __future__ import annotations

import os
import select
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import serial

from cabcanary.clock import Clock
from cabcanary.pins import pin_library
from cabcanary.processes.status import Status
from cabcanary.settings.wires import (
    CanSource,
    GpioSource,
    HostSource,
    HwmonSource,
    IioSource,
    SerialBinarySource,
    SerialPort,
)
from cabcanary.sources.host import computer as this_computer
from cabcanary.sources.kernel import hwmon
from cabcanary.sources.kernel.iio import millivolts
from cabcanary.sources.kernel.reader import TreeError
from cabcanary.sources.slot import Slots

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from cabcanary.settings.schema import Settings


#: Voltages are shown this often; a person cannot read faster.
_SHOW_S = 0.5


class ListenError(Exception):
    """What was asked for cannot be listened to; the message says what to write instead."""


@dataclass(frozen=True, slots=True)
class Wire:
    """Where to listen: `kind` is serial, bytes, iio, hwmon, gpio, can or host."""

    kind: str
    place: str
    rate: int = 0
    interface: str = ""
    #: Where recordings go, for the free space of this computer.
    data: str = "/var/lib/cabcanary"


_HOW = (
    "write a serial port (/dev/ttyUSB0 or /dev/ttyUSB0@19200; bytes:/dev/ttyUSB0@19200 for binary), "
    "iio, iio:FOLDER or hwmon for voltages, gpio:PIN for a switch, host for this computer, "
    "can:INTERFACE:CHANNEL@BITRATE for a bus (can:slcan:/dev/ttyACM0@500000), "
    "or the name of a source together with --config FILE"
)


def parse_wire(text: str) -> Wire:
    """What a person wrote -> where to listen.

    Raises:
        ListenError: it names no wire.
    """
    for kind, folder in (("iio", "/sys/bus/iio/devices"), ("hwmon", "/sys/class/hwmon")):
        if text == kind or text.startswith(f"{kind}:"):
            return Wire(kind, text[len(kind) + 1 :] or folder)
    if text == "host" or text.startswith("host:"):
        return Wire("host", text[5:])
    if text.startswith("gpio:"):
        return Wire("gpio", text[5:])
    place, _, rate = text.rpartition("@") if "@" in text else (text, "", "")
    if rate and not rate.isdigit():
        raise ListenError(f"'{rate}' is no rate; {_HOW}")
    if text.startswith("can:"):
        parts = place.split(":", 2)
        if len(parts) != 3 or not rate:
            raise ListenError(f"'{text}' is no bus; {_HOW}")
        return Wire("can", parts[2], int(rate), parts[1])
    kind = "bytes" if place.startswith("bytes:") else "serial"
    place = place.removeprefix("bytes:")
    if place.startswith("/"):
        return Wire(kind, place, int(rate or 9600))
    raise ListenError(f"'{text}' names nothing to listen to; {_HOW}")


def wire_of_source(settings: Settings, name: str) -> Wire:
    """The wire of a source in the settings.

    Raises:
        ListenError: there is no such source.
    """
    source = settings.sources.get(name)
    if isinstance(source, IioSource | HwmonSource):
        return Wire(source.kind, str(source.folder))
    if isinstance(source, SerialPort):
        kind = "bytes" if isinstance(source, SerialBinarySource) else "serial"
        return Wire(kind, source.port, source.baud)
    if isinstance(source, GpioSource):
        return Wire("gpio", ",".join(str(pin.pin) for pin in source.pins.values()))
    if isinstance(source, CanSource):
        return Wire("can", source.channel, source.bitrate, source.interface)
    if isinstance(source, HostSource):
        return Wire("host", str(source.folder or ""), data=str(settings.daemon.folder))
    raise ListenError(f"there is no source '{name}'; there are: {', '.join(settings.sources)}")


def listen(wire: Wire, seconds: float | None) -> Iterator[str]:
    """Lines for a person, as the readings come; ends `seconds` after the wire was opened, or when it is lost.

    Raises:
        ListenError: the wire cannot be opened, or was lost.
    """
    try:
        yield from _WAYS[wire.kind](wire, seconds)
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


def _bytes(wire: Wire, seconds: float | None) -> Iterator[str]:
    port = serial.Serial(wire.place, wire.rate, timeout=0, exclusive=True)
    yield f"listening on {wire.place} at {wire.rate} baud, bytes in hexadecimal; times are seconds since the start"
    started, ends = time.monotonic(), _ends(seconds)
    with port:
        while not _over(ends):
            if not select.select([port.fileno()], [], [], _left(ends, 1.0))[0]:
                continue
            data = os.read(port.fileno(), 24)
            if not data:
                raise ListenError(f"{wire.place} was unplugged")
            yield f"{time.monotonic() - started:8.2f}  {data.hex(' ').upper()}"


def _hwmon(wire: Wire, seconds: float | None) -> Iterator[str]:
    chips = sorted(Path(wire.place).glob("hwmon*"))
    if not chips:
        raise ListenError(f"there is no hwmon chip under {wire.place}; is its kernel driver loaded?")
    started, ends = time.monotonic(), _ends(seconds)
    while not _over(ends):
        for chip in chips:
            for file in sorted(chip.glob("*_input")):
                item = file.name.removesuffix("_input")
                unit = hwmon.KINDS.get(item.rstrip("0123456789"), "")
                yield f"{time.monotonic() - started:8.2f}  {_text(chip / 'name')} {item}: {_text(file)} {unit}".rstrip()
        time.sleep(_left(ends, _SHOW_S))


def _gpio(wire: Wire, seconds: float | None) -> Iterator[str]:
    try:
        device_class = pin_library().DigitalInputDevice
        pins = {
            p: device_class(int(p) if p.isdigit() else p, pull_up=None, active_state=True)
            for p in wire.place.split(",")
        }
    except Exception as error:
        raise ListenError(f"the pins {wire.place} cannot be read: {error}") from error
    started, ends, before = time.monotonic(), _ends(seconds), dict.fromkeys(pins, -1)
    while not _over(ends):
        for pin, device in pins.items():
            level = int(device.value)
            if level != before[pin]:
                before[pin] = level
                yield f"{time.monotonic() - started:8.2f}  pin {pin}: {'high' if level else 'low'}"
        time.sleep(_left(ends, 0.005))


def _iio(wire: Wire, seconds: float | None) -> Iterator[str]:
    folder = Path(wire.place)
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


def _host(wire: Wire, seconds: float | None) -> Iterator[str]:
    clock, slots, items = Clock(), Slots(), this_computer.ITEMS
    spec = HostSource(kind="host", folder=Path(wire.place) if wire.place else None, rate_hz=1 / _SHOW_S)
    readers = this_computer.machine_readers(Path(wire.data), None, clock)
    status = Status("host", lambda *_: None)
    reader = this_computer.HostReader("host", spec, list(items), clock, slots, status, readers)
    started, ends = time.monotonic(), _ends(seconds)
    reader.start()
    try:
        while not _over(ends):
            time.sleep(_left(ends, _SHOW_S))
            for (_, item), reading in slots.newest.items():
                unit = items[item].replace("state", "")
                shown = reading.reason if reading.value is None else f"{reading.value:g} {unit}".rstrip()
                yield f"{time.monotonic() - started:8.2f}  {item}: {shown}"
    finally:
        reader.stop()


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
    from cabcanary.sources.can.python_can import can

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


_WAYS: dict[str, Callable[[Wire, float | None], Iterator[str]]] = {
    "serial": _serial,
    "bytes": _bytes,
    "iio": _iio,
    "hwmon": _hwmon,
    "gpio": _gpio,
    "can": _can,
    "host": _host,
}
