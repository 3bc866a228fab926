"""The cab page's stream: every client gets the newest state, and only that; one that does not read is let go.

A state goes out when something has changed and at least twice a second, so that silence on the stream means that the
server is gone. It carries the server's own monotonic time: a page can tell a state that was long under way.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import time
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

#: The page counts as dead what has been silent for 1.5 s: two beats may be late or lost.
_BEAT_S = 0.4
#: Changes within so long are one: a storm of events costs no more than fifty states a second.
_TOGETHER_S = 0.02
#: A cab screen, a phone, a laptop, and some that were not closed.
MOST_CLIENTS = 12


class TooManyError(Exception):
    """There is no place for another client; the text says what to do."""


class Stream:
    """What all clients of the cab page are told. `state` gives what the page shows now."""

    def __init__(self, state: Callable[[], dict[str, Any]]) -> None:
        self._state = state
        self._changed = asyncio.Event()
        self._number, self._newest = 0, b""
        self._next = asyncio.Condition()
        self._closed = False
        self.clients = 0

    def news(self) -> None:
        """Something has changed."""
        self._changed.set()

    async def run(self) -> None:
        """Make states for ever."""
        while True:
            await self._make()
            await asyncio.sleep(_TOGETHER_S)
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self._changed.wait(), _BEAT_S)

    async def close(self) -> None:
        """End every client's stream."""
        self._closed = True
        async with self._next:
            self._next.notify_all()

    async def _make(self) -> None:
        self._changed.clear()
        told = {"at": time.monotonic_ns() // 1_000_000, **self._state(), "screens": self.clients}
        async with self._next:
            self._newest = b"data: " + json.dumps(told, ensure_ascii=False, separators=(",", ":")).encode() + b"\n\n"
            self._number += 1
            self._next.notify_all()

    async def follow(self) -> AsyncIterator[bytes]:
        """The states for one client, each the newest at that moment: what it could not take in time is left out."""
        seen = 0
        # A page that has lost its server tries again after so many ms.
        yield b"retry: 500\n\n"
        while not self._closed:
            async with self._next:
                while self._number == seen and not self._closed:
                    await self._next.wait()
                seen, newest = self._number, self._newest
            if not self._closed:
                yield newest

    @contextlib.contextmanager
    def place(self) -> Any:
        """A client's place, for as long as it stays.

        Raises:
            TooManyError: there is none.
        """
        if self.clients >= MOST_CLIENTS:
            raise TooManyError(f"{MOST_CLIENTS} pages are open already, which is all; close one, and try again")
        self.clients += 1
        try:
            yield
        finally:
            self.clients -= 1
