"""A reader of journals written from JOURNAL.md alone; it shares nothing with the program."""

from __future__ import annotations

import json
import struct
import zlib

import zstandard


def blocks_of(data: bytes) -> dict[int, tuple[int, bytes]]:
    """Sequence number -> kind and payload of the first whole block that has it."""
    found: dict[int, tuple[int, bytes]] = {}
    at = data.find(b"CCJ1")
    while at >= 0:
        after = at + 1
        if at + 17 <= len(data):
            length, sequence, kind, crc = struct.unpack_from("<IIBI", data, at + 4)
            packed = data[at + 17 : at + 17 + length]
            if len(packed) == length and zlib.crc32(data[at + 4 : at + 13] + packed) == crc:
                found.setdefault(sequence, (kind, zstandard.ZstdDecompressor().decompressobj().decompress(packed)))
                after = at + 17 + length
        at = data.find(b"CCJ1", after)
    return found


class Numbers:
    """A stream of numbers: zigzag, then LEB128."""

    def __init__(self, data: bytes) -> None:
        self.data, self.at = data, 0

    def next(self) -> int:
        number, shift = 0, 0
        while True:
            byte = self.data[self.at]
            self.at += 1
            number += (byte % 128) << shift
            shift += 7
            if byte < 128:
                return number // 2 if number % 2 == 0 else -(number + 1) // 2

    def real(self) -> float:
        self.at += 8
        return float(struct.unpack("<d", self.data[self.at - 8 : self.at])[0])


#: Time of the reading, its number or None, its quality.
Seen = tuple[int, float | None, int]


def samples_of(payload: bytes, sources: list[str]) -> list[tuple[int, list[Seen | None]]]:
    """The ticks of a samples block: time, and what each channel's newest reading is."""
    ticks, channels, step, first = struct.unpack_from("<IHHq", payload)
    at = 16
    forms = [struct.unpack_from("<Bdd", payload, at + 17 * c) for c in range(channels)]
    at += 17 * channels
    lengths = struct.unpack_from("<4I", payload, at)
    at += 16
    streams = []
    for length in lengths:
        streams.append(payload[at : at + length])
        at += length
    tick_numbers, states, times, numbers = Numbers(streams[0]), streams[1], Numbers(streams[2]), Numbers(streams[3])
    tick_times: list[int] = []
    distance = 0
    for _ in range(ticks):
        distance += tick_numbers.next()
        tick_times.append((tick_times[-1] if tick_times else first) + distance)
    before: dict[tuple[str, int], int] = {}
    rows: list[list[Seen | None]] = [[] for _ in range(ticks)]
    for c, (form, a, b) in enumerate(forms):
        newest: Seen | None = None
        code = 0
        for n in range(ticks):
            state = states[c * ticks + n]
            if state == 1:
                newest = None
            elif state != 0:
                time = before.get((sources[c], n), tick_times[n]) + times.next()
                before[sources[c], n] = time
                number = None
                if state == 32 and form == 0:
                    number = numbers.real()
                elif state == 32:
                    code += numbers.next()
                    number = (code + b) * a if form == 1 else code / a
                newest = (time * step, number, 0 if state == 32 else state - 64)
            rows[n].append(newest)
    return [(t * step, row) for t, row in zip(tick_times, rows, strict=True)]


class PlainJournal:
    """What a journal holds: `header`, `events`, `ticks`, and whether it was closed in order."""

    def __init__(self, data: bytes) -> None:
        blocks = blocks_of(data)
        in_order = [blocks[sequence] for sequence in sorted(blocks)]
        self.header = json.loads(next(p for k, p in in_order if k == 1))
        self.events = [json.loads(line) for k, p in in_order if k == 3 for line in p.splitlines()]
        sources = [source for _, source, _ in self.header["channels"]]
        self.ticks = [tick for k, p in in_order if k == 5 for tick in samples_of(p, sources)]
        self.closed = any(k == 4 for k, _ in in_order)
