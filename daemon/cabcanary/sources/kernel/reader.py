"""The small text files of a kernel tree (IIO, hwmon): each file a channel, all of a device read in turn."""

from __future__ import annotations

import contextlib
import errno
import math
import os
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.sources.kernel.kernel_settings import item_kind
from cabcanary.sources.running import LostError, Polled
from cabcanary.store.samples import Steps

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Iterable
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Backoff, Status
    from cabcanary.sources.slot import Slots

#: A sysfs value is a short number; more than this is not one.
_LONGEST_VALUE = 32
#: A busy converter (a buffer owns it) or a bus that timed out: the device is still there.
_PASSING = (errno.EBUSY, errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.EREMOTEIO, errno.ENODATA)


class TreeError(OSError):
    """The tree does not hold what the settings ask for; the message says what it does hold."""


@dataclass
class TreeChannel:
    """One file: reading = (number + offset) * scale, in the unit that the kernel's ABI names."""

    item: str
    path: Path
    scale: float = 1.0
    offset: float = 0.0
    descriptor: int | None = None

    def read(self) -> float:
        """The reading.

        Raises:
            OSError: none for now. LostError: the file, and so perhaps the device, is gone. ValueError: no number.
        """
        try:
            if self.descriptor is None:
                self.descriptor = os.open(self.path, os.O_RDONLY | os.O_CLOEXEC)
            raw = os.pread(self.descriptor, _LONGEST_VALUE, 0)
        except OSError as error:
            words = f"{self.item}: {error.strerror or error}"
            if error.errno in _PASSING:
                raise OSError(words) from error
            self.close()
            raise LostError(words) from error
        try:
            # Whole codes mostly; what a driver has scaled itself has decimals (in_pressure_input: 101.325000000).
            number = float(raw)
        except ValueError:
            number = math.nan
        # Scale and offset come from files as well.
        value = (number + self.offset) * self.scale
        if not math.isfinite(value):
            raise ValueError(f"{self.item} gave no number")
        return value

    def close(self) -> None:
        """Close the file; the next read opens it again."""
        if self.descriptor is not None:
            os.close(self.descriptor)
            self.descriptor = None


def read_small(path: Path) -> str:
    """The text of a name, label or scale; never hangs.

    Raises:
        OSError: it cannot be read.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        return os.read(descriptor, 256).decode(errors="replace").strip()
    finally:
        os.close(descriptor)


def number_in(path: Path, otherwise: float) -> float:
    """The number in a small file, or another one where there is none."""
    try:
        return float(read_small(path))
    except (OSError, ValueError):
        return otherwise


def labelled(
    files: Mapping[str, Path], label_of: Callable[[str], Path], wanted: tuple[str, str], known: Mapping[str, str]
) -> str | None:
    """The channel among `files` with the label and the unit of `wanted`; `known` has the unit of each kind.

    Raises:
        TreeError: a channel has this label and is in another unit.
    """
    label, unit = wanted
    others = []
    for item in files:
        with contextlib.suppress(OSError):
            if read_small(label_of(item)) == label:
                if not unit or known.get(item_kind(item)) == unit:
                    return item
                others.append(item)
    if others:
        raise TreeError(f"'{label}' is the label of {' and '.join(others)}, and the settings take it to be in {unit}")
    return None


def with_units(items: Collection[str]) -> Iterable[tuple[str, str]]:
    """Items, each with the unit that a mapping gives it."""
    return items.items() if isinstance(items, Mapping) else ((item, "") for item in items)


class TreeReader(Polled):
    """Reads the channels that `look_for` gives into the slots, `rate_hz` times a clock second.

    `look_for` raises OSError, with words for a person, while the device is not there.
    """

    def __init__(
        self,
        name: str,
        look_for: Callable[[], list[TreeChannel]],
        items: Collection[str],
        rate_hz: float,
        hung_after_s: float,
        clock: Clock,
        slots: Slots,
        status: Status,
        backoff: Backoff | None = None,
    ) -> None:
        super().__init__(name, items, rate_hz, hung_after_s, clock, slots, status, backoff)
        self._look_for = look_for
        self._channels: list[TreeChannel] = []

    def find(self) -> list[TreeChannel]:
        """The channels of the device; how each makes its numbers is left in the slots."""
        self._channels = self._look_for()
        for channel in self._channels:
            self._slots.steps[self.name, channel.item] = Steps(channel.scale, channel.offset)
        return self._channels

    def is_there(self) -> bool:
        """Whether every file is."""
        return all(channel.path.exists() for channel in self._channels)

    def well(self) -> str:
        """Of which device they are read."""
        return f"reading {', '.join(self._items)} of {self._channels[0].path.parent.name}"

    def hung(self, item: str) -> str:
        """Named, as all words here are."""
        return f"{item} does not answer; the other channels go on"

    def ill(self, standing: Mapping[str, str]) -> str:
        """The reasons name their channels."""
        return "; ".join(sorted(set(filter(None, standing.values()))))
