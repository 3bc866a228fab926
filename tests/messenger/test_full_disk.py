"""A disk that takes nothing: the messenger goes on, sends nothing twice, and all is on the disk once there is room."""

from __future__ import annotations

import json
import resource
import sqlite3
import subprocess
from typing import TYPE_CHECKING, Any

import pytest
from broker import TOPIC, Broker
from feeder import Feeder, Messenger, until

from cabcanary.messenger.keeper import MOST_HELD, TRY_AGAIN_S, Keeper
from cabcanary.messenger.outbox import Outbox, OutboxMessage
from cabcanary.model import EventKind

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.waits


class Card:
    """A keeper whose file can be made to take nothing, and the time that it goes by."""

    def __init__(self, folder: Path, most: int = 100) -> None:
        self.path, self.notes, self.now_s = folder / "outbox.sqlite", list[str](), 0.0
        self.keeper = Keeper(self.path, most, self.notes.append, lambda: self.now_s)

    def full(self, *, full: bool) -> None:
        # SQLite's own switch: from here on each change is an sqlite3.OperationalError.
        self.keeper._outbox._db.execute(f"PRAGMA query_only = {int(full)}")
        self.now_s += TRY_AGAIN_S

    def put(self, n: int, topic: str = "van/event", stands: bool | None = None) -> bool:
        return self.keeper.put(OutboxMessage(f"id{n}", topic, str(n), retain=False, stands=stands))

    def take_all(self) -> list[str]:
        """As the broker's side does it."""
        taken = []
        while (waiting := self.keeper.first()) is not None:
            taken.append(waiting.payload)
            assert len(taken) < 10_000, "the same is given for ever"
            self.keeper.sent(waiting.n)
        return taken

    def on_disk(self) -> list[str]:
        with sqlite3.connect(self.path) as db:
            return [payload for (payload,) in db.execute("SELECT payload FROM message ORDER BY n")]


def test_what_was_sent_while_the_disk_takes_nothing_is_not_sent_again(tmp_path: Path) -> None:
    card = Card(tmp_path)
    for n in range(5):
        card.put(n)
    card.full(full=True)
    for n in range(5, 8):
        assert card.put(n)
    assert card.take_all() == [str(n) for n in range(8)]
    assert card.keeper.first() is None
    # What the feed tells again is known, though the file does not know it.
    assert not card.put(6)
    assert not card.put(2)
    assert len(card.notes) == 1
    assert "make room" in card.notes[0]
    card.full(full=False)
    assert card.keeper.first() is None
    assert "the outbox can be written again" in card.notes[1]
    assert not card.keeper.behind
    assert card.on_disk() == []
    assert not card.put(6)
    card.keeper.close()


def test_what_came_while_the_disk_took_nothing_is_on_it_in_order_once_there_is_room(tmp_path: Path) -> None:
    card = Card(tmp_path)
    card.put(0)
    card.full(full=True)
    for n in range(1, 6):
        card.put(n)
    # The broker took the oldest two; one that is under way when the room comes is still known by its number.
    for _ in range(2):
        first = card.keeper.first()
        assert first is not None
        card.keeper.sent(first.n)
    under_way = card.keeper.first()
    assert under_way is not None
    assert card.on_disk() == ["0"]
    card.full(full=False)
    card.put(6)
    assert card.on_disk() == ["2", "3", "4", "5", "6"]
    card.keeper.sent(under_way.n)
    card.keeper.close()
    again = Card(tmp_path)
    assert again.take_all() == ["3", "4", "5", "6"]
    again.keeper.close()


def test_a_messenger_that_ends_writes_what_memory_kept(tmp_path: Path) -> None:
    card = Card(tmp_path)
    card.full(full=True)
    card.put(1)
    card.full(full=False)
    card.now_s -= TRY_AGAIN_S
    card.keeper.close()
    assert card.on_disk() == ["1"]


def test_alerts_that_stand_are_known_though_the_disk_takes_nothing(tmp_path: Path) -> None:
    card = Card(tmp_path)
    card.put(1, "van/alert/old", stands=True)
    card.put(2, "van/alert/gone", stands=True)
    card.take_all()
    card.full(full=True)
    card.put(3, "van/alert/gone", stands=False)
    card.put(4, "van/alert/new", stands=True)
    assert card.keeper.standing() == {"van/alert/old": "1", "van/alert/new": "4"}
    # The new one waits, and will be said in order; it is settled once it has been sent.
    assert card.keeper.settled() == [("van/alert/old", "1")]
    card.take_all()
    assert card.keeper.settled() == [("van/alert/old", "1"), ("van/alert/new", "4")]
    card.full(full=False)
    card.keeper.close()
    again = Outbox(tmp_path / "outbox.sqlite", 100)
    assert again.standing() == {"van/alert/old": "1", "van/alert/new": "4"}
    again.close()


def test_memory_is_bounded_and_what_it_cannot_hold_is_counted(tmp_path: Path) -> None:
    card = Card(tmp_path, most=5000)
    card.full(full=True)
    for n in range(MOST_HELD + 30):
        card.put(n)
    assert card.keeper.take_lost() == 30
    assert card.take_all() == [str(n) for n in range(30, MOST_HELD + 30)]
    card.keeper.close()


def test_a_file_that_cannot_even_be_read_is_left_aside(tmp_path: Path) -> None:
    card = Card(tmp_path)
    card.put(1)
    card.keeper._outbox.close()
    assert card.keeper.first() is None
    assert "cannot be read" in card.notes[0]
    card.now_s += TRY_AGAIN_S
    assert card.put(2)
    assert card.take_all() == ["2"]
    card.keeper.close()


# --- the process ----------------------------------------------------------------------------------------------------


def heard(log: Path, topic: str = "event") -> list[str]:
    lines = [line for line in log.read_text().splitlines(keepends=True) if line.endswith("\n")]
    found = [line.split(" ", 1) for line in lines]
    return [json.loads(payload)["text"] for at, payload in found if at.startswith(f"{TOPIC}/{topic}")]


async def test_on_a_full_disk_the_messenger_goes_on_and_nothing_is_sent_twice(broker: Any, tmp_path: Path) -> None:
    post: Broker = broker()
    post.start()
    log = tmp_path / "heard.log"
    command = ["mosquitto_sub", *post._who, "-t", f"{TOPIC}/#", "-q", "1", "-F", "%t %p"]
    with log.open("wb") as out:
        listener = subprocess.Popen(command, stdout=out, stderr=subprocess.STDOUT)
    feeder = Feeder(tmp_path)
    await feeder.start()
    messenger = Messenger(tmp_path, post.port)
    try:
        await until("the messenger", lambda: feeder.followed)
        feeder.tell(EventKind.NOTE, "one", "one")
        await until("the first event", lambda: heard(log) == ["one"])
        # The kernel itself refuses every further write to a file, and none to a pipe or a socket.
        _, hard = resource.prlimit(messenger.process.pid, resource.RLIMIT_FSIZE)
        resource.prlimit(messenger.process.pid, resource.RLIMIT_FSIZE, (0, hard))
        wanted = ["one"]
        for n in range(20):
            wanted.append(f"full {n}")
            feeder.tell(EventKind.NOTE, "full", wanted[-1])
            feeder.alert("lean", active=n % 2 == 0)
        await until("the events of the full disk", lambda: heard(log) == wanted)
        await until("the alerts too", lambda: len(heard(log, "alert")) == 20)
        assert messenger.said("the outbox cannot be written") == 1
        resource.prlimit(messenger.process.pid, resource.RLIMIT_FSIZE, (hard, hard))
        await until("the room to be found", lambda: messenger.said("the outbox can be written again"))
        assert messenger.close() == 0
        # What is on the disk now: nothing waits, so the next one sends nothing of it again.
        messenger = Messenger(tmp_path, post.port)
        await until("the next messenger", lambda: feeder.followed and messenger.said("publishing"))
        feeder.tell(EventKind.NOTE, "last", "last")
        await until("the last event", lambda: "last" in heard(log))
        assert heard(log) == [*wanted, "last"]
    finally:
        messenger.close()
        listener.terminate()
        listener.wait(20)
        await feeder.stop()


@pytest.mark.parametrize("missing", ["values", "outbox_file"])
def test_a_messenger_with_a_fault_of_its_own_says_so_and_ends_though_its_input_stays_open(
    tmp_path: Path, missing: str
) -> None:
    messenger = Messenger(tmp_path, 9, **{missing: None})
    try:
        # Its helper starts another when it has ended, and only then.
        assert messenger.process.wait(30) == 1
        messenger.close()
        assert messenger.told[-1]["ok"] is False
        assert f"a fault of its own (KeyError: '{missing}')" in messenger.told[-1]["text"]
    finally:
        messenger.close()
