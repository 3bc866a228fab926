"""The journal of a drive under way: self-contained, checksummed blocks. Format: JOURNAL.md beside this file."""

from __future__ import annotations

import json
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


def read_blocks(data: bytes) -> Iterator[Block]:
    """Every whole block of a journal, in order; damaged blocks are skipped."""
    at = data.find(MAGIC)
    while at >= 0:
        block, after = _block_at(data, at)
        if block is None:
            at = data.find(MAGIC, at + 1)
            continue
        yield block
        at = after if data.startswith(MAGIC, after) else data.find(MAGIC, after)


def block_at(data: bytes, at: int) -> Block:
    """The block that `read_blocks` has found at `at`."""
    block, _ = _block_at(data, at)
    assert block is not None
    return block


def _block_at(data: bytes, at: int) -> tuple[Block | None, int]:
    if len(data) - at < _HEAD.size:
        return None, at
    _, length, sequence, kind, crc = _HEAD.unpack_from(data, at)
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
