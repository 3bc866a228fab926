"""A serial port, read by the event loop as bytes arrive; a parser makes readings of them.

Reading a ready descriptor never blocks, so it needs no thread; opening may, so it gets one.
"""

from __future__ import annotations

import asyncio
import os
import termios
from typing import TYPE_CHECKING, Protocol

import serial

from cabcanary.sources.running import Stream

if TYPE_CHECKING:
    from collections.abc import Collection

    from cabcanary.clock import Clock
    from cabcanary.model import Reading
    from cabcanary.processes.status import Backoff, Status
    from cabcanary.sources.serial.serial_settings import SerialPort
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


class SerialReader(Stream):
    """Keeps a serial port open and its readings flowing into the slots; `items` are those wanted."""

    fails_with = (OSError, ValueError, termios.error)  # serial.SerialException is an OSError, termios.error is not

    def __init__(
        self,
        name: str,
        spec: SerialPort,
        parser: Parser,
        items: Collection[str],
        clock: Clock,
        slots: Slots,
        status: Status,
        backoff: Backoff | None = None,
    ) -> None:
        super().__init__(name, items, clock, slots, status, backoff)
        self._spec, self.parser = spec, parser
        self._told_malformed = 0

    def open(self) -> serial.Serial:
        """The port, for this program alone, with nothing old in it."""
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

    def words(self, error: Exception | None) -> str:
        """Which port it is, and why it cannot be opened."""
        if error is None:
            return f"listening on {self._spec.port}"
        number = getattr(error, "errno", None)
        return f"cannot open {self._spec.port}: {os.strerror(number) if number is not None else error}"

    async def follow(self, device: serial.Serial) -> str:
        """Read until the port is lost."""
        self.parser.reset()
        return f"{self._spec.port}: {await self._read_until_lost(device.fileno())}"

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
