"""A CAN adapter with the ASCII serial protocol (slcan), as python-can's `slcan` bus speaks it."""

from __future__ import annotations

import select
import threading
from collections import deque
from typing import TYPE_CHECKING, NamedTuple

from cabcanary_bench.wiring.serial_pty import SerialPty

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_OK, _ERROR = b"\r", b"\a"
_LONGEST_LINE = 32  # an extended frame with eight bytes has 26 characters
_POLL_S = 0.05
#: Bits of the status flags: error passive and bus error; both stand while the adapter is off the bus, too.
_ERROR_FLAGS = 0xA0
#: What a receiver makes of a bus at another bit rate, if its firmware lets it through.
_NONSENSE = b"t7\x80E\rtFFFF\rt2Z18\r"
_KEPT = 10_000
_STANDARD_TOP, _EXTENDED_TOP = 0x7FF, 0x1FFF_FFFF


class HostFrame(NamedTuple):
    """A frame that the host put on the bus."""

    can_id: int
    extended: bool
    remote: bool
    data: bytes


def parse_frame(line: bytes) -> HostFrame:
    """A `t`, `T`, `r` or `R` line without its CR -> the frame.

    Raises:
        ValueError: not such a line.
    """
    kind = line[:1]
    extended, remote = kind in b"TR", kind in b"rR"
    digits = 8 if extended else 3
    can_id = int(line[1 : 1 + digits].decode("ascii"), 16)
    length = int(line[1 + digits : 2 + digits].decode("ascii"))
    text = line[2 + digits :].decode("ascii")
    if length > 8 or can_id > (_EXTENDED_TOP if extended else _STANDARD_TOP):
        raise ValueError("no such frame")
    if len(text) != (0 if remote else 2 * length):
        raise ValueError("the data does not have the length it says")
    return HostFrame(can_id, extended, remote, bytes.fromhex(text))


def format_frame(can_id: int, extended: bool, data: bytes) -> bytes:
    """A data frame as its line, CR included."""
    head = f"T{can_id:08X}" if extended else f"t{can_id:03X}"
    return f"{head}{len(data)}{data.hex().upper()}\r".encode("ascii")


class SlcanAdapter:
    """The adapter: a thread that answers the host and hands its frames to `on_frame(id, extended, data)`.

    `sent_by_host` keeps the last frames that the host put on the bus, for tests to look through; `commands` the
    last lines of any kind.

    `bus_code` is the bit rate that the bus runs at ("S6": 500 kbit/s); None means whatever the host sets. At
    another one nothing passes either way: frames of the bus become errors, and garbage if `garbles`. With
    `bus_off` set, the adapter has left the bus after too many errors, until its channel is opened again.
    `lonely`: nobody else is awake to acknowledge a frame, so sending one only makes errors.
    """

    def __init__(self, link: Path) -> None:
        self.port = SerialPty(link, backlog=16_384)
        self.on_frame: Callable[[int, bool, bytes], None] | None = None
        self.sent_by_host: deque[HostFrame] = deque(maxlen=_KEPT)
        self.open = False
        self.listen_only = False
        self.bitrate_code: str | None = None
        self.bus_code: str | None = None
        self.garbles = self.bus_off = self.lonely = False
        self.errors = 0  # on the bus, as the controller counts them
        self.attempts = 0  # frames that the host wanted to put on the bus, heard by anybody or not
        self.commands: deque[bytes] = deque(maxlen=_KEPT)
        self.refused = 0  # lines answered with BEL
        self._line = bytearray()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="slcan adapter", daemon=True)
        self._thread.start()

    def send(self, can_id: int, extended: bool, data: bytes) -> bool:
        """A frame from the bus to the host; False when its channel is closed."""
        if not self.open or self.bus_off:
            return False
        if not self.right_rate:
            self.errors += 1
            if self.garbles:
                self.port.write(_NONSENSE)
            return False
        line = format_frame(can_id, extended, data)
        return self.port.write(line) == len(line)

    @property
    def right_rate(self) -> bool:
        """Whether the host has set the bit rate that the bus runs at."""
        return self.bus_code is None or self.bus_code == self.bitrate_code

    def unplug(self) -> None:
        """Pull the adapter: the channel is closed and the port is gone."""
        self.open = False
        self.port.unplug()

    def replug(self) -> None:
        """Plug it in again, closed as after power-up."""
        self._line.clear()
        self.port.replug()

    def close(self) -> None:
        """Stop the thread and take the port away. May be called twice."""
        self._stop.set()
        self._thread.join(timeout=2.0)
        self.open = False
        self.port.close()

    def _run(self) -> None:
        while not self._stop.is_set():
            descriptor = self.port.fileno()
            if descriptor < 0:
                self._stop.wait(_POLL_S)
                continue
            try:
                ready, _, _ = select.select([descriptor], [], [], _POLL_S)
            except (OSError, ValueError):  # unplugged while waiting
                continue
            if ready:
                data = self.port.read()
                self._feed(data)
                # After the answers: while nothing is under way either way, nobody is waited for.
                self.port.taken += len(data)

    def _feed(self, data: bytes) -> None:
        for byte in data:
            if byte != _OK[0]:
                self._line.append(byte)
                if len(self._line) > _LONGEST_LINE:
                    self._line.clear()
                    self._refuse()
                continue
            line = bytes(self._line)
            self._line.clear()
            self._handle(line)

    def _refuse(self) -> None:
        self.refused += 1
        self.port.write(_ERROR)

    def _handle(self, line: bytes) -> None:
        kind = line[:1]
        self.commands.append(line)
        if kind in (b"t", b"T", b"r", b"R"):
            self._transmit(line)
            return
        answer = self._command(line)
        if answer is None:
            self._refuse()
        else:
            self.port.write(answer)

    def _command(self, line: bytes) -> bytes | None:
        """The answer to a command line, or None to refuse it."""
        if line in (b"", b"Z0"):
            return _OK
        if line in (b"O", b"L"):
            # Opening twice is accepted: python-can does so when it is given a bit rate.
            self.open, self.listen_only = True, line == b"L"
            self.bus_off, self.errors = False, 0
            return _OK
        if line == b"C":
            self.open = False
            return _OK
        if line == b"V":
            return b"V1013\r"
        if line == b"F":
            errors, self.errors = self.errors, 0  # told once
            return b"F%02X\r" % (_ERROR_FLAGS if errors or self.bus_off else 0)
        if len(line) == 2 and line[:1] == b"S" and line[1:].isdigit() and not self.open:
            self.bitrate_code = line.decode("ascii")
            return _OK
        return None

    def _transmit(self, line: bytes) -> None:
        if not self.open or self.listen_only:
            self._refuse()
            return
        try:
            frame = parse_frame(line)
        except ValueError:
            self._refuse()
            return
        self.attempts += 1
        if self.bus_off or self.lonely or not self.right_rate:
            self.errors += 1
            self._refuse()
            return
        self.port.write(b"Z\r" if frame.extended else b"z\r")
        self.sent_by_host.append(frame)
        if self.on_frame is not None and not frame.remote:
            self.on_frame(frame.can_id, frame.extended, frame.data)
