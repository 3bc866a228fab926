"""The samples of many journal blocks at once, in columns. The same content as `samples.decode_samples`, by numpy.

The archiver reads hours this way in the time in which single readings take minutes. Never imported by the daemon's
own process.
"""

from __future__ import annotations

import itertools
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.model import Quality, Reading
from cabcanary.store.samples import (
    AS_FLOAT,
    AS_PARTS,
    AS_STEPS,
    FORM,
    HEAD,
    LENGTHS,
    NO_NUMBERS,
    NONE_YET,
    SAME,
    WITH_NUMBER,
    WITHOUT_NUMBER,
    Form,
    Tick,
    decode_samples,
    forms_of,
)

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

#: Stands in a column of times where a channel has no reading yet.
NONE_NS = -(2**63)
#: A number of nine bytes fills 63 bits; the daemon writes none that is longer.
_LONGEST_NUMBER = 9


@dataclass(slots=True)
class Columns:
    """The readings of some ticks: arrays of one row per channel and one column per tick.

    `read_ns` is the time of the reading that a tick saw (`NONE_NS`: none yet), `numbers` its number (NaN where it has
    none), `qualities` what it says of itself (GOOD: it has a number), `born` the tick that saw it first, and `reasons`
    the words beside it by (channel, that tick), where there are any.
    """

    tick_ns: NDArray[np.int64]
    read_ns: NDArray[np.int64]
    numbers: NDArray[np.float64]
    qualities: NDArray[np.uint8]
    born: NDArray[np.int64]
    reasons: dict[tuple[int, int], str] = field(default_factory=dict)

    def __len__(self) -> int:
        return len(self.tick_ns)

    def reading(self, key: tuple[str, str], channel: int, tick: int) -> Reading | None:
        """The newest reading of a channel at a tick, given by their numbers."""
        time_ns = int(self.read_ns[channel, tick])
        if time_ns == NONE_NS:
            return None
        quality = Quality(int(self.qualities[channel, tick]))
        number = float(self.numbers[channel, tick]) if quality is Quality.GOOD else None
        return Reading(*key, number, time_ns, quality, self.reason(channel, tick))

    def reason(self, channel: int, tick: int) -> str:
        """The words beside the newest reading of a channel at a tick."""
        return self.reasons.get((channel, int(self.born[channel, tick])), "") if self.reasons else ""

    def where(self, wanted: NDArray[np.bool_]) -> Columns:
        """Only these ticks."""
        if np.all(wanted):
            return self
        born = self.born[:, wanted]
        # A reading whose own tick is not wanted is first seen in the next one that is.
        first = np.array([np.searchsorted(row, row) for row in born], dtype=np.int64).reshape(born.shape)
        reasons = {}
        for (c, n), why in self.reasons.items():
            place = int(np.searchsorted(born[c], n))
            if place < born.shape[1] and born[c, place] == n:
                reasons[c, place] = why
        read_ns, numbers, qualities = self.read_ns[:, wanted], self.numbers[:, wanted], self.qualities[:, wanted]
        return Columns(self.tick_ns[wanted], read_ns, numbers, qualities, first, reasons)

    def going_on(self, last_ns: int) -> Columns:
        """Only the ticks that are later than `last_ns` and than all before them."""
        latest = np.maximum.accumulate(np.concatenate(([last_ns], self.tick_ns)))
        return self.where(self.tick_ns > latest[:-1])


def joined(parts: Sequence[Columns]) -> Columns:
    """Columns one behind the other."""
    if len(parts) == 1:
        return parts[0]
    starts = [0, *itertools.accumulate(len(p) for p in parts)]
    reasons = {(c, n + at): why for p, at in zip(parts, starts, strict=False) for (c, n), why in p.reasons.items()}
    return Columns(
        np.concatenate([p.tick_ns for p in parts]),
        np.concatenate([p.read_ns for p in parts], axis=1),
        np.concatenate([p.numbers for p in parts], axis=1),
        np.concatenate([p.qualities for p in parts], axis=1),
        np.concatenate([p.born + at for p, at in zip(parts, starts, strict=False)], axis=1),
        reasons,
    )


def columns_of(ticks: Sequence[Tick], channels: int) -> Columns:
    """The columns of ticks that were decoded one by one."""
    shape = (channels, len(ticks))
    found = Columns(
        np.array([t for t, _ in ticks], dtype=np.int64),
        np.full(shape, NONE_NS, dtype=np.int64),
        np.full(shape, np.nan),
        np.full(shape, Quality.ABSENT, dtype=np.uint8),
        np.zeros(shape, dtype=np.int64),
    )
    for c in range(channels):
        before: Reading | None = None
        born = 0
        for n, (_, row) in enumerate(ticks):
            reading = row[c]
            if reading is not before:
                before, born = reading, n
                if reading is not None and reading.reason:
                    found.reasons[c, n] = reading.reason
            found.born[c, n] = born
            if reading is not None:
                found.read_ns[c, n] = reading.time_ns
                absent = Quality.ABSENT if reading.quality is Quality.GOOD else reading.quality
                found.qualities[c, n] = absent if reading.value is None else Quality.GOOD
                found.numbers[c, n] = np.nan if reading.value is None else reading.value
    return found


def decode_columns(payloads: Sequence[bytes], keys: Sequence[tuple[str, str]]) -> Columns:
    """The columns of some samples blocks that follow each other in time.

    Raises:
        ValueError: a payload does not hold what it says.
    """
    if not payloads:
        return columns_of([], len(keys))
    try:
        return _Blocks(payloads, keys).columns()
    except (_OddError, ValueError, IndexError):
        # Nothing that the daemon writes comes here; what does is judged number by number.
        return joined([columns_of(decode_samples(p, keys), len(keys)) for p in payloads])


class _OddError(Exception):
    """A block that has to be decoded number by number."""


class _Blocks:
    def __init__(self, payloads: Sequence[bytes], keys: Sequence[tuple[str, str]]) -> None:
        self._keys = keys
        self._counts: list[int] = []
        self._forms: list[list[Form]] = []
        self._units: list[int] = []
        self._firsts: list[int] = []
        self._streams: tuple[list[bytes], ...] = ([], [], [], [])
        self._reasons: list[bytes] = []
        for payload in payloads:
            self._split(payload)
        self._ends = list(itertools.accumulate(self._counts))

    def _split(self, payload: bytes) -> None:
        if len(payload) < HEAD.size:
            raise _OddError
        count, channels, unit, first = HEAD.unpack_from(payload, 0)
        at = HEAD.size + channels * FORM.size
        if channels != len(self._keys) or not count or len(payload) < at + LENGTHS.size:
            raise _OddError
        lengths = LENGTHS.unpack_from(payload, at)
        at += LENGTHS.size
        if lengths[1] != count * channels or at + sum(lengths) > len(payload):
            raise _OddError
        for stream, length in zip(self._streams, lengths, strict=True):
            stream.append(payload[at : at + length])
            at += length
        self._reasons.append(payload[at:])
        self._counts.append(count)
        self._units.append(unit)
        self._firsts.append(first)
        self._forms.append(forms_of(payload))

    def columns(self) -> Columns:
        channels, total = len(self._keys), self._ends[-1]
        # In the order of the file: block by block, in each channel by channel, in each tick by tick.
        flat = np.frombuffer(b"".join(self._streams[1]), dtype=np.uint8)
        plain = (flat == SAME) | (flat == NONE_YET) | (flat == WITH_NUMBER)
        if not np.all(plain | ((flat > WITHOUT_NUMBER) & (flat <= WITHOUT_NUMBER + max(Quality)))):
            raise _OddError
        tick_units = self._tick_units()
        new, numbered = flat >= WITH_NUMBER, flat == WITH_NUMBER
        later = np.zeros(len(flat), dtype=np.int64)
        later[new] = _numbers(b"".join(self._streams[2]), int(new.sum()))
        states = self._matrix(flat)
        unit = np.repeat(np.array(self._units, dtype=np.int64), self._counts)
        read = self._read(self._matrix(later), tick_units) * unit
        numbers = self._matrix(self._numbers_of(flat, numbered))
        starts = np.repeat(np.array([0, *self._ends[:-1]], dtype=np.int64), self._counts)
        places = np.arange(total, dtype=np.int64)
        # What a block's first tick calls the same as before was there before the file began: nothing.
        change = (states != SAME) | (places == starts)
        born = np.maximum.accumulate(np.where(change, places, 0), axis=1)
        rows = np.arange(channels)[:, None]
        born_states = states[rows, born]
        there = born_states >= WITH_NUMBER
        qualities = np.where(born_states == WITH_NUMBER, Quality.GOOD, born_states - WITHOUT_NUMBER).astype(np.uint8)
        return Columns(
            tick_units * unit,
            np.where(there, read[rows, born], NONE_NS),
            np.where(born_states == WITH_NUMBER, numbers[rows, born], np.nan),
            np.where(there, qualities, np.uint8(Quality.ABSENT)),
            born,
            self._reasons_of(states),
        )

    def _matrix(self, flat: NDArray[Any]) -> NDArray[Any]:
        """A row for each channel from what stands in the order of the file."""
        channels = len(self._keys)
        if len(set(self._counts[:-1])) <= 1 and len(self._counts) > 1:
            count = self._counts[0]
            whole = count * (len(self._counts) - 1)
            front = flat[: whole * channels].reshape(-1, channels, count).transpose(1, 0, 2).reshape(channels, whole)
            return np.concatenate((front, flat[whole * channels :].reshape(channels, -1)), axis=1)
        ends = [e * channels for e in self._ends]
        pieces = [flat[a:b].reshape(channels, -1) for a, b in itertools.pairwise([0, *ends])]
        return np.concatenate(pieces, axis=1)

    def _tick_units(self) -> NDArray[np.int64]:
        numbers = _numbers(b"".join(self._streams[0]), self._ends[-1])
        found = np.empty(len(numbers), dtype=np.int64)
        for first, (a, b) in zip(self._firsts, itertools.pairwise([0, *self._ends]), strict=True):
            found[a:b] = first + np.cumsum(np.cumsum(numbers[a:b]))
        return found

    def _read(self, later: NDArray[np.int64], ticks: NDArray[np.int64]) -> NDArray[np.int64]:
        """Times of new readings: each stands against the one before it of its source in the same tick."""
        found = np.zeros_like(later)
        nears: dict[str, NDArray[np.int64]] = {}
        for c, (source, _) in enumerate(self._keys):
            near = nears.get(source, ticks)
            nears[source] = found[c] = near + later[c]
        return found

    def _numbers_of(self, flat: NDArray[np.uint8], numbered: NDArray[np.bool_]) -> NDArray[np.float64]:
        """The number of every new reading that has one, in the order of the file."""
        channels = len(self._keys)
        sizes = np.repeat(self._counts, channels)
        begins = np.concatenate(([0], np.cumsum(sizes)))
        per_run = np.add.reduceat(numbered, begins[:-1], dtype=np.int64)
        forms = [form for block in self._forms for form in block]
        kinds = np.array([f.kind for f in forms])
        if not np.all(np.isin(kinds, (AS_FLOAT, AS_STEPS, AS_PARTS, NO_NUMBERS))):
            raise _OddError
        floats = kinds == AS_FLOAT
        stream, real = self._codes_and_floats(per_run.reshape(-1, channels), floats.reshape(-1, channels))
        run = np.repeat(np.arange(len(forms)), per_run)
        is_code = ~floats[run]
        deltas = _numbers(stream, int(is_code.sum()))
        code_run = run[is_code]
        sums = np.cumsum(deltas)
        first = np.concatenate(([True], code_run[1:] != code_run[:-1])) if len(code_run) else np.zeros(0, bool)
        base = (sums - deltas)[first]
        codes = sums - base[np.cumsum(first) - 1] if len(sums) else sums
        a, b = np.array([f.a for f in forms])[code_run], np.array([f.b for f in forms])[code_run]
        as_steps = kinds[code_run] == AS_STEPS
        if np.any(kinds[code_run] == NO_NUMBERS) or np.any(a[~as_steps] == 0):
            raise _OddError
        made = np.empty(len(codes))
        made[as_steps] = (codes[as_steps] + b[as_steps]) * a[as_steps]
        made[~as_steps] = codes[~as_steps] / a[~as_steps]
        every = np.empty(len(run))
        every[is_code], every[~is_code] = made, real
        found = np.full(len(flat), np.nan)
        found[numbered] = every
        return found

    def _codes_and_floats(
        self, counts: NDArray[np.int64], floats: NDArray[np.bool_]
    ) -> tuple[bytes, NDArray[np.float64]]:
        """The streams of numbers, parted into those that are codes and those that are floats."""
        if not np.any(floats):
            return b"".join(self._streams[3]), np.zeros(0)
        codes, real = [], []
        for stream, count, is_float in zip(self._streams[3], counts, floats, strict=True):
            at, ends = 0, np.flatnonzero(np.frombuffer(stream, dtype=np.uint8) < 128)
            for number, as_float in zip(count.tolist(), is_float.tolist(), strict=True):
                if as_float:
                    end = at + 8 * number
                    real.append(stream[at:end])
                else:
                    before = int(np.searchsorted(ends, at))
                    end = int(ends[before + number - 1]) + 1 if number else at
                    codes.append(stream[at:end])
                at = end
        return b"".join(codes), np.frombuffer(b"".join(real), dtype="<f8")

    def _reasons_of(self, states: NDArray[np.uint8]) -> dict[tuple[int, int], str]:
        found: dict[tuple[int, int], str] = {}
        for words, (a, b) in zip(self._reasons, itertools.pairwise([0, *self._ends]), strict=True):
            if words:
                found |= _reasons_of_block(words, states[:, a:b], a)
        return found


def _reasons_of_block(words: bytes, states: NDArray[np.uint8], start: int) -> dict[tuple[int, int], str]:
    """A reason stands from where it is written to the next one of its channel, at every new reading."""
    try:
        told = [(int(c), int(n), str(why)) for c, n, why in json.loads(words)]
    except (RecursionError, TypeError) as error:
        raise _OddError from error
    found: dict[tuple[int, int], str] = {}
    per_channel: dict[int, list[tuple[int, str]]] = {}
    for c, n, why in told:
        per_channel.setdefault(c, []).append((n, why))
    for c, changes in per_channel.items():
        if not 0 <= c < len(states):
            continue
        for (n, why), (end, _) in itertools.pairwise([*changes, (states.shape[1], "")]):
            if why:
                new = n + np.flatnonzero(states[c, n:end] >= WITH_NUMBER)
                found |= {(c, start + k): why for k in new.tolist()}
    return found


def _numbers(stream: bytes, wanted: int) -> NDArray[np.int64]:
    """Signed whole numbers: seven bits a byte, lowest first, the sign in the lowest bit."""
    data = np.frombuffer(stream, dtype=np.uint8)
    ends = np.flatnonzero(data < 128)
    if len(ends) < wanted or (wanted and len(data) != ends[wanted - 1] + 1):
        raise _OddError
    if not wanted:
        return np.zeros(0, dtype=np.int64)
    starts = np.concatenate(([0], ends[:-1] + 1))
    lengths = ends - starts + 1
    longest = int(lengths.max())
    if longest > _LONGEST_NUMBER:
        raise _OddError
    found = (data[starts] & 127).astype(np.uint64)
    for k in range(1, longest):
        longer = np.flatnonzero(lengths > k)
        found[longer] |= (data[starts[longer] + k] & 127).astype(np.uint64) << np.uint64(7 * k)
    half = (found >> np.uint64(1)).astype(np.int64)
    return np.where(found & np.uint64(1), ~half, half)


def ticks_of(columns: Columns, keys: Sequence[tuple[str, str]]) -> Iterable[Tick]:
    """The ticks one by one again."""
    for n, time_ns in enumerate(columns.tick_ns.tolist()):
        yield time_ns, tuple(columns.reading(key, c, n) for c, key in enumerate(keys))
