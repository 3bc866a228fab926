"""The messenger: follows the daemon's feed and publishes alerts over MQTT.

`python -m cabcanary.messenger.mqtt`; one line of JSON on standard input; `{"ok", "text"}` a line on standard
output whenever its standing changes. It ends when its standard input ends.

Topics, under the configured one: `availability` (retained "online"/"offline", the last will says "offline"),
`alert/<id>` (retained state), `event` (drives, sources, sounds).
"""

from __future__ import annotations

import asyncio
import contextlib
import json
import random
import stat
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import aiomqtt

from cabcanary.sources.slot import Backoff, Status

if TYPE_CHECKING:
    from collections.abc import AsyncIterator

#: A broker that keeps no heartbeat within this is gone, and so are we in its eyes: it publishes the will.
_KEEPALIVE_S = 15
#: A broker that does not take "offline" within this is not waited for; in the end its own keepalive tells it.
_FAREWELL_S = 1.0


class PasswordError(OSError):
    """The password file cannot be used; the message says why and what to do."""


def read_password(path: Path) -> str:
    """The password in a file that only its owner may read.

    Raises:
        PasswordError: others may read it, or it cannot be read.
    """
    try:
        mode = path.stat().st_mode
        if mode & (stat.S_IRWXG | stat.S_IRWXO):
            raise PasswordError(f"{path} can be read by others; run: chmod 600 {path}")
        return path.read_text(encoding="utf-8").strip()
    except PasswordError:
        raise
    except OSError as error:
        raise PasswordError(f"{path}: {error.strerror or error}") from error


class Messenger:
    """Publishes until cancelled; connects again, ever more patiently, when broker or feed are away."""

    def __init__(self, settings: dict[str, Any], status: Status) -> None:
        self._settings, self._status = settings, status
        self._topic = settings["topic"]

    async def run(self) -> None:
        """Run for ever; ends only by cancellation."""
        backoff = Backoff(first_s=0.5, longest_s=30.0)
        where = f"{self._settings['host']}:{self._settings['port']}"
        while True:
            try:
                async with self._client() as client:
                    self._status.good(f"publishing to {where}")
                    backoff.reset()
                    await self._serve(client)
                    self._status.bad("the daemon's feed ended")
            except aiomqtt.MqttError as error:
                self._status.bad(f"broker {where}: {error}; warnings in the cab go on, tried again")
            except OSError as error:
                self._status.bad(f"{error}; warnings in the cab go on, tried again")
            await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    def _client(self) -> aiomqtt.Client:
        s = self._settings
        password = read_password(Path(s["password_file"])) if s.get("password_file") else None
        will = aiomqtt.Will(f"{self._topic}/availability", payload="offline", qos=1, retain=True)
        return aiomqtt.Client(
            s["host"],
            s["port"],
            username=s.get("username"),
            password=password,
            will=will,
            keepalive=_KEEPALIVE_S,
            timeout=10,
        )

    async def _serve(self, client: aiomqtt.Client) -> None:
        """Publish until the feed ends; a broker that goes is noticed also while there is nothing to publish."""
        work = [asyncio.ensure_future(self._publish_all(client)), asyncio.ensure_future(_until_lost(client))]
        try:
            done, _ = await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in work:
                task.cancel()
            await asyncio.gather(*work, return_exceptions=True)

    async def _publish_all(self, client: aiomqtt.Client) -> None:
        try:
            async for message in self._feed():
                await self._publish(client, message)
        finally:
            # A connection that is closed in order has no last will: say what it would have said.
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with asyncio.timeout(_FAREWELL_S):
                    await self._available(client, "offline")

    async def _publish(self, client: aiomqtt.Client, message: dict[str, Any]) -> None:
        if "hello" in message:
            # Only now: the broker may be there when the daemon is not.
            await self._available(client, "online")
        event = message.get("event")
        # A past event was published when it happened; an alert that still stands is said again.
        if not isinstance(event, dict) or (message.get("past") and event.get("kind") != "alert"):
            return
        payload = json.dumps(event, ensure_ascii=False)
        if event.get("kind") == "alert":
            await client.publish(f"{self._topic}/alert/{event['what']}", payload, qos=1, retain=True)
        else:
            await client.publish(f"{self._topic}/event", payload, qos=1)

    async def _available(self, client: aiomqtt.Client, word: str) -> None:
        await client.publish(f"{self._topic}/availability", word, qos=1, retain=True)

    async def _feed(self) -> AsyncIterator[dict[str, Any]]:
        reader, writer = await asyncio.open_unix_connection(self._settings["feed"], limit=1 << 20)
        try:
            while line := await reader.readline():
                message = json.loads(line)
                if isinstance(message, dict):
                    yield message
        finally:
            writer.close()


async def _until_lost(client: aiomqtt.Client) -> None:
    """Nothing is subscribed to; the client raises here when the broker goes."""
    async for _ in client.messages:
        pass


async def _run(settings: dict[str, Any]) -> None:
    def tell(_name: str, ok: bool, words: str) -> None:
        sys.stdout.write(json.dumps({"ok": ok, "text": words}) + "\n")
        sys.stdout.flush()

    work = asyncio.ensure_future(Messenger(settings, Status("messenger", tell)).run())
    # The daemon holds the other end; when it dies, however it dies, this ends too.
    gone = asyncio.ensure_future(asyncio.to_thread(sys.stdin.read))
    await asyncio.wait({work, gone}, return_when=asyncio.FIRST_COMPLETED)
    work.cancel()
    await asyncio.wait({work})


def main() -> int:
    """Publish until standard input ends."""
    settings = json.loads(sys.stdin.readline())
    asyncio.run(_run(settings))
    return 0


if __name__ == "__main__":
    sys.exit(main())
