"""A folder of files that reads like the kernel's industrial I/O tree with one converter in it.

Names and units follow the kernel's sysfs-bus-iio ABI: raw counts, and a scale that turns them into mV.
"""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path


class VoltageTree:
    """`folder/iio:device0` with a `name`, a shared `in_voltage_scale`, and `in_voltageN_raw` per channel.

    `scale_mv` is mV per count; `bits` counts the sign, and only positive voltages are measured.
    Files are rewritten in place: a reader keeps its descriptor open, as it does on the real tree.
    """

    def __init__(
        self, folder: Path, name: str, channels: Sequence[int], scale_mv: float = 0.1875, bits: int = 16
    ) -> None:
        self.device = folder / "iio:device0"
        self.scale_mv = scale_mv
        self.top = 2 ** (bits - 1) - 1
        self._width = len(str(self.top))
        self._files: dict[int, int] = {}
        self.device.mkdir(parents=True, exist_ok=True)
        (self.device / "name").write_text(name + "\n", encoding="ascii")
        (self.device / "in_voltage_scale").write_text(f"{scale_mv:.9f}\n", encoding="ascii")
        for channel in channels:
            self._create(channel)

    def path(self, channel: int) -> Path:
        """The raw file of a channel."""
        return self.device / f"in_voltage{channel}_raw"

    def _create(self, channel: int) -> None:
        self.path(channel).unlink(missing_ok=True)
        self._files[channel] = os.open(self.path(channel), os.O_RDWR | os.O_CREAT, 0o644)
        self.write(channel, 0.0)

    def write(self, channel: int, volts: float) -> None:
        """Put a voltage on a channel; beyond the converter's range its end is read. Nothing if removed."""
        descriptor = self._files.get(channel)
        if descriptor is None:
            return
        counts = min(self.top, max(0, round(volts * 1000 / self.scale_mv)))
        # One write of always the same length: a reader never sees half a number or the rest of an old one.
        os.pwrite(descriptor, f"{counts:<{self._width}d}\n".encode("ascii"), 0)

    def fail(self, channel: int) -> None:
        """Make every read give nothing, as a converter that is there and does not answer; `write` ends it."""
        descriptor = self._files.get(channel)
        if descriptor is not None:
            os.ftruncate(descriptor, 0)

    def block(self, channel: int) -> None:
        """Make reading the channel hang, as a converter that does not answer; before it is opened."""
        self.remove(channel)
        os.mkfifo(self.path(channel))

    def remove(self, channel: int) -> None:
        """Take the channel away: its file is gone, and a descriptor still open shows the last value."""
        descriptor = self._files.pop(channel, None)
        if descriptor is not None:
            os.close(descriptor)
        self.path(channel).unlink(missing_ok=True)

    def restore(self, channel: int) -> None:
        """Bring a removed or blocked channel back as a new file."""
        if channel not in self._files:
            self._create(channel)

    def close(self) -> None:
        """Close every file; the tree stays on disk as it was. May be called twice."""
        while self._files:
            os.close(self._files.popitem()[1])
