"""The kernel's trees as kinds of source: their settings, their items and the unit of each.

Units as in the kernel's Documentation/ABI/testing/sysfs-bus-iio and sysfs-class-hwmon.
"""

from __future__ import annotations

import difflib
import re
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.sources.kernel.kernel_settings import CHANNEL, HWMON_UNITS, IIO_UNITS, HwmonSource, IioSource, item_kind
from cabcanary.sources.kind import ItemError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.sources.kernel.reader import TreeReader
    from cabcanary.sources.kind import Opening, Wanted

#: The same thing in the one tree and in the other.
_ALIKE = {"voltage": "in", "current": "curr", "humidityrelative": "humidity"}
_ALIKE |= {hwmon: iio for iio, hwmon in _ALIKE.items()}
#: Kinds that are as near as this are a slip of the pen; what is further off is taken for a label.
_NEAR = 0.75


def iio_unit(_spec: IioSource, wanted: Wanted) -> str:
    """The unit of an item of an IIO device.

    Raises:
        ItemError: there is no such item, or its label hides its unit.
    """
    return _unit(wanted, IIO_UNITS, "voltage0")


def hwmon_unit(_spec: HwmonSource, wanted: Wanted) -> str:
    """The unit of an item of a hwmon chip.

    Raises:
        ItemError: there is no such item, or its label hides its unit.
    """
    if wanted.item in HWMON_UNITS:
        raise _no_such(wanted.item, f"did you mean '{wanted.item}1'?")
    return _unit(wanted, HWMON_UNITS, "in0")


def _unit(wanted: Wanted, known: Mapping[str, str], example: str) -> str:
    kind = item_kind(wanted.item)
    # A chip's channels are a kind and a number, no more: "power_supply" is a label there.
    if kind in known and (known is IIO_UNITS or wanted.item[len(kind) :].isdigit()):
        return known[kind]
    fix = _slip(wanted.item, known) or _other_form(wanted.item, known)
    if fix:
        raise _no_such(wanted.item, fix)
    other = HWMON_UNITS if known is IIO_UNITS else IIO_UNITS
    if kind in other and wanted.item[len(kind) :].isdigit():
        device, there = ("an iio device", "hwmon") if known is IIO_UNITS else ("a hwmon chip", "iio")
        raise ItemError(
            "item", f"{device} has no '{wanted.item}'", f"that is a channel of {there}; name one of its own"
        )
    # A label. Which kind of channel it stands for is found out when it is opened; until then the settings say it.
    by_number = f"name the item by its number, such as {example}"
    if not wanted.said:
        message = f"'{wanted.item}' is a label, which does not tell the unit behind it"
        raise ItemError("wire_unit", message, f'write the unit of the wire, such as wire_unit = "V", or {by_number}')
    for symbol in known.values():
        if fits(symbol, wanted.said):
            return symbol
    message = f"no item of this kind of source is in '{wanted.said}'"
    offers = ", ".join(dict.fromkeys(known.values()))
    key = "wire_unit" if wanted.wire_unit else "unit"
    raise ItemError(key, message, f"they are in {offers}; write a unit like these, or {by_number}")


def fits(symbol: str, said: str) -> bool:
    """Whether a number in one unit can be told in the other: a humidity is no lambda, though both are plain numbers."""
    one, other = units.unit(symbol), units.unit(said)
    share = one.dimension == units.DIMENSIONLESS and "%" not in other.symbol
    return one.dimension == other.dimension and not share


def _no_such(item: str, fix: str) -> ItemError:
    return ItemError("item", f"this kind of source gives no '{item}'", fix)


def _slip(item: str, known: Mapping[str, str]) -> str:
    """What to write instead of an item that is nearly one; empty where it is nothing of the sort."""
    file = re.fullmatch(r"(?:in_)?(.+?)(?:_raw|_input)?", item)
    if file and file[1] != item and item_kind(file[1]) in known:
        return f"write '{file[1]}', without what its file's name has around it"
    match = CHANNEL.fullmatch(item)
    if match is None or not match[2]:
        return ""
    near = [_ALIKE[match[1]]] if match[1] in _ALIKE else difflib.get_close_matches(match[1], known, 1, _NEAR)
    return f"did you mean '{near[0]}{match[2]}'?" if near else ""


def _other_form(item: str, known: Mapping[str, str]) -> str:
    """What to write instead of a channel in capitals or with something between its kind and its number."""
    plain = re.sub(r"[^a-z0-9]", "", item.lower())
    number = plain.lstrip("abcdefghijklmnopqrstuvwxyz")
    kind = plain.removesuffix(number)
    return f"did you mean '{plain}'?" if plain != item and number.isdigit() and kind in known else ""


def open_iio(spec: IioSource, opening: Opening) -> TreeReader:
    """What reads a device of the IIO tree."""
    from cabcanary.sources.kernel.iio import iio_reader

    return iio_reader(opening.name, spec, opening.items, opening.clock, opening.slots, opening.status)


def open_hwmon(spec: HwmonSource, opening: Opening) -> TreeReader:
    """What reads a chip of the hwmon tree."""
    from cabcanary.sources.kernel.hwmon import hwmon_reader

    return hwmon_reader(opening.name, spec, opening.items, opening.clock, opening.slots, opening.status)
