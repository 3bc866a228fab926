"""An ordered stop: the drive's end and the last words reach the broker before the good-bye, and nobody waits long."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import sqlite3
import subprocess
import time
from typing import TYPE_CHECKING, Any

import pytest
from broker import TOPIC, Broker
from feeder import Feeder, Messenger, until
from harness import Ride, wait_for

from cabcanary.model import EventKind

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.waits


@pytest.fixture
def heard(tmp_path: Path) -> Iterator[Callable[..., list[tuple[str, Any]]]]:
    """mosquitto_sub, kept listening: heard(post) starts it, and gives what it has got, each time it is asked."""
    log = tmp_path / "heard.log"
    running: list[subprocess.Popen[bytes]] = []

    def ask(post: Broker) -> list[tuple[str, Any]]:
        if not running:
            with log.open("wb") as out:
                command = ["mosquitto_sub", *post._who, "-t", f"{TOPIC}/#", "-q", "1", "-F", "%t %p"]
                running.append(subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT))
        lines = [line for line in log.read_text().splitlines(keepends=True) if line.endswith("\n")]
        found = [line.strip().split(" ", 1) for line in lines]
        return [
            (topic.removeprefix(f"{TOPIC}/"), payload if topic.endswith("availability") else json.loads(payload))
            for topic, payload in found
        ]

    yield ask
    for process in running:
        process.terminate()
        process.wait(20)


def retained(post: Broker, topic: str) -> dict[str, Any]:
    ((_, payload),) = post.messages(f"{TOPIC}/{topic}", 1)
    state: dict[str, Any] = json.loads(payload)
    return state


def test_a_stop_in_mid_drive_ends_it_at_the_broker_and_the_next_start_keeps_both_states_apart(
    ride: Callable[..., Ride], broker: Any, van_settings: Callable[..., Path], heard: Any
) -> None:
    post: Broker = broker()
    post.start()
    heard(post)
    lines = ["", "[mqtt]", 'host = "127.0.0.1"', f"port = {post.port}", f'topic = "{TOPIC}"']
    driven = ride(config=van_settings(more="\n".join(lines) + "\n"))
    driven.begin(at_s=60.0)
    first = driven.event("drive", "started")["drive"]
    wait_for("the start at the broker", lambda: [p for t, p in heard(post) if t == "drive"])
    assert driven.stop() == 0
    wait_for("the good-bye", lambda: heard(post)[-1] == ("availability", "offline"))
    told = heard(post)
    assert [(p["what"], p["drive"]) for t, p in told if t == "drive"] == [("started", first), ("ended", first)]
    assert [p["text"] for t, p in told if t == "event" and p["kind"] == "monitor"][-1] == "stops, as it was asked to"
    # The good-bye comes once, after all the rest.
    assert [p for t, p in told if t == "availability"][-2:] == ["online", "offline"]
    assert retained(post, "drive")["what"] == "ended"
    assert "started again" not in driven.log
    driven.start()
    second = driven.event("drive", "started")["drive"]
    arrival = driven.event("drive", "arrival")
    # On a loaded machine the drive is only archived now, and then this is not told again but for the first time.
    assert arrival["drive"] == first
    wait_for("both at the broker", lambda: {"arrival", "drive"} <= {t for t, _ in heard(post)[len(told) :]})
    state, summed_up = retained(post, "drive"), retained(post, "arrival")
    assert (state["what"], state["drive"]) == ("started", second)
    assert (summed_up["drive"], summed_up["summary"]["drive"], summed_up["again"]) == (first, first, arrival["again"])
    assert post.retained == {f"{TOPIC}/arrival": True}


def test_a_broker_that_hangs_does_not_keep_the_daemon_from_stopping_also_when_it_is_asked_twice(
    ride: Callable[..., Ride], broker: Any, van_settings: Callable[..., Path]
) -> None:
    post: Broker = broker()
    post.start()
    lines = ["", "[mqtt]", 'host = "127.0.0.1"', f"port = {post.port}", f'topic = "{TOPIC}"']
    driven = ride(config=van_settings(more="\n".join(lines) + "\n"))
    driven.start()
    driven.event("helper", "messenger", ok=True)
    post.until_available("online")
    assert post._process is not None
    os.kill(post._process.pid, signal.SIGSTOP)
    try:
        os.kill(driven.pid, signal.SIGTERM)
        driven.event("monitor", "stopping")
        begun = time.monotonic()
        # The rig asks again, and would kill a daemon that stays: then this were no 0.
        assert driven.stop() == 0
        print(f"stopped {time.monotonic() - begun:.1f} s after it said so")
    finally:
        os.kill(post._process.pid, signal.SIGCONT)
    assert driven.log.count("stops, as it was asked to") == 1


async def test_what_the_feed_still_told_is_published_before_good_bye(broker: Any, tmp_path: Path, heard: Any) -> None:
    post: Broker = broker()
    post.start()
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, post.port)
    try:
        await until("the messenger", lambda: feeder.followed and messenger.said("publishing"))
        heard(post)
        await until("the listener", lambda: ("availability", "online") in heard(post))
        feeder.tell(EventKind.MONITOR, "stopping", "stops")
        for n in range(20):
            feeder.tell(EventKind.NOTE, "last", str(n))
        feeder.feed.end()
        feeder.feed.end()
        assert messenger.finish() == 0
        await until("the good-bye", lambda: heard(post)[-1] == ("availability", "offline"))
        assert [p["text"] for t, p in heard(post) if t == "event"][-21:] == ["stops", *map(str, range(20))]
        assert [p for t, p in heard(post) if t == "availability"] == ["online", "offline"]
    finally:
        messenger.close()
        await feeder.stop()


async def test_without_a_broker_the_last_words_wait_in_the_outbox_and_nobody_waits_for_it(tmp_path: Path) -> None:
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, 9)
    try:
        await until("the messenger", lambda: feeder.followed)
        feeder.tell(EventKind.MONITOR, "stopping", "stops")
        feeder.feed.end()
        assert messenger.finish() == 0
        with contextlib.closing(sqlite3.connect(tmp_path / "outbox.sqlite")) as db:
            payloads = [json.loads(payload) for (payload,) in db.execute("SELECT payload FROM message ORDER BY n")]
        assert [p["text"] for p in payloads] == ["stops"]
    finally:
        messenger.close()
        await feeder.stop()


async def test_a_messenger_whose_broker_hangs_ends_with_its_daemon(broker: Any, tmp_path: Path) -> None:
    post: Broker = broker()
    post.start()
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, post.port)
    await until("the messenger", lambda: feeder.followed and messenger.said("publishing"))
    assert post._process is not None
    os.kill(post._process.pid, signal.SIGSTOP)
    try:
        feeder.tell(EventKind.NOTE, "last", "last")
        await feeder.stop()
        # The library would wait for ten seconds for its farewell to be taken; nobody is there to end this one.
        begun = time.monotonic()
        assert messenger.finish() == 0
        print(f"ended after {time.monotonic() - begun:.1f} s")
    finally:
        os.kill(post._process.pid, signal.SIGCONT)
        messenger.close()
    with contextlib.closing(sqlite3.connect(tmp_path / "outbox.sqlite")) as db:
        payloads = [json.loads(payload) for (payload,) in db.execute("SELECT payload FROM message ORDER BY n")]
    assert [p["text"] for p in payloads] == ["last"]
