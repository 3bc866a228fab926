"""The outbox -> the broker: each message is kept until the broker has acknowledged it."""

from __future__ import annotations

import asyncio
import contextlib
import hashlib
import random
import socket
import time
from typing import TYPE_CHECKING, Any

import aiomqtt
from aiomqtt.exceptions import MqttConnectError
from pydantic import ValidationError

from cabcanary.messenger.credentials import REFUSES_US, SecretError, explain, hung_up, password, tls_context
from cabcanary.messenger.keeper import TRY_AGAIN_S
from cabcanary.messenger.mqtt_client import FIRST_FAILURE, Client
from cabcanary.messenger.outbox import OutboxMessage
from cabcanary.messenger.payloads import CommandMessage, lost_message
from cabcanary.messenger.refusals import REFUSED_S, Refusals
from cabcanary.messenger.under_way import UnderWay
from cabcanary.processes.rate import RateLimit
from cabcanary.processes.status import Backoff
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.messenger.async_outbox import AsyncOutbox
    from cabcanary.messenger.follow import FeedFollower
    from cabcanary.processes.status import Status

#: A broker that acknowledges nothing within this is as good as gone.
_PATIENCE_S = 10.0
#: A broker that does not take "offline" within this is not waited for; in the end its own keepalive tells it.
_FAREWELL_S = 1.0
#: Bad user name or password, and not authorised: in MQTT 3.1.1 (section 3.2.2.3) and 5 (3.2.2.2).
_NOT_AUTHORISED = (4, 5, 0x86, 0x87)
_LARGEST_COMMAND = 1024
#: Commands that are passed on, a second and at once: a broker without a login lets anybody send any number.
_COMMANDS_PER_S, _COMMANDS_AT_ONCE = 1.0, 5


class Broker:
    """Publishes until cancelled; connects again, ever more patiently, when the broker is away."""

    def __init__(self, settings: dict[str, Any], outbox: AsyncOutbox, follower: FeedFollower, status: Status) -> None:
        self._settings, self._outbox, self._follower, self._status = settings, outbox, follower, status
        self._topic = settings["topic"]
        self._where = f"{settings['host']}:{settings['port']}"
        self._backoff = Backoff(first_s=0.5, longest_s=60.0)
        #: Wrong credentials do not mend themselves: they are shown to the broker seldom.
        self._unwelcome = Backoff(first_s=5.0, longest_s=300.0)
        self._good = f"publishing to {self._where}"
        self._refusals = Refusals(status, self._good)
        #: What this connection has not been told yet, though it may have forgotten it; and its availability.
        self._unsettled: set[str] = set()
        self._said = ""
        self._connected = self._leaving = False
        self._commands = RateLimit(_COMMANDS_PER_S, _COMMANDS_AT_ONCE)
        #: What is no command is told less often.
        self._nonsense = RateLimit(1 / 60.0, 3)
        #: Set whenever nothing waits any more, or there is no broker.
        self._empty = asyncio.Event()

    async def run(self) -> None:
        """Run for ever; ends only by cancellation."""
        while True:
            wait = self._backoff
            try:
                async with self._client() as client:
                    self._status.good(self._good)
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
                # The broker's reason and its hanging up race each other: once it is known it is not displaced by none.
                if not (hung_up(error) and not self._status.ok and REFUSES_US in self._status.words):
                    self._bad(f"broker {self._where}: {explain(error)}")
            finally:
                self._connected = False
                self._empty.set()
            await asyncio.sleep(wait.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    async def emptied(self) -> None:
        """Return when nothing waits for the broker any more, or the broker is away."""
        while self._connected and await self._outbox.first(self._refusals.resting()) is not None:
            self._empty.clear()
            await self._empty.wait()

    def _bad(self, words: str) -> None:
        self._status.bad(f"{words}; warnings in the cab go on, tried again")

    def _client(self) -> Client:
        s = self._settings
        # The same name at each connection, so that a broker drops a half-dead one at once, and its will with it.
        name = hashlib.sha256(f"{socket.gethostname()} {self._topic}".encode()).hexdigest()[:12]
        return Client(
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

    async def _serve(self, client: Client) -> None:
        """Publish until the broker goes, which is noticed also while there is nothing to publish."""
        self._refusals.forget()
        self._leaving = False
        work = [asyncio.ensure_future(self._publish_all(client)), asyncio.ensure_future(self._take_commands(client))]
        try:
            done, _ = await asyncio.wait(work, return_when=asyncio.FIRST_COMPLETED)
            for task in done:
                task.result()
        finally:
            self._leaving = True
            for task in work:
                task.cancel()
            await asyncio.gather(*work, return_exceptions=True)

    async def _publish_all(self, client: Client) -> None:
        self._said = ""
        under_way = UnderWay(client, self._outbox.news)
        try:
            # A broker that was started anew may have forgotten what it retained.
            self._unsettled = {topic for topic, _ in await self._outbox.settled()}
            # aiomqtt's own waits may forget a cancellation that comes together with the broker's answer.
            while not self._leaving:
                self._outbox.news.clear()
                await self._take_answers(under_way)
                await self._settle(client)
                await self._tell_availability(client)
                values, self._follower.values = self._follower.values, None
                if values is not None:
                    await client.publish(f"{self._topic}/values", values, qos=0)
                await self._tell_lost()
                await self._send_waiting(under_way)
                # Not wait_for: in Python 3.11 it forgets a cancellation that comes together with the news.
                with contextlib.suppress(TimeoutError):
                    async with asyncio.timeout(self._next_look_s(client)):
                        await self._outbox.news.wait()
                client.check_silence()
        finally:
            # A connection that is closed in order has no last will: say what it would have said.
            with contextlib.suppress(aiomqtt.MqttError, TimeoutError):
                async with asyncio.timeout(_FAREWELL_S):
                    await client.publish(self._own_topics[0], "offline", qos=1, retain=True)
            # What the broker has taken is not sent again, also where the answer came last.
            await self._take_answers(under_way)

    async def _send_waiting(self, under_way: UnderWay) -> None:
        """Send what waits, as much of it as may be under way at a time."""
        resting = self._refusals.resting()
        while (room := under_way.room) > 0:
            waiting = await self._outbox.waiting(room, resting | under_way.tried, under_way.numbers)
            if not waiting:
                break
            for message in waiting:
                if message.topic not in under_way.tried:
                    under_way.send(message)
        if under_way.numbers:
            return
        if not resting:
            self._refusals.none_waits(but={*self._unsettled, *self._own_topics})
        # All that waited has been taken: this is a broker that can be lived with.
        self._backoff.reset()
        self._empty.set()

    async def _take_answers(self, under_way: UnderWay) -> None:
        """What the broker has taken leaves the outbox; what it refuses stays, and holds up no other topic."""
        answers = under_way.answers()
        for answer in answers:
            # One refusal of a topic is enough, though a row of messages may have been on its way there.
            if answer.refused is None or answer.topic not in self._refusals.resting():
                self._judge(answer.topic, answer.refused)
        taken = [answer.n for answer in answers if answer.refused is None and not answer.again]
        if taken:
            # Progress: one that is lost before all has gone is soon tried again.
            self._backoff.reset()
            await self._outbox.sent(*taken)

    def _next_look_s(self, client: Client) -> float | None:
        """When to look again though nothing has come: a disk may have room again, a topic be allowed, the broker be
        gone without a word."""
        looks = [client.patience_s]
        if self._outbox.behind:
            looks.append(TRY_AGAIN_S)
        elif self._refusals.any:
            looks.append(REFUSED_S / 2)
        return min((look for look in looks if look is not None), default=None)

    @property
    def _own_topics(self) -> tuple[str, str]:
        """Topics of which nothing waits in the outbox."""
        return f"{self._topic}/availability", f"{self._topic}/command"

    async def _taken(self, client: Client, topic: str, payload: str) -> bool:
        """Publish a retained message that is not in the outbox; whether the broker took it."""
        return self._judge(topic, await client.put(topic, payload, retain=True))

    def _judge(self, topic: str, refused: str | None) -> bool:
        """The broker's answer to a message: None, or why it refuses it. Returns whether it took it."""
        if refused is None:
            self._refusals.taken(topic)
            return True
        if topic == self._own_topics[0]:
            what = f"{topic} ({refused}): let this user write there, or nobody sees whether the monitor is there"
        else:
            what = f"messages below {self._topic} ({refused}): let this user write there"
        self._refusals.refused(topic, f"broker {self._where} refuses {what}; warnings in the cab go on")
        return False

    async def _settle(self, client: Client) -> None:
        """Publish again the retained state of topics for which nothing waits in the outbox."""
        if not self._unsettled - self._refusals.resting():
            return
        settled = dict(await self._outbox.settled())
        # A topic that is no longer there has a newer message on its way.
        self._unsettled &= settled.keys()
        for topic in sorted(self._unsettled - self._refusals.resting()):
            if await self._taken(client, topic, settled[topic]):
                self._unsettled.discard(topic)

    async def _tell_availability(self, client: Client) -> None:
        wanted = "online" if self._follower.up else "offline"
        topic = self._own_topics[0]
        if wanted == self._said or topic in self._refusals.resting():
            return
        if await self._taken(client, topic, wanted):
            self._said = wanted

    async def _tell_lost(self) -> None:
        """Messages that had to go while nobody took them: how many is an event of its own."""
        lost = await self._outbox.take_lost()
        if not lost:
            return
        identity = hashlib.sha256(f"lost {time.time_ns()}".encode()).hexdigest()[:20]
        why = "the outbox was full"
        message = lost_message(identity, self._settings["vehicle"], self._follower.now_ns(), lost, why)
        await self._outbox.put(OutboxMessage(identity, f"{self._topic}/event", message.model_dump_json(), retain=False))

    async def _take_commands(self, client: Client) -> None:
        """Take acknowledge, where that is enabled; in any case this raises when the broker goes."""
        if self._settings["acknowledge"]:
            await self._subscribe(client, self._own_topics[1])
        async for message in client.messages:
            # A retained one would acknowledge at every connection, also alerts that are new.
            if message.retain or not isinstance(message.payload, bytes) or len(message.payload) > _LARGEST_COMMAND:
                continue
            try:
                CommandMessage.model_validate_json(message.payload)
            except ValidationError:
                if self._allows(self._nonsense, "messages that are no command passed over"):
                    self._status.note(f"no command: {message.payload[:60]!r}; there is {{'do': 'acknowledge'}}")
                continue
            if self._allows(self._commands, f"commands dropped: at most {spelt(_COMMANDS_PER_S)} a second is taken"):
                self._follower.acknowledge()

    def _allows(self, limit: RateLimit, what: str) -> bool:
        """Whether one more is taken; those that are not are counted, and told once a minute."""
        now_ns = time.monotonic_ns()
        allowed = limit.allows(now_ns)
        if dropped := limit.to_tell(now_ns):
            self._status.note(f"{dropped} {what}; have the broker ask for a login")
        return allowed

    async def _subscribe(self, client: Client, topic: str) -> None:
        (granted,) = await client.subscribe(topic, qos=1)
        if getattr(granted, "value", granted) >= FIRST_FAILURE:
            what = f"to let us listen at {topic} ({granted}): let this user read there, or set mqtt.acknowledge = false"
            self._refusals.refused(topic, f"broker {self._where} refuses {what}; warnings in the cab go on")
