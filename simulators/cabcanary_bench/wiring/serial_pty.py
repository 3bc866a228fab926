"""A serial port made of a pseudo-terminal, with a symbolic link as its stable name."""

from __future__ import annotations

import array
import fcntl
import os
import pty
import random
import termios
import threading
import tty
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pathlib import Path


class SerialPty:
    """The device's end of a serial line: `link` is what the host opens.

    The host's end is held open here too, so that sending before the host is there does not fail. What
    nobody fetches must not grow old: beyond `backlog` bytes unread, the old ones are thrown away, so a
    host that opens late finds at most that much of the past. A real port with nobody at it loses them all.
    """

    def __init__(self, link: Path, backlog: int = 2048) -> None:
        self.link = link
        self.backlog = backlog
        self.dropped = 0  # bytes that nobody fetched
        #: Bytes that are on their way to the host or with it, and bytes of the host's that have been dealt with.
        self.sent = self.taken = 0
        self.disturbed = 0.0  # share of writes that arrive damaged
        self._rng = random.Random(1)  # noqa: S311  # reproducible is the point
        self._lock = threading.Lock()
        self._master = self._slave = -1
        self.replug()

    @property
    def plugged(self) -> bool:
        """Whether the device is there."""
        return self._master >= 0

    def fileno(self) -> int:
        """The device end's descriptor, -1 while unplugged."""
        return self._master

    def replug(self) -> None:
        """Come (back), as a new terminal under the same link."""
        with self._lock:
            if self._master >= 0:
                return
            self._master, self._slave = pty.openpty()
            tty.setraw(self._slave)
            os.set_blocking(self._master, False)
            temporary = self.link.with_name(self.link.name + ".new")
            temporary.unlink(missing_ok=True)
            temporary.symlink_to(os.ttyname(self._slave))
            temporary.replace(self.link)

    def unplug(self) -> None:
        """Go: the host's next read finds the end of the file or an I/O error, and the link is gone."""
        with self._lock:
            if self._master < 0:
                return
            self.link.unlink(missing_ok=True)
            os.close(self._slave)
            os.close(self._master)
            self._master = self._slave = -1

    def _unread(self) -> int:
        count = array.array("i", [0])
        fcntl.ioctl(self._slave, termios.FIONREAD, count)
        return count[0]

    def write(self, data: bytes) -> int:
        """Send to the host, never waiting; returns how many bytes went, the rest is counted as dropped.

        Where the line is disturbed, a byte arrives with its top bit set, which no text has.
        """
        if self.disturbed and data and self._rng.random() < self.disturbed:
            hit = self._rng.randrange(max(1, len(data) - 2))  # the line's end survives, so the next line is whole
            data = data[:hit] + bytes([data[hit] | 0x80]) + data[hit + 1 :]
        with self._lock:
            if self._master < 0:
                return 0
            unread = self._unread()
            if unread > self.backlog:
                termios.tcflush(self._slave, termios.TCIFLUSH)
                self.dropped += unread
                self.sent -= unread
            # Counted before they go: the host may have read them before this thread has its next turn.
            self.sent += len(data)
            try:
                sent = os.write(self._master, data)
            except OSError:  # full
                sent = 0
            self.dropped += len(data) - sent
            self.sent -= len(data) - sent
            return sent

    def read(self) -> bytes:
        """Whatever the host has sent; empty when nothing, or unplugged. Never waits."""
        with self._lock:
            if self._master < 0:
                return b""
            try:
                return os.read(self._master, 4096)
            except OSError:  # nothing there
                return b""

    def close(self) -> None:
        """Unplug for good. May be called twice."""
        self.unplug()
