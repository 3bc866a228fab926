"""The samples of a journal block: readings of every channel, tick by tick, exactly. Format: JOURNAL.md."""

from __future__ import annotations

import json
import math
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

from cabcanary.model import Quality, Reading

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

#: One tick: its time, and the newest reading of each measured channel (None: none yet).
Tick = tuple[int, tuple[Reading | None, ...]]

HEAD = struct.Struct("<IHHq")
FORM = struct.Struct("<Bdd")
LENGTHS = struct.Struct("<4I")
_FLOAT = struct.Struct("<d")
_NS_PER_US = 1000

#: What a tick says of a channel's reading.
SAME, NONE_YET, WITH_NUMBER, WITHOUT_NUMBER = 0, 1, 32, 64
#: How a channel's numbers are written.
AS_FLOAT, AS_STEPS, AS_PARTS, NO_NUMBERS = 0, 1, 2, 3
#: Beyond this a float no longer holds every whole number.
_LARGEST_CODE = 2**53
#: Decimal places of numbers that came as text, and of the fixed-point numbers of a bus.
_DECIMALS = tuple(float(10**n) for n in range(7))


class Steps(NamedTuple):
    """A converter's arithmetic: number = (code + offset) * scale, in the unit of the wire."""

    scale: float
    offset: float


@dataclass(frozen=True, slots=True)
class Form:
    """One way to write numbers as whole codes and get the very same numbers back.

    Kind 1: number = (code + b) * a. Kind 2: number = code / a. Kind 0: as they are.
    """

    kind: int
    a: float = 0.0
    b: float = 0.0

    def code(self, number: float) -> int | None:
        """The whole number that stands for `number`, or None where none gives it back to the last bit."""
        if not number and math.copysign(1.0, number) < 0:
            return None
        if self.kind == AS_STEPS:
            wanted = number / self.a - self.b
        elif self.kind == AS_PARTS:
            wanted = number * self.a
        else:
            return None
        if not abs(wanted) < _LARGEST_CODE:
            return None
        code = round(wanted)
        return code if self.number(code) == number else None

    def number(self, code: int) -> float:
        """The number that a code stands for."""
        return (code + self.b) * self.a if self.kind == AS_STEPS else code / self.a

    def as_json(self) -> dict[str, float]:
        """The form in words: number = (code + offset) * scale, or code / parts."""
        return {"scale": self.a, "offset": self.b} if self.kind == AS_STEPS else {"parts": self.a}

    @classmethod
    def from_json(cls, words: dict[str, float]) -> Form:
        """The form that `as_json` gave these words for."""
        if "parts" in words:
            return cls(AS_PARTS, float(words["parts"]))
        return cls(AS_STEPS, float(words["scale"]), float(words["offset"]))


_FLOATS, _NOTHING = Form(AS_FLOAT), Form(NO_NUMBERS)


class SampleEncoder:
    """Encodes the blocks of one drive. It remembers which form fitted each channel last; a block needs no other.

    `steps` gives the converter's arithmetic of a channel by (source, item), as far as the sources know it.
    """

    def __init__(self, keys: Sequence[tuple[str, str]], steps: Mapping[tuple[str, str], Steps] | None = None) -> None:
        self._keys = tuple(keys)
        self._steps = {} if steps is None else steps
        self._forms: dict[int, Form] = {}

    def encode(self, ticks: Sequence[Tick]) -> bytes:
        """Payload of a samples block; every tick has a reading or None for each channel."""
        unit = _NS_PER_US if _whole_microseconds(ticks) else 1
        times = [t // unit for t, _ in ticks]
        first = times[0] if times else 0
        out = _Streams()
        _put_times(out.ticks, times)
        # A scan of one source comes in one go: each reading's time stands against the one before it.
        references: dict[str, list[int]] = {}
        forms = bytearray()
        reasons: list[tuple[int, int, str]] = []
        for c, (source, _) in enumerate(self._keys):
            near = references.setdefault(source, list(times))
            numbers = _put_readings(out, [row[c] for _, row in ticks], near, unit, (c, reasons))
            forms += self._put_numbers(out.numbers, numbers, c)
        lengths = LENGTHS.pack(len(out.ticks), len(out.states), len(out.times), len(out.numbers))
        head = HEAD.pack(len(ticks), len(self._keys), unit, first)
        words = json.dumps(reasons, separators=(",", ":")).encode() if reasons else b""
        return b"".join((head, forms, lengths, out.ticks, out.states, out.times, out.numbers, words))

    def _put_numbers(self, stream: bytearray, numbers: list[float], channel: int) -> bytes:
        form, codes = self._fit(numbers, channel)
        if codes is None:
            for number in numbers:
                stream += _FLOAT.pack(number)
        else:
            last = 0
            for code in codes:
                _put(stream, code - last)
                last = code
        return FORM.pack(form.kind, form.a, form.b)

    def _fit(self, numbers: list[float], channel: int) -> tuple[Form, list[int] | None]:
        if not numbers:
            return _NOTHING, None
        before = self._forms.get(channel)
        candidates = [before] if before is not None else []
        steps = self._steps.get(self._keys[channel])
        if steps is not None and steps.scale:
            candidates.append(Form(AS_STEPS, steps.scale, steps.offset))
        candidates += [Form(AS_PARTS, parts) for parts in _DECIMALS]
        for form in candidates:
            codes = []
            for number in numbers:
                code = form.code(number)
                if code is None:
                    break
                codes.append(code)
            else:
                self._forms[channel] = form
                return form, codes
        return _FLOATS, None


class _Streams:
    def __init__(self) -> None:
        self.ticks, self.states, self.times, self.numbers = bytearray(), bytearray(), bytearray(), bytearray()


def _whole_microseconds(ticks: Sequence[Tick]) -> bool:
    return not any(t % _NS_PER_US or any(r is not None and r.time_ns % _NS_PER_US for r in row) for t, row in ticks)


def _put_times(stream: bytearray, times: list[int]) -> None:
    """Write times, ns, as the change of each interval from the one before: ticks come at even intervals."""
    before, interval = (times[0] if times else 0), 0
    for time in times:
        _put(stream, time - before - interval)
        interval, before = time - before, time


def _put_readings(
    out: _Streams,
    readings: list[Reading | None],
    near: list[int],
    unit: int,
    told: tuple[int, list[tuple[int, int, str]]],
) -> list[float]:
    """Write states and times of one channel; returns the numbers that are still to be written."""
    channel, reasons = told
    states, times = out.states, out.times
    numbers: list[float] = []
    last: Reading | None = None
    reason = ""
    for n, reading in enumerate(readings):
        if reading is None:
            states.append(NONE_YET)
            last = None
            continue
        if reading is last or (last is not None and reading.time_ns == last.time_ns and reading == last):
            states.append(SAME)
            continue
        last = reading
        time = reading.time_ns // unit
        _put(times, time - near[n])
        near[n] = time
        if reading.value is None:
            states.append(WITHOUT_NUMBER + _without_number(reading))
        else:
            # A number is good as read.
            states.append(WITH_NUMBER)
            numbers.append(reading.value)
        if reading.reason != reason:
            reason = reading.reason
            reasons.append((channel, n, reason))
    return numbers


def _without_number(reading: Reading) -> Quality:
    """The quality of a reading without a number is never GOOD."""
    return Quality.ABSENT if reading.quality is Quality.GOOD else reading.quality


def _put(stream: bytearray, number: int) -> None:
    """Sign in the lowest bit, then seven bits a byte, lowest first (as LEB128)."""
    rest = number << 1 if number >= 0 else (-number << 1) - 1
    while rest > 127:
        stream.append(rest & 127 | 128)
        rest >>= 7
    stream.append(rest)


# --- Reading back -----------------------------------------------------------------------------------------


def decode_samples(payload: bytes, keys: Sequence[tuple[str, str]]) -> list[Tick]:
    """The ticks of a samples block; `keys` gives (source, item) of each channel, from the header.

    Raises:
        ValueError: the payload does not hold what it says.
    """
    try:
        return _decode(payload, keys)
    except (struct.error, IndexError, OverflowError, ZeroDivisionError, TypeError) as error:
        raise ValueError("a samples block does not hold what it says") from error


def _decode(payload: bytes, keys: Sequence[tuple[str, str]]) -> list[Tick]:
    count, channels, unit, first = HEAD.unpack_from(payload, 0)
    if channels != len(keys):
        raise ValueError(f"a samples block has {channels} channels, the header {len(keys)}")
    at = HEAD.size
    forms = [Form(*FORM.unpack_from(payload, at + c * FORM.size)) for c in range(channels)]
    at += channels * FORM.size
    lengths = LENGTHS.unpack_from(payload, at)
    at += LENGTHS.size
    streams = []
    for length in lengths:
        streams.append(_Stream(payload[at : at + length]))
        at += length
    ticks, states, times, numbers = streams
    if len(states.data) != count * channels or at > len(payload) or len(ticks.data) < count:
        raise ValueError("a samples block is shorter than it says")
    reasons = _reasons(payload[at:])
    tick_times = _take_times(ticks, count, first)
    references: dict[str, list[int]] = {}
    columns = []
    for c, key in enumerate(keys):
        near = references.setdefault(key[0], list(tick_times))
        told = {n: why for (channel, n), why in reasons.items() if channel == c}
        columns.append(_take_readings(key, states.take(count), (times, numbers), forms[c], near, unit, told))
    return [(t * unit, tuple(column[n] for column in columns)) for n, t in enumerate(tick_times)]


def _reasons(words: bytes) -> dict[tuple[int, int], str]:
    if not words:
        return {}
    try:
        return {(int(c), int(n)): str(reason) for c, n, reason in json.loads(words)}
    except RecursionError as error:
        raise ValueError("nested too deeply") from error


def _take_times(stream: _Stream, count: int, first: int) -> list[int]:
    found, before, interval = [], first, 0
    for _ in range(count):
        time = before + interval + stream.number()
        interval, before = time - before, time
        found.append(time)
    return found


def _take_readings(
    key: tuple[str, str],
    states: bytes,
    streams: tuple[_Stream, _Stream],
    form: Form,
    near: list[int],
    unit: int,
    reasons: dict[int, str],
) -> list[Reading | None]:
    times, numbers = streams
    if form.kind not in (AS_FLOAT, AS_STEPS, AS_PARTS, NO_NUMBERS):
        raise ValueError(f"a samples block has numbers of the unknown form {form.kind}")
    found: list[Reading | None] = []
    last: Reading | None = None
    reason, code = "", 0
    for n, state in enumerate(states):
        if state == NONE_YET:
            last = None
        elif state != SAME:
            near[n] += times.number()
            reason = reasons.get(n, reason)
            value: float | None = None
            quality = Quality.GOOD
            if state == WITH_NUMBER:
                if form.kind == AS_FLOAT:
                    value = numbers.float()
                else:
                    code += numbers.number()
                    value = form.number(code)
            elif state > WITHOUT_NUMBER:
                quality = Quality(state - WITHOUT_NUMBER)
            else:
                raise ValueError(f"a samples block has a reading in the unknown state {state}")
            last = Reading(*key, value, near[n] * unit, quality, reason)
        found.append(last)
    return found


class _Stream:
    def __init__(self, data: bytes) -> None:
        self.data, self._at = data, 0

    def number(self) -> int:
        rest, shift = 0, 0
        while True:
            byte = self.data[self._at]
            self._at += 1
            rest |= (byte & 127) << shift
            if byte < 128:
                return rest >> 1 if not rest & 1 else -((rest + 1) >> 1)
            shift += 7

    def float(self) -> float:
        (value,) = _FLOAT.unpack_from(self.data, self._at)
        self._at += _FLOAT.size
        return float(value)

    def take(self, count: int) -> bytes:
        self._at += count
        return self.data[self._at - count : self._at]


def forms_of(payload: bytes) -> list[Form]:
    """How each channel's numbers stand in a samples block."""
    _, channels, _, _ = HEAD.unpack_from(payload, 0)
    return [Form(*FORM.unpack_from(payload, HEAD.size + c * FORM.size)) for c in range(channels)]


def common_form(forms: set[Form]) -> Form | None:
    """One form that holds every number of all of these, or None; a block without numbers says nothing."""
    forms = {f for f in forms if f.kind != NO_NUMBERS}
    if len(forms) == 1:
        (form,) = forms
        return form if form.kind != AS_FLOAT else None
    if forms and all(f.kind == AS_PARTS for f in forms):
        # Tenths are hundredths, too: both quotients are rounded from the same number.
        return max(forms, key=lambda f: f.a)
    return None
