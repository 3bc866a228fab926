"""The keeper of messages as the loop uses it."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from typing import TYPE_CHECKING, ParamSpec, TypeVar

from cabcanary.messenger.keeper import Keeper

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable
    from pathlib import Path

    from cabcanary.messenger.outbox import Number, OutboxMessage, Waiting


P = ParamSpec("P")


T = TypeVar("T")


class AsyncOutbox:
    """The keeper of messages, used from the loop: each call is made by one thread of its own, so a slow card holds up
    no loop."""

    def __init__(self, path: Path, most: int, note: Callable[[str], None]) -> None:
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="outbox")
        self._keeper = Keeper(path, most, note)
        #: Set whenever there may be something to publish.
        self.news = asyncio.Event()

    async def put(self, message: OutboxMessage) -> bool:
        """Take in a message, unless it has been in before; whether it was new."""
        new = await self._do(self._keeper.put, message)
        self.news.set()
        return new

    async def first(self, without: Iterable[str]) -> Waiting | None:
        """The first message that has not been sent and whose topic is not among `without`."""
        return await self._do(self._keeper.first, without)

    async def waiting(self, most: int, without: Iterable[str], under_way: Container[int]) -> list[Waiting]:
        """The next messages as they go out, without those that are `under_way`."""
        return await self._do(self._keeper.waiting, most, without, under_way)

    async def sent(self, *numbers: int) -> None:
        """The broker has these: one write for all of them."""
        # Once begun it is done, also where who asks is cancelled: else what the broker has would be sent again.
        await asyncio.shield(asyncio.wrap_future(self._worker.submit(self._keeper.sent, *numbers)))

    async def reached(self) -> Number:
        """The number of the last event of the feed that is kept or has been."""
        return await self._do(self._keeper.reached)

    async def standing(self) -> dict[str, str]:
        """Topics and last payloads of the alerts that were last said to stand."""
        return await self._do(self._keeper.standing)

    async def settled(self) -> list[tuple[str, str]]:
        """As `standing`, without those of which something still waits."""
        return await self._do(self._keeper.settled)

    async def take_lost(self) -> int:
        """How many messages had to go since this was last asked."""
        return await self._do(self._keeper.take_lost)

    @property
    def behind(self) -> bool:
        """Whether the disk lacks something that memory keeps for it."""
        return self._keeper.behind

    async def _do(self, work: Callable[P, T], *arguments: P.args, **named: P.kwargs) -> T:
        return await asyncio.get_running_loop().run_in_executor(self._worker, lambda: work(*arguments, **named))

    def close(self) -> None:
        """Close the file. May be called twice."""
        self._worker.shutdown()
        self._keeper.close()
