"""A vehicle bus, the daemon's side: supervises the reader process and takes its readings.

python-can's serial adapter opens slowly, costs processor time per frame and spins when unplugged (all
measured), so the bus lives in a process of its own: `cabcanary.sources.can.reader`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality, Reading
from cabcanary.processes.helper import Helper
from cabcanary.sources.can.can_settings import can_items
from cabcanary.sources.running import Running

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Status
    from cabcanary.sources.can.can_settings import CanSource
    from cabcanary.sources.slot import Slots

_WELL = ("open", "off")


class CanBus(Running):
    """Keeps the CAN reader running and its readings flowing into the slots."""

    def __init__(self, name: str, spec: CanSource, clock: Clock, slots: Slots, status: Status) -> None:
        super().__init__(name, can_items(spec), clock, slots, status)
        self._asked = list(spec.items)
        #: Frames seen, values told, values thinned out, as the reader last counted.
        self.counts: dict[str, int] = {}
        settings = {
            "interface": spec.interface,
            "channel": spec.channel,
            "bitrate": spec.bitrate,
            "speed": clock.speed,
            "extended": spec.extended_ids,
            "items": spec.items,
            "signals": {name: signal.model_dump() for name, signal in spec.signals.items()},
            "dbc": spec.dbc,
            "dbc_signals": spec.dbc_signals,
            "pids_per_request": spec.pids_per_request,
        }
        self._helper = Helper("cabcanary.sources.can.reader", settings, status, self._take, self._lost)

        self.run = self._helper.run

    def begin(self) -> Callable[[], Coroutine[Any, Any, None]]:
        """The process and its supervisor are started in the loop."""
        return self.run

    def ignition(self, on: bool) -> None:
        """Tell the reader that the ignition is on or off: off, the vehicle is asked for nothing more."""
        self._helper.tell({"ignition": on})

    def _take(self, message: dict[str, Any]) -> None:
        if "status" in message:
            self._take_status(str(message["status"]), str(message.get("text", "")))
            return
        if isinstance(message.get("counts"), dict):
            self.counts = message["counts"]
            return
        item, time_ns = message.get("i"), message.get("t")
        if not isinstance(item, str) or not isinstance(time_ns, int):
            return
        # A time from the future would stay fresh for ever.
        time_ns = min(time_ns, self._clock.now_ns())
        value = message.get("v")
        if isinstance(value, int | float):
            self._slots.put(Reading(self.name, item, float(value), time_ns))
        else:
            reason = str(message.get("e", "no value"))
            self._slots.put(Reading(self.name, item, None, time_ns, Quality.ABSENT, reason))

    def _take_status(self, status: str, words: str) -> None:
        tell = self._status.good if status in _WELL else self._status.bad
        tell(words)
        if status == "lost":
            self._lost(words)
        elif status == "silent":  # the engine computer; what is broadcast may go on
            self._slots.lose(self.name, self._asked, self._clock.now_ns(), words)

    def _lost(self, words: str) -> None:
        self._slots.lose(self.name, self._items, self._clock.now_ns(), words)
