"""A helper process: started, fed its settings, read line by line, and started again when it dies.

Helpers do work that is too slow, too heavy or too unreliable for the daemon's own process. A helper gets one
line of JSON on its standard input and ends when that input ends, so none outlives a killed daemon.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import sys
from typing import TYPE_CHECKING, Any

from cabcanary.processes.child import Child
from cabcanary.processes.status import Backoff

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.processes.status import Status

#: A helper that ran this long was healthy: its next death starts the waiting from the shortest again.
_HEALTHY_S = 30.0
#: How long a helper may take to end when asked; then it is killed.
_STOP_S = 2.0
_LONGEST_LINE = 1 << 16
#: A helper that leaves so much unread hangs.
_MOST_UNREAD = 1 << 14


class Helper:
    """Keeps one helper process running; `take(message)` gets every JSON object that it prints."""

    def __init__(
        self,
        module: str,
        settings: dict[str, Any],
        status: Status,
        take: Callable[[dict[str, Any]], None],
        lost: Callable[[str], None] = lambda _words: None,
    ) -> None:
        self._module, self._settings = module, settings
        self._status, self._take, self._lost = status, take, lost
        self.process: Child | None = None
        self._standing: dict[str, Any] | None = None
        self._finishing = False

    def tell(self, message: dict[str, Any]) -> None:
        """Give the helper another line of JSON, now and after every new start; the newest replaces the one before.

        Never waits: what a helper does not read is lost with it, and one that reads nothing any more is ended, so that
        the next one gets the newest.
        """
        self._standing = message
        process = self.process
        if process is None or process.returncode is not None or process.stdin.is_closing():
            return
        if process.stdin.transport.get_write_buffer_size() > _MOST_UNREAD:
            process.kill()
            return
        process.stdin.write(json.dumps(message).encode() + b"\n")

    async def run(self) -> None:
        """Run the helper for ever; ends by cancellation, which takes the process along, and once it has finished."""
        backoff = Backoff(first_s=0.3, longest_s=10.0)
        loop = asyncio.get_running_loop()
        while True:
            started = loop.time()
            try:
                code = await self.run_once()
            except OSError as error:
                # No memory, no process, no descriptor left: as good as a helper that died at once.
                self._status.bad(f"the helper {self._module} cannot be started: {error}; tried again")
                self._lost(f"the helper {self._module} cannot be started")
                await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret
                continue
            if self._finishing:
                return
            if loop.time() - started > _HEALTHY_S:
                backoff.reset()
            words = f"the helper {self._module} ended with code {code}; it is started again"
            self._status.bad(words)
            self._lost(words)
            await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    async def finish(self, longest_s: float) -> None:
        """Have the helper end by itself, because its input has ended, and not come again.

        Returns after `longest_s` real seconds at the latest: one that needs longer is left to who cancels `run`.
        """
        self._finishing = True
        process = self.process
        if process is None:
            return
        process.stdin.close()
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(longest_s):
                await process.wait()

    async def run_once(self) -> int:
        """Run the helper to its end and return its exit code."""
        process = await Child.start([sys.executable, "-m", self._module], _LONGEST_LINE)
        self.process = process
        try:
            process.stdin.write(json.dumps(self._settings).encode() + b"\n")
            if self._standing is not None:
                process.stdin.write(json.dumps(self._standing).encode() + b"\n")
            await self._read(process.stdout)
            return await process.wait()
        finally:
            await _end(process)
            self.process = None

    async def _read(self, stream: asyncio.StreamReader) -> None:
        while True:
            try:
                line = await stream.readline()
            except ValueError:
                continue  # longer than any line of ours
            if not line:
                return
            try:
                message = json.loads(line)
            except (ValueError, RecursionError):
                continue
            if isinstance(message, dict):
                self._take(message)


async def _end(process: Child) -> None:
    """End a helper: its input ends, then it is asked, then it is killed."""
    process.stdin.close()
    if process.returncode is not None:
        return
    process.terminate()
    try:
        await asyncio.wait_for(process.wait(), _STOP_S)
    except TimeoutError:
        process.kill()
        await process.wait()
