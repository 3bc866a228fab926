"""The messenger: follows the daemon's feed and publishes over MQTT.

`python -m cabcanary.messenger.mqtt`; one line of JSON on standard input; `{"ok", "text"}` a line on standard
output whenever its standing changes. It ends when its standard input ends.

What the feed tells goes into the outbox, and from there to the broker, one at a time, so that messages keep their
order. `payloads.py` has the topics and what is published.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.messenger.broker import Broker
from cabcanary.messenger.follow import FeedFollower
from cabcanary.messenger.outbox import Outbox
from cabcanary.sources.slot import Status

if TYPE_CHECKING:
    from collections.abc import Callable


class Desk:
    """The outbox, used from the loop: each call is made by one thread of its own, so a slow card holds up no loop."""

    def __init__(self, path: Path, most: int, note: Callable[[str], None]) -> None:
        self._worker = ThreadPoolExecutor(1, thread_name_prefix="outbox")
        self.outbox = Outbox(path, most)
        self.news = asyncio.Event()
        self._note = note
        if self.outbox.note:
            note(self.outbox.note)

    async def do(self, work: Callable[..., Any], *arguments: Any) -> Any:
        """Have the outbox do something."""
        return await asyncio.get_running_loop().run_in_executor(self._worker, lambda: work(*arguments))

    async def put(self, identity: str, topic: str, payload: str, *, retain: bool) -> bool:
        """Take in a message; a disk that takes nothing any more loses none that memory can hold."""
        try:
            new: bool = await self.do(lambda: self.outbox.put(identity, topic, payload, retain=retain))
        except Exception as error:  # noqa: BLE001 - sqlite3 has many; the message matters more than which
            self._note(f"the outbox cannot be written ({error}); messages are kept in memory from here on")
            self.outbox = Outbox(Path("/dev/null/none"), 1000)
            new = self.outbox.put(identity, topic, payload, retain=retain)
        self.news.set()
        return new

    def close(self) -> None:
        """Close the file."""
        self._worker.shutdown()
        self.outbox.close()


async def serve(settings: dict[str, Any], status: Status) -> None:
    """Follow the feed and publish; ends only by cancellation."""
    desk = Desk(Path(settings["outbox_file"]), settings["outbox"], status.note)
    try:
        follower = FeedFollower(settings, desk)
        async with asyncio.TaskGroup() as group:
            group.create_task(follower.run())
            group.create_task(Broker(settings, desk, follower, status).run())
    finally:
        desk.close()


async def _run(settings: dict[str, Any]) -> None:
    def tell(_name: str, ok: bool, words: str) -> None:
        sys.stdout.write(json.dumps({"ok": ok, "text": words}) + "\n")
        sys.stdout.flush()

    work = asyncio.ensure_future(serve(settings, Status("messenger", tell)))
    # Asked to end, it says good-bye to the broker first.
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, work.cancel)
    # The daemon holds the other end; when it dies, however it dies, this ends too.
    gone = asyncio.ensure_future(asyncio.to_thread(sys.stdin.read))
    await asyncio.wait({work, gone}, return_when=asyncio.FIRST_COMPLETED)
    work.cancel()
    with contextlib.suppress(asyncio.CancelledError):
        await work
    if not gone.done():
        # A thread that waits for input would keep the process alive.
        sys.stdout.flush()
        os._exit(0)


def main() -> int:
    """Publish until standard input ends."""
    settings = json.loads(sys.stdin.readline())
    asyncio.run(_run(settings))
    return 0


if __name__ == "__main__":
    sys.exit(main())
