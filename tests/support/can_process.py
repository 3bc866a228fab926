"""The real CAN reader process, and what it says as it says it."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

Said = dict[str, Any]


def cpu_s(pid):
    """Processor time that a process has used, s."""
    with open(f"/proc/{pid}/stat") as file:
        fields = file.read().rpartition(") ")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


class CanReader:
    """The real process; its output is read as it comes."""

    def __init__(self, channel, items=None, *, speed=1.0, bitrate=500000, extended=False, **more):
        self.process = subprocess.Popen(
            [sys.executable, "-m", "cabcanary.sources.can.reader"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
        )
        settings = {
            "interface": "slcan", "channel": str(channel), "bitrate": bitrate,
            "speed": speed, "extended": extended, "items": items or {}, **more,
        }  # fmt: skip
        self.tell(settings)
        self.said: list[Said] = []
        self._changed = threading.Condition()
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def tell(self, message):
        """Give it a line."""
        self.process.stdin.write(json.dumps(message).encode() + b"\n")
        self.process.stdin.flush()

    def _read(self):
        for line in self.process.stdout:
            with self._changed:
                self.said.append(json.loads(line))
                self._changed.notify_all()

    def mark(self):
        """How much has been said: taken before something is done, to wait for what it brings about."""
        with self._changed:
            return len(self.said)

    def wait(self, condition, seconds=8.0, *, after=None):
        """Wait until something said after a mark, or after now, fits; fails with the last that was said."""
        start = self.mark() if after is None else after
        with self._changed:
            return self._wait_from(start, condition, seconds)

    def wait_any(self, condition, seconds=8.0):
        with self._changed:
            return self._wait_from(0, condition, seconds)

    def _wait_from(self, start, condition, seconds):
        def found():
            return next((said for said in self.said[start:] if condition(said)), None)

        self._changed.wait_for(found, seconds)
        hit = found()
        assert hit is not None, f"never said; the last were {self.said[-8:]}"
        return hit

    def values(self, item):
        return [said for said in self.said if said.get("i") == item and "v" in said]

    def statuses(self):
        """Its words for how it stands, in order."""
        return [said["status"] for said in self.said if "status" in said]

    def cpu_s(self):
        return cpu_s(self.process.pid)

    def end(self):
        if self.process.poll() is None:
            self.process.kill()
        self.process.wait(5)
        self._thread.join(5)
        self.process.stdout.close()
        with contextlib.suppress(BrokenPipeError):
            self.process.stdin.close()


def value(item) -> Callable[[Said], bool]:
    return lambda said: said.get("i") == item and "v" in said


def missing(item, words="") -> Callable[[Said], bool]:
    return lambda said: said.get("i") == item and "e" in said and words in said["e"]


def status(word, words="") -> Callable[[Said], bool]:
    return lambda said: said.get("status") == word and words in said["text"]


def until(condition, seconds=8.0, what="it"):
    """Wait until a condition on the simulated side is true."""
    ends = time.monotonic() + seconds
    while not (got := condition()):
        assert time.monotonic() < ends, f"waited {seconds:g} s in vain for {what}"
        time.sleep(0.005)
    return got


@contextlib.contextmanager
def reading(channel, items=None, **options) -> Iterator[CanReader]:
    """A reader for as long as the block lasts."""
    reader = CanReader(channel, items, **options)
    try:
        yield reader
    finally:
        reader.end()


class Traffic(threading.Thread):
    """Frames put on a simulated bus at a rate, in real time: `frame(n)` gives the next (id, extended, data)."""

    def __init__(self, adapter, rate_hz, frame):
        super().__init__(daemon=True)
        self._adapter, self._gap_s, self._frame = adapter, 1 / rate_hz, frame
        self._ends = threading.Event()
        self.sent = 0

    def run(self):
        due = time.monotonic()
        while not self._ends.wait(max(0.0, due - time.monotonic())):
            self.sent += self._adapter.send(*self._frame(self.sent))
            due = max(due + self._gap_s, time.monotonic() - 0.05)

    def __enter__(self):
        self.start()
        return self

    def __exit__(self, *_):
        self._ends.set()
        self.join(5)
