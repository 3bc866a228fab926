"""The source of this machine's time: the system's clock, or a satellite receiver while that is not set."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from cabcanary.clock import NS_PER_S, boot_id, wall_is_synchronised, wall_ns
from cabcanary.sources.serial.serial_settings import UTC_ITEM

if TYPE_CHECKING:
    from cabcanary.channels.pipeline import Newest

#: A receiver tells the time every second; one that has been silent for longer is not asked.
_FRESH_S = 5.0


class Told(NamedTuple):
    """The wall clock now, ns, and who vouches for it: "system", "gps", or nobody ("")."""

    wall_ns: int
    by: str


class ToldTime:
    """`gps` names the sources that are satellite receivers; `speed` is the clock's, on a bench."""

    def __init__(self, gps: tuple[str, ...], speed: float) -> None:
        self._keys = [(name, UTC_ITEM) for name in gps]
        self._speed = speed
        #: For whoever dates drives: boot, monotonic ns, wall ns; None while no receiver has told.
        self.fit: tuple[str, int, int] | None = None

    def look(self, newest: Newest, now_ns: int) -> Told:
        """The best that is known at a monotonic time."""
        if wall_is_synchronised():
            return Told(wall_ns(), "system")
        for key in self._keys:
            reading = newest.get(key)
            if reading is None or reading.value is None:
                continue
            age_s = (now_ns - reading.time_ns) / NS_PER_S
            if age_s <= _FRESH_S:
                wall = round(reading.value * NS_PER_S) + round(age_s / self._speed * NS_PER_S)
                self.fit = (boot_id(), now_ns, wall)
                return Told(wall, "gps")
        return Told(wall_ns(), "")
