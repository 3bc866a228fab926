"""What is there: converters of the kernel, serial ports, buses. It looks and listens; nothing is sent or written.

Opening a serial port sets its control lines, as every program does that listens; no byte goes out.
"""

from __future__ import annotations

import os
import re
import select
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.sources.kernel import hwmon, iio
from cabcanary.sources.listening import small_text

if TYPE_CHECKING:
    from collections.abc import Sequence

#: Those that controllers come with (common practice, no source), the likeliest first.
BAUDS = (9600, 115_200, 19_200, 38_400, 57_600)
#: So long each is tried; slow controllers send a line every half second.
_TRY_S = 1.2
_ENOUGH_LINES = 5
_LONGEST = 4096
#: Linux's number for a CAN interface (if_arp.h, ARPHRD_CAN).
_CAN_TYPE = "280"


@dataclass(frozen=True, slots=True)
class Converter:
    """One device with the inputs that it has; each with its volts now, None where it gives no number."""

    kind: str
    device: str
    inputs: dict[str, float | None]


@dataclass(frozen=True, slots=True)
class Heard:
    """Lines that a port sends at a rate."""

    baud: int
    lines: list[str]


@dataclass(frozen=True, slots=True)
class Shape:
    """How a line is put together; `sample` are its fields with the text of the last line."""

    separator: str
    assign: str
    fields: list[str]
    sample: dict[str, str]


@dataclass(frozen=True, slots=True)
class Places:
    """Where to look; another root is for the bench."""

    iio: Path = Path("/sys/bus/iio/devices")
    hwmon: Path = Path("/sys/class/hwmon")
    dev: Path = Path("/dev")
    net: Path = Path("/sys/class/net")


def converters(places: Places) -> list[Converter]:
    """Every converter of the kernel that has a voltage input."""
    found = []
    for device in sorted(places.iio.glob("iio:device*")):
        items = [item for item in iio.channels_of(device) if item.startswith("voltage")]
        volts = {item: _iio_volts(device, item) for item in sorted(items)}
        found.append(Converter("iio", small_text(device / "name"), volts))
    for chip in sorted(places.hwmon.glob("hwmon*")):
        volts = {
            item: _volts(small_text(chip / f"{item}_input"))
            for item in sorted(hwmon.channels_of(chip))
            if re.fullmatch(r"in\d+", item)
        }
        found.append(Converter("hwmon", small_text(chip / "name"), volts))
    return [c for c in found if c.inputs and c.device]


def _iio_volts(device: Path, item: str) -> float | None:
    try:
        channel = iio.open_channel(device, item)
        return (float(small_text(iio.channels_of(device)[item])) + channel.offset) * channel.scale / 1000.0
    except (OSError, ValueError, KeyError):
        return None


def _volts(text: str) -> float | None:
    try:
        return float(text) / 1000.0
    except ValueError:
        return None


def serial_ports(places: Places) -> list[str]:
    """Serial ports, by the names that stay theirs where they have one."""
    named = sorted(places.dev.glob("serial/by-id/*"))
    known = {path.resolve() for path in named}
    plain = [p for pattern in ("ttyUSB*", "ttyACM*", "ttyAMA*", "serial?") for p in sorted(places.dev.glob(pattern))]
    return [str(p) for p in [*named, *(p for p in plain if p.resolve() not in known)]]


def can_interfaces(places: Places) -> list[str]:
    """CAN interfaces of the kernel."""
    return [p.name for p in sorted(places.net.glob("*")) if small_text(p / "type") == _CAN_TYPE]


def hear(port: str, bauds: Sequence[int] = BAUDS, try_s: float = _TRY_S) -> Heard | None:
    """Listen at one rate after the other, and take the one at which lines with numbers come; None: at none of them.

    Raises:
        OSError: the port cannot be opened.
    """
    best: tuple[float, Heard] | None = None
    for baud in bauds:
        heard = _listen(port, baud, try_s)
        readable = _readable(heard)
        if readable and (best is None or readable > best[0]):
            best = readable, Heard(baud, heard)
        if best is not None and best[0] > 0.95:
            break
    return best[1] if best else None


def _listen(port: str, baud: int, try_s: float) -> list[str]:
    import serial

    with serial.Serial(port, baud, timeout=0, exclusive=True) as wire:
        ends, data = time.monotonic() + try_s, b""
        while (left := ends - time.monotonic()) > 0 and len(data) < _LONGEST:
            if select.select([wire.fileno()], [], [], left)[0]:
                data += os.read(wire.fileno(), 256)
            if data.count(b"\n") > _ENOUGH_LINES:
                break
    # The first line may have begun before we listened, and the last one has not ended.
    return [line.decode("latin-1").strip() for line in re.split(rb"[\r\n]+", data)[1:-1] if line.strip()]


def _readable(lines: list[str]) -> float:
    """From 0 to 1: the share of the text that a person can read; 0 where no line has a number."""
    text = "".join(lines)
    if not text or not any(re.search(r"\d", line) for line in lines):
        return 0.0
    return sum(c.isascii() and c.isprintable() for c in text) / len(text)


def shape_of(lines: Sequence[str]) -> Shape | None:
    """How these lines are put together: fields with names, else fields by their place; None: there is no number."""
    if not lines:
        return None
    last = lines[-1]
    for assign in ("=", ":"):
        if assign in last:
            separator = next((s for s in (",", ";", "\t") if s in last), " ")
            pairs = [part.partition(assign) for part in last.split(separator) if assign in part]
            sample = {name.strip(): value.strip() for name, _, value in pairs}
            if any(_is_number(v) for v in sample.values()):
                return Shape(separator, assign, [], sample)
    separator = next((s for s in (",", ";", "\t") if s in last), " ")
    parts = last.split(separator) if separator != " " else last.split()
    sample = {f"field{n + 1}": part.strip() for n, part in enumerate(parts)}
    return Shape(separator, "", list(sample), sample) if any(map(_is_number, sample.values())) else None


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
