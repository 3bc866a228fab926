"""Samples as journals of format 1 held them; nothing writes these any more. Format: JOURNAL.md."""

from __future__ import annotations

import json
import struct
import sys
from array import array
from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality, Reading

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.store.samples import Tick

_COUNTS = struct.Struct("<IH")
_NO_READING = 255


def decode_old_samples(payload: bytes, keys: Sequence[tuple[str, str]]) -> list[Tick]:
    """The ticks of a samples block of kind 2; `keys` gives (source, item) of each channel, from the header.

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
    reasons: dict[int, dict[int, str]] = {}
    try:
        for c, n, reason in json.loads(payload[reader.at :]):
            reasons.setdefault(c, {})[n] = str(reason)
    except (TypeError, RecursionError) as error:
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
