"""The serial port under python-can's slcan bus, read in pieces instead of byte by byte.

The bus asks for one byte at a time, which costs a system call each: a third of a core at a saturated
500 kbit/s (measured). Here the port is emptied at once and the bytes are handed out from memory. The same
place sees what the bus throws away: the adapter's status flags, and bytes that never end a line.
"""

from __future__ import annotations

import os
import re
from contextlib import suppress
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from cabcanary.clock import Clock

# The longest line, an extended frame of 64 bytes with a time stamp, has under 160 characters.
_LONGEST_LINE = 256
_ENDS = (b"\r", b"\a")
_FLAGS = re.compile(rb"[\r\a]F([0-9A-Fa-f]{2})\r")
_FLAGS_TAIL = 4  # one character less than the whole answer with the end of the line before it

#: Bits of the answer to `F`, as adapters with this protocol commonly report them (from memory).
ERROR_PASSIVE, BUS_ERROR = 0x20, 0x80


def close_channel(channel: str) -> None:
    """Tell the adapter at this place to leave the bus, without a bus object and without waiting; never raises.

    For an end in the middle of opening, when python-can holds the port and nobody holds its bus yet.
    """
    with suppress(OSError):
        port = os.open(channel.partition("@")[0], os.O_WRONLY | os.O_NOCTTY | os.O_NONBLOCK)
        try:
            os.write(port, b"C\r")
        finally:
            os.close(port)


class BufferedPort:
    """Stands in for a `serial.Serial` where python-can's slcan bus reads and writes it."""

    def __init__(self, port: Any, name: str, clock: Clock) -> None:
        self._port, self._name, self._clock = port, name, clock
        self._data, self._at = b"", 0
        self._unended = 0
        self._asking, self._tail = False, b"\r"
        #: The adapter's status flags as last answered; None until then.
        self.flags: int | None = None

    @property
    def buffered(self) -> int:
        """Bytes that can be had without asking the port."""
        return len(self._data) - self._at

    @property
    def in_waiting(self) -> int:
        """Bytes that can be had without waiting."""
        return self.buffered or int(self._port.in_waiting)

    def read(self, size: int = 1) -> bytes:
        """Up to `size` bytes; waits for the first as long as the port would.

        Raises:
            ValueError: bytes keep coming and no line ends.
        """
        at = self._at
        if at >= len(self._data):
            self._data, self._at = self._port.read(max(1, self._port.in_waiting)), 0
            if not self._data:
                return b""
            self._clock.arrived(self._name, len(self._data))
            at = 0
            self._look(self._data)
        self._at = at + size
        return self._data[at : at + size]

    def ask_flags(self) -> None:
        """Ask the adapter for its status; `flags` holds the answer once it has been read. Nothing goes to the bus."""
        self.flags, self._asking, self._tail = None, True, b"\r"
        self.write(b"F\r")

    def write(self, data: bytes) -> int | None:
        """Put bytes on the line; how many went."""
        # Told before: while the adapter answers already, nobody may think that the line is quiet.
        self._clock.sent(self._name, len(data))
        count: int | None = self._port.write(data)
        return count

    def reset_input_buffer(self) -> None:
        """Drop what has arrived."""
        self._data, self._at, self._unended = b"", 0, 0
        self._port.reset_input_buffer()

    @property
    def write_timeout(self) -> float | None:
        """How long a write may take, s."""
        return self._port.write_timeout  # type: ignore[no-any-return]  # the port has no types

    @write_timeout.setter
    def write_timeout(self, seconds: float | None) -> None:
        self._port.write_timeout = seconds

    def __getattr__(self, name: str) -> Any:
        return getattr(self._port, name)

    def _look(self, data: bytes) -> None:
        last = max(data.rfind(end) for end in _ENDS)
        self._unended = self._unended + len(data) if last < 0 else len(data) - last - 1
        if self._unended > _LONGEST_LINE:
            self._unended = 0
            raise ValueError("no line ends")
        if self._asking:
            found = _FLAGS.search(self._tail + data)
            self._tail = (self._tail + data)[-_FLAGS_TAIL:]
            if found:
                self.flags, self._asking = int(found[1], 16), False
