"""Lines for a person at a terminal or in the system's log, written by a thread of their own.

A terminal that is stopped, or a pipe that nobody reads, blocks whoever writes to it; so the daemon never does.
"""

from __future__ import annotations

import queue
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from typing import TextIO

_LONGEST_QUEUE = 1000


class Console:
    """Writes lines while a reader takes them; lines that do not fit are dropped and counted."""

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._queue: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self.dropped = 0
        self._thread = threading.Thread(target=self._work, name="console", daemon=True)
        self._thread.start()

    def line(self, text: str) -> None:
        """Write a line, some time soon."""
        self.write(text + "\n")

    def write(self, text: str) -> bool:
        """Write this as it is, some time soon; False when it had to be dropped."""
        if self._queue.qsize() >= _LONGEST_QUEUE:
            self.dropped += 1
            return False
        self._queue.put(text)
        return True

    def close(self, longest_s: float) -> None:
        """Write the remaining lines, for at most `longest_s` seconds."""
        self._queue.put(None)
        self._thread.join(longest_s)

    def _work(self) -> None:
        while (text := self._queue.get()) is not None:
            try:
                self._stream.write(text)
                self._stream.flush()
            except (OSError, ValueError):
                self.dropped += 1
