"""Serial ports as kinds of source: their settings, items and problems, and how they are opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.sources.kind import Fault
from cabcanary.sources.serial.serial_settings import (
    UTC_ITEM,
    GpsTimeSource,
    SerialBinarySource,
    SerialTextSource,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.sources.kind import Opening
    from cabcanary.sources.serial.port import SerialReader


def text_items(spec: SerialTextSource) -> list[str] | None:
    """The fields that the settings name; None where the lines name them."""
    return list(spec.fields) or spec.pattern_fields or None


def binary_problems(name: str, spec: SerialBinarySource) -> Iterator[Fault]:
    """A checksum that there is none of."""
    from cabcanary.sources.serial.binary_frame import ChecksumError, checksum, near_checksum

    if spec.checksum is not None:
        try:
            checksum(spec.checksum.kind)
        except ChecksumError as error:
            yield Fault(("sources", name, "checksum", "kind"), str(error), near_checksum(spec.checksum.kind))


def binary_limits(spec: SerialBinarySource, item: str) -> tuple[float, float] | None:
    """The lowest and highest number that a field's bytes can be; None for a floating-point number."""
    field = spec.fields.get(item)
    if field is None or field.type.startswith("f"):
        return None
    bits = int(field.type[1:])
    low, high = (-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if field.type.startswith("i") else (0, 2**bits - 1)
    ends = sorted((low * field.scale + field.offset, high * field.scale + field.offset))
    return ends[0], ends[1]


def open_text(spec: SerialTextSource, opening: Opening) -> SerialReader:
    """What reads lines."""
    from cabcanary.sources.serial.port import SerialReader
    from cabcanary.sources.serial.text_line import LineParser

    parser = LineParser(opening.name, spec)
    return SerialReader(opening.name, spec, parser, opening.items, opening.clock, opening.slots, opening.status)


def open_binary(spec: SerialBinarySource, opening: Opening) -> SerialReader:
    """What reads frames."""
    from cabcanary.sources.serial.binary_frame import FrameParser
    from cabcanary.sources.serial.port import SerialReader

    parser = FrameParser(opening.name, spec)
    return SerialReader(opening.name, spec, parser, opening.items, opening.clock, opening.slots, opening.status)


def open_gps_time(spec: GpsTimeSource, opening: Opening) -> SerialReader:
    """What reads the time, whether a channel wants it or not."""
    from cabcanary.sources.serial.gps_time import RmcParser
    from cabcanary.sources.serial.port import SerialReader

    parser = RmcParser(opening.name)
    return SerialReader(opening.name, spec, parser, [UTC_ITEM], opening.clock, opening.slots, opening.status)
