"""The CAN reader's standard input and output: what the daemon says to it, and what it says to the daemon."""

from __future__ import annotations

import json
import os
import select
import threading
from typing import TYPE_CHECKING, Any

from cabcanary.clock import NS_PER_S, Clock

if TYPE_CHECKING:
    from collections.abc import Iterable

_GUARD_S = 20.0  # real; over the longest legitimate wait: response pending, 15 s
_LONGEST_LINE = 1 << 20  # bytes; a thousand signals by hand take about a fifth of that


class Output:
    """JSON lines to the daemon. Each is one write, so lines of two threads never mix."""

    def __init__(self, fd: int) -> None:
        self._fd = fd
        self._last: tuple[str, str] | None = None

    def value(self, time_ns: int, item: str, value: float) -> None:
        """A value, in the item's unit."""
        self._line({"t": time_ns, "i": item, "v": value})

    def missing(self, time_ns: int, items: Iterable[str], why: str) -> None:
        """No value, and why."""
        for item in items:
            self._line({"t": time_ns, "i": item, "e": why})

    def status(self, status: str, text: str) -> bool:
        """What the connection is doing; said once, not at every retry. Whether it was news."""
        if (status, text) == self._last:
            return False
        self._last = (status, text)
        self._line({"status": status, "text": text})
        return True

    def counts(self, counts: dict[str, int]) -> None:
        """How many frames were seen, values told and values left out, since the process began."""
        self._line({"counts": counts})

    def _line(self, content: dict[str, Any]) -> None:
        line = (json.dumps(content, ensure_ascii=False) + "\n").encode()
        while line:
            line = line[os.write(self._fd, line) :]


class Input:
    """Lines from the daemon, read without a buffer that could hold one back."""

    def __init__(self, fd: int) -> None:
        self.fd, self._rest = fd, b""

    def lines(self) -> list[bytes] | None:
        """The lines that have come, after waiting for some bytes; None when there will be no more."""
        data = os.read(self.fd, 1 << 16)
        if not data:
            return None
        *lines, self._rest = (self._rest + data).split(b"\n")
        if len(self._rest) > _LONGEST_LINE:
            self._rest = b""
        return lines

    def first(self) -> tuple[bytes, list[bytes]]:
        """The first line, which holds the settings, and what came with it; empty when the input ends before."""
        while True:
            lines = self.lines()
            if lines is None:
                return b"", []
            if lines:
                return lines[0], lines[1:]


class Guard(threading.Thread):
    """Ends the process at once when the daemon is gone, and when the main thread is stuck in a device.

    What the daemon says of the ignition is left in `ignition`, for the main thread to look at.
    """

    def __init__(self, lines: Input, output: Output, early: Iterable[bytes] = ()) -> None:
        super().__init__(name="guard", daemon=True)
        self._input, self._output, self._real = lines, output, Clock()
        self._alive_ns = self._real.now_ns()
        #: Whether the ignition is on; None while nobody has said.
        self.ignition: bool | None = None
        for line in early:
            self._take(line)

    def alive(self) -> None:
        """The main thread is still going round."""
        self._alive_ns = self._real.now_ns()

    def run(self) -> None:
        """Take what the daemon says, until standard input ends."""
        while True:
            ready, _, _ = select.select([self._input.fd], [], [], 1.0)
            if ready:
                lines = self._input.lines()
                if lines is None:
                    # os._exit: whatever the main thread hangs in must not delay this, and nothing needs tidying.
                    os._exit(0)
                for line in lines:
                    self._take(line)
            if self._real.now_ns() - self._alive_ns > _GUARD_S * NS_PER_S:
                self._output.status("lost", "the CAN adapter blocks: unplug it and plug it in again")
                os._exit(3)

    def _take(self, line: bytes) -> None:
        try:
            said = json.loads(line)
        except (ValueError, RecursionError):
            return
        if isinstance(said, dict) and isinstance(said.get("ignition"), bool):
            self.ignition = said["ignition"]
