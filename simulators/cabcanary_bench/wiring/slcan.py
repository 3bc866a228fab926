"""A CAN adapter with the ASCII serial protocol (slcan), as python-can's `slcan` bus speaks it."""

from __future__ import annotations

import select
import threading
from collections import deque
from typing import TYPE_CHECKING, NamedTuple

from .serial_pty import SerialPty

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

_OK, _ERROR = b"\r", b"\a"
_LONGEST_LINE = 32  # an extended frame with eight bytes has 26 characters
_POLL_S = 0.05
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

    `sent_by_host` keeps the last frames that the host put on the bus, for tests to look through.
    """

    def __init__(self, link: Path) -> None:
        self.port = SerialPty(link, backlog=16_384)
        self.on_frame: Callable[[int, bool, bytes], None] | None = None
        self.sent_by_host: deque[HostFrame] = deque(maxlen=_KEPT)
        self.open = False
        self.listen_only = False
        self.bitrate_code: str | None = None
        self.refused = 0  # lines answered with BEL
        self._line = bytearray()
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._run, name="slcan adapter", daemon=True)
        self._thread.start()

    def send(self, can_id: int, extended: bool, data: bytes) -> bool:
        """A frame from the bus to the host; False when its channel is closed."""
        if not self.open:
            return False
        line = format_frame(can_id, extended, data)
        return self.port.write(line) == len(line)

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
                self._feed(self.port.read())

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
            return _OK
        if line == b"C":
            self.open = False
            return _OK
        if line == b"V":
            return b"V1013\r"
        if line == b"F":
            return b"F00\r"
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
        self.port.write(b"Z\r" if frame.extended else b"z\r")
        self.sent_by_host.append(frame)
        if self.on_frame is not None and not frame.remote:
            self.on_frame(frame.can_id, frame.extended, frame.data)
