"""Bytes from a serial port -> the numbers of binary frames. No I/O here.

CRCs come by their names in the RevEng catalogue (for example "CRC-16/MODBUS"), through the library crccheck.
"""

from __future__ import annotations

import difflib
import math
import re
import struct
from typing import TYPE_CHECKING

from crccheck.crc import ALLCRCCLASSES

from cabcanary.model import Quality, Reading

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.sources.serial.serial_settings import BinaryField, Checksum, SerialBinarySource

_LETTER = {"u8": "B", "i8": "b", "u16": "H", "i16": "h", "u32": "I", "i32": "i", "f32": "f"}


class ChecksumError(ValueError):
    """No such checksum."""


#: "crc16modbus" -> the library's class, for "CRC-16/MODBUS" however it is spelled.
_CRCS = {crc.__name__.lower(): crc for crc in ALLCRCCLASSES}


def near_checksum(kind: str) -> str:
    """What to write instead of a checksum that does not exist."""
    near = difflib.get_close_matches(_plain(kind), ["sum8", "sum16", "xor8", *_CRCS], n=1, cutoff=0.6)
    if near:
        name = _CRCS[near[0]].__name__ if near[0] in _CRCS else near[0]
        return f"did you mean '{name}'?"
    return 'write sum8, sum16, xor8, or a CRC as the RevEng catalogue names it, such as "CRC-16/MODBUS"'


def _plain(kind: str) -> str:
    return re.sub(r"[^a-z0-9]", "", kind.lower())


def checksum(kind: str) -> tuple[Callable[[bytes], int], int]:
    """The function of a checksum and how many bytes it has.

    Raises:
        ChecksumError: there is none of that name.
    """
    if kind == "sum8":
        return lambda data: sum(data) & 0xFF, 1
    if kind == "sum16":
        return lambda data: sum(data) & 0xFFFF, 2
    if kind == "xor8":
        return _xor, 1
    crc = _CRCS.get(_plain(kind))
    if crc is None:
        raise ChecksumError(f"there is no checksum '{kind}'")
    return crc.calc, (int(crc.width()) + 7) // 8


def _xor(data: bytes) -> int:
    result = 0
    for byte in data:
        result ^= byte
    return result


class FrameParser:
    """Takes bytes as they arrive and gives the readings of every whole frame; remembers less than one frame."""

    def __init__(self, source: str, spec: SerialBinarySource) -> None:
        self._source, self._spec = source, spec
        self._sync = bytes.fromhex(spec.sync)
        self._rest = b""
        self._check = _Guard(spec.checksum, spec.length) if spec.checksum else None
        self.frames = 0
        #: Frames whose checksum was wrong, and bytes that belonged to no frame.
        self.malformed = 0
        self.skipped = 0

    def reset(self) -> None:
        """The port was opened anew."""
        self._rest = b""

    def complaint(self) -> str:
        """What was malformed, in words, with the likely cause."""
        words = f"{self.malformed} frame(s) with a wrong checksum, {self.skipped} byte(s) outside any frame"
        return words + ("; check baud, parity, sync and length" if self.malformed > self.frames else "")

    def feed(self, data: bytes, time_ns: int) -> list[Reading]:
        """Readings of every frame that `data` completes; `time_ns` is when it arrived."""
        buffer = self._rest + data
        length, at = self._spec.length, 0
        readings: list[Reading] = []
        while True:
            found = buffer.find(self._sync, at)
            if found < 0:
                # The last bytes may be the beginning of a sync.
                keep = min(len(buffer) - at, len(self._sync) - 1)
                self.skipped += len(buffer) - at - keep
                at = len(buffer) - keep
                break
            self.skipped += found - at
            at = found
            if len(buffer) - at < length:
                break
            frame = buffer[at : at + length]
            if self._check is not None and not self._check.holds(frame):
                # Not a frame, or a damaged one: the next may begin within it.
                self.malformed += 1
                at += 1
                continue
            self.frames += 1
            readings = [self._reading(name, field, frame, time_ns) for name, field in self._spec.fields.items()]
            at += length
        self._rest = buffer[at:]
        return readings

    def _reading(self, name: str, field: BinaryField, frame: bytes, time_ns: int) -> Reading:
        raw = _number(frame, field)
        if raw in field.not_ready:
            words = "the sensor reports that it is not ready"
            return Reading(self._source, name, None, time_ns, Quality.WARMING, words)
        value = raw * field.scale + field.offset
        if not math.isfinite(value):
            return Reading(self._source, name, None, time_ns, Quality.ABSENT, "the sensor sent no finite number")
        return Reading(self._source, name, value, time_ns)


class _Guard:
    def __init__(self, spec: Checksum, length: int) -> None:
        self._function, self._size = checksum(spec.kind)
        self._at = spec.at if spec.at >= 0 else length + spec.at
        self._first = spec.first
        self._order = spec.byte_order

    def holds(self, frame: bytes) -> bool:
        sent = int.from_bytes(frame[self._at : self._at + self._size], self._order)
        return self._function(frame[self._first : self._at]) == sent


def _number(frame: bytes, field: BinaryField) -> float:
    if field.type == "u24":
        return int.from_bytes(frame[field.at : field.at + 3], field.byte_order)
    order = ">" if field.byte_order == "big" else "<"
    (value,) = struct.unpack_from(order + _LETTER[field.type], frame, field.at)
    return float(value) if field.type == "f32" else int(value)
