"""Readings through the Linux IIO tree.

Arithmetic as in the kernel's Documentation/ABI/testing/sysfs-bus-iio: (raw + offset) * scale, in the unit that it names
for the kind of channel (`kind.IIO_UNITS`); the scale per channel or shared, a missing offset 0. The device is found by
its `label` or `name`, because its number changes from boot to boot.
"""

from __future__ import annotations

import contextlib
import math
from typing import TYPE_CHECKING

from cabcanary.sources.kernel.kernel_settings import IIO_UNITS, item_kind
from cabcanary.sources.kernel.reader import (
    TreeChannel,
    TreeError,
    TreeReader,
    labelled,
    number_in,
    read_small,
    with_units,
)

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Backoff, Status
    from cabcanary.sources.kernel.kernel_settings import IioSource
    from cabcanary.sources.slot import Slots


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


def channels_of(device: Path) -> dict[str, Path]:
    """The channels of a device by their items, each with the file to read; what the kernel has scaled comes first."""
    found: dict[str, Path] = {}
    for ending in ("_raw", "_input"):
        found |= {p.name[len("in_") : -len(ending)]: p for p in sorted(device.glob(f"in_*{ending}"))}
    return found


def open_channel(device: Path, item: str, unit: str = "") -> TreeChannel:
    """The file of an item of a device, by its name or its label, with its scale and offset.

    `unit` is the one that a label must stand for.

    Raises:
        TreeError: the device has no such item; the message says what it has.
    """
    files = channels_of(device)
    name = item if item in files else labelled(files, lambda i: device / f"in_{i}_label", (item, unit), IIO_UNITS)
    if name is None:
        raise TreeError(f"{_name(device)} has no '{item}'; it has {', '.join(sorted(files)) or 'none'}")
    if files[name].name.endswith("_input"):
        return TreeChannel(item, files[name])
    return TreeChannel(
        item, files[name], _attribute(device, name, "scale", 1.0), _attribute(device, name, "offset", 0.0)
    )


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
    items: Collection[str],
    clock: Clock,
    slots: Slots,
    status: Status,
    backoff: Backoff | None = None,
) -> TreeReader:
    """Reads the wanted `items` (such as "voltage0") of one device into the slots; a mapping also says their units."""

    def look_for() -> list[TreeChannel]:
        device = find_device(spec.folder, spec.device)
        return [open_channel(device, item, unit) for item, unit in with_units(items)]

    return TreeReader(name, look_for, items, spec.rate_hz, spec.hung_after, clock, slots, status, backoff)
