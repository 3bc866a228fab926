"""Switches and buttons on the computer's own pins, through gpiozero, debounced.

gpiozero tells of edges from a thread of its own; in between, a look at the pins ten times a second keeps the
readings fresh, so that a dead pin library shows as stale and not as "nothing pressed".
"""

from __future__ import annotations

import asyncio
from contextlib import ExitStack
from typing import TYPE_CHECKING, Any, NoReturn

from cabcanary.model import Reading
from cabcanary.pins import pin_library
from cabcanary.processes.status import Backoff
from cabcanary.sources.running import Stream

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.clock import Clock
    from cabcanary.processes.status import Status
    from cabcanary.sources.gpio.gpio_settings import DigitalPin, GpioSource
    from cabcanary.sources.slot import Slots

#: How often every pin is read, edges or none, in clock seconds.
_LOOK_S = 0.1


class GpioInputs(Stream):
    """Keeps the pins open and their states, 1 or 0, in the slots.

    `pressed(item)` is called in the event loop whenever an item turns on, whether a channel reads it or not.
    """

    fails_with = (Exception,)  # gpiozero and its pin libraries raise what they like

    def __init__(
        self,
        name: str,
        spec: GpioSource,
        clock: Clock,
        slots: Slots,
        status: Status,
        pressed: Callable[[str], None] = lambda _item: None,
    ) -> None:
        super().__init__(name, spec.pins, clock, slots, status, Backoff(first_s=1.0, longest_s=30.0))
        self._spec, self._pressed = spec, pressed
        self._devices: dict[str, Any] = {}
        self._pins: dict[str, _Debounced] = {}

    def open(self) -> ExitStack:
        """All pins, or none."""
        with ExitStack() as opened:
            for item, pin in self._spec.pins.items():
                self._devices[item] = device = _open(pin)
                opened.callback(device.close)
            return opened.pop_all()

    def words(self, error: Exception | None) -> str:
        """What is watched, or why it is not."""
        return f"watching {', '.join(self._items)}" if error is None else f"the pins cannot be read: {error}"

    async def follow(self, _opened: ExitStack) -> str:
        """Follow the pins until their library fails."""
        try:
            await self._follow_pins()
        except Exception as error:  # noqa: BLE001 - as above
            return f"the pins were lost: {error}"

    async def _follow_pins(self) -> NoReturn:
        self._pins = {item: _Debounced(pin) for item, pin in self._spec.pins.items()}
        changed = asyncio.Event()
        loop = asyncio.get_running_loop()
        for device in self._devices.values():
            device.when_activated = device.when_deactivated = lambda: loop.call_soon_threadsafe(changed.set)
        while True:
            now_ns = self._clock.now_ns()
            wait_ns = int(_LOOK_S * 1e9)
            for item, device in self._devices.items():
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
