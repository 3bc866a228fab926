"""Events while nobody follows: the feed tells them to the next messenger, which says how many it missed."""

from __future__ import annotations

import asyncio
import contextlib
import json
import signal
import sqlite3
from typing import TYPE_CHECKING, Any

import pytest
from feeder import Feeder, Messenger, until

from cabcanary.feed import KEPT
from cabcanary.model import Event, EventKind

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable, Iterator
    from pathlib import Path

pytestmark = pytest.mark.waits


@pytest.fixture
async def feeder(tmp_path: Path) -> AsyncIterator[Feeder]:
    made = Feeder(tmp_path)
    await made.start()
    yield made
    await made.stop()


class Reader:
    """Any program at the feed."""

    def __init__(self, feeder: Feeder) -> None:
        self._path = feeder.path

    async def connect(self) -> dict[str, Any]:
        self._in, self.out = await asyncio.open_unix_connection(self._path, limit=1 << 20)
        hello: dict[str, Any] = (await self.next())["hello"]
        return hello

    async def next(self) -> dict[str, Any]:
        message: dict[str, Any] = json.loads(await asyncio.wait_for(self._in.readline(), 20))
        return message

    async def ask(self, after: Any, run: str) -> None:
        wanted = {"subscribe": {"frames_hz": 100, "run": run, "events_after": after}}
        self.out.write(json.dumps(wanted).encode() + b"\n")

    async def until(self, key: str) -> dict[str, Any]:
        while key not in (message := await self.next()):
            pass
        return message


async def test_a_reader_that_asks_is_told_every_event_after_that_once_in_order_and_then_frames(feeder: Feeder) -> None:
    # More than a reader may leave unread (256 KiB): none of it is skipped.
    for n in range(1, 401):
        feeder.tell(EventKind.NOTE, "note", f"{n} {'x' * 1000}")
    reader = Reader(feeder)
    run = (await reader.connect())["run"]
    await reader.ask(100, run)
    assert (await reader.until("events_after"))["events_after"] == 100
    numbers, told = [], 400
    while not numbers or numbers[-1] < 420:
        if told < 420:
            # It goes on while the past is being told; a frame comes when it has been.
            told += 1
            feeder.tell(EventKind.NOTE, "note", f"{told} now")
        feeder.frame()
        message = await reader.next()
        if "event" in message:
            numbers.append(message["n"])
            assert message["event"]["text"].split()[0] == str(message["n"])
        else:
            assert numbers[-1] >= 400
    assert numbers == list(range(101, 421))
    reader.out.close()


async def test_another_run_is_told_from_its_beginning_with_the_alerts_that_stand(feeder: Feeder) -> None:
    feeder.past = [Event(1, EventKind.ALERT, "lean", "lean", {"raised": True})]
    for n in range(KEPT + 30):
        feeder.tell(EventKind.NOTE, "note", str(n))
    reader = Reader(feeder)
    await reader.connect()
    await reader.ask(7, "an earlier run")
    assert (await reader.until("events_after"))["events_after"] == 0
    standing = await reader.next()
    assert (standing["event"]["what"], standing["standing"], "n" in standing) == ("lean", True, False)
    # The first 30 are no longer kept.
    assert (await reader.next())["n"] == 31
    reader.out.close()


@pytest.mark.parametrize("after", ["x", -1, 1.5, True, None])
async def test_a_number_that_is_none_is_answered(feeder: Feeder, after: Any) -> None:
    reader = Reader(feeder)
    run = (await reader.connect())["run"]
    await reader.ask(after, run)
    assert "events_after must be the number" in (await reader.until("error"))["error"]
    reader.out.close()


async def test_a_feed_that_ends_still_tells_a_reader_what_it_asked_for(feeder: Feeder) -> None:
    for n in range(300):
        feeder.tell(EventKind.NOTE, "note", str(n))
    reader = Reader(feeder)
    run = (await reader.connect())["run"]
    await reader.ask(0, run)
    await until("the asking", lambda: any(r.period_ns for r in feeder.feed._readers))
    feeder.feed.end()
    last = 0
    while line := await reader._in.readline():
        last = json.loads(line).get("n", last)
    assert last == 300
    reader.out.close()


@pytest.fixture
def start(tmp_path: Path) -> Iterator[Callable[[], Messenger]]:
    """Starts a messenger that finds no broker, so that all stays in its outbox; the one before is gone."""
    made: list[Messenger] = []

    def make() -> Messenger:
        made.append(Messenger(tmp_path, 9, outbox=2000))
        return made[-1]

    yield make
    for one in made:
        one.close()


# --- the messenger --------------------------------------------------------------------------------------------------


def kept(folder: Path) -> list[str]:
    """The texts of all that waits in the outbox."""
    with contextlib.closing(sqlite3.connect(folder / "outbox.sqlite")) as db:
        if not db.execute("SELECT 1 FROM sqlite_master WHERE name = 'message'").fetchone():
            return []
        return [json.loads(payload)["text"] for (payload,) in db.execute("SELECT payload FROM message ORDER BY n")]


async def test_events_while_the_messenger_is_down_are_published_by_the_next(
    feeder: Feeder, tmp_path: Path, start: Callable[[], Messenger]
) -> None:
    first = start()
    texts = [f"before {n}" for n in range(30)]
    for text in texts:
        feeder.tell(EventKind.NOTE, "note", text)
    await until("the first ones", lambda: kept(tmp_path) == texts)
    first.process.send_signal(signal.SIGKILL)
    await until("its end", lambda: not feeder.feed._readers)
    for n in range(200):
        texts.append(f"while it was down {n}")
        feeder.tell(EventKind.NOTE, "note", texts[-1])
    start()
    await until("all of them", lambda: kept(tmp_path) == texts)
    assert kept(tmp_path) == texts


async def test_events_that_were_skipped_for_a_slow_messenger_are_asked_for_again(
    feeder: Feeder, tmp_path: Path, start: Callable[[], Messenger]
) -> None:
    start()
    texts = ["one", "two"]
    for text in texts:
        feeder.tell(EventKind.NOTE, "note", text)
    await until("the first ones", lambda: kept(tmp_path) == texts)
    # As the feed does with one that has too much unread.
    readers, feeder.feed._readers = feeder.feed._readers, set()
    for n in range(10):
        texts.append(f"skipped {n}")
        feeder.tell(EventKind.NOTE, "note", texts[-1])
    feeder.feed._readers = readers
    texts.append("seen")
    feeder.tell(EventKind.NOTE, "note", texts[-1])
    await until("all of them", lambda: kept(tmp_path) == texts)


async def test_more_events_than_the_feed_keeps_are_counted_as_lost(
    feeder: Feeder, tmp_path: Path, start: Callable[[], Messenger]
) -> None:
    first = start()
    feeder.tell(EventKind.NOTE, "note", "before")
    await until("the first one", lambda: kept(tmp_path) == ["before"])
    first.process.send_signal(signal.SIGKILL)
    await until("its end", lambda: not feeder.feed._readers)
    for n in range(KEPT + 40):
        feeder.tell(EventKind.NOTE, "note", str(n))
    start()
    lost = "40 messages are lost: the messenger was away, or could not follow, for longer than the monitor keeps them"
    wanted = ["before", lost, *(str(n) for n in range(40, KEPT + 40))]
    await until("the rest", lambda: kept(tmp_path) == wanted)
    # A third one has nothing to add: neither the events nor the loss are told again.
    start()
    await until("the third", lambda: feeder.followed)
    feeder.tell(EventKind.NOTE, "note", "last")
    await until("the last one", lambda: kept(tmp_path)[-1] == "last")
    assert kept(tmp_path) == [*wanted, "last"]
