"""The daemon's feed -> the outbox: every event once, missed events counted, and alerts that an earlier daemon left
standing when it was cut off withdrawn."""

from __future__ import annotations

import asyncio
import json
import random
import time
from typing import TYPE_CHECKING, Any

from cabcanary.clock import Clock, boot_id
from cabcanary.clocks import make_clock
from cabcanary.messenger.outbox import Number, OutboxMessage
from cabcanary.messenger.payloads import (
    AlertMessage,
    ChannelValue,
    ValuesMessage,
    event_id,
    lost_message,
    message_of,
    wall_time,
)
from cabcanary.processes.status import Backoff

if TYPE_CHECKING:
    from cabcanary.messenger.async_outbox import AsyncOutbox

_LONGEST_LINE = 1 << 20
#: How long the rest of what the feed told may take to be published before good-bye is said, real seconds.
LAST_WORDS_S = 1.0
#: Frames are asked for even where no values are published: the first one says that the past has been told.
_SLOWEST_HZ = 0.01


class FeedFollower:
    """Reads the feed for ever. `up` while the daemon is there, which one that stops in order is until its last words
    have been published; `values` is the newest that is to be published."""

    def __init__(self, settings: dict[str, Any], outbox: AsyncOutbox) -> None:
        self._feed, self._vehicle, self._topic = settings["feed"], settings["vehicle"], settings["topic"]
        self._wanted: list[str] = settings["values"]
        self._hz = settings["values_hz"] if self._wanted else _SLOWEST_HZ
        self._outbox = outbox
        self._boot = boot_id()
        self._clock = Clock()
        self._units: dict[str, str] = {}
        self._standing: set[str] | None = None
        self._writer: asyncio.StreamWriter | None = None
        self._stopping = False
        self._run = ""
        #: The last event that was told, by its number; None until the feed has said from where on it tells.
        self._n: int | None = None
        #: The number after which all events were last requested: events missing right after it are no longer kept.
        self._asked = 0
        self.up = False
        #: Set while there is nothing more to be read: the daemon has said all, or is not there.
        self.ended = asyncio.Event()
        self.ended.set()
        self.values: str | None = None

    async def run(self) -> None:
        """Follow; a feed that goes is waited for."""
        backoff = Backoff(first_s=0.2, longest_s=5.0)
        while True:
            try:
                await self._follow(backoff)
            except (OSError, ValueError):
                pass  # the daemon is gone, or a line was longer than any of ours: the availability says so
            finally:
                self.ended.set()
                if self._stopping:
                    # The daemon ends this process in a moment; if it does not, it is gone all the same.
                    await asyncio.sleep(LAST_WORDS_S)
                self.up = self._stopping = False
                self._outbox.news.set()
            await asyncio.sleep(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    def acknowledge(self) -> bool:
        """Give the daemon the one command there is; whether there is a daemon."""
        if self._writer is None:
            return False
        self._writer.write(b'{"do": "acknowledge", "by": "mqtt"}\n')
        return True

    async def _follow(self, backoff: Backoff) -> None:
        reader, writer = await asyncio.open_unix_connection(self._feed, limit=_LONGEST_LINE)
        self._writer = writer
        try:
            self._ask(writer, await self._outbox.reached())
            greeted = False
            while line := await reader.readline():
                message = json.loads(line)
                if "hello" in message and greeted:
                    # Other settings are in force; what stands has been told.
                    self._units = message["hello"]["units"]
                elif "hello" in message:
                    # Not before: a feed that has no place says so and hangs up.
                    greeted = True
                    backoff.reset()
                    self._hello(message["hello"])
                elif "events_after" in message:
                    self._n = self._asked = message["events_after"]
                elif "event" in message and self._n is not None:
                    # Events before that answer come again after it.
                    await self._numbered(message["event"], message.get("n"))
                elif "frame" in message:
                    await self._frame(message["frame"])
        finally:
            self._writer = None
            writer.close()

    def _hello(self, hello: dict[str, Any]) -> None:
        self._run = hello["run"]
        self._clock, self._units = make_clock(hello["speed"]), hello["units"]
        self._standing = set()
        self.up = True
        self.ended.clear()
        self._outbox.news.set()

    def _ask(self, writer: asyncio.StreamWriter, reached: Number) -> None:
        """Ask for every event after this one; until that is answered nothing that comes counts."""
        self._n = None
        after = {"frames_hz": self._hz, "run": reached.run, "events_after": reached.n}
        writer.write(json.dumps({"subscribe": after}).encode() + b"\n")

    def now_ns(self) -> int:
        """The monitor's clock."""
        return self._clock.now_ns()

    async def _numbered(self, event: dict[str, Any], n: int | None) -> None:
        """One event, or with no number an alert from before that stands."""
        if n is None or self._n is None:
            await self._event(event, None)
            return
        if n > self._n + 1:
            if self._n != self._asked and self._writer is not None:
                # The daemon skips a reader that is slow, but it still keeps the events.
                self._ask(self._writer, Number(self._run, self._n))
                return
            await self._missed(self._n, n)
        self._n = n
        await self._event(event, Number(self._run, n))

    async def _missed(self, last: int, first: int) -> None:
        """The daemon kept the events between these two no longer, or this process could not follow it."""
        identity = event_id(self._boot, {"missed": [self._run, last, first]})
        why = "the messenger was away, or could not follow, for longer than the monitor keeps them"
        message = lost_message(identity, self._vehicle, self.now_ns(), first - last - 1, why)
        number = Number(self._run, first - 1)
        await self._outbox.put(
            OutboxMessage(identity, f"{self._topic}/event", message.model_dump_json(), False, None, number)
        )

    async def _event(self, event: dict[str, Any], number: Number | None) -> None:
        # What the messenger says of itself would make a message of every lost connection.
        if event.get("kind") == "helper" and event.get("what") == "messenger":
            return
        self._stopping = (event["kind"], event["what"]) == ("monitor", "stopping") or self._stopping
        identity = event_id(self._boot, event)
        below, retain, message = message_of(event, identity, self._vehicle, self._wall(event["t"]))
        topic = f"{self._topic}/{below}"
        payload = message.model_dump_json(exclude_none=isinstance(message, AlertMessage))
        stands = None
        if isinstance(message, AlertMessage):
            # A notice that has no state of its own stands as long as it is raised.
            stands = message.active or message.raised or not message.acknowledged
        if stands and self._standing is not None:
            self._standing.add(topic)
        await self._outbox.put(OutboxMessage(identity, topic, payload, retain, stands, number))

    async def _frame(self, frame: dict[str, Any]) -> None:
        if self._standing is not None:
            await self._take_back(self._standing, frame["t"])
            self._standing = None
        if self._wanted:
            found = {n: frame["values"][n] for n in self._wanted if n in frame["values"]}
            values = {n: ChannelValue(value=v[0], unit=self._units.get(n, ""), quality=v[1]) for n, v in found.items()}
            time_ = self._wall(frame["t"])
            message = ValuesMessage(vehicle=self._vehicle, t=frame["t"], time=time_, values=values)
            self.values = message.model_dump_json()
            self._outbox.news.set()

    async def _take_back(self, standing: set[str], now_ns: int) -> None:
        """An alert that stood when an earlier daemon was cut off does not stand for this one: the broker must know."""
        for topic, told in (await self._outbox.standing()).items():
            if topic in standing:
                continue
            old = AlertMessage.model_validate_json(told)
            text = f"{old.say or old.alert}: normal (the monitor was started anew)"
            changed = {"state": "normal", "active": False, "acknowledged": True, "raised": False, "text": text}
            new = {"id": event_id(self._boot, {"ends": old.id}), "t": now_ns, "time": self._wall(now_ns)}
            message = old.model_copy(update={**changed, **new, "figures": "", "measured": []})
            payload = message.model_dump_json(exclude_none=True)
            await self._outbox.put(OutboxMessage(message.id, topic, payload, retain=True, stands=False))

    def _wall(self, t_ns: int) -> str:
        return wall_time(time.time_ns() - int((self._clock.now_ns() - t_ns) / self._clock.speed))
