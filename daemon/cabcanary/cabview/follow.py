"""The daemon's feed, followed for the pages: what it tells goes to the board, an acknowledge goes back."""

from __future__ import annotations

import asyncio
import json
import random
from collections import deque
from typing import TYPE_CHECKING, Any

from cabcanary.processes.status import Backoff

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from cabcanary.cabview.board import Board

#: An answer of several hundred channels is about 100 kB.
_LONGEST_LINE = 1 << 20
#: A person reads no faster, and the page's dead time is counted from it.
_FRAMES_HZ = 10.0
#: How often the whole state is asked for, s.
_STATUS_S = 2.0
#: In the cab a daemon that is back must be seen soon.
_FIRST_S, _LONGEST_S = 0.1, 1.0
#: A daemon that answers does so within a tick or two, s.
_ANSWERS_WITHIN_S = 2.0
#: Requests under way at a time; the daemon itself takes one a second.
_MOST_WAITING = 8


class CommandError(Exception):
    """The daemon has not done what was asked; the text says why."""


class Follower:
    """Follows one feed for ever. `place` says where it is; `news` is called after whatever the board was told."""

    def __init__(self, place: Callable[[], Path], board: Board, news: Callable[[], None]) -> None:
        self._place, self._board, self._news = place, board, news
        self._writer: asyncio.StreamWriter | None = None
        #: Who waits for an answer; they come in the order of the requests.
        self._waiting: deque[asyncio.Future[dict[str, Any]]] = deque()

    async def run(self) -> None:
        """Follow; a feed that goes is waited for."""
        backoff = Backoff(first_s=_FIRST_S, longest_s=_LONGEST_S)
        while True:
            why = "its feed has ended"
            try:
                await self._follow(backoff)
            except FileNotFoundError:
                why = f"there is no {self._place()}"
            except (OSError, ValueError, KeyError, TypeError) as error:
                why = str(error) or type(error).__name__
            self._board.gone(why)
            self._news()
            await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    async def acknowledge(self) -> list[str]:
        """What the driver's button does; returns the alerts that were acknowledged.

        Raises:
            CommandError: the daemon is not there, does not answer, or refuses.
        """
        if self._writer is None:
            raise CommandError("no monitor runs: there is nothing to acknowledge")
        if len(self._waiting) >= _MOST_WAITING:
            raise CommandError("the monitor has not answered the requests before this one")
        answer: asyncio.Future[dict[str, Any]] = asyncio.get_running_loop().create_future()
        self._waiting.append(answer)
        self._writer.write(b'{"do": "acknowledge", "by": "page"}\n')
        try:
            told = await asyncio.wait_for(answer, _ANSWERS_WITHIN_S)
        except TimeoutError:
            raise CommandError("the monitor does not answer: whether it has heard this nobody knows") from None
        if "error" in told:
            raise CommandError(str(told["error"]))
        return [str(alert) for alert in told.get("acknowledged", [])]

    async def _follow(self, backoff: Backoff) -> None:
        reader, writer = await asyncio.open_unix_connection(str(self._place()), limit=_LONGEST_LINE)
        asking = asyncio.ensure_future(self._ask(writer))
        try:
            while line := await reader.readline():
                self._take(json.loads(line), writer, backoff)
                self._news()
                # A line that is there already is read without a wait, and the pages must get their turn.
                await asyncio.sleep(0)
        finally:
            asking.cancel()
            self._writer = None
            while self._waiting:
                _answer(self._waiting.popleft(), {"error": "the monitor has just stopped"})
            writer.close()

    async def _ask(self, writer: asyncio.StreamWriter) -> None:
        writer.write(json.dumps({"subscribe": {"frames_hz": _FRAMES_HZ, "bands": True}}).encode() + b"\n")
        while True:
            writer.write(b'{"ask": "status"}\n')
            await asyncio.sleep(_STATUS_S)

    def _take(self, message: dict[str, Any], writer: asyncio.StreamWriter, backoff: Backoff) -> None:
        now_s = asyncio.get_running_loop().time()
        if "frame" in message:
            self._board.frame(message["frame"], now_s)
        elif "event" in message:
            self._board.event(message["event"])
        elif "hello" in message:
            # Not before: a feed that has no place says so and hangs up.
            backoff.reset()
            self._writer = writer
            self._board.hello(message["hello"], now_s)
        elif "status" in message:
            self._board.status(message["status"])
        elif "reply" in message or "error" in message:
            self._answered(message)

    def _answered(self, message: dict[str, Any]) -> None:
        if self._waiting:
            _answer(self._waiting.popleft(), message.get("reply", message))
        elif self._writer is None:
            raise ValueError(message.get("error"))


def _answer(waiting: asyncio.Future[dict[str, Any]], told: dict[str, Any]) -> None:
    if not waiting.done():
        waiting.set_result(told)
