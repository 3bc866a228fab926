"""`cabcanary listen` on this computer: each item as the daemon would read it."""

from __future__ import annotations

import time
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.clock import Clock
from cabcanary.processes.status import Status
from cabcanary.sources.host.computer import HostReader, machine_readers
from cabcanary.sources.host.host_settings import ITEMS, HostSource
from cabcanary.sources.listening import SHOW_S, Span, Way, Wire
from cabcanary.sources.slot import Slots
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator


def _lines(wire: Wire, seconds: float | None) -> Iterator[str]:
    clock, slots = Clock(), Slots()
    spec = HostSource(kind="host", folder=Path(wire.place) if wire.place else None, rate_hz=1 / SHOW_S)
    readers = machine_readers(Path(wire.data), None, clock)
    reader = HostReader("host", spec, list(ITEMS), clock, slots, Status("host", lambda *_: None), readers)
    span = Span(seconds)
    reader.start()
    try:
        while not span.over:
            time.sleep(span.left(SHOW_S))
            for (_, item), reading in slots.newest.copy().items():
                unit = ITEMS[item].replace("state", "")
                shown = reading.reason if reading.value is None else f"{spelt(reading.value)} {unit}".rstrip()
                yield span.line(f"{item}: {shown}")
    finally:
        reader.stop()


def _of_source(spec: HostSource, folder: Path) -> Wire:
    return Wire("host", str(spec.folder or ""), data=str(folder))


HOST = Way("host", "host for this computer", lambda text: Wire("host", text), _of_source, _lines, "host")
