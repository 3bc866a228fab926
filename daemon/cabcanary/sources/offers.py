"""What each source can give: its items, and the unit of each on the wire. Known from the settings, no device opened."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.settings.wires import (
    CanSource,
    GpioSource,
    GpsTimeSource,
    HostSource,
    HwmonSource,
    IioSource,
    SerialBinarySource,
    SerialTextSource,
)
from cabcanary.sources.can.obd_pids import ITEMS
from cabcanary.sources.host import computer as this_computer
from cabcanary.sources.kernel import hwmon, iio
from cabcanary.sources.serial import gps_time

if TYPE_CHECKING:
    from cabcanary.settings.sensors import MeasuredChannel
    from cabcanary.settings.wires import Source


def wire_of(source: Source, spec: MeasuredChannel) -> tuple[units.Unit, bool]:
    """The unit in which a source gives the channel's item, and whether that is a converter's own voltage."""
    match source:
        case IioSource():
            symbol = iio.KINDS.get(iio.item_kind(spec.item), "mV")
            return units.unit(symbol), symbol == "mV"
        case HwmonSource():
            symbol = hwmon.KINDS.get(iio.item_kind(spec.item), "mV")
            return units.unit(symbol), symbol == "mV"
        case CanSource():
            item, signal = ITEMS.get(spec.item), source.signals.get(spec.item)
            if spec.item in source.items and item is not None:
                return units.unit(item.unit), False
            return units.unit((signal.unit if signal else "") or spec.wire_unit or spec.unit), False
        case GpioSource():
            return units.unit("state"), False
        case GpsTimeSource():
            return units.unit("s"), False
        case HostSource():
            # An item that there is none of is told of elsewhere.
            return units.unit(this_computer.ITEMS.get(spec.item, spec.wire_unit or spec.unit)), False
        case SerialTextSource() | SerialBinarySource():
            # A number on a serial line is just one; the settings say in which unit, or it is the channel's own.
            return units.unit(spec.wire_unit or spec.unit), False


def offered(source: Source) -> list[str] | None:
    """The items that a source can give, where the settings say so; None where only the wire knows."""
    match source:
        case IioSource() | HwmonSource():
            return None
        case CanSource():
            return [*source.items, *source.signals, *source.dbc_signals]
        case GpioSource():
            return list(source.pins)
        case GpsTimeSource():
            return [gps_time.ITEM]
        case HostSource():
            return list(this_computer.ITEMS)
        case SerialBinarySource():
            return list(source.fields)
        case SerialTextSource():
            return list(source.fields) or source.pattern_fields or None
