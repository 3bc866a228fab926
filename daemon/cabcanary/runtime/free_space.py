"""How much is free on the card, looked up when somebody asks: by a thread of its own, since a card may not answer."""

from __future__ import annotations

import asyncio
import contextlib
import os
import threading
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from pathlib import Path

#: A sound card answers within microseconds; one that takes longer is told as such, real seconds.
_ANSWERS_WITHIN_S = 0.5


class FreeSpace:
    """The space of the file system that holds a folder. At most one thread waits for it, however many ask."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._under_way: asyncio.Future[dict[str, Any]] | None = None

    async def look(self) -> dict[str, Any]:
        """`free` and `size` in bytes, or the `problem`."""
        if self._under_way is None:
            self._under_way = asyncio.get_running_loop().create_future()
            threading.Thread(target=self._work, args=(self._under_way,), name="free space", daemon=True).start()
        done, _ = await asyncio.wait([self._under_way], timeout=_ANSWERS_WITHIN_S)
        if not done:
            return {"free": None, "size": None, "problem": "the card does not answer"}
        return next(iter(done)).result()

    def _work(self, answer: asyncio.Future[dict[str, Any]]) -> None:
        try:
            found = os.statvfs(self._folder)
        except OSError as error:
            told: dict[str, Any] = {"free": None, "size": None, "problem": error.strerror or str(error)}
        else:
            told = {"free": found.f_bavail * found.f_frsize, "size": found.f_blocks * found.f_frsize, "problem": ""}
        with contextlib.suppress(RuntimeError):  # the loop has ended meanwhile
            answer.get_loop().call_soon_threadsafe(self._take, answer, told)

    def _take(self, answer: asyncio.Future[dict[str, Any]], told: dict[str, Any]) -> None:
        self._under_way = None
        answer.set_result(told)
