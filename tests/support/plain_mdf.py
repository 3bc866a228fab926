"""A reader of MDF4 files that shares nothing with the library that writes them.

By the block layouts of ASAM MDF 4.1: identification, header, data groups, channel groups, channels, text, linear and
value-to-text conversions, and data blocks plain, deflated or transposed and deflated. It reads what those need and no
more: little-endian numbers at whole bytes, sorted groups.
"""

from __future__ import annotations

import struct
import zlib
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

_MASTER = 2
_ALL_INVALID, _HAS_BIT = 1, 2
#: Channel data types, little-endian: unsigned, signed, real.
_KINDS = {0: "u", 2: "i", 4: "f"}
_VALUE_TO_TEXT = 7


@dataclass
class PlainSignal:
    """One channel: `numbers` as they stand in the records, and in which of them the file says that they are invalid."""

    name: str
    unit: str
    time_s: NDArray[np.float64]
    numbers: NDArray[np.float64]
    invalid: NDArray[np.bool_]
    texts: dict[float, str] = field(default_factory=dict)


@dataclass
class _Block:
    kind: str
    links: tuple[int, ...]
    data: bytes


class PlainMdf:
    """A whole file: when it began, what its comment says, its signals by name."""

    def __init__(self, path: Path) -> None:
        self._bytes = path.read_bytes()
        assert self._bytes[:8].rstrip(b"\0 ") == b"MDF"
        (self.version,) = struct.unpack_from("<H", self._bytes, 28)
        header = self._block(64)
        assert header.kind == "HD"
        ns, zone, summer, flags = struct.unpack_from("<QhhB", header.data)
        # Bit 0: local time without a zone; else the number is UTC, and bit 1 says that the offsets are valid.
        assert not flags & 1
        self.start_ns, self.offset_minutes = ns, zone + summer
        self.start = datetime.fromtimestamp(ns / 1e9, UTC)
        self.comment = self._text(header.links[5])
        self.signals: dict[str, PlainSignal] = {}
        for group in self._chain(header.links[0]):
            for signal in self._group(group):
                self.signals[signal.name] = signal

    def _block(self, at: int) -> _Block:
        mark, length, count = struct.unpack_from("<4s4xQQ", self._bytes, at)
        assert mark[:2] == b"##", mark
        links = struct.unpack_from(f"<{count}Q", self._bytes, at + 24)
        return _Block(mark[2:].decode(), links, self._bytes[at + 24 + 8 * count : at + length])

    def _chain(self, at: int) -> Iterator[_Block]:
        while at:
            block = self._block(at)
            yield block
            at = block.links[0]

    def _text(self, at: int) -> str:
        return self._block(at).data.rstrip(b"\0").decode() if at else ""

    def _group(self, group: _Block) -> Iterator[PlainSignal]:
        _, records_at, data_at, _ = group.links
        records = self._block(records_at)
        assert not records.links[0], "an unsorted group"
        _, count, _, _, data_bytes, invalid_bytes = struct.unpack_from("<QQHH4xII", records.data)
        rows = np.frombuffer(self._data(data_at), np.uint8).reshape(count, data_bytes + invalid_bytes)
        channels = [(c, struct.unpack_from("<BBBBIIII", c.data)) for c in self._chain(records.links[1])]
        time_s = next(self._numbers(rows, c, told) for c, told in channels if told[0] == _MASTER)
        for channel, told in channels:
            flags, bit = told[6], told[7]
            invalid = np.full(count, bool(flags & _ALL_INVALID))
            if flags & _HAS_BIT:
                invalid = (rows[:, data_bytes + bit // 8] >> (bit % 8) & 1).astype(bool)
            yield PlainSignal(
                self._text(channel.links[2]),
                self._text(channel.links[6]),
                time_s,
                self._numbers(rows, channel, told),
                invalid,
                self._texts(channel.links[4]),
            )

    def _numbers(self, rows: NDArray[np.uint8], channel: _Block, told: tuple[int, ...]) -> NDArray[np.float64]:
        _, _, kind, bit, byte, bits, _, _ = told
        assert bit == 0
        assert bits % 8 == 0
        raw = np.ascontiguousarray(rows[:, byte : byte + bits // 8]).view(f"<{_KINDS[kind]}{bits // 8}")[:, 0]
        conversion = channel.links[4]
        if conversion and self._block(conversion).data[0] == 1:
            offset, factor = struct.unpack_from("<dd", self._block(conversion).data, 24)
            return raw * factor + offset
        return raw.astype(np.float64)

    def _texts(self, at: int) -> dict[float, str]:
        if not at or (block := self._block(at)).data[0] != _VALUE_TO_TEXT:
            return {}
        values = struct.unpack_from(f"<{len(block.links) - 5}d", block.data, 24)
        return {v: self._text(link) for v, link in zip(values, block.links[4:], strict=False)}

    def _data(self, at: int) -> bytes:
        if not at:
            return b""
        block = self._block(at)
        match block.kind:
            case "DT":
                return block.data
            case "HL":
                return self._data(block.links[0])
            case "DL":
                found = b"".join(self._data(a) for a in block.links[1:] if a)
                return found + self._data(block.links[0])
            case "DZ":
                return _inflated(block.data)
        raise AssertionError(f"a data block of kind {block.kind}")


def _inflated(data: bytes) -> bytes:
    _, how, columns, length, packed = struct.unpack_from("<2sBxIQQ", data)
    plain = zlib.decompress(data[24 : 24 + packed])
    assert len(plain) == length
    if how == 0:
        return plain
    lines = length // columns
    whole = np.frombuffer(plain[: lines * columns], np.uint8).reshape(columns, lines).T
    return whole.tobytes() + plain[lines * columns :]
