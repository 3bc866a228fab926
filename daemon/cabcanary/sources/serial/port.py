"""A serial port, read by the event loop as bytes arrive; a parser makes readings of them.

Reading a ready descriptor never blocks, so it needs no thread; opening may, so it gets one.
"""

from __future__ import annotations

import asyncio
import os
import random
import termios
from typing import TYPE_CHECKING, Protocol

import serial

from cabcanary.processes.status import Backoff, Status

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.clock import Clock
    from cabcanary.model import Reading
    from cabcanary.settings.wires import SerialPort
    from cabcanary.sources.slot import Slots

#: Read at most this much per wake-up: a flooding port takes turns with everything else in the loop.
_CHUNK = 4096
#: After a full chunk the port rests this long: at most 512 kB/s are served, above any serial baud rate.
_PAUSE_S = 0.008
_PARITY = {"none": serial.PARITY_NONE, "even": serial.PARITY_EVEN, "odd": serial.PARITY_ODD}


class Parser(Protocol):
    """Makes readings of bytes; remembers a bounded rest."""

    #: How many pieces had the wrong shape.
    malformed: int

    def feed(self, data: bytes, time_ns: int) -> list[Reading]:
        """Readings of all that `data` completes."""

    def reset(self) -> None:
        """The port was opened anew."""

    def complaint(self) -> str:
        """What was malformed, in words, with the likely cause."""


class SerialReader:
    """Keeps a serial port open and its readings flowing into the slots; `items` are those wanted."""

    def __init__(
        self,
        name: str,
        spec: SerialPort,
        parser: Parser,
        items: Sequence[str],
        clock: Clock,
        slots: Slots,
        status: Status,
        backoff: Backoff | None = None,
    ) -> None:
        self.name, self._spec, self._items = name, spec, tuple(items)
        self._clock, self._slots, self._status = clock, slots, status
        self.parser = parser
        self._backoff = backoff or Backoff()
        self._told_malformed = 0

    async def run(self) -> None:
        """Open, read until lost, wait, again; ends only by cancellation."""
        backoff = self._backoff
        while True:
            try:
                port = await asyncio.to_thread(self._open)
            except (OSError, ValueError, termios.error) as error:
                # serial.SerialException is an OSError, termios.error is not
                self._lost(f"cannot open {self._spec.port}: {_words(error)}")
                await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret
                continue
            backoff.reset()
            self.parser.reset()
            self._status.good(f"listening on {self._spec.port}")
            try:
                reason = await self._read_until_lost(port.fileno())
            finally:
                port.close()
            self._lost(f"{self._spec.port}: {reason}")
            await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311

    def _open(self) -> serial.Serial:
        port = serial.Serial(
            self._spec.port,
            self._spec.baud,
            parity=_PARITY[self._spec.parity],
            stopbits=self._spec.stop_bits,
            timeout=0,
            exclusive=True,
        )
        port.reset_input_buffer()
        return port

    async def _read_until_lost(self, descriptor: int) -> str:
        loop = asyncio.get_running_loop()
        lost: asyncio.Future[str] = loop.create_future()

        def resume() -> None:
            if not lost.done():
                loop.add_reader(descriptor, on_bytes)

        def on_bytes() -> None:
            now_ns = self._clock.now_ns()
            try:
                data = os.read(descriptor, _CHUNK)
            except BlockingIOError:
                return
            except OSError as error:
                data, reason = b"", error.strerror or str(error)
            else:
                reason = "unplugged"
            if not data:
                loop.remove_reader(descriptor)
                if not lost.done():
                    lost.set_result(reason)
                return
            self._take(data, now_ns)
            self._clock.arrived(self._spec.port, len(data))
            if len(data) == _CHUNK:
                # Flooded: leave the loop to others for a moment instead of serving this port without end.
                loop.remove_reader(descriptor)
                loop.call_later(_PAUSE_S, resume)

        loop.add_reader(descriptor, on_bytes)
        try:
            return await lost
        finally:
            loop.remove_reader(descriptor)
            lost.cancel()

    def _take(self, data: bytes, now_ns: int) -> None:
        for reading in self.parser.feed(data, now_ns):
            self._slots.put(reading)
        self._status.counters["malformed"] = self.parser.malformed
        if self.parser.malformed > self._told_malformed:
            # Told at the first, the 2nd, 4th, 8th …: noise is heard of, and does not fill the log.
            self._told_malformed = max(1, self.parser.malformed * 2 - 1)
            self._status.note(self.parser.complaint())

    def _lost(self, words: str) -> None:
        self._status.bad(words)
        self._slots.lose(self.name, self._items, self._clock.now_ns(), words)


def _words(error: BaseException) -> str:
    if isinstance(error, OSError) and error.errno is not None:
        return os.strerror(error.errno)
    return str(error)
