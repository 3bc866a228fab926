"""The messenger: follows the daemon's feed and publishes over MQTT.

`python -m cabcanary.messenger.mqtt`; one line of JSON on standard input; `{"ok", "text"}` a line on standard
output whenever its standing changes. When its standard input ends it publishes what the feed still told, for a second
at most, says good-bye and ends; on SIGTERM it says good-bye at once.

What the feed tells goes into the outbox, and from there to the broker: states first, each topic in its order.
`payloads.py` has the topics and the messages.
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import os
import signal
import sys
from pathlib import Path
from typing import Any

from cabcanary.messenger.async_outbox import AsyncOutbox
from cabcanary.messenger.broker import Broker
from cabcanary.messenger.follow import LAST_WORDS_S, FeedFollower
from cabcanary.messenger.mqtt_client import without_closed_sockets
from cabcanary.processes.status import Status

#: How long the end may take once it is asked for, real seconds: the last words, the good-bye, and as much again.
_LONGEST_END_S = 4.0


class _EndAskedError(Exception):
    """Ends the task group from inside, in order."""


async def serve(settings: dict[str, Any], status: Status, ending: asyncio.Event) -> None:
    """Follow the feed and publish; ends by cancellation, or soon after `ending`, with the last words."""
    outbox = AsyncOutbox(Path(settings["outbox_file"]), settings["outbox"], status.note)
    try:
        follower = FeedFollower(settings, outbox)
        async with asyncio.TaskGroup() as group:
            broker = Broker(settings, outbox, follower, status)
            group.create_task(follower.run())
            group.create_task(broker.run())
            await ending.wait()
            with contextlib.suppress(TimeoutError):
                async with asyncio.timeout(LAST_WORDS_S):
                    await follower.ended.wait()
                    await broker.emptied()
            raise _EndAskedError
    except* _EndAskedError:
        pass
    finally:
        outbox.close()


async def _run(settings: dict[str, Any]) -> None:
    def tell(_name: str, ok: bool, words: str) -> None:
        # Where nobody reads any more, the broker still gets the last words.
        with contextlib.suppress(OSError):
            sys.stdout.write(json.dumps({"ok": ok, "text": words}) + "\n")
            sys.stdout.flush()

    ending = asyncio.Event()
    work = asyncio.ensure_future(serve(settings, Status("messenger", tell), ending))
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(without_closed_sockets)

    def ends_soon() -> None:
        # Whatever hangs then (a broker that takes no good-bye), this process does not outlive its daemon.
        loop.call_later(_LONGEST_END_S, os._exit, 0)

    def asked_to_end() -> None:
        # It says good-bye to the broker first.
        work.cancel()
        ends_soon()

    def input_ended(_: object) -> None:
        ending.set()
        ends_soon()

    loop.add_signal_handler(signal.SIGTERM, asked_to_end)
    # The daemon holds the other end; when it dies, however it dies, this ends too.
    gone = asyncio.ensure_future(asyncio.to_thread(sys.stdin.read))
    gone.add_done_callback(input_ended)
    code = 0
    try:
        await work
    except asyncio.CancelledError:
        pass
    except Exception as error:  # noqa: BLE001 - whatever it was: it must be told, and this must end
        code = 1
        tell("messenger", False, f"a fault of its own ({_innermost(error)}); please report this with the log")
    if code or not gone.done():
        # A thread that waits for input would keep the process alive, and the daemon would start no other.
        os._exit(code)


def _innermost(error: BaseException) -> str:
    while isinstance(error, BaseExceptionGroup):
        error = error.exceptions[0]
    return f"{type(error).__name__}: {error}"


def main() -> int:
    """Publish until standard input ends."""
    settings = json.loads(sys.stdin.readline())
    asyncio.run(_run(settings))
    return 0


if __name__ == "__main__":
    sys.exit(main())
