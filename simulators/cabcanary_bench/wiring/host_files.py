"""A folder of small files that stands in for the monitor's own computer, each named like what it tells."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path

#: A healthy computer with its clock set: state, °C, state, %. What the daemon knows of itself is left to it.
HEALTHY = {"clock_set": 1.0, "board_temperature": 48.0, "under_voltage": 0.0, "card_read_only": 0.0, "free_space": 80.0}
_WIDTH = 16


class HostFiles:
    """`folder/ITEM` for each item; one that is taken away is read from the real machine again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        for item, value in HEALTHY.items():
            self.write(item, value)

    def write(self, item: str, value: float) -> None:
        """Let the computer tell this from now on."""
        descriptor = os.open(self.folder / item, os.O_WRONLY | os.O_CREAT, 0o644)
        # One write of always the same length: a reader never sees half a number or the rest of an old one.
        os.pwrite(descriptor, f"{value:<{_WIDTH}.6g}\n".encode("ascii"), 0)
        os.close(descriptor)

    def remove(self, item: str) -> None:
        """Let the real machine tell this item."""
        (self.folder / item).unlink(missing_ok=True)
