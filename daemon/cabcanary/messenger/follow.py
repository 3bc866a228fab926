"""The daemon's feed -> the outbox: every event once, and what stood when an earlier daemon was cut off taken back."""

from __future__ import annotations

import asyncio
import json
import random
import time
from typing import TYPE_CHECKING, Any

from cabcanary.clock import Clock, boot_id
from cabcanary.messenger.payloads import (
    AlertMessage,
    ChannelValue,
    ValuesMessage,
    event_id,
    message_of,
    wall_time,
)
from cabcanary.sources.slot import Backoff

if TYPE_CHECKING:
    from cabcanary.messenger.mqtt import Desk

_LONGEST_LINE = 1 << 20
#: Frames are asked for even where no values are published: the first one says that the past has been told.
_SLOWEST_HZ = 0.01


class FeedFollower:
    """Reads the feed for ever. `up` while the daemon is there; `values` is the newest that is to be published."""

    def __init__(self, settings: dict[str, Any], desk: Desk) -> None:
        self._feed, self._vehicle, self._topic = settings["feed"], settings["vehicle"], settings["topic"]
        self._wanted: list[str] = settings["values"]
        self._hz = settings["values_hz"] if self._wanted else _SLOWEST_HZ
        self._desk = desk
        self._boot = boot_id()
        self._clock = Clock()
        self._units: dict[str, str] = {}
        self._standing: set[str] | None = None
        self._writer: asyncio.StreamWriter | None = None
        self.up = False
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
                self.up = False
                self._desk.news.set()
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
            writer.write(json.dumps({"subscribe": {"frames_hz": self._hz}}).encode() + b"\n")
            while line := await reader.readline():
                backoff.reset()
                message = json.loads(line)
                if "hello" in message:
                    self._hello(message["hello"])
                elif "event" in message:
                    await self._event(message["event"])
                elif "frame" in message:
                    await self._frame(message["frame"])
        finally:
            self._writer = None
            writer.close()

    def _hello(self, hello: dict[str, Any]) -> None:
        self._clock, self._units = Clock(hello["speed"]), hello["units"]
        self._standing = set()
        self.up = True
        self._desk.news.set()

    async def _event(self, event: dict[str, Any]) -> None:
        # What the messenger says of itself would make a message of every lost connection.
        if event.get("kind") == "helper" and event.get("what") == "messenger":
            return
        identity = event_id(self._boot, event)
        below, retain, message = message_of(event, identity, self._vehicle, self._wall(event["t"]))
        topic = f"{self._topic}/{below}"
        payload = message.model_dump_json(exclude_none=isinstance(message, AlertMessage))
        stands = isinstance(message, AlertMessage) and (message.active or not message.acknowledged)
        if stands and self._standing is not None:
            self._standing.add(topic)
        if await self._desk.put(identity, topic, payload, retain=retain) and isinstance(message, AlertMessage):
            await self._desk.do(self._desk.outbox.stands, topic, payload if stands else None)

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
            self._desk.news.set()

    async def _take_back(self, standing: set[str], now_ns: int) -> None:
        """An alert that stood when an earlier daemon was cut off does not stand for this one: the broker must know."""
        for topic, payload in list(await self._desk.do(lambda: list(self._desk.outbox.standing()))):
            if topic in standing:
                continue
            old = AlertMessage.model_validate_json(payload)
            text = f"{old.say or old.alert}: normal (the monitor was started anew)"
            changed = {"state": "normal", "active": False, "acknowledged": True, "raised": False, "text": text}
            new = {"id": event_id(self._boot, {"ends": old.id}), "t": now_ns, "time": self._wall(now_ns), "figures": ""}
            message = old.model_copy(update={**changed, **new})
            await self._desk.put(message.id, topic, message.model_dump_json(exclude_none=True), retain=True)
            await self._desk.do(self._desk.outbox.stands, topic, None)

    def _wall(self, t_ns: int) -> str:
        return wall_time(time.time_ns() - int((self._clock.now_ns() - t_ns) / self._clock.speed))
