"""The journal of a drive under way: self-contained, checksummed blocks. Format: JOURNAL.md beside this file."""

from __future__ import annotations

import json
import struct
import sys
import zlib
from array import array
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Any

import zstandard

from cabcanary.model import Quality, Reading

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

MAGIC = b"CCJ1"
_HEAD = struct.Struct("<4sIIBI")
_COUNTS = struct.Struct("<IH")
#: A block holds about half a second; one that claims more than this is damage, not data.
LARGEST_PAYLOAD = 16 * 1024 * 1024
_LARGEST_UNPACKED = 256 * 1024 * 1024
_NO_READING = 255
_ZSTD_LEVEL = 3


class BlockKind(IntEnum):
    """What a block holds."""

    HEADER = 1
    SAMPLES = 2
    EVENTS = 3
    END = 4


@dataclass(frozen=True, slots=True)
class Block:
    """One whole block, its payload unpacked."""

    sequence: int
    kind: BlockKind
    payload: bytes


#: One tick: its time, and the newest reading of each measured channel (None: none yet).
Tick = tuple[int, tuple[Reading | None, ...]]


def encode_block(sequence: int, kind: BlockKind, payload: bytes) -> bytes:
    """A block as it stands in the file."""
    packed = zstandard.ZstdCompressor(level=_ZSTD_LEVEL).compress(payload)
    fields = struct.pack("<IIB", len(packed), sequence, kind)
    return MAGIC + fields + struct.pack("<I", zlib.crc32(packed, zlib.crc32(fields))) + packed


def read_blocks(data: bytes) -> Iterator[Block]:
    """Every whole block of a journal, in order; what is damaged is passed over."""
    at = data.find(MAGIC)
    while at >= 0:
        block, after = _block_at(data, at)
        if block is None:
            at = data.find(MAGIC, at + 1)
            continue
        yield block
        at = after if data.startswith(MAGIC, after) else data.find(MAGIC, after)


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
        return Block(sequence, BlockKind(kind), payload), end
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


def encode_samples(ticks: Sequence[Tick]) -> bytes:
    """Payload of a samples block; every tick has the same number of channels."""
    channels = len(ticks[0][1]) if ticks else 0
    parts = [_COUNTS.pack(len(ticks), channels), _bytes(array("q", (t for t, _ in ticks)))]
    reasons: list[tuple[int, int, str]] = []
    for c in range(channels):
        raw, ages, qualities = array("d"), array("q"), bytearray()
        last_reason = ""
        for n, (time_ns, readings) in enumerate(ticks):
            reading = readings[c]
            if reading is None:
                raw.append(0.0)
                ages.append(0)
                qualities.append(_NO_READING)
                continue
            raw.append(0.0 if reading.value is None else reading.value)
            ages.append(reading.time_ns - time_ns)
            # A number is good as read; the quality of a reading without one is never GOOD.
            qualities.append(Quality.GOOD if reading.value is not None else _without_value(reading))
            if reading.reason != last_reason:
                reasons.append((c, n, reading.reason))
                last_reason = reading.reason
        parts += [_bytes(raw), _bytes(ages), bytes(qualities)]
    parts.append(json.dumps(reasons, separators=(",", ":")).encode())
    return b"".join(parts)


def _without_value(reading: Reading) -> Quality:
    return Quality.ABSENT if reading.quality is Quality.GOOD else reading.quality


def decode_samples(payload: bytes, keys: Sequence[tuple[str, str]]) -> list[Tick]:
    """The ticks of a samples block; `keys` gives (source, item) of each channel, from the header.

    Raises:
        ValueError: the payload does not hold what it says.
    """
    try:
        count, channels = _COUNTS.unpack_from(payload, 0)
    except struct.error as error:
        raise ValueError("a samples block is too short") from error
    if channels != len(keys):
        raise ValueError(f"a samples block has {channels} channels, the header {len(keys)}")
    reader = _Reader(payload, _COUNTS.size)
    times = reader.take("q", count)
    columns = [(reader.take("d", count), reader.take("q", count), reader.take("B", count)) for _ in keys]
    changes = _json(payload[reader.at :])
    reasons: dict[int, dict[int, str]] = {}
    try:
        for c, n, reason in changes:
            reasons.setdefault(c, {})[n] = str(reason)
    except TypeError as error:
        raise ValueError("a samples block does not say the reasons in its way") from error
    per_channel = [
        _readings(key, times, *column, reasons.get(c, {}))
        for c, (key, column) in enumerate(zip(keys, columns, strict=True))
    ]
    return [(t, tuple(channel[n] for channel in per_channel)) for n, t in enumerate(times)]


def _readings(
    key: tuple[str, str],
    times: array[Any],
    raw: array[Any],
    ages: array[Any],
    qualities: array[Any],
    reasons: dict[int, str],
) -> list[Reading | None]:
    found: list[Reading | None] = []
    reason = ""
    for n, time_ns in enumerate(times):
        reason = reasons.get(n, reason)
        if qualities[n] == _NO_READING:
            found.append(None)
            continue
        quality = Quality(qualities[n])
        value = raw[n] if quality is Quality.GOOD else None
        found.append(Reading(*key, value, time_ns + ages[n], quality, reason))
    return found


def _bytes(values: array[Any]) -> bytes:
    if sys.byteorder == "big":
        values.byteswap()
    return values.tobytes()


class _Reader:
    def __init__(self, payload: bytes, at: int) -> None:
        self._payload, self.at = payload, at

    def take(self, code: str, count: int) -> array[Any]:
        values = array(code)
        end = self.at + count * values.itemsize
        if end > len(self._payload):
            raise ValueError("a samples block is shorter than it says")
        values.frombytes(self._payload[self.at : end])
        if sys.byteorder == "big":
            values.byteswap()
        self.at = end
        return values
