"""How long a live alert waits while the broker is told of 10,000 old events, and how fast those go."""

from __future__ import annotations

import asyncio
import json
import time
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as paho
import pytest
from broker import TOPIC, Broker
from feeder import Feeder, Messenger, until

from cabcanary.messenger.outbox import Outbox, OutboxMessage

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = [pytest.mark.waits, pytest.mark.in_time]

OLD = 10_000
#: Nothing is dropped between the broker and a subscriber that is slow for a moment.
ALL = ["max_queued_messages 0"]


class Subscriber:
    """paho, with the time at which each message came."""

    def __init__(self, port: int) -> None:
        self.events: list[float] = []
        self.alert_s = 0.0
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._take
        self._client.on_connect = lambda client, *_: client.subscribe(f"{TOPIC}/#", 1)
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()

    def _take(self, _client: Any, _data: Any, message: Any) -> None:
        if "/alert/" in message.topic:
            self.alert_s = time.monotonic()
        elif message.topic.endswith("/event"):
            self.events.append(time.monotonic())

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


@pytest.fixture
def post(tmp_path: Path) -> Iterator[Broker]:
    made = Broker(tmp_path, more=ALL)
    made.start()
    yield made
    made.stop()


def fill(folder: Path) -> None:
    outbox = Outbox(folder / "outbox.sqlite", 30_000)
    payload = json.dumps({"id": "0" * 20, "kind": "sound", "text": "x" * 400})
    outbox.put_all([(n, OutboxMessage(f"old{n}", f"{TOPIC}/event", payload, False)) for n in range(1, OLD + 1)])
    outbox.close()


async def test_an_alert_among_ten_thousand_old_events(
    post: Broker, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    fill(tmp_path)
    subscriber = Subscriber(post.port)
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, post.port, outbox=30_000)
    try:
        await until("the first of them", lambda: len(subscriber.events) > 100 and feeder.followed)
        told_s, before = time.monotonic(), len(subscriber.events)
        feeder.alert("lean", active=True)
        while not subscriber.alert_s:
            assert time.monotonic() < told_s + 300
            await asyncio.sleep(0.005)
        behind = sum(at < subscriber.alert_s for at in subscriber.events) - before
        while len(subscriber.events) < OLD:
            assert time.monotonic() < told_s + 300
            await asyncio.sleep(0.05)
        took_s = subscriber.events[-1] - subscriber.events[0]
        with capsys.disabled():
            print(
                f"\n  {OLD} old events: an alert was at a subscriber after {subscriber.alert_s - told_s:.3f} s, behind "
                f"{behind} of them; they went at {OLD / took_s:.0f} a second"
            )
        assert len(subscriber.events) == OLD
    finally:
        messenger.close()
        subscriber.close()
        await feeder.stop()
