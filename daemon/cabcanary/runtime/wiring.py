"""Opens every source of the settings; what runs in the loop is handed back, the others have threads of their own."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality
from cabcanary.settings.wires import (
    CanSource,
    GpioSource,
    GpsTimeSource,
    HostSource,
    HwmonSource,
    IioSource,
    SerialBinarySource,
    SerialTextSource,
    Source,
)
from cabcanary.sources.can.bus import CanBus
from cabcanary.sources.gpio.inputs import GpioInputs
from cabcanary.sources.host.computer import HostReader, OwnState, machine_readers
from cabcanary.sources.kernel.hwmon import hwmon_reader
from cabcanary.sources.kernel.iio import iio_reader
from cabcanary.sources.serial.binary_frame import FrameParser
from cabcanary.sources.serial.gps_time import ITEM, RmcParser
from cabcanary.sources.serial.port import SerialReader
from cabcanary.sources.serial.text_line import LineParser

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

    from cabcanary.clock import Clock
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.processes.status import Status
    from cabcanary.sources.kernel.reader import TreeReader
    from cabcanary.sources.slot import Slots


class Wiring:
    """All sources of one vehicle. `pressed(source, item)` is called when a switch turns on; `own` is what the daemon
    knows of itself."""

    def __init__(
        self, plan: Plan, clock: Clock, slots: Slots, pressed: Callable[[str, str], None], own: OwnState
    ) -> None:
        self._plan, self._clock, self._slots, self._pressed, self._own = plan, clock, slots, pressed, own
        self._readers: list[TreeReader | HostReader] = []
        self._buses: list[CanBus] = []
        self._ignition: bool | None = None

    def open(self, name: str, spec: Source, status: Status) -> Callable[[], Coroutine[Any, Any, None]] | None:
        """Start a source; returns the coroutine function to run in the loop, or None."""
        items = self._plan.wanted_items(name)
        clock, slots = self._clock, self._slots
        match spec:
            case IioSource():
                self._start(iio_reader(name, spec, items, clock, slots, status))
            case HwmonSource():
                self._start(hwmon_reader(name, spec, items, clock, slots, status))
            case SerialTextSource():
                return SerialReader(name, spec, LineParser(name, spec), items, clock, slots, status).run
            case SerialBinarySource():
                return SerialReader(name, spec, FrameParser(name, spec), items, clock, slots, status).run
            case GpsTimeSource():
                return SerialReader(name, spec, RmcParser(name), [ITEM], clock, slots, status).run
            case CanSource():
                bus = CanBus(name, spec, clock, slots, status)
                self._buses.append(bus)
                return bus.run
            case GpioSource():
                return GpioInputs(name, spec, items, clock, slots, status, partial(self._pressed, name)).run
            case HostSource():
                readers = machine_readers(self._plan.settings.daemon.folder, self._own, clock)
                self._start(HostReader(name, spec, items, clock, slots, status, readers))
        return None

    def _start(self, reader: TreeReader | HostReader) -> None:
        self._readers.append(reader)
        reader.start()

    def follow_ignition(self, frame: Frame) -> None:
        """Tell the buses when the ignition goes on or off, so that a sleeping vehicle is asked for nothing."""
        channel = self._plan.ignition
        if channel is None or not self._buses:
            return
        value = frame.values[channel]
        if value.value is None or value.quality is not Quality.GOOD:
            return
        ignition = value.value != 0.0
        if ignition != self._ignition:
            self._ignition = ignition
            for bus in self._buses:
                bus.ignition(ignition)

    def stop(self) -> None:
        """Stop the sources with threads; tasks in the loop are cancelled by the caller that runs them."""
        for reader in self._readers:
            reader.stop()
