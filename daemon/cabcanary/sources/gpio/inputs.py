"""Switches and buttons on the computer's own pins, through gpiozero, debounced.

gpiozero tells of edges from a thread of its own; in between, a look at the pins ten times a second keeps the
readings fresh, so that a dead pin library shows as stale and not as "nothing pressed".
"""

from __future__ import annotations

import asyncio
import random
from typing import TYPE_CHECKING, Any

from cabcanary.model import Reading
from cabcanary.pins import pin_library
from cabcanary.processes.status import Backoff, Status

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cabcanary.clock import Clock
    from cabcanary.settings.wires import DigitalPin, GpioSource
    from cabcanary.sources.slot import Slots

#: How often every pin is read, edges or none, in clock seconds.
_LOOK_S = 0.1


class GpioInputs:
    """Keeps the wanted pins open and their states, 1 or 0, in the slots.

    `pressed(item)` is called in the event loop whenever an item turns on, whether a channel reads it or not.
    """

    def __init__(
        self,
        name: str,
        spec: GpioSource,
        items: Sequence[str],
        clock: Clock,
        slots: Slots,
        status: Status,
        pressed: Callable[[str], None] = lambda _item: None,
    ) -> None:
        self.name, self._spec, self._items = name, spec, tuple(items)
        self._clock, self._slots, self._status = clock, slots, status
        self._pressed = pressed
        self._pins: dict[str, _Debounced] = {}

    async def run(self) -> None:
        """Open the pins and follow them; ends only by cancellation."""
        backoff = Backoff(first_s=1.0, longest_s=30.0)
        while True:
            try:
                devices = {item: _open(pin) for item, pin in self._spec.pins.items()}
            except Exception as error:  # noqa: BLE001 - gpiozero and its pin libraries raise what they like
                self._lost(f"the pins cannot be read: {error}")
                await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret
                continue
            backoff.reset()
            self._status.good(f"watching {', '.join(self._spec.pins)}")
            try:
                await self._follow(devices)
            except Exception as error:  # noqa: BLE001
                self._lost(f"the pins were lost: {error}")
            finally:
                for device in devices.values():
                    device.close()

    async def _follow(self, devices: dict[str, Any]) -> None:
        self._pins = {item: _Debounced(pin) for item, pin in self._spec.pins.items()}
        changed = asyncio.Event()
        loop = asyncio.get_running_loop()
        for device in devices.values():
            device.when_activated = device.when_deactivated = lambda: loop.call_soon_threadsafe(changed.set)
        while True:
            now_ns = self._clock.now_ns()
            wait_ns = int(_LOOK_S * 1e9)
            for item, device in devices.items():
                pin = self._pins[item]
                before = pin.state
                state = pin.look(bool(device.is_active), now_ns)
                self._slots.put(Reading(self.name, item, float(state), now_ns))
                if state and before is False:
                    self._pressed(item)
                wait_ns = min(wait_ns, pin.unsettled_ns(now_ns))
            changed.clear()
            try:
                await asyncio.wait_for(changed.wait(), self._clock.real_s(wait_ns / 1e9))
            except TimeoutError:
                continue

    def _lost(self, words: str) -> None:
        self._status.bad(words)
        self._slots.lose(self.name, self._spec.pins, self._clock.now_ns(), words)


class _Debounced:
    """A state that changes only once the pin has stood at the new one for the debounce time."""

    def __init__(self, spec: DigitalPin) -> None:
        self._settle_ns = int(spec.debounce * 1e9)
        self.state: bool | None = None
        self._seen: bool | None = None
        self._since_ns = 0

    def look(self, level: bool, now_ns: int) -> bool:
        if level != self._seen:
            self._seen, self._since_ns = level, now_ns
        if self.state is None or now_ns - self._since_ns >= self._settle_ns:
            self.state = level
        return self.state

    def unsettled_ns(self, now_ns: int) -> int:
        """How long until a new level counts; long when there is none."""
        if self._seen == self.state:
            return 1 << 62
        return max(1, self._settle_ns - (now_ns - self._since_ns))


def _open(spec: DigitalPin) -> Any:
    device_class = pin_library().DigitalInputDevice
    if spec.pull == "none":
        return device_class(spec.pin, pull_up=None, active_state=spec.active == "high")
    # gpiozero takes the active level from the pull: pulled up is active low.
    device = device_class(spec.pin, pull_up=spec.pull == "up")
    if (spec.pull == "up") == (spec.active == "high"):
        device.active_state = not device.active_state
    return device
