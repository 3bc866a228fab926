"""Opens every source of the settings; what runs in the loop is handed back, the others have threads of their own."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality
from cabcanary.sources.kind import Opening, OwnState, SourceSettings
from cabcanary.sources.kinds import kind_of

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

    from cabcanary.clock import Clock
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.processes.status import Status
    from cabcanary.sources.running import Running
    from cabcanary.sources.slot import Slots


class Wiring:
    """All sources of one vehicle. `pressed(source, item)` is called when a switch turns on; `own` is what the daemon
    knows of itself."""

    def __init__(
        self, plan: Plan, clock: Clock, slots: Slots, pressed: Callable[[str, str], None], own: OwnState
    ) -> None:
        self._plan, self._clock, self._slots, self._pressed, self._own = plan, clock, slots, pressed, own
        self._running: list[Running] = []
        self._ignition: bool | None = None

    def open(self, name: str, spec: SourceSettings, status: Status) -> Callable[[], Coroutine[Any, Any, None]] | None:
        """Start a source; returns what must run in the loop, if anything."""
        items, pressed = self._plan.wanted_items(name), partial(self._pressed, name)
        folder = self._plan.settings.daemon.folder
        running = kind_of(spec).open(
            spec, Opening(name, items, self._clock, self._slots, status, pressed, folder, self._own)
        )
        self._running.append(running)
        return running.begin()

    def take_plan(self, plan: Plan) -> None:
        """Other settings are in force, with the same sources."""
        self._plan = plan

    def follow_ignition(self, frame: Frame) -> None:
        """Tell the sources when the ignition goes on or off, so that a sleeping vehicle is asked for nothing."""
        channel = self._plan.ignition
        if channel is None:
            return
        value = frame.values[channel]
        if value.value is None or value.quality is not Quality.GOOD:
            return
        ignition = value.value != 0.0
        if ignition != self._ignition:
            self._ignition = ignition
            for running in self._running:
                running.ignition(ignition)

    def stop(self) -> None:
        """Stop what has threads; what runs in the loop is cancelled by whoever runs it."""
        for running in self._running:
            running.stop()
