"""OBD-II over CAN, the daemon's side: supervises the reader process and takes its readings.

python-can's serial adapter opens slowly, costs processor time per frame and spins when unplugged (all
measured), so the bus lives in a process of its own: `cabcanary.sources.obd_reader`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality, Reading
from cabcanary.sources.helper import Helper

if TYPE_CHECKING:
    from cabcanary.clock import Clock
    from cabcanary.settings.schema import ObdSource
    from cabcanary.sources.slot import Slots, Status


class Obd:
    """Keeps the OBD reader running and its readings flowing into the slots."""

    def __init__(self, name: str, spec: ObdSource, clock: Clock, slots: Slots, status: Status) -> None:
        self.name, self._spec = name, spec
        self._clock, self._slots, self._status = clock, slots, status
        settings = {
            "interface": spec.interface,
            "channel": spec.channel,
            "bitrate": spec.bitrate,
            "extended": spec.extended_ids,
            "speed": clock.speed,
            "items": spec.items,
        }
        self._helper = Helper("cabcanary.sources.obd_reader", settings, status, self._take, self._lost)

    async def run(self) -> None:
        """Run for ever; ends only by cancellation."""
        await self._helper.run()

    def _take(self, message: dict[str, Any]) -> None:
        if "status" in message:
            tell = self._status.good if message["status"] == "open" else self._status.bad
            tell(str(message.get("text", "")))
            if message["status"] in ("lost", "silent"):
                self._lost(str(message.get("text", "")))
            return
        item, time_ns = message.get("i"), message.get("t")
        if not isinstance(item, str) or not isinstance(time_ns, int):
            return
        value = message.get("v")
        if isinstance(value, int | float):
            self._slots.put(Reading(self.name, item, float(value), time_ns))
        else:
            reason = str(message.get("e", "no value"))
            self._slots.put(Reading(self.name, item, None, time_ns, Quality.ABSENT, reason))

    def _lost(self, words: str) -> None:
        self._slots.lose(self.name, self._spec.items, self._clock.now_ns(), words)
