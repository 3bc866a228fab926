"""Sources: one table for each wire, saying how to read it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from cabcanary.settings.base import Name, PinName, Strict
from cabcanary.settings.quantities import FolderPath, FolderPathOrNone, Place, Seconds, UnitSymbol


class IioSource(Strict):
    """Voltages, currents, resistances and temperatures through the kernel's IIO tree, by the device's name or label."""

    kind: Literal["iio"]
    device: str = Field(min_length=1)
    folder: FolderPath = Path("/sys/bus/iio/devices")
    rate_hz: float = Field(default=50.0, gt=0, le=1000)
    #: A read that takes longer is hung: its channel is left to a thread of its own. 0.15 s keeps the other
    #: channels of the device fresher than their stale limit; smaller would split on a slow converter.
    hung_after: Seconds = 0.15


class HwmonSource(Strict):
    """Voltages, currents and temperatures through the kernel's hwmon tree, by the chip's name."""

    kind: Literal["hwmon"]
    device: str = Field(min_length=1)
    folder: FolderPath = Path("/sys/class/hwmon")
    rate_hz: float = Field(default=10.0, gt=0, le=1000)
    hung_after: Seconds = 0.3


class SerialPort(Strict):
    """What all serial wires have: which port, and how fast."""

    port: Place
    baud: int = Field(default=9600, ge=110, le=4_000_000)
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1


class SerialTextSource(SerialPort):
    """Lines of text: named fields, positioned fields, or a regular expression with named groups for odd ones."""

    kind: Literal["serial_text"]
    separator: str = Field(default=" ", min_length=1, max_length=4)
    assign: str = Field(default="=", max_length=4)
    fields: list[Name] = []
    pattern: str | None = Field(default=None, max_length=300)
    not_ready: list[str] = []
    error: list[str] = []
    line_end: Literal["any", "cr", "lf", "crlf"] = "any"
    #: No line of ours is longer; a longer one is garbage, and is dropped before it can eat memory.
    longest_line: int = Field(default=200, ge=8, le=4096)

    @field_validator("pattern")
    @classmethod
    def _compiles(cls, pattern: str | None) -> str | None:
        if pattern is None:
            return None
        try:
            groups = re.compile(pattern).groupindex
        except re.error as error:
            raise ValueError(f"this pattern is no regular expression: {error}") from error
        if not groups:
            raise ValueError("this pattern names no field; name each with (?P<lambda>…)")
        return pattern

    @property
    def pattern_fields(self) -> list[str]:
        """The fields that the pattern names."""
        return list(re.compile(self.pattern).groupindex) if self.pattern else []

    @model_validator(mode="after")
    def _one_way(self) -> SerialTextSource:
        if self.fields and self.pattern:
            raise ValueError("give fields or a pattern, not both")
        return self


class BinaryField(Strict):
    """One number in a binary frame; `at` counts bytes from the first sync byte."""

    at: int = Field(ge=0, le=1023)
    type: Literal["u8", "i8", "u16", "i16", "u24", "u32", "i32", "f32"]
    byte_order: Literal["big", "little"] = "big"
    scale: float = 1.0
    offset: float = 0.0
    #: Raw numbers that mean "not ready" or "no value".
    not_ready: list[int] = []


class Checksum(Strict):
    """What guards a binary frame: a sum, an exclusive or, or a CRC by its name in the RevEng catalogue.

    It covers the bytes from `first` up to the checksum itself, which stands at `at` (from the end when negative).
    """

    kind: str = Field(min_length=1)
    at: int = Field(ge=-64, le=1023)
    first: int = Field(default=0, ge=0, le=1023)
    byte_order: Literal["big", "little"] = "big"


class SerialBinarySource(SerialPort):
    """Binary frames: sync bytes, a fixed length, numbers at fixed places, a checksum."""

    kind: Literal["serial_binary"]
    sync: Annotated[str, Field(pattern=r"^([0-9a-fA-F]{2} ?)+$")]
    length: int = Field(ge=2, le=1024)
    fields: dict[Name, BinaryField] = Field(min_length=1)
    checksum: Checksum | None = None

    @model_validator(mode="after")
    def _fits(self) -> SerialBinarySource:
        sizes = {"8": 1, "16": 2, "24": 3, "32": 4}
        for name, field in self.fields.items():
            if field.at + sizes[field.type[1:]] > self.length:
                raise ValueError(f"field {name} reaches beyond the frame's {self.length} bytes")
        if len(bytes.fromhex(self.sync)) >= self.length:
            raise ValueError("the sync bytes leave no room for anything else")
        if self.checksum is None and len(bytes.fromhex(self.sync)) < 2:
            raise ValueError("a frame with one sync byte and no checksum cannot be told from chance; give a checksum")
        return self


class GpsTimeSource(SerialPort):
    """A satellite receiver that sends NMEA 0183 sentences: the time for dating drives. Its position is not read."""

    kind: Literal["gps_time"]


class CanSignal(Strict):
    """A number in a broadcast CAN frame, written down by hand.

    `start` is the position of the least significant bit for little-endian signals and of the most significant
    bit for big-endian ones, counted as DBC files count.
    """

    id: int = Field(ge=0, le=0x1FFFFFFF)
    extended: bool = False
    start: int = Field(ge=0, le=511)
    length: int = Field(ge=1, le=64)
    byte_order: Literal["big", "little"]
    signed: bool = False
    scale: float = 1.0
    offset: float = 0.0
    unit: UnitSymbol = ""
    #: Raw numbers that mean "no value".
    invalid: list[int] = []

    @model_validator(mode="after")
    def _id_fits(self) -> CanSignal:
        if not self.extended and self.id > 0x7FF:
            raise ValueError(f"id {self.id:#x} is longer than 11 bits; add extended = true")
        return self


class CanSource(Strict):
    """A vehicle bus through any python-can interface, in a process of its own; read services only.

    `items` are asked of the engine computer over OBD-II, each with its wanted rate in Hz; `signals` and
    `dbc_signals` are heard as they are broadcast. Without `items` nothing is ever sent.
    """

    kind: Literal["can"]
    interface: str = Field(min_length=1)
    channel: Place
    bitrate: Literal[125_000, 250_000, 500_000, 1_000_000] = 500_000
    extended_ids: bool = False
    items: dict[Name, Annotated[float, Field(gt=0, le=50)]] = {}
    signals: dict[Name, CanSignal] = {}
    dbc: Place | None = None
    #: Our name for it = "MESSAGE.SIGNAL" of the DBC file.
    dbc_signals: dict[Name, str] = {}
    #: Up to six PIDs in one request, where the engine computer takes it (SAE J1979 allows it on CAN).
    pids_per_request: int = Field(default=6, ge=1, le=6)

    @model_validator(mode="after")
    def _something(self) -> CanSource:
        if not (self.items or self.signals or self.dbc_signals):
            raise ValueError("nothing is wanted from this bus; give items, signals or dbc_signals")
        if self.dbc_signals and self.dbc is None:
            raise ValueError("dbc_signals need the DBC file that they stand in: dbc = …")
        names = [*self.items, *self.signals, *self.dbc_signals]
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise ValueError(f"{', '.join(twice)} is named twice; rename one")
        return self


class DigitalPin(Strict):
    """One switch or button on a pin."""

    pin: PinName
    pull: Literal["up", "down", "none"] = "none"
    #: Which level means "on".
    active: Literal["high", "low"] = "high"
    debounce: Seconds = 0.03


class GpioSource(Strict):
    """Switches and buttons on the computer's own pins: ignition, acknowledge, anything that is on or off."""

    kind: Literal["gpio"]
    pins: dict[Name, DigitalPin] = Field(min_length=1)


class HostSource(Strict):
    """The computer that this runs on: its clock, its card, its board, its recorder."""

    kind: Literal["host"]
    rate_hz: float = Field(default=1.0, gt=0, le=10)
    #: On a bench: a folder of small text files named like the items, each read instead of the machine.
    folder: FolderPathOrNone = None
    #: A read that takes longer hangs, and its item is absent. Two readings are missed by then; sooner would tell of
    #: every busy moment of a card.
    hung_after: Seconds = 2.0


Source = Annotated[
    IioSource
    | HwmonSource
    | SerialTextSource
    | SerialBinarySource
    | GpsTimeSource
    | CanSource
    | GpioSource
    | HostSource,
    Field(discriminator="kind"),
]
