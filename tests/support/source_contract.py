"""What every source must do, whatever its wire: one suite, subclassed for each (test_sources.py)."""

from __future__ import annotations

import asyncio
import threading
import time
from abc import ABC, abstractmethod
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.clock import Clock
from cabcanary.processes.status import Status
from cabcanary.sources.slot import Slots

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.model import Reading

#: For a machine that is busy with other things; what is waited for mostly comes in milliseconds.
LONGEST_S = 15.0


async def until(condition: Callable[[], object], what: str) -> None:
    """Wait for a condition, without sleeping longer than it takes."""
    ends = time.monotonic() + LONGEST_S
    while not condition():
        assert time.monotonic() < ends, f"waited in vain for {what}"
        await asyncio.sleep(0.005)


class Running(ABC):
    """A source that runs, and what it shows."""

    item = "it"
    #: A value that the wire can carry, and how near to it a reading must come.
    good_value, tolerance = 1.25, 0.001

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.clock, self.slots = Clock(), Slots()
        self.told: list[tuple[bool, str]] = []
        self.status = Status("wire", lambda _name, ok, words: self.told.append((ok, words)))
        self.task: asyncio.Task[None] | None = None

    @abstractmethod
    def start_source(self) -> None: ...

    async def stop_source(self) -> None:
        assert self.task is not None
        self.task.cancel()
        await asyncio.gather(self.task, return_exceptions=True)

    @property
    def reading(self) -> Reading | None:
        return self.slots.newest.get(("wire", self.item))

    def shows(self, value: float) -> bool:
        reading = self.reading
        return reading is not None and reading.value is not None and abs(reading.value - value) <= self.tolerance

    def is_absent(self) -> bool:
        reading = self.reading
        return reading is not None and reading.value is None and bool(reading.reason)


class Wire(Running):
    """A source on a wire that the test holds the other end of. Subclasses give the wire its kind."""

    @abstractmethod
    def plug(self) -> None: ...

    @abstractmethod
    def send(self, value: float) -> None:
        """A whole, good piece; on a wire that is looked at, the value that stands there."""

    @abstractmethod
    def send_truncated(self) -> None: ...

    @abstractmethod
    def send_garbage(self) -> None: ...

    @abstractmethod
    def unplug(self) -> None: ...

    def close(self) -> None:
        """Take the wire away."""

    async def keep_sending(self, value: float) -> None:
        """Send until the source shows it: a port that was just opened may have missed the first piece."""
        ends = time.monotonic() + LONGEST_S
        while not self.shows(value):
            assert time.monotonic() < ends, f"the source never showed {value}; it told {self.told[-3:]}"
            self.send(value)
            await asyncio.sleep(0.02)


def descriptors() -> int:
    return len(list(Path("/proc/self/fd").iterdir()))


class SourceContract:
    """Subclass with a fixture `wire` that gives a `Wire`, unplugged."""

    async def test_data_comes_through_once_it_is_started(self, wire: Wire) -> None:
        wire.plug()
        wire.start_source()
        await wire.keep_sending(wire.good_value)
        reading = wire.reading
        assert reading is not None
        assert 0 <= wire.clock.now_ns() - reading.time_ns < LONGEST_S * 1e9
        await wire.stop_source()

    async def test_a_wire_that_is_not_there_is_told_of_and_taken_up_when_it_comes(self, wire: Wire) -> None:
        wire.start_source()
        await until(lambda: any(not ok for ok, _ in wire.told), "a word that the wire is missing")
        assert not wire.shows(wire.good_value)
        wire.plug()
        await wire.keep_sending(wire.good_value)
        assert wire.told[-1][0]
        await wire.stop_source()

    async def test_a_piece_that_is_cut_short_gives_no_value_and_harms_no_other(self, wire: Wire) -> None:
        wire.plug()
        wire.start_source()
        await wire.keep_sending(wire.good_value)
        wire.send_truncated()
        await asyncio.sleep(0.05)
        assert wire.shows(wire.good_value) or wire.is_absent()
        await wire.keep_sending(wire.good_value + 1.0)
        await wire.stop_source()

    async def test_garbage_is_never_taken_for_a_value(self, wire: Wire) -> None:
        wire.plug()
        wire.start_source()
        await wire.keep_sending(wire.good_value)
        for _ in range(20):
            wire.send_garbage()
            await asyncio.sleep(0.005)
            assert wire.shows(wire.good_value) or wire.is_absent()
        await wire.keep_sending(wire.good_value + 1.0)
        await wire.stop_source()

    async def test_unplugged_is_said_at_once_with_a_reason_and_plugged_in_again_goes_on(self, wire: Wire) -> None:
        wire.plug()
        wire.start_source()
        await wire.keep_sending(wire.good_value)
        wire.unplug()
        await until(wire.is_absent, "the reading to become absent")
        assert not wire.told[-1][0]
        wire.plug()
        await wire.keep_sending(wire.good_value + 1.0)
        await wire.stop_source()

    async def test_cancelled_in_any_state_it_leaves_nothing_behind(self, wire: Wire) -> None:
        before, threads = descriptors(), threading.active_count()
        wire.start_source()
        await asyncio.sleep(0.02)
        await wire.stop_source()
        wire.plug()
        wire.start_source()
        await wire.keep_sending(wire.good_value)
        await wire.stop_source()
        wire.close()
        await until(lambda: descriptors() <= before, "every descriptor to be closed")
        # One thread of the loop's own pool may stay.
        await until(lambda: threading.active_count() <= threads + 1, "every thread to end")


class SilenceContract:
    """For wires that speak by themselves: what has gone quiet stays as old as it is."""

    async def test_a_stall_makes_nothing_new_and_ends_when_the_wire_speaks_again(self, wire: Wire) -> None:
        wire.plug()
        wire.start_source()
        await wire.keep_sending(wire.good_value)
        await asyncio.sleep(0.05)
        old = wire.reading
        await asyncio.sleep(0.15)
        assert wire.reading == old
        await wire.keep_sending(wire.good_value + 1.0)
        await wire.stop_source()
