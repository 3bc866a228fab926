"""A messenger's process, and the daemon's feed that it follows, in the hands of a test."""

from __future__ import annotations

import asyncio
import contextlib
import json
import subprocess
import sys
import threading
import time
from typing import TYPE_CHECKING, Any

import pytest
from broker import TOPIC

from cabcanary.feed import Feed
from cabcanary.model import Event, EventKind, Frame

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

PATIENCE_S = 40.0


async def until(what: str, condition: Callable[[], Any]) -> Any:
    """The condition's first true answer, with the loop going on meanwhile."""
    ends = time.monotonic() + PATIENCE_S
    while not (answer := condition()):
        if time.monotonic() > ends:
            pytest.fail(f"waited in vain for {what}")
        await asyncio.sleep(0.02)
    return answer


class Feeder:
    """The daemon's own feed, without a daemon."""

    def __init__(self, folder: Path) -> None:
        self.path = folder / "feed.sock"
        self.past: list[Event] = []
        self.commands: list[dict[str, Any]] = []
        self.feed = Feed(self.path, self._hello, lambda: self.past, self._command)
        self._task: asyncio.Task[None] | None = None

    def _hello(self) -> dict[str, Any]:
        return {"speed": 1.0, "units": {}}

    def _command(self, message: dict[str, Any]) -> dict[str, Any]:
        self.commands.append(message)
        return {}

    async def start(self) -> None:
        self._task = asyncio.ensure_future(self.feed.run())
        await until("the feed", self.path.exists)

    def tell(self, kind: EventKind, what: str, text: str = "", **data: Any) -> None:
        self.feed.event(Event(time.monotonic_ns(), kind, what, text, data))

    def alert(self, what: str, *, active: bool) -> None:
        """An alert of a rule, raised or gone."""
        state = {"state": "active" if active else "normal", "active": active, "raised": active, "acknowledged": True}
        self.tell(EventKind.ALERT, what, what, priority="warning", blind=False, **{**state, "acknowledged": not active})

    def frame(self) -> None:
        self.feed.frame(Frame(time.monotonic_ns(), {}))

    @property
    def followed(self) -> bool:
        return any(r.period_ns for r in self.feed._readers)

    async def stop(self) -> None:
        if self._task is not None:
            self._task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await self._task


class Messenger:
    """The process, as the daemon's helper starts it."""

    def __init__(self, folder: Path, port: int, **changed: Any) -> None:
        settings = {
            "feed": str(folder / "feed.sock"), "vehicle": "van", "host": "127.0.0.1", "port": port, "topic": TOPIC,
            "protocol": "5", "values": [], "values_hz": 1, "outbox": 100, "keepalive": 15, "acknowledge": False,
            "outbox_file": str(folder / "outbox.sqlite"), **changed,
        }  # fmt: skip
        self.process = subprocess.Popen(
            [sys.executable, "-m", "cabcanary.messenger.mqtt"], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
        )
        #: Its lines so far.
        self.told: list[dict[str, Any]] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()
        assert self.process.stdin is not None
        self.process.stdin.write(json.dumps({k: v for k, v in settings.items() if v is not None}) + "\n")
        self.process.stdin.flush()

    def _read(self) -> None:
        assert self.process.stdout is not None
        with self.process.stdout as lines:
            for line in lines:
                self.told.append(json.loads(line))

    def said(self, words: str) -> int:
        return sum(words in line["text"] for line in self.told)

    def finish(self) -> int:
        """End its input, as a daemon that stops does; its exit code."""
        assert self.process.stdin is not None
        self.process.stdin.close()
        return self.process.wait(20)

    def close(self) -> int:
        """Ask it to end; its exit code. May be called twice."""
        assert self.process.stdin is not None
        if self.process.poll() is None:
            self.process.terminate()
        try:
            return self.process.wait(20)
        finally:
            self.process.kill()
            self.process.stdin.close()
            self._reader.join(10.0)
