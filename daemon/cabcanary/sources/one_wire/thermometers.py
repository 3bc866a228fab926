"""Thermometers on a 1-wire bus, in m°C.

As in the kernel's Documentation/w1/slaves/w1_therm.rst: reading `temperature` makes the chip convert, which blocks for
up to 0.75 s. A file that is empty belongs to a conversion that is still going on.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.sources.running import Polled

if TYPE_CHECKING:
    from collections.abc import Collection
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Status
    from cabcanary.sources.one_wire.one_wire_settings import OneWireSource
    from cabcanary.sources.slot import Slots

#: What these chips show before their first conversion: a supply that has dropped out, and no temperature (m°C).
POWER_ON_M_C = 85_000
#: No temperature in m°C has more digits and a sign: a longer text is a card's or a driver's fault.
_LONGEST_NUMBER = 9
#: So near to it, in m°C, the last reading must lie for it to be believed. Smaller loses a quickly rising temperature on
#: its way; larger believes a reset while the truth is that far off.
_NEAR_M_C = 2_000


@dataclass
class Thermometer:
    """One chip; it remembers its last reading, m°C."""

    item: str
    file: Path
    before: int | None = None

    def read(self) -> float:
        """Its temperature, m°C; blocks for a conversion.

        Raises:
            OSError: it does not answer. ValueError: it gave no temperature.
        """
        before, self.before = self.before, None
        text = self.file.read_text(encoding="ascii", errors="replace").strip()
        if not text.removeprefix("-").isdecimal():
            raise ValueError("gave no number")
        if len(text) > _LONGEST_NUMBER:
            raise ValueError("gave no number")
        value = int(text)
        if value == POWER_ON_M_C and (before is None or abs(before - value) > _NEAR_M_C):
            raise ValueError("gave 85 °C, which it shows when it has just got its supply")
        self.before = value
        return float(value)

    def close(self) -> None:
        """Nothing is held."""


class Thermometers(Polled):
    """Reads the wanted `items` into the slots, one after the other; one that is missing costs no other."""

    def __init__(
        self,
        name: str,
        spec: OneWireSource,
        items: Collection[str],
        clock: Clock,
        slots: Slots,
        status: Status,
    ) -> None:
        super().__init__(name, items, spec.rate_hz, spec.hung_after, clock, slots, status)
        self._folder, self._ids = spec.folder, {item: spec.thermometers[item] for item in items}

    def find(self) -> list[Thermometer]:
        """All of them, if any is there."""
        if not self.is_there():
            there = ", ".join(sorted(p.name for p in self._folder.glob("??-*"))) or "none"
            raise OSError(f"no {', '.join(self._ids.values())} under {self._folder}; it holds {there}")
        return [Thermometer(item, self._folder / number / "temperature") for item, number in self._ids.items()]

    def is_there(self) -> bool:
        """Whether any thermometer is."""
        return any((self._folder / number).exists() for number in self._ids.values())

    def well(self) -> str:
        """What is read."""
        return f"reading {', '.join(self._items)}"
