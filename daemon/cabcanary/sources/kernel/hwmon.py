"""Voltages, currents, powers and temperatures through the Linux hwmon tree.

As in the kernel's Documentation/ABI/testing/sysfs-class-hwmon: `inN_input` in millivolt at the chip's pin (a divider
outside the chip is the settings' to correct), `currN_input` in milliampere, `tempN_input` in milli-degree. `name` is
the only file that every chip has; a channel that is switched off gives ENODATA.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.sources.kernel.reader import TreeChannel, TreeError, TreeReader, read_small

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Backoff, Status
    from cabcanary.settings.wires import HwmonSource
    from cabcanary.sources.slot import Slots

#: The kernel's unit of each kind of channel.
KINDS = {"in": "mV", "curr": "mA", "temp": "m°C"}


def find_chip(folder: Path, wanted: str) -> Path:
    """The chip's folder whose `name` is `wanted`.

    Raises:
        TreeError: none is.
    """
    seen = []
    for chip in sorted(folder.glob("hwmon*")):
        try:
            name = read_small(chip / "name")
        except OSError:
            continue
        if name == wanted:
            return chip
        seen.append(name)
    there = f"it holds {', '.join(sorted(set(seen)))}" if seen else "it holds no chip"
    raise TreeError(f"no hwmon chip named '{wanted}' under {folder}; {there}")


def open_channel(chip: Path, item: str) -> TreeChannel:
    """The file of an item, by its number (in0) or its label.

    Raises:
        TreeError: the chip has no such item; the message says what it has.
    """
    path = chip / f"{item}_input"
    if path.exists():
        return TreeChannel(item, path)
    there = []
    for found in sorted(chip.glob("*_input")):
        number = found.name.removesuffix("_input")
        there.append(number)
        try:
            label = read_small(chip / f"{number}_label")
        except OSError:
            continue
        there.append(label)
        if label == item:
            return TreeChannel(item, found)
    raise TreeError(f"{read_small(chip / 'name')} has no '{item}'; it has {', '.join(there) or 'none'}")


def hwmon_reader(
    name: str,
    spec: HwmonSource,
    items: Sequence[str],
    clock: Clock,
    slots: Slots,
    status: Status,
    backoff: Backoff | None = None,
) -> TreeReader:
    """Reads the wanted `items` (such as "in0") of one chip into the slots."""

    def find() -> list[TreeChannel]:
        chip = find_chip(spec.folder, spec.device)
        return [open_channel(chip, item) for item in items]

    return TreeReader(name, find, items, spec.rate_hz, spec.hung_after, clock, slots, status, backoff)
