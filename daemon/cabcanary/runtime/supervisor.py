"""Keeps the parts running: how each stands, starting it again after a fault of its own, and telling of that fault."""

from __future__ import annotations

import asyncio
import contextlib
import random
import traceback
from typing import TYPE_CHECKING, Any

from cabcanary.model import Event, EventKind
from cabcanary.processes.status import Backoff, Status

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

    from cabcanary.clock import Clock

#: Different faults of its own that are told of; one that says something new each time must not fill the log.
_MOST_FAULTS = 50


class Supervisor:
    """`tell` takes events in the loop's thread; `show` takes the trace of a fault, for the log."""

    def __init__(self, clock: Clock, tell: Callable[[Event], None], show: Callable[[str], None]) -> None:
        self._clock, self._tell, self._show = clock, tell, show
        self._loop = asyncio.get_running_loop()
        #: How each source and helper stands, by its name.
        self.statuses: dict[str, Status] = {}
        #: The faults that have been told of.
        self.faults: set[str] = set()

    def status(self, name: str, kind: EventKind) -> Status:
        """The standing of a new part; each change of it is an event of this kind."""

        def changed(name: str, ok: bool, text: str) -> None:
            self.tell_soon(Event(self._clock.now_ns(), kind, name, f"{name}: {text}", {"ok": ok}))

        status = self.statuses[name] = Status(name, changed)
        return status

    def tell_soon(self, event: Event) -> None:
        """Tell of an event from any thread; nothing where the loop has ended."""
        self.call_soon(lambda: self._tell(event))

    def call_soon(self, work: Callable[[], object]) -> None:
        """Have something done in the loop, from any thread; nothing where the loop has ended."""
        with contextlib.suppress(RuntimeError):
            self._loop.call_soon_threadsafe(work)

    async def keep_running(self, run: Callable[[], Coroutine[Any, Any, None]], status: Status) -> None:
        """Run a part for ever: a fault of its own ends neither the others nor, after a while, itself."""
        backoff = Backoff(first_s=0.5, longest_s=30.0)
        while True:
            try:
                await run()
            except Exception as error:  # noqa: BLE001
                self.fault(status.name, error)
                status.bad(f"stopped by a fault of its own ({type(error).__name__}: {error}); started again")
            await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    def fault(self, where: str, error: Exception) -> None:
        """A fault in this program: said once for each kind."""
        text = f"fault in {where}: {type(error).__name__}: {error}; please report this with the log"
        if text in self.faults or len(self.faults) >= _MOST_FAULTS:
            return
        self.faults.add(text)
        self._show("".join(traceback.format_exception(error)))
        with contextlib.suppress(Exception):
            self._tell(Event(self._clock.now_ns(), EventKind.HELPER, "fault", text, {"ok": False}))
