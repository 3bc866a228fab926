"""Numbers in broadcast CAN frames: where they lie, and bytes -> values. Nothing here does I/O.

Bits are counted as DBC files count them: bit 0 is the least significant of the first byte, bit 15 the most
significant of the second. A little-endian signal starts at its least significant bit, a big-endian one at its
most significant bit and goes on downwards and into the next byte.
"""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

#: Set in a frame's key when its id has 29 bits: 100h standard and 100h extended are two frames.
_EXTENDED = 1 << 31
_FLOATS = {16: ">e", 32: ">f", 64: ">d"}  # IEEE 754 binary16, 32 and 64


class SignalError(ValueError):
    """A signal that cannot be decoded as it is described; the text says why."""


class Decoded(NamedTuple):
    """One signal of one frame: its value in the signal's unit, or None and the reason."""

    name: str
    value: float | None
    reason: str = ""


def frame_key(can_id: int, extended: bool) -> int:
    """What tells frames apart: the id and its kind."""
    return can_id | _EXTENDED if extended else can_id


@dataclass(frozen=True, slots=True)
class Bits:
    """Where a raw number lies in a frame; `length` in bits."""

    start: int
    length: int
    big: bool

    @property
    def first(self) -> int:
        """How many bits of the frame, in its byte order, come before the signal."""
        return self.start // 8 * 8 + 7 - self.start % 8 if self.big else self.start

    @property
    def bytes_needed(self) -> int:
        """The shortest frame that holds all of it, bytes."""
        return (self.first + self.length + 7) // 8

    def raw(self, data: bytes | bytearray) -> int:
        """The bits as an unsigned number; `data` is long enough."""
        if self.big:
            word = int.from_bytes(data, "big") >> (8 * len(data) - self.first - self.length)
        else:
            word = int.from_bytes(data, "little") >> self.start
        return word & ((1 << self.length) - 1)


@dataclass(frozen=True, slots=True)
class Signal:
    """One number: `value = raw · scale + offset`, unless the raw number means that there is none.

    `low` and `high` are the ends that the description gives, in the value's unit, or None. `when` lists what
    other bits of the frame must be for the signal to be in it at all (multiplexed frames).
    """

    name: str
    can_id: int
    extended: bool
    bits: Bits
    signed: bool = False
    is_float: bool = False
    scale: float = 1.0
    offset: float = 0.0
    #: Raw numbers that mean "no value", and what is said then.
    invalid: Mapping[int, str] = field(default_factory=dict)
    low: float | None = None
    high: float | None = None
    when: tuple[tuple[Bits, frozenset[int]], ...] = ()

    def __post_init__(self) -> None:
        if self.is_float and self.bits.length not in _FLOATS:
            raise SignalError(f"{self.name}: a floating point number has 16, 32 or 64 bits, not {self.bits.length}")
        if not (math.isfinite(self.scale) and math.isfinite(self.offset)) or self.scale == 0:
            raise SignalError(
                f"{self.name}: a scale of {spelt(self.scale)} and an offset of {spelt(self.offset)} give no value"
            )
        if self.bits.bytes_needed > 64:
            raise SignalError(f"{self.name}: reaches beyond the 64 bytes of the longest frame")

    def decode(self, data: bytes | bytearray) -> Decoded | None:
        """The bytes of its frame -> the value or why there is none; None when this frame does not carry it."""
        for bits, wanted in self.when:
            if len(data) < bits.bytes_needed or bits.raw(data) not in wanted:
                return None
        if len(data) < self.bits.bytes_needed:
            reason = f"frame {self.frame} is {len(data)} bytes long, and this needs {self.bits.bytes_needed}"
            return Decoded(self.name, None, reason)
        raw = self.bits.raw(data)
        if raw in self.invalid:
            return Decoded(self.name, None, self.invalid[raw])
        if self.is_float:
            (number,) = struct.unpack(_FLOATS[self.bits.length], raw.to_bytes(self.bits.length // 8, "big"))
            if not math.isfinite(number):
                return Decoded(self.name, None, f"frame {self.frame} carries no number here")
        else:
            number = raw - (1 << self.bits.length) if self.signed and raw >> (self.bits.length - 1) else raw
            if number in self.invalid:
                return Decoded(self.name, None, self.invalid[number])
        return self._within(number * self.scale + self.offset)

    def _within(self, value: float) -> Decoded:
        # Half a step of tolerance: the ends are written rounded.
        slack = 0.0 if self.is_float else abs(self.scale) / 2
        if not math.isfinite(value):
            return Decoded(self.name, None, f"frame {self.frame} carries no number here")
        if (self.low is not None and value < self.low - slack) or (self.high is not None and value > self.high + slack):
            low, high = ("" if end is None else spelt(end) for end in (self.low, self.high))
            ends = f"{low} to {high}" if low and high else f"{low or high} at {'least' if low else 'most'}"
            return Decoded(self.name, None, f"{spelt(value)} is outside the {ends} that it may have")
        return Decoded(self.name, value)

    @property
    def frame(self) -> str:
        """The frame's id as people write it."""
        return f"{self.can_id:08X}" if self.extended else f"{self.can_id:03X}"


def by_hand(name: str, raw: Mapping[str, Any]) -> Signal:
    """A signal as the settings describe it: the keys of `sources.can.kind.CanSignal`.

    Raises:
        SignalError: a key missing, or numbers that make no signal.
    """
    try:
        order = str(raw["byte_order"])
        signal = Signal(
            name=name,
            can_id=int(raw["id"]),
            extended=bool(raw.get("extended", False)),
            bits=Bits(int(raw["start"]), int(raw["length"]), order == "big"),
            signed=bool(raw.get("signed", False)),
            scale=float(raw.get("scale", 1.0)),
            offset=float(raw.get("offset", 0.0)),
            invalid={int(n): f"the raw number {n} means no value" for n in raw.get("invalid", ())},
        )
    except (KeyError, TypeError, AttributeError) as error:
        raise SignalError(f"{name}: unusable description: {error!r}") from error
    if order not in ("big", "little") or not 1 <= signal.bits.length <= 64 or signal.bits.start < 0:
        raise SignalError(f"{name}: unusable description: {dict(raw)!r}")
    return signal


class SignalTable:
    """Which frames carry what; finding that a frame carries nothing costs one look-up."""

    def __init__(self, signals: Iterable[Signal]) -> None:
        self._by_frame: dict[int, tuple[Signal, ...]] = {}
        for signal in signals:
            key = frame_key(signal.can_id, signal.extended)
            self._by_frame[key] = (*self._by_frame.get(key, ()), signal)

    @property
    def signals(self) -> tuple[Signal, ...]:
        """All of them."""
        return tuple(signal for signals in self._by_frame.values() for signal in signals)

    @property
    def frames(self) -> list[tuple[int, bool]]:
        """The wanted frames as (id, whether it has 29 bits)."""
        return [(key & ~_EXTENDED, bool(key & _EXTENDED)) for key in self._by_frame]

    def wanted(self, can_id: int, extended: bool) -> tuple[Signal, ...] | None:
        """The signals of a frame, or None."""
        return self._by_frame.get(can_id | _EXTENDED if extended else can_id)

    def decode(self, can_id: int, extended: bool, data: bytes | bytearray) -> list[Decoded]:
        """Every signal that a frame carries, with its value or the reason why there is none."""
        found = (signal.decode(data) for signal in self.wanted(can_id, extended) or ())
        return [decoded for decoded in found if decoded is not None]
