"""The kinds of source: a row for each. What differs by kind is asked of its row, and its folder has the rest."""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.sources.can import can_settings
from cabcanary.sources.can import kind as can
from cabcanary.sources.gpio import gpio_settings
from cabcanary.sources.gpio import kind as gpio
from cabcanary.sources.host import host_settings
from cabcanary.sources.host import kind as host
from cabcanary.sources.kernel import kernel_settings
from cabcanary.sources.kernel import kind as kernel
from cabcanary.sources.kind import ItemError, Kind, SourceSettings, Wanted, said_unit
from cabcanary.sources.one_wire import kind as one_wire
from cabcanary.sources.one_wire import one_wire_settings
from cabcanary.sources.serial import kind as serial
from cabcanary.sources.serial import serial_settings
from cabcanary.validation.problems import nearest

if TYPE_CHECKING:
    from cabcanary.sources.listening import Way

KINDS: tuple[Kind, ...] = (
    Kind(
        settings=kernel_settings.IioSource,
        open=kernel.open_iio,
        items=lambda _spec: None,
        unit=kernel.iio_unit,
        way="cabcanary.sources.kernel.listening:IIO",
        converter=True,
    ),
    Kind(
        settings=kernel_settings.HwmonSource,
        open=kernel.open_hwmon,
        items=lambda _spec: None,
        unit=kernel.hwmon_unit,
        way="cabcanary.sources.kernel.listening:HWMON",
        converter=True,
    ),
    Kind(
        settings=one_wire_settings.OneWireSource,
        open=one_wire.open_one_wire,
        items=lambda spec: spec.thermometers,
        unit=lambda _spec, _wanted: "m°C",
        way="cabcanary.sources.one_wire.listening:THERMOMETERS",
    ),
    Kind(
        settings=serial_settings.SerialTextSource,
        open=serial.open_text,
        items=serial.text_items,
        unit=said_unit,
        way="cabcanary.sources.serial.listening:LINES",
    ),
    Kind(
        settings=serial_settings.SerialBinarySource,
        open=serial.open_binary,
        items=lambda spec: spec.fields,
        limits=serial.binary_limits,
        unit=said_unit,
        problems=serial.binary_problems,
        way="cabcanary.sources.serial.listening:BYTES",
    ),
    Kind(
        settings=serial_settings.GpsTimeSource,
        open=serial.open_gps_time,
        items=lambda _spec: [serial_settings.UTC_ITEM],
        unit=lambda _spec, _wanted: "s",
        way="cabcanary.sources.serial.listening:LINES",
        tells_time=True,
    ),
    Kind(
        settings=can_settings.CanSource,
        open=can.open_can,
        items=can_settings.can_items,
        limits=can.can_limits,
        could=can.could_be_asked,
        unit=can.can_unit,
        problems=can.can_problems,
        file_problems=can.dbc_faults,
        way="cabcanary.sources.can.listening:BUS",
    ),
    Kind(
        settings=gpio_settings.GpioSource,
        open=gpio.open_gpio,
        items=lambda spec: spec.pins,
        limits=lambda _spec, _item: (0.0, 1.0),
        unit=lambda _spec, _wanted: "state",
        way="cabcanary.sources.gpio.listening:PINS",
        pins=gpio.pins_of,
    ),
    Kind(
        settings=host_settings.HostSource,
        open=host.open_host,
        items=host.host_items,
        unit=host.host_unit,
        way="cabcanary.sources.host.listening:HOST",
    ),
)
_BY_SETTINGS = {kind.settings: kind for kind in KINDS}


def kind_of(source: SourceSettings) -> Kind:
    """The row of a source."""
    return _BY_SETTINGS[type(source)]


def way_of(kind: Kind) -> Way:
    """How `cabcanary listen` shows sources of this kind."""
    module, _, name = kind.way.partition(":")
    way: Way = getattr(import_module(module), name)
    return way


def wire_of(name: str, source: SourceSettings, wanted: Wanted) -> tuple[units.Unit, bool]:
    """The unit in which the source `name` gives an item, and whether that is a converter's own voltage.

    Raises:
        ItemError: it has no such item, or none with such a unit.
    """
    kind = kind_of(source)
    fault = missing_item(name, source, wanted.item)
    if fault is not None:
        raise fault
    symbol = kind.unit(source, wanted)
    return units.unit(symbol), kind.converter and symbol == "mV"


def missing_item(name: str, source: SourceSettings, item: str) -> ItemError | None:
    """What is wrong with asking the source `name` for an item; None: nothing, as far as the settings tell."""
    kind = kind_of(source)
    there: Any = kind.items(source)
    if there is None or item in there:
        return None
    fix = "" if item in kind.could() else nearest(item, there)
    return ItemError("item", f"source '{name}' gives no '{item}'", fix or f"add it under sources.{name}")
