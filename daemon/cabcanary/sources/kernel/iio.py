"""Voltages, currents, resistances and temperatures through the Linux IIO tree.

Arithmetic as in the kernel's Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) * scale, in millivolt,
milliampere, ohm or milli-degree; the scale per channel or shared, a missing offset 0. The device is found by its
`label` or `name`, because its number changes from boot to boot.
"""

from __future__ import annotations

import contextlib
import math
from typing import TYPE_CHECKING

from cabcanary.sources.kernel.reader import TreeChannel, TreeError, TreeReader, number_in, read_small

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Backoff, Status
    from cabcanary.settings.wires import IioSource
    from cabcanary.sources.slot import Slots

#: The kernel's unit of each kind of channel.
KINDS = {"voltage": "mV", "altvoltage": "mV", "current": "mA", "resistance": "ohm", "temp": "m°C"}


def item_kind(item: str) -> str:
    """ "voltage0-voltage1" -> "voltage"."""
    return item.partition("-")[0].rstrip("0123456789")


def millivolts(raw: float, scale: float, offset: float = 0.0) -> float:
    """(raw + offset) * scale, as the kernel's ABI defines it."""
    return (raw + offset) * scale


def find_device(folder: Path, wanted: str) -> Path:
    """The device folder whose `label` is `wanted`, or else whose `name` is: a label is given to one device.

    Raises:
        TreeError: none is.
    """
    seen = []
    for key in ("label", "name"):
        for device in sorted(folder.glob("iio:device*")):
            try:
                text = read_small(device / key)
            except OSError:
                continue
            if text == wanted:
                return device
            seen.append(text)
    there = f"it holds {', '.join(sorted(set(seen)))}" if seen else "it holds no device"
    raise TreeError(f"no IIO device named '{wanted}' under {folder}; {there}")


def _name(device: Path) -> str:
    """How a person knows the device: its label, its name, or else its number."""
    for key in ("label", "name"):
        with contextlib.suppress(OSError):
            return read_small(device / key)
    return device.name


def open_channel(device: Path, item: str) -> TreeChannel:
    """The file of an item of a device, with its scale and offset.

    Raises:
        TreeError: the device has no such item; the message says what it has.
    """
    processed = device / f"in_{item}_input"
    if processed.exists():
        return TreeChannel(item, processed)
    raw = device / f"in_{item}_raw"
    if not raw.exists():
        there = sorted(p.name[3:-4] for p in device.glob("in_*_raw"))
        raise TreeError(f"{_name(device)} has no '{item}'; it has {', '.join(there) or 'none'}")
    return TreeChannel(item, raw, _attribute(device, item, "scale", 1.0), _attribute(device, item, "offset", 0.0))


def _attribute(device: Path, item: str, what: str, otherwise: float) -> float:
    """An attribute of a channel: its own, its type's, its direction's or the device's, as the kernel shares them."""
    kind = item_kind(item)
    differential = (f"in_{kind}-{kind}",) if "-" in item else ()
    for owner in (f"in_{item}", *differential, f"in_{kind}", "in"):
        number = number_in(device / f"{owner}_{what}", math.nan)
        if not math.isnan(number):
            return number
    return number_in(device / what, otherwise)


def iio_reader(
    name: str,
    spec: IioSource,
    items: Sequence[str],
    clock: Clock,
    slots: Slots,
    status: Status,
    backoff: Backoff | None = None,
) -> TreeReader:
    """Reads the wanted `items` (such as "voltage0") of one device into the slots."""

    def find() -> list[TreeChannel]:
        device = find_device(spec.folder, spec.device)
        return [open_channel(device, item) for item in items]

    return TreeReader(name, find, items, spec.rate_hz, spec.hung_after, clock, slots, status, backoff)
