"""The outbox -> the broker: one message at a time, each kept until the broker has acknowledged it."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import logging
import random
import socket
import time
from typing import TYPE_CHECKING, Any

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from pydantic import ValidationError

from cabcanary.messenger.credentials import SecretError, explain, password, tls_context
from cabcanary.messenger.keeper import TRY_AGAIN_S
from cabcanary.messenger.outbox import Letter
from cabcanary.messenger.payloads import CommandMessage, EventMessage, wall_time
from cabcanary.sources.slot import Backoff

if TYPE_CHECKING:
    from cabcanary.messenger.follow import FeedFollower
    from cabcanary.messenger.mqtt import Desk
    from cabcanary.messenger.outbox import Waiting
    from cabcanary.sources.slot import Status

#: A broker that acknowledges nothing within this is as good as gone.
_PATIENCE_S = 10.0
#: A broker that does not take "offline" within this is not waited for; in the end its own keepalive tells it.
_FAREWELL_S = 1.0
#: A topic that is refused is tried again after this, and ever more seldom.
_REFUSED_S, _LONGEST_REFUSED_S = 30.0, 600.0
#: From here on a reason code of MQTT 5 is a refusal (OASIS, MQTT 5.0, section 2.4).
_FIRST_FAILURE = 0x80
#: Bad user name or password, and not authorised: in MQTT 3.1.1 (section 3.2.2.3) and 5 (3.2.2.2).
_NOT_AUTHORISED = (4, 5, 0x86, 0x87)
_LARGEST_COMMAND = 1024


class _LastError(logging.Handler):
    """Keeps what paho last said went wrong: it tells why a connection ended only in its log."""

    text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


class _Client(aiomqtt.Client):
    """aiomqtt's client, which also tells what the broker thought of a message, and why it hung up: aiomqtt itself
    leaves the first out, and waits the second out."""

    refused: str | None = None

    def __init__(self, *arguments: Any, **options: Any) -> None:
        self._last_error = _LastError(logging.ERROR)
        logger = logging.Logger("mqtt")  # noqa: LOG001 - one for this connection, and no other's business
        logger.addHandler(self._last_error)
        super().__init__(*arguments, logger=logger, **options)

    def _on_disconnect(self, *arguments: Any) -> None:
        if not self._connected.done():
            self._connected.set_exception(aiomqtt.MqttError(self._last_error.text or "it hung up at once"))
            return
        super()._on_disconnect(*arguments)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any = None) -> None:
        if getattr(reason_code, "value", 0) >= _FIRST_FAILURE:
            self.refused = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def take_refusal(self) -> str | None:
        """Why the last message was refused, once."""
        refused, self.refused = self.refused, None
        return refused


class Broker:
    """Publishes until cancelled; connects again, ever more patiently, when the broker is away."""

    def __init__(self, settings: dict[str, Any], desk: Desk, follower: FeedFollower, status: Status) -> None:
        self._settings, self._desk, self._follower, self._status = settings, desk, follower, status
        self._topic = settings["topic"]
        self._where = f"{settings['host']}:{settings['port']}"
        self._backoff = Backoff(first_s=0.5, longest_s=60.0)
        #: Wrong credentials do not mend themselves: they are shown to the broker seldom.
        self._unwelcome = Backoff(first_s=5.0, longest_s=300.0)
        self._refused: dict[str, float] = {}
        self._refused_wait = Backoff(first_s=_REFUSED_S, longest_s=_LONGEST_REFUSED_S)
        self._connected = False
        #: Set whenever nothing waits any more, or there is no broker.
        self._empty = asyncio.Event()

    async def run(self) -> None:
        """Run for ever; ends only by cancellation."""
        while True:
            wait = self._backoff
            try:
                async with self._client() as client:
                    self._status.good(f"publishing to {self._where}")
                    self._unwelcome.reset()
                    self._connected = True
                    await self._serve(client)
            except MqttConnectError as error:
                code = error.rc if isinstance(error.rc, int) else error.rc.value if error.rc else 0
                wait = self._unwelcome if code in _NOT_AUTHORISED else self._backoff
                what = "; see mqtt.username and its password" if code in _NOT_AUTHORISED else ""
                self._bad(f"broker {self._where}: {error}{what}")
            except SecretError as error:
                self._bad(str(error))
            except (aiomqtt.MqttError, OSError) as error:
                self._bad(f"broker {self._where}: {explain(error)}")
            finally:
                self._connected = False
                self._empty.set()
            await asyncio.sleep(wait.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    async def emptied(self) -> None:
        """Return when nothing waits for the broker any more, or the broker is away."""
        while self._connected and await self._desk.first(self._still_refused()) is not None:
            self._empty.clear()
            await self._empty.wait()

    def _bad(self, words: str) -> None:
        self._status.bad(f"{words}; warnings in the cab go on, tried again")

    def _client(self) -> _Client:
        s = self._settings
        # The same name at each connection, so that a broker drops a half-dead one at once, and its will with it.
        name = hashlib.sha256(f"{socket.gethostname()} {self._topic}".encode()).hexdigest()[:12]
        return _Client(
            s["host"],
            s["port"],
            identifier=f"cabcanary-{name}",
            protocol=aiomqtt.ProtocolVersion.V5 if s["protocol"] == "5" else aiomqtt.ProtocolVersion.V311,
            username=s.get("username"),
            password=password(s),
            tls_context=tls_context(s.get("tls")),
            will=aiomqtt.Will(f"{self._topic}/availability", payload="offline", qos=1, retain=True),
            keepalive=max(1, round(s["keepalive"])),
            timeout=_PATIENCE_S,
        )

    async def _serve(self, client: _Client) -> None:
        """Publish until the broker goes, which is noticed also while there is nothing to publish."""
        self._refused.clear()
        work = [asyncio.ensure_future(self._publish_all(client)), asyncio.ensure_future(self._take_commands(client))]
        try:
            done, _ = await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            for task in work:
                task.cancel()
            await asyncio.gather(*work, return_exceptions=True)

    async def _publish_all(self, client: _Client) -> None:
        said = ""
        try:
            # A broker that was started anew may have forgotten what it retained.
            for topic, payload in await self._desk.settled():
                await client.publish(topic, payload, qos=1, retain=True)
            while True:
                self._desk.news.clear()
                wanted = "online" if self._follower.up else "offline"
                if wanted != said:
                    await self._available(client, wanted)
                    said = wanted
                values, self._follower.values = self._follower.values, None
                if values is not None:
                    await client.publish(f"{self._topic}/values", values, qos=0)
                await self._tell_lost()
                waiting = await self._desk.first(self._still_refused())
                if waiting is not None:
                    await self._publish(client, waiting)
                    continue
                # All that waited has been taken: this is a broker that can be lived with.
                self._backoff.reset()
                self._empty.set()
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(self._desk.news.wait(), self._next_look_s())
        finally:
            # A connection that is closed in order has no last will: say what it would have said.
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with asyncio.timeout(_FAREWELL_S):
                    await self._available(client, "offline")

    def _next_look_s(self) -> float | None:
        """When to look again though nothing has come: a disk may have room again, a topic be allowed."""
        if self._desk.behind:
            return TRY_AGAIN_S
        return _REFUSED_S / 2 if self._refused else None

    async def _publish(self, client: _Client, waiting: Waiting) -> None:
        client.take_refusal()
        await client.publish(waiting.topic, waiting.payload, qos=1, retain=waiting.retain)
        refused = client.take_refusal()
        if refused is None:
            await self._desk.sent(waiting.n)
            return
        # It stays where it is; others need not wait for it.
        self._refused[waiting.topic] = time.monotonic() + self._refused_wait.next_s(1.0)
        self._status.bad(
            f"broker {self._where} refuses messages below {self._topic} ({refused}): let this user write there; "
            "warnings in the cab go on"
        )

    def _still_refused(self) -> tuple[str, ...]:
        now = time.monotonic()
        self._refused = {topic: until for topic, until in self._refused.items() if until > now}
        return tuple(self._refused)

    async def _tell_lost(self) -> None:
        """Messages that had to go while nobody took them: how many is an event of its own."""
        lost = await self._desk.take_lost()
        if not lost:
            return
        now = time.time_ns()
        message = EventMessage(
            id=hashlib.sha256(f"lost {now}".encode()).hexdigest()[:20],
            vehicle=self._settings["vehicle"],
            t=time.monotonic_ns(),
            time=wall_time(now),
            text=f"{lost} messages were lost: the outbox was full",
            kind="helper",
            what="outbox",
            ok=False,
            count=lost,
        )
        await self._desk.put(Letter(message.id, f"{self._topic}/event", message.model_dump_json(), retain=False))

    async def _available(self, client: _Client, word: str) -> None:
        await client.publish(f"{self._topic}/availability", word, qos=1, retain=True)

    async def _take_commands(self, client: _Client) -> None:
        """Take acknowledge, where that is enabled; in any case this raises when the broker goes."""
        if self._settings["acknowledge"]:
            await client.subscribe(f"{self._topic}/command", qos=1)
        async for message in client.messages:
            # A retained one would acknowledge at every connection, whatever stands then.
            if message.retain or not isinstance(message.payload, bytes) or len(message.payload) > _LARGEST_COMMAND:
                continue
            try:
                CommandMessage.model_validate_json(message.payload)
            except ValidationError:
                self._status.note(f"no command: {message.payload[:60]!r}; there is {{'do': 'acknowledge'}}")
                continue
            self._follower.acknowledge()
