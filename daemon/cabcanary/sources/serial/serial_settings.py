"""The settings of what comes over a serial port."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field, field_validator, model_validator

from cabcanary.sources.kind import SourceSettings
from cabcanary.validation.base import Name, Strict
from cabcanary.validation.quantities import Place

if TYPE_CHECKING:
    pass


#: The one item of a satellite receiver: seconds since 1970, UTC.
UTC_ITEM = "utc"


class SerialPort(SourceSettings):
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
