"""OBD service 01: which items the parameter ids (PIDs) carry, and bytes -> values.

Formulas and ranges: SAE J1979 / ISO 15031-5, since 2012 in the tables of SAE J1979-DA. A, B, C, D are the
first to fourth data byte after `41 PID`. Nothing here does I/O, and nothing here guesses: what does not
fit the table raises `ObdError`.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING

from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterator

#: "Show current data", the only service this project ever requests.
SERVICE = 0x01
_POSITIVE = 0x41  # service + 40h
_NEGATIVE = 0x7F
#: Negative response code "request correctly received, response pending" (ISO 14229-1).
PENDING = 0x78
#: PIDs that answer with a bitmap of the 32 PIDs after them.
BITMAPS = frozenset(range(0x00, 0x100, 0x20))
#: The PID that redefines full scale of some others; read once, when a vehicle is connected.
SCALING_PID = 0x4F

# ISO 14229-1, annex A; the ones a service 01 request can meet.
_REFUSALS = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "sub-function not supported",
    0x13: "wrong message length",
    0x21: "busy, ask again",
    0x22: "conditions not correct",
    0x31: "request out of range",
    PENDING: "response pending",
}


class ObdError(ValueError):
    """Bytes that are no valid answer; the text says what is wrong with them."""


class NegativeResponseError(ObdError):
    """The control unit refused (`7F 01 code`); `code` is ISO 14229-1's negative response code."""

    def __init__(self, code: int) -> None:
        super().__init__(f"the engine computer refused: {_REFUSALS.get(code, 'reason')} ({code:02X})")
        self.code = code


@dataclass(frozen=True, slots=True)
class Scaling:
    """Full scale as PID 4F gives it; 0 means that the ordinary formula stands.

    Units: lambda, V, mA, kPa. SAE J1979, PID 4F (from memory).
    """

    max_lambda: float = 0
    max_oxygen_voltage: float = 0
    max_oxygen_current: float = 0
    max_map: float = 0

    @classmethod
    def from_4f(cls, data: bytes) -> Scaling:
        """The four data bytes of PID 4F: A lambda, B volts, C milliamperes, 10·D kPa.

        Raises:
            ObdError: not four bytes.
        """
        if len(data) != 4:
            raise ObdError(f"PID 4F carries 4 bytes, not {len(data)}")
        return cls(data[0], data[1], data[2], 10 * data[3])


class Rescaled(Enum):
    """Which full scale of PID 4F applies to an item."""

    LAMBDA = "max_lambda"
    VOLTAGE = "max_oxygen_voltage"
    CURRENT = "max_oxygen_current"
    MAP = "max_map"


@dataclass(frozen=True, slots=True)
class Item:
    """One quantity inside a PID: `value = raw · numerator / denominator + offset`, in `unit`.

    `raw` is the big-endian number in `size` bytes from byte `start` (0 is A).
    """

    pid: int
    unit: str
    numerator: int = 1
    denominator: int = 1
    offset: int = 0
    start: int = 0
    size: int = 1
    signed: bool = False
    rescaled: Rescaled | None = None
    #: The largest value the standard allows where it is less than the bytes could carry.
    ceiling: float | None = None

    def value(self, raw: int, scaling: Scaling | None = None) -> float:
        """Raw number -> value in the item's unit."""
        full = getattr(scaling, self.rescaled.value) if scaling and self.rescaled else 0
        if not full:
            return raw * self.numerator / self.denominator + self.offset
        if self.rescaled is Rescaled.CURRENT:
            return float((raw - 0x8000) * full / 0x8000)  # counted from the midpoint, 8000h is 0 mA
        return float(raw * full / (256**self.size - 1))

    def limits(self, scaling: Scaling | None = None) -> tuple[float, float]:
        """The smallest and the largest value this item can have."""
        low, high = 0, 256**self.size - 1
        if self.signed:
            low, high = -(256**self.size) // 2, 256**self.size // 2 - 1
        top = self.value(high, scaling)
        return self.value(low, scaling), top if self.ceiling is None else min(top, self.ceiling)


def _percent(pid: int) -> Item:
    return Item(pid, "%", 100, 255)


def _trim(pid: int, start: int = 0) -> Item:
    return Item(pid, "%", 100, 128, -100, start)


def _celsius(pid: int, ceiling: float | None = None) -> Item:
    return Item(pid, "°C", offset=-40, ceiling=ceiling)


def _lambda(pid: int) -> Item:
    # 2/65536: the standard prints the step rounded, as 0.0000305.
    return Item(pid, "lambda", 2, 65536, size=2, rescaled=Rescaled.LAMBDA)


def _catalyst(pid: int) -> Item:
    return Item(pid, "°C", 1, 10, -40, size=2)


def _oxygen_items() -> dict[str, Item]:
    """The three families of oxygen sensor PIDs, eight sensors each, numbered as the PIDs are.

    Which bank and position a number stands for depends on the vehicle's sensor layout (PID 13 or 1D).
    """
    items: dict[str, Item] = {}
    for index in range(8):
        name, wide, pump = f"oxygen_{index + 1}", 0x24 + index, 0x34 + index
        items[f"{name}_voltage"] = Item(0x14 + index, "V", 1, 200)
        items[f"{name}_trim"] = _trim(0x14 + index, 1)
        items[f"{name}_lambda"] = _lambda(wide)
        items[f"{name}_wide_voltage"] = Item(wide, "V", 8, 65536, start=2, size=2, rescaled=Rescaled.VOLTAGE)
        items[f"{name}_pump_lambda"] = _lambda(pump)
        items[f"{name}_pump_current"] = Item(pump, "mA", 1, 256, -128, start=2, size=2, rescaled=Rescaled.CURRENT)
    return items


#: Every item by name. Two items may share a PID; one item never comes from two.
ITEMS: dict[str, Item] = {
    "fuel_system_1": Item(0x03, "", ceiling=16),
    "fuel_system_2": Item(0x03, "", start=1, ceiling=16),
    "load": _percent(0x04),
    "coolant_temperature": _celsius(0x05),
    "short_trim_1": _trim(0x06),
    "short_trim_3": _trim(0x06, 1),
    "long_trim_1": _trim(0x07),
    "long_trim_3": _trim(0x07, 1),
    "short_trim_2": _trim(0x08),
    "short_trim_4": _trim(0x08, 1),
    "long_trim_2": _trim(0x09),
    "long_trim_4": _trim(0x09, 1),
    "fuel_pressure": Item(0x0A, "kPa", 3),  # gauge
    "map": Item(0x0B, "kPa", rescaled=Rescaled.MAP),  # absolute
    "rpm": Item(0x0C, "rpm", 1, 4, size=2),
    "speed": Item(0x0D, "km/h"),
    "timing_advance": Item(0x0E, "deg", 1, 2, -64),
    "intake_temperature": _celsius(0x0F),
    "maf": Item(0x10, "g/s", 1, 100, size=2),
    "throttle": _percent(0x11),
    "run_time": Item(0x1F, "s", size=2),
    "rail_pressure_relative": Item(0x22, "kPa", 79, 1000, size=2),  # to the manifold
    "rail_pressure": Item(0x23, "kPa", 10, size=2),  # gauge
    "egr_commanded": _percent(0x2C),
    "purge_commanded": _percent(0x2E),
    "fuel_level": _percent(0x2F),
    "evaporative_pressure": Item(0x32, "Pa", 1, 4, size=2, signed=True),
    "barometer": Item(0x33, "kPa"),
    "catalyst_b1s1_temperature": _catalyst(0x3C),
    "catalyst_b2s1_temperature": _catalyst(0x3D),
    "catalyst_b1s2_temperature": _catalyst(0x3E),
    "catalyst_b2s2_temperature": _catalyst(0x3F),
    "module_voltage": Item(0x42, "V", 1, 1000, size=2),
    "absolute_load": Item(0x43, "%", 100, 255, size=2),
    # The standard calls it an equivalence ratio, and defines it as a lambda: above 1 is lean.
    "commanded_lambda": _lambda(0x44),
    "throttle_relative": _percent(0x45),
    "ambient_temperature": _celsius(0x46),
    "throttle_b": _percent(0x47),
    "throttle_c": _percent(0x48),
    "pedal_d": _percent(0x49),
    "pedal_e": _percent(0x4A),
    "pedal_f": _percent(0x4B),
    "throttle_commanded": _percent(0x4C),
    "max_lambda": Item(SCALING_PID, "lambda"),
    "max_oxygen_voltage": Item(SCALING_PID, "V", start=1),
    "max_oxygen_current": Item(SCALING_PID, "mA", start=2),
    "max_map": Item(SCALING_PID, "kPa", 10, start=3),
    "max_maf": Item(0x50, "g/s", 10),
    "fuel_type": Item(0x51, ""),
    "ethanol": _percent(0x52),
    "rail_pressure_absolute": Item(0x59, "kPa", 10, size=2),
    "oil_temperature": _celsius(0x5C, ceiling=210),
    "fuel_rate": Item(0x5E, "L/h", 1, 20, size=2),
    **_oxygen_items(),
}

_BY_PID: dict[int, dict[str, Item]] = {}
for _name, _item in ITEMS.items():
    _BY_PID.setdefault(_item.pid, {})[_name] = _item

#: How many data bytes a PID may carry. Trims carry the second bank's byte on some vehicles.
LENGTHS: dict[int, tuple[int, ...]] = {
    **{pid: (max(i.start + i.size for i in items.values()),) for pid, items in _BY_PID.items()},
    **dict.fromkeys((0x06, 0x07, 0x08, 0x09), (1, 2)),
    0x50: (4,),  # three bytes are reserved
    **dict.fromkeys(BITMAPS, (4,)),
}


def _one_fuel_system_bit(raw: int) -> str:
    return "" if raw in (0, 1, 2, 4, 8, 16) else f"{raw:02X} is no fuel system status"


# Raw numbers that are in the bytes' range and still no value: the reason, or nothing.
_CHECKS: dict[str, Callable[[int], str]] = {
    "fuel_system_1": _one_fuel_system_bit,
    "fuel_system_2": _one_fuel_system_bit,
    "fuel_type": lambda raw: "" if raw else "the fuel type is not available",
}
# FF in the second byte of PIDs 14 to 1B: this sensor takes no part in the trim.
_TRIM_NOT_USED = 0xFF
_NARROW_OXYGEN = range(0x14, 0x1C)


def items_of(pid: int) -> tuple[str, ...]:
    """The names of the items that a PID carries; empty for a PID that is not in the table."""
    return tuple(_BY_PID.get(pid, ()))


def is_rescaled(pid: int) -> bool:
    """Whether PID 4F may change how this PID is read."""
    return any(item.rescaled for item in _BY_PID.get(pid, {}).values())


def decode(pid: int, data: bytes, scaling: Scaling | None = None) -> dict[str, float]:
    """The data bytes of one PID -> its items' values, each in `ITEMS[name].unit`.

    An item that this vehicle leaves out (a second trim byte, an unused trim) is missing from the answer.

    Raises:
        ObdError: unknown PID, wrong length, or bytes that the standard gives no meaning.
    """
    items = _BY_PID.get(pid)
    if items is None:
        raise ObdError(f"PID {pid:02X} is not one that can be decoded")
    _check_length(pid, data)
    values: dict[str, float] = {}
    for name, item in items.items():
        piece = data[item.start : item.start + item.size]
        if not piece or (pid in _NARROW_OXYGEN and item.start == 1 and piece[0] == _TRIM_NOT_USED):
            continue
        values[name] = _value(name, item, int.from_bytes(piece, "big", signed=item.signed), scaling)
    return values


def _check_length(pid: int, data: bytes) -> None:
    allowed = LENGTHS[pid]
    if len(data) not in allowed:
        wanted = " or ".join(str(n) for n in allowed)
        raise ObdError(f"PID {pid:02X} carries {wanted} data bytes, not {len(data)}")


def _value(name: str, item: Item, raw: int, scaling: Scaling | None) -> float:
    check = _CHECKS.get(name)
    if check and (reason := check(raw)):
        raise ObdError(f"PID {item.pid:02X}: {reason}")
    value = item.value(raw, scaling)
    if item.ceiling is not None and value > item.ceiling:
        raise ObdError(f"PID {item.pid:02X}: {spelt(value)} {item.unit} is above the standard's {spelt(item.ceiling)}")
    return value


def supported(base: int, data: bytes) -> frozenset[int]:
    """The four bytes of a bitmap PID -> the PIDs it lists; the first bit of A stands for `base` + 1.

    Raises:
        ObdError: `base` is no bitmap PID, or not four bytes.
    """
    if base not in BITMAPS:
        raise ObdError(f"PID {base:02X} is no bitmap of supported PIDs")
    _check_length(base, data)
    bits = int.from_bytes(data, "big")
    return frozenset(base + 1 + i for i in range(32) if bits >> (31 - i) & 1)


def parse_response(payload: bytes, asked: Collection[int] | None = None) -> dict[int, bytes]:
    """A whole service 01 answer, `41 PID data [PID data ...]` -> data bytes by PID.

    `asked` narrows what the answer may hold to the PIDs of the request; without it, any PID of the table.
    An answer to several PIDs may leave some out.

    Raises:
        NegativeResponseError: the control unit refused, or asks for patience (`code` is PENDING).
        ObdError: anything else that is no answer to service 01, or that can be read in two ways.
    """
    if not payload:
        raise ObdError("an empty answer")
    if payload[0] == _NEGATIVE:
        if len(payload) != 3 or payload[1] != SERVICE:
            raise ObdError(f"a negative response to something else: {payload.hex(' ').upper()}")
        raise NegativeResponseError(payload[2])
    if payload[0] != _POSITIVE or len(payload) < 3:
        raise ObdError(f"no answer to service 01: {payload[:8].hex(' ').upper()}")
    wanted = frozenset(LENGTHS if asked is None else LENGTHS.keys() & frozenset(asked))
    ways = list(_ways(payload[1:], wanted))
    if not ways:
        raise ObdError(f"an answer that does not fit what was asked: {payload[:8].hex(' ').upper()}")
    # Only a trim's optional second byte gives more than one; a control unit that gives all that it was asked
    # for is the ordinary case, so that reading stands before those with something missing.
    whole = [way for way in ways if asked is not None and len(way) == len(wanted)] or ways
    if len(whole) > 1:
        raise ObdError(f"an answer that can be read in two ways: {payload.hex(' ').upper()}")
    return whole[0]


def _ways(rest: bytes, wanted: frozenset[int]) -> Iterator[dict[int, bytes]]:
    """Every way to cut `rest` into PIDs out of `wanted`, each at most once."""
    if not rest:
        yield {}
        return
    pid = rest[0]
    if pid not in wanted:
        return
    for length in LENGTHS[pid]:
        if len(rest) > length:
            for tail in _ways(rest[1 + length :], wanted - {pid}):
                yield {pid: rest[1 : 1 + length], **tail}
