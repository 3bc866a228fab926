"""Readings through the Linux hwmon tree.

As in the kernel's Documentation/ABI/testing/sysfs-class-hwmon: a number in the unit of its kind (`kind.HWMON_UNITS`), a
voltage as it is at the chip's pin (a divider outside the chip is the settings' to correct). `name` is the only file
that every chip has; a channel that is switched off gives ENODATA.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from cabcanary.sources.kernel.kernel_settings import HWMON_UNITS
from cabcanary.sources.kernel.reader import TreeChannel, TreeError, TreeReader, labelled, read_small, with_units

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Backoff, Status
    from cabcanary.sources.kernel.kernel_settings import HwmonSource
    from cabcanary.sources.slot import Slots


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


def channels_of(chip: Path) -> dict[str, Path]:
    """The channels of a chip by their items, each with its file, and its power's averages where it has no others."""
    found = {p.name.removesuffix("_average"): p for p in sorted(chip.glob("power*_average"))}
    return found | {p.name.removesuffix("_input"): p for p in sorted(chip.glob("*_input"))}


def open_channel(chip: Path, item: str, unit: str = "") -> TreeChannel:
    """The file of an item, by its number (in0) or its label. `unit` is the one that a label must stand for.

    Raises:
        TreeError: the chip has no such item; the message says what it has.
    """
    files = channels_of(chip)
    name = item if item in files else labelled(files, lambda i: chip / f"{i}_label", (item, unit), HWMON_UNITS)
    if name is None:
        raise TreeError(f"{read_small(chip / 'name')} has no '{item}'; it has {_all_names(chip, files) or 'none'}")
    return TreeChannel(item, files[name])


def _all_names(chip: Path, files: Mapping[str, Path]) -> str:
    names = []
    for item in sorted(files):
        names.append(item)
        with contextlib.suppress(OSError):
            names.append(read_small(chip / f"{item}_label"))
    return ", ".join(names)


def hwmon_reader(
    name: str,
    spec: HwmonSource,
    items: Collection[str],
    clock: Clock,
    slots: Slots,
    status: Status,
    backoff: Backoff | None = None,
) -> TreeReader:
    """Reads the wanted `items` (such as "in0") of one chip into the slots; a mapping also says their units."""

    def look_for() -> list[TreeChannel]:
        chip = find_chip(spec.folder, spec.device)
        return [open_channel(chip, item, unit) for item, unit in with_units(items)]

    return TreeReader(name, look_for, items, spec.rate_hz, spec.hung_after, clock, slots, status, backoff)
