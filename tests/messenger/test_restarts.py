"""A broker that is killed again and again during a drive with alerts: everything arrives, in order, and once by id."""

from __future__ import annotations

import contextlib
import json
import signal
import socket
import sqlite3
import threading
import time
from collections import defaultdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import paho.mqtt.client as paho
import pytest
from broker import TOPIC, Broker, free_port
from harness import Ride, wait_for

from cabcanary.messenger.payloads import event_id

if TYPE_CHECKING:
    from collections.abc import Callable

pytestmark = pytest.mark.waits


#: The outbox of this test is small, so that its bound is worth something.
BOUND = 200

#: The broker keeps back no message that it has told us it has: one that is killed loses those, by no fault of ours.
AT_ONCE = ["max_inflight_messages 0", "max_queued_messages 0"]

OFTEN = """
[[rule]]
id = "often"
priority = "advisory"
say = "Throttle open"
do = "Know"
when = "throttle > 12 %"
"""


class Gate:
    """The messenger's way to the broker, shut while the subscriber is away: a broker forgets what nobody is there for,
    and that would be no fault of ours."""

    def __init__(self, target: int) -> None:
        self.port, self._target = free_port(), target
        self.open = threading.Event()
        self._server = socket.create_server(("127.0.0.1", self.port))
        self._server.settimeout(0.1)
        self._stop = threading.Event()
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    def _accept(self) -> None:
        while not self._stop.is_set():
            with contextlib.suppress(TimeoutError):
                client, _ = self._server.accept()
                self._connect(client)

    def _connect(self, client: socket.socket) -> None:
        if not self.open.is_set():
            client.close()
            return
        try:
            broker = socket.create_connection(("127.0.0.1", self._target), 5.0)
        except OSError:
            client.close()
            return
        for ends in ((client, broker), (broker, client)):
            threading.Thread(target=self._pass_on, args=ends, daemon=True).start()

    def _pass_on(self, source: socket.socket, sink: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := source.recv(1 << 16):
                sink.sendall(data)
        for end in (source, sink):
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        self._stop.set()
        self._thread.join(5.0)
        self._server.close()


class Subscriber:
    """paho, the library's own client: whoever listens out there."""

    def __init__(self, port: int) -> None:
        self._port = port
        self.got: list[tuple[str, dict[str, Any]]] = []
        self._client: Any = None
        self._ready, self._gone = threading.Event(), threading.Event()

    def connect(self) -> None:
        self.close()
        self._ready.clear()
        self._gone.clear()
        self._client = paho.Client(paho.CallbackAPIVersion.VERSION2, reconnect_on_failure=False)
        self._client.on_message = self._take
        self._client.on_connect = lambda client, *_: client.subscribe(f"{TOPIC}/#", 1)
        self._client.on_subscribe = lambda *_: self._ready.set()
        self._client.on_disconnect = lambda *_: self._gone.set()
        self._client.connect("127.0.0.1", self._port)
        self._client.loop_start()
        assert self._ready.wait(20.0)

    def _take(self, _client: Any, _data: Any, message: Any) -> None:
        if not message.topic.endswith("/availability"):
            self.got.append((message.topic, json.loads(message.payload)))

    def close(self) -> None:
        """Leave; but a broker that was killed may have left messages on the way, and these are read first."""
        if self._client is not None:
            self._gone.wait(5.0)
            self._client.loop_stop()
            self._client.disconnect()
            self._client = None


def drive_through(
    restarts: int, ride: Callable[..., Ride], post: Broker, van_settings: Callable[..., Path], capsys: Any
) -> None:
    gate, subscriber = Gate(post.port), Subscriber(post.port)
    lines = ["[mqtt]", 'host = "127.0.0.1"', f"port = {gate.port}", f'topic = "{TOPIC}"', f"outbox = {BOUND}"]
    config = van_settings(more="\n" + "\n".join(lines) + "\n")
    # Its limit is low, so that an alert comes and goes all through the drive.
    rules = config.parent / "rules" / "bench-van.toml"
    rules.write_text(rules.read_text() + OFTEN)
    driven = ride(config=config)
    largest = 0
    try:
        post.start()
        subscriber.connect()
        gate.open.set()
        driven.begin(at_s=30.0)
        for n in range(restarts):
            time.sleep(0.15 + 0.05 * (n % 5))
            post.stop(signal.SIGKILL)
            gate.open.clear()
            # Sometimes it stays away while things happen.
            time.sleep(1.0 if n % 5 == 0 else 0.05)
            post.start()
            subscriber.connect()
            gate.open.set()
            seen = len(subscriber.got)
            if n % 3 == 0:
                with contextlib.suppress(pytest.fail.Exception):
                    wait_for("the next message", lambda seen=seen: len(subscriber.got) > seen, 4.0)
            size = sum(f.stat().st_size for f in driven.folder.glob("outbox.sqlite*"))
            largest = max(largest, size)
            if driven.rig.ended:
                break
        wait_for("an alert that has come and gone", lambda: _often(driven.told.events) > 5)
        events = {}

        def arrived() -> bool:
            events.clear()
            for event in list(driven.told.events):
                told = {k: v for k, v in event.items() if k != "past"}
                if (told["kind"], told["what"]) != ("helper", "messenger"):
                    events[event_id(boot, told)] = told
            return set(events) <= _ids(subscriber)

        boot = Path("/proc/sys/kernel/random/boot_id").read_text().strip()
        try:
            wait_for("all that was told to arrive", arrived, 90.0)
        except pytest.fail.Exception:
            pytest.fail(f"never arrived: {_whereabouts(driven.folder, set(events) - _ids(subscriber), events)}")
        check(subscriber.got, events)
        copies = len(subscriber.got) - len(_ids(subscriber))
        with capsys.disabled():
            alerts = sum(e["kind"] == "alert" for e in events.values())
            print(
                f"\n  {restarts} kills of the broker: {len(events)} events, {alerts} of alerts; all arrived, with "
                f"{copies} copies; the outbox's files had at most {largest} bytes"
            )
        assert largest < 8_000_000
    finally:
        post.stop()
        subscriber.close()
        gate.close()


def _ids(subscriber: Subscriber) -> set[str]:
    return {payload["id"] for _, payload in subscriber.got}


def _whereabouts(folder: Path, missing: set[str], events: dict[str, dict[str, Any]]) -> list[str]:
    """Which events are missing, and what the outbox knows of each."""
    db = sqlite3.connect(folder / "outbox.sqlite")
    with contextlib.closing(db):
        seen = {identity for (identity,) in db.execute("SELECT id FROM seen")}
        waiting = [payload for (payload,) in db.execute("SELECT payload FROM message")]
    where = {i: "waits" if any(i in p for p in waiting) else "sent" if i in seen else "unknown" for i in missing}
    return [f"{where[i]}: {events[i]}" for i in sorted(missing)]


def _often(events: list[dict[str, Any]]) -> int:
    return sum(e["kind"] == "alert" and e["what"] == "often" for e in events)


def check(got: list[tuple[str, dict[str, Any]]], events: dict[str, dict[str, Any]]) -> None:
    """De-duplicated by id each is there exactly once, as it was told, and those of one alert in their order."""
    once: dict[str, dict[str, Any]] = {}
    order: dict[str, list[int]] = defaultdict(list)
    for topic, payload in got:
        if payload["id"] not in once:
            once[payload["id"]] = payload
            order[topic].append(payload["t"])
    for identity, event in events.items():
        assert once[identity]["t"] == event["t"]
        assert once[identity]["text"] == event["text"]
    for topic, times in order.items():
        if "/alert/" in topic:
            assert times == sorted(times), topic
    assert _often(list(events.values())) > 5


def test_a_broker_killed_and_restarted_loses_nothing(
    ride: Callable[..., Ride], broker: Any, van_settings: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    drive_through(8, ride, broker(more=AT_ONCE), van_settings, capsys)


@pytest.mark.long
@pytest.mark.timeout(900)
def test_a_broker_killed_and_restarted_fifty_times_loses_nothing(
    ride: Callable[..., Ride], broker: Any, van_settings: Callable[..., Path], capsys: pytest.CaptureFixture[str]
) -> None:
    drive_through(50, ride, broker(more=AT_ONCE), van_settings, capsys)
