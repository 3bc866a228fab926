"""Weeks of events that wait: a live alert goes before them, they go many at a time, and nothing is lost or doubled."""

from __future__ import annotations

import asyncio
import contextlib
import json
import socket
import threading
from typing import TYPE_CHECKING, Any

import aiomqtt
import paho.mqtt.client as paho
import pytest
from broker import TOPIC, Broker, free_port
from feeder import Feeder, Messenger, until

from cabcanary.messenger.async_outbox import AsyncOutbox
from cabcanary.messenger.keeper import Keeper
from cabcanary.messenger.mqtt_client import Client
from cabcanary.messenger.outbox import Outbox, OutboxMessage, Waiting
from cabcanary.messenger.under_way import MOST_UNDER_WAY, UnderWay

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.waits

EVENT, LEAN, HOT = f"{TOPIC}/event", f"{TOPIC}/alert/lean", f"{TOPIC}/alert/hot"
#: The broker keeps back nothing for a subscriber that is slow for a moment.
ALL = ["max_queued_messages 0"]


def message(n: int, topic: str) -> OutboxMessage:
    return OutboxMessage(f"id{n}", topic, json.dumps({"n": n}), retain="/alert/" in topic)


def number(waiting: Waiting) -> int:
    return int(json.loads(waiting.payload)["n"])


# --- what goes first ------------------------------------------------------------------------------------------------


def test_an_alert_goes_before_older_events_and_each_topic_keeps_its_order(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.sqlite", 1000)
    topics = [EVENT, EVENT, LEAN, EVENT, HOT, LEAN, EVENT, LEAN]
    outbox.put_all([(n, message(n, topic)) for n, topic in enumerate(topics, 1)])
    assert [number(w) for w in outbox.waiting(100)] == [3, 5, 6, 8, 1, 2, 4, 7]
    # No more than asked for, without those under way and those that are refused.
    assert [number(w) for w in outbox.waiting(3, {HOT}, {3})] == [6, 8, 1]
    outbox.close()


def test_an_alert_goes_first_also_while_the_disk_takes_nothing(tmp_path: Path) -> None:
    keeper = Keeper(tmp_path / "outbox.sqlite", 100, lambda _: None)
    keeper.put(message(1, EVENT))
    keeper._outbox._db.execute("PRAGMA query_only = 1")
    keeper.put(message(2, EVENT))
    keeper.put(message(3, LEAN))
    assert [number(w) for w in keeper.waiting(10)] == [3, 1, 2]
    assert [number(w) for w in keeper.waiting(10, (), {3})] == [1, 2]
    keeper.close()


def test_an_outbox_of_before_is_read_on(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.sqlite", 1000)
    outbox._db.execute("DROP INDEX going_out")
    outbox.put_all([(1, message(1, EVENT)), (2, message(2, LEAN))])
    outbox.close()
    again = Outbox(tmp_path / "outbox.sqlite", 1000)
    assert again.note == ""
    assert [number(w) for w in again.waiting(100)] == [2, 1]
    again.close()


async def test_what_the_broker_has_is_written_down_though_the_messenger_is_just_being_ended(tmp_path: Path) -> None:
    outbox = AsyncOutbox(tmp_path / "outbox.sqlite", 100, lambda _: None)
    await outbox.put(message(1, EVENT))
    busy = threading.Event()
    outbox._worker.submit(busy.wait)
    writing = asyncio.ensure_future(outbox.sent(1))
    await asyncio.sleep(0.01)
    writing.cancel()
    await asyncio.sleep(0.01)
    busy.set()
    assert await outbox.first(()) is None
    outbox.close()


# --- several under way ----------------------------------------------------------------------------------------------


class Line:
    """A connection on which a test answers."""

    def __init__(self, receive_maximum: int = 65_535) -> None:
        self.receive_maximum = receive_maximum
        self.open: list[asyncio.Future[str | None]] = []

    def send(self, topic: str, payload: str, *, retain: bool) -> asyncio.Future[str | None]:
        self.open.append(asyncio.get_running_loop().create_future())
        return self.open[-1]


def under_way(line: Line) -> UnderWay:
    return UnderWay(line, asyncio.Event())  # type: ignore[arg-type]


async def test_no_more_are_under_way_than_the_broker_takes() -> None:
    assert under_way(Line()).room == MOST_UNDER_WAY
    # One is left for what is not in the outbox (MQTT 5, section 3.3.4: more is a protocol error).
    assert under_way(Line(5)).room == 4
    assert under_way(Line(1)).room == 1
    some = under_way(line := Line(5))
    some.send(Waiting(1, EVENT, "", False))
    assert some.room == 3
    line.open[0].set_result(None)
    assert [a.n for a in some.answers()] == [1]
    assert some.room == 4


async def test_at_a_topic_of_which_nothing_has_been_taken_one_message_is_tried() -> None:
    some = under_way(line := Line())
    some.send(Waiting(1, EVENT, "", False))
    assert some.tried == {EVENT}
    line.open[0].set_result(None)
    some.answers()
    some.send(Waiting(2, EVENT, "", False))
    assert some.tried == frozenset()


async def test_a_message_that_overtook_a_refused_one_of_its_topic_is_sent_again_after_it() -> None:
    # The broker is told to accept while three states of one alert are under way: it refuses the first and takes the
    # others. Were only the first one sent again, the oldest state would be the retained one.
    some = under_way(line := Line())
    for n in (1, 2, 3):
        some.send(Waiting(n, LEAN, "", True))
    some.send(Waiting(4, HOT, "", True))
    for answer, said in zip(line.open, ("Not authorized", None, None, None), strict=True):
        answer.set_result(said)
    assert [(a.n, a.refused, a.again) for a in some.answers()] == [
        (1, "Not authorized", False),
        (2, None, True),
        (3, None, True),
        (4, None, False),
    ]
    # Sent again they count.
    some.send(Waiting(2, LEAN, "", True))
    line.open[-1].set_result(None)
    assert [(a.n, a.again) for a in some.answers()] == [(2, False)]


async def test_a_broker_that_answers_slowly_is_borne_and_a_silent_one_is_not(broker: Any) -> None:
    post: Broker = broker()
    post.start()
    async with Client("127.0.0.1", post.port, protocol=aiomqtt.ProtocolVersion.V5, timeout=0.5) as client:
        assert await client.put(EVENT, "taken", retain=False) is None
        assert client.patience_s is None
        client.send(EVENT, "unanswered", retain=False)
        await asyncio.sleep(0.1)
        post._process.send_signal(19)  # type: ignore[union-attr]  # SIGSTOP
        with pytest.raises(aiomqtt.MqttError, match="timed out"):
            await client.put(EVENT, "unheard", retain=False)
        post._process.send_signal(18)  # type: ignore[union-attr]  # SIGCONT


# --- at a broker ----------------------------------------------------------------------------------------------------


class Subscriber:
    """paho: all that comes, by topic."""

    def __init__(self, port: int) -> None:
        self.got: list[tuple[str, int]] = []
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2)
        self._client.on_message = self._take
        ready = threading.Event()
        self._client.on_connect = lambda client, *_: client.subscribe(f"{TOPIC}/#", 1)
        self._client.on_subscribe = lambda *_: ready.set()
        self._client.connect("127.0.0.1", port)
        self._client.loop_start()
        assert ready.wait(20)

    def _take(self, _client: Any, _data: Any, message: Any) -> None:
        if not message.topic.endswith("/availability"):
            self.got.append((message.topic, json.loads(message.payload)["n"]))

    def of(self, topic: str) -> list[int]:
        return [n for at, n in self.got if at == topic]

    def close(self) -> None:
        self._client.disconnect()
        self._client.loop_stop()


def fill(folder: Path, topics: list[str]) -> None:
    outbox = Outbox(folder / "outbox.sqlite", 30_000)
    outbox.put_all([(n, message(n, topic)) for n, topic in enumerate(topics, 1)])
    outbox.close()


@pytest.mark.parametrize("protocol", ["5", "3.1.1"])
@pytest.mark.parametrize("more", [[], ["max_inflight_messages 3"]])
async def test_a_backlog_arrives_once_in_order_alerts_first_and_the_newest_state_is_retained(
    broker: Any, tmp_path: Path, protocol: str, more: list[str]
) -> None:
    topics = ([EVENT] * 9 + [LEAN, HOT, EVENT]) * 50
    fill(tmp_path, topics)
    post: Broker = broker(more=ALL + more)
    post.start()
    subscriber = Subscriber(post.port)
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, post.port, outbox=30_000, protocol=protocol)
    try:
        await until("all of it", lambda: len(subscriber.got) >= len(topics))
        # Ended in order, nothing of it comes again.
        assert messenger.close() == 0
        messenger = Messenger(tmp_path, post.port, outbox=30_000, protocol=protocol)
        await until("the next messenger", lambda: messenger.said("publishing"))
        assert messenger.close() == 0
        for topic in (EVENT, LEAN, HOT):
            assert subscriber.of(topic) == [n for n, at in enumerate(topics, 1) if at == topic]
        last_alert = max(i for i, (topic, _) in enumerate(subscriber.got) if topic != EVENT)
        # One event may be tried beside each alert's first message, and no more than that while alerts wait.
        assert sum(topic == EVENT for topic, _ in subscriber.got[:last_alert]) <= MOST_UNDER_WAY
        assert post.alert("lean")["n"] == subscriber.of(LEAN)[-1]
        assert "protocol error" not in post.log.lower()
    finally:
        messenger.close()
        subscriber.close()
        await feeder.stop()


class Cutter:
    """A way to the broker that is cut whenever so many bytes have come from the broker's answers."""

    def __init__(self, target: int, after: int) -> None:
        self.port, self._target, self._after = free_port(), target, after
        self.cuts, self.cutting = 0, True
        self._server = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                client, _ = self._server.accept()
                broker = socket.create_connection(("127.0.0.1", self._target), 5.0)
                threading.Thread(target=self._pass_on, args=(client, broker, None), daemon=True).start()
                threading.Thread(target=self._pass_on, args=(broker, client, self._after), daemon=True).start()

    def _pass_on(self, source: socket.socket, sink: socket.socket, most: int | None) -> None:
        passed = 0
        with contextlib.suppress(OSError):
            while data := source.recv(64):
                sink.sendall(data)
                passed += len(data)
                if most is not None and passed > most and self.cutting:
                    self.cuts += 1
                    break
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        self._server.close()


async def test_a_connection_that_brought_something_across_is_soon_tried_again(broker: Any, tmp_path: Path) -> None:
    fill(tmp_path, [EVENT] * 700)
    post: Broker = broker(more=ALL)
    post.start()
    subscriber = Subscriber(post.port)
    # An acknowledgement is 4 bytes (MQTT 3.1.1, section 3.4): about 60 messages for each connection.
    cutter = Cutter(post.port, 240)
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, cutter.port, outbox=30_000, protocol="3.1.1")
    try:
        # Waits that doubled from half a second at each of ten cuts would come to more than a minute.
        await until("all of it", lambda: set(subscriber.of(EVENT)) == set(range(1, 701)))
        assert cutter.cuts >= 9
        once = list(dict.fromkeys(subscriber.of(EVENT)))
        assert once == sorted(once)
        # Copies come from cuts only: no more than were under way at each.
        assert len(subscriber.of(EVENT)) - 700 <= cutter.cuts * MOST_UNDER_WAY
    finally:
        messenger.close()
        cutter.close()
        subscriber.close()
        await feeder.stop()
