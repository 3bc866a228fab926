"""The journal of a drive under way: self-contained, checksummed blocks. Format: JOURNAL.md beside this file."""

from __future__ import annotations

import json
import os
import struct
import zlib
from dataclasses import dataclass, field
from enum import IntEnum
from typing import TYPE_CHECKING, Any

import zstandard

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

MAGIC = b"CCJ1"
#: What a header says of itself; 1 said nothing. A higher number was written by a newer version of the program.
FORMAT = 2
_HEAD = struct.Struct("<4sIIBI")
#: A block holds about half a second; one that claims more than this is damage, not data.
LARGEST_PAYLOAD = 16 * 1024 * 1024
_LARGEST_UNPACKED = 256 * 1024 * 1024
_ZSTD_LEVEL = 3
#: How much of a journal on the card is read at once: some dozens of blocks.
_WINDOW = 1 << 18


class BlockKind(IntEnum):
    """What a block holds."""

    HEADER = 1
    OLD_SAMPLES = 2
    EVENTS = 3
    END = 4
    SAMPLES = 5


@dataclass(frozen=True, slots=True)
class Block:
    """One whole block, its payload unpacked."""

    sequence: int
    kind: BlockKind
    payload: bytes
    #: Where it begins in the file.
    at: int = field(default=0, compare=False)


def encode_block(sequence: int, kind: BlockKind, payload: bytes) -> bytes:
    """A block as it stands in the file."""
    packed = zstandard.ZstdCompressor(level=_ZSTD_LEVEL).compress(payload)
    fields = struct.pack("<IIB", len(packed), sequence, kind)
    return MAGIC + fields + struct.pack("<I", zlib.crc32(packed, zlib.crc32(fields))) + packed


class JournalFile:
    """A journal on the card as far as it went when it was opened, read where it is asked for: a drive of hours takes
    no memory. It behaves as its bytes would. A mapping into memory would do that as well, but on a card that fails a
    read ends the process there.
    """

    def __init__(self, descriptor: int) -> None:
        self._descriptor, self._size = descriptor, os.fstat(descriptor).st_size
        self._at, self._window = 0, b""

    def __len__(self) -> int:
        return self._size

    def __getitem__(self, places: slice) -> bytes:
        start, end, _ = places.indices(self._size)
        if start < self._at or end > self._at + len(self._window):
            self._at, self._window = start, self._read(start, max(end - start, _WINDOW))
        return self._window[start - self._at : end - self._at]

    def _read(self, at: int, length: int) -> bytes:
        """So many bytes, or what there is of them.

        Raises:
            OSError: the card cannot be read.
        """
        pieces: list[bytes] = []
        while length > 0 and (piece := os.pread(self._descriptor, length, at)):
            pieces.append(piece)
            at, length = at + len(piece), length - len(piece)
        return b"".join(pieces)

    def find(self, wanted: bytes, start: int = 0) -> int:
        """The first place at or after `start` where these bytes stand; -1: there is none."""
        while start < self._size:
            found = self[start : start + _WINDOW].find(wanted)
            if found >= 0:
                return start + found
            # It may lie across the end of what was looked at.
            start += _WINDOW - len(wanted) + 1
        return -1

    def startswith(self, wanted: bytes, start: int = 0) -> bool:
        """Whether these bytes stand at `start`."""
        return self[start : start + len(wanted)] == wanted


#: A journal in memory, or on the card.
Journal = bytes | JournalFile


def crc_of(data: Journal) -> int:
    """CRC-32 of all of a journal."""
    found = 0
    for at in range(0, len(data), _WINDOW):
        found = zlib.crc32(data[at : at + _WINDOW], found)
    return found


def read_blocks(data: Journal) -> Iterator[Block]:
    """Every whole block of a journal, in order; damaged blocks are skipped."""
    at = data.find(MAGIC)
    while at >= 0:
        block, after = _block_at(data, at)
        if block is None:
            at = data.find(MAGIC, at + 1)
            continue
        yield block
        at = after if data.startswith(MAGIC, after) else data.find(MAGIC, after)


def block_at(data: Journal, at: int) -> Block:
    """The block that `read_blocks` has found at `at`.

    Raises:
        ValueError: it is there no more.
    """
    block, _ = _block_at(data, at)
    if block is None:
        raise ValueError("the card gives other bytes than before")
    return block


def _block_at(data: Journal, at: int) -> tuple[Block | None, int]:
    if len(data) - at < _HEAD.size:
        return None, at
    _, length, sequence, kind, crc = _HEAD.unpack(data[at : at + _HEAD.size])
    start, end = at + _HEAD.size, at + _HEAD.size + length
    if length > LARGEST_PAYLOAD or end > len(data):
        return None, at
    packed = data[start:end]
    if zlib.crc32(packed, zlib.crc32(data[at + 4 : at + 13])) != crc:
        return None, at
    try:
        if zstandard.frame_content_size(packed) > _LARGEST_UNPACKED:
            return None, at
        payload = zstandard.ZstdDecompressor().decompress(packed, max_output_size=_LARGEST_UNPACKED)
        return Block(sequence, BlockKind(kind), payload, at), end
    except (zstandard.ZstdError, ValueError):
        return None, at


# --- Payloads -------------------------------------------------------------------------------------------


def encode_json(value: dict[str, Any]) -> bytes:
    """Payload of a header or end block."""
    return json.dumps(value, separators=(",", ":")).encode()


def _json(payload: bytes) -> Any:
    """What a JSON text holds.

    Raises:
        ValueError: it is none.
    """
    try:
        return json.loads(payload)
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def decode_json(payload: bytes) -> dict[str, Any]:
    """A header's or end's content.

    Raises:
        ValueError: it is no JSON object.
    """
    value = _json(payload)
    if not isinstance(value, dict):
        raise ValueError("not a JSON object")  # noqa: TRY004 - one kind of error for a bad payload
    return value


def encode_events(events: Sequence[dict[str, Any]]) -> bytes:
    """Payload of an events block."""
    return "\n".join(json.dumps(e, separators=(",", ":")) for e in events).encode()


def decode_events(payload: bytes) -> list[dict[str, Any]]:
    """The events of an events block.

    Raises:
        ValueError: a line is no JSON object.
    """
    return [decode_json(line) for line in payload.splitlines() if line]
