"""When a drive starts and ends, from the frames alone."""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from cabcanary.model import Frame, Quality

if TYPE_CHECKING:
    from cabcanary.settings.schema import Drive


class DriveDetector:
    """A drive is the time that the engine runs, or that the ignition is on, short stops included.

    Once a drive is under way and nobody knows any more, it goes on: a bus that dies must not end the recording.
    """

    def __init__(self, spec: Drive, *, under_way: bool = False) -> None:
        self._running_channel = spec.ignition or spec.running
        self._ends_after_ns = int(spec.ends_after * 1e9)
        self.under_way = under_way
        self._stopped_since: int | None = None

    def step(self, frame: Frame) -> Literal["start", "end"] | None:
        """What this tick changes."""
        running = self._running(frame)
        if not self.under_way:
            if running:
                self.under_way, self._stopped_since = True, None
                return "start"
            return None
        if running is not False:
            self._stopped_since = None
            return None
        if self._stopped_since is None:
            self._stopped_since = frame.time_ns
        if frame.time_ns - self._stopped_since < self._ends_after_ns:
            return None
        self.under_way = False
        return "end"

    def _running(self, frame: Frame) -> bool | None:
        value = frame.values[self._running_channel]
        return None if value.value is None or value.quality is not Quality.GOOD else value.value != 0.0
