"""A child process of the event loop whose start the loop does not wait for.

Starting a program reads it from the card, and a card that stalls would hold up the tick: `asyncio`'s own way waits in
the loop, and with vfork the whole interpreter stands still until the program has been read. Here a thread waits, and
the child is forked: that costs a millisecond or two for the page tables of a process as small as the daemon.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import subprocess
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

# The knob that the library's manual names for this ("Disabling use of vfork() or posix_spawn()").
setattr(subprocess, "_USE_VFORK", False)  # noqa: B010 - its type says final, its manual says to set it


class Child:
    """A running child with its standard input and output; made by `Child.start`."""

    def __init__(self, process: subprocess.Popen[bytes], stdin: asyncio.StreamWriter, stdout: asyncio.StreamReader):
        self._process = process
        self.stdin, self.stdout = stdin, stdout
        self._ended = asyncio.Event()
        self._descriptor = os.pidfd_open(process.pid)
        asyncio.get_running_loop().add_reader(self._descriptor, self._reap)

    @classmethod
    async def start(cls, words: Sequence[str], longest_line: int) -> Child:
        """Start a program; `longest_line` bounds its unread output, in bytes.

        Raises:
            OSError: it cannot be started.
        """
        loop = asyncio.get_running_loop()
        process = await _in_a_thread(
            lambda: subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, bufsize=0)
        )
        try:
            stdout = asyncio.StreamReader(longest_line)
            await loop.connect_read_pipe(lambda: asyncio.StreamReaderProtocol(stdout), process.stdout)
            transport, protocol = await loop.connect_write_pipe(asyncio.streams.FlowControlMixin, process.stdin)
            return cls(process, asyncio.StreamWriter(transport, protocol, None, loop), stdout)
        except BaseException:
            _undo(process)
            raise

    @property
    def pid(self) -> int:
        """Its number."""
        return self._process.pid

    @property
    def returncode(self) -> int | None:
        """Its exit code; negative: the signal that ended it; None while it runs."""
        return self._process.returncode

    async def wait(self) -> int:
        """Wait for its end."""
        await self._ended.wait()
        assert self._process.returncode is not None
        return self._process.returncode

    def terminate(self) -> None:
        """Ask it to end."""
        with contextlib.suppress(ProcessLookupError):
            self._process.terminate()

    def kill(self) -> None:
        """End it."""
        with contextlib.suppress(ProcessLookupError):
            self._process.kill()

    def _reap(self) -> None:
        if self._process.poll() is None:
            return
        asyncio.get_running_loop().remove_reader(self._descriptor)
        os.close(self._descriptor)
        self.stdin.close()
        self._ended.set()


async def _in_a_thread(start: Callable[[], subprocess.Popen[bytes]]) -> subprocess.Popen[bytes]:
    """Do it in a thread of its own: the common ones may all wait for the same card. A start that nobody waits for any
    more is undone."""
    loop = asyncio.get_running_loop()
    done: asyncio.Future[subprocess.Popen[bytes]] = loop.create_future()

    def tell(process: subprocess.Popen[bytes] | None, error: Exception | None) -> None:
        if done.cancelled():
            if process is not None:
                _undo(process)
        elif error is not None:
            done.set_exception(error)
        elif process is not None:
            done.set_result(process)

    def work() -> None:
        process, error = None, None
        try:
            process = start()
        except Exception as found:  # noqa: BLE001 - told to whoever waits
            error = found
        try:
            loop.call_soon_threadsafe(tell, process, error)
        except RuntimeError:  # the loop is gone
            if process is not None:
                _undo(process)

    threading.Thread(target=work, name="start", daemon=True).start()
    return await done


def _undo(process: subprocess.Popen[bytes]) -> None:
    process.kill()
    for pipe in (process.stdin, process.stdout):
        if pipe is not None:
            pipe.close()
    threading.Thread(target=process.wait, daemon=True).start()
