"""The feed's places: no user's readers can fill it, whoever must get in gets in, and no reader holds up the tick."""

from __future__ import annotations

import asyncio
import contextlib
import itertools
import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest
from feeder import Feeder, until

from cabcanary.model import EventKind
from cabcanary.processes.places import (
    MOST,
    MOST_OF_A_USER,
    Allowed,
    FullError,
    Kind,
    Peer,
    Places,
    pages_user,
    user_number,
)

if TYPE_CHECKING:
    from collections.abc import AsyncIterator, Callable

pytestmark = pytest.mark.waits

#: Users of every Linux system: "nobody", and "daemon" and "bin" of the Linux Standard Base.
NOBODY, PAGES, BIN = 65534, 1, 2
OWN = os.getuid()
MESSENGER = 4711
S = 1_000_000_000
SOMEBODIES = range(2000, 2100)


class Door:
    """The places, and a clock that goes on so far that nobody comes too often."""

    def __init__(self, pages: int | None = PAGES) -> None:
        self.places, self.now_ns = Places(pages, lambda: (MESSENGER,)), 0

    def enter(self, user: int, pid: int = 1) -> Callable[[], None]:
        self.now_ns += S
        return self.places.enter(Peer(pid, user), self.now_ns)

    def fill(self, user: int) -> int:
        """As many as get in."""
        entered = 0
        while entered < 1000:
            try:
                self.enter(user)
            except FullError:
                return entered
            entered += 1
        return entered


def test_one_user_gets_a_share_and_is_told_why_and_what_to_do() -> None:
    door = Door()
    assert door.fill(NOBODY) == MOST_OF_A_USER == 6
    with pytest.raises(FullError, match=f"user {NOBODY} has 6 readers .* close one of them, and try again"):
        door.enter(NOBODY)
    # Another user is not told what that one did.
    assert door.fill(BIN) == 6


def test_a_place_that_is_given_back_is_free_again() -> None:
    door = Door()
    leave = [door.enter(NOBODY) for _ in range(MOST_OF_A_USER)]
    leave[0]()
    leave.append(door.enter(NOBODY))
    for one in leave[1:]:
        one()
    assert door.fill(NOBODY) == MOST_OF_A_USER
    assert door.places._shared.total() == MOST_OF_A_USER


def test_whatever_other_users_do_messenger_pages_and_owner_get_in() -> None:
    door = Door()
    others = sum(door.fill(user) for user in SOMEBODIES)
    assert door.fill(OWN) >= 8
    assert door.fill(PAGES) >= 4
    door.enter(OWN, MESSENGER)
    # A new messenger comes while the killed one is still being seen off.
    door.enter(OWN, MESSENGER)
    assert others == MOST - 8 - 4 - 2


def test_nor_do_the_owners_own_readers_take_the_places_of_messenger_and_pages() -> None:
    door = Door()
    assert door.fill(OWN) == MOST - 4 - 2
    assert door.fill(PAGES) == 4
    door.enter(OWN, MESSENGER)
    with pytest.raises(FullError, match="the feed is full: 32 places, some of them kept for others; close a reader"):
        door.enter(OWN)


def test_without_a_user_of_their_own_the_places_of_the_pages_are_the_owners() -> None:
    for pages in (None, OWN, 0):
        door = Door(pages)
        for user in SOMEBODIES:
            door.fill(user)
        assert door.fill(OWN) == 8 + 4


def test_another_users_process_is_no_helper_whatever_its_number() -> None:
    places = Places(PAGES, lambda: (MESSENGER,))
    assert places.kind(Peer(MESSENGER, NOBODY)) is Kind.OTHER
    assert places.kind(Peer(MESSENGER, OWN)) is Kind.HELPER
    assert places.kind(Peer(1, 0)) is Kind.OWN
    assert places.kind(Peer(1, PAGES)) is Kind.PAGES
    assert [places.is_own(Peer(1, user)) for user in (0, OWN, PAGES, NOBODY)] == [True, True, False, False]


def test_the_pages_user_may_acknowledge_and_nobody_else_may_anything() -> None:
    places = Places(PAGES, lambda: (MESSENGER,))
    assert [places.allowed(Peer(1, user)) for user in (0, OWN, PAGES, NOBODY)] == [
        Allowed.ALL, Allowed.ALL, Allowed.ACKNOWLEDGE, Allowed.NONE,
    ]  # fmt: skip
    # Where the pages have no user of their own, nobody is them.
    assert Places(None).allowed(Peer(1, PAGES)) is Allowed.NONE


def test_who_connects_again_and_again_is_refused_for_a_while_and_nobody_else_is() -> None:
    places = Places(PAGES)
    entered = 0
    for n in range(1000):
        with contextlib.suppress(FullError):
            places.enter(Peer(1, NOBODY), n * 1_000_000)()
            entered += 1
    with pytest.raises(FullError, match="connects too often: at most 5 times a second"):
        _ = [places.enter(Peer(1, NOBODY), S)() for _ in range(100)]  # type: ignore[func-returns-value]
    # One second: 20 at once, and 5 more.
    assert 20 <= entered <= 25
    for user in (OWN, PAGES, BIN):
        places.enter(Peer(1, user), S)
    places.enter(Peer(1, NOBODY), 2 * S)


def test_a_user_that_this_machine_does_not_have_is_none() -> None:
    assert user_number(None) is None
    assert user_number("root") == 0
    assert user_number("no-such-user-here") is None


# --- at the socket --------------------------------------------------------------------------------------------------


@pytest.fixture
async def feeder() -> AsyncIterator[Feeder]:
    # A test's own folder is closed to other users.
    place = Path(tempfile.mkdtemp(prefix="feed-"))
    place.chmod(0o755)
    made = Feeder(place)
    await made.start()
    yield made
    await made.stop()
    shutil.rmtree(place)


_CONNECT = """
import json, os, socket, sys
path, user, count = sys.argv[1], int(sys.argv[2]), int(sys.argv[3])
os.setgroups([]); os.setgid(user); os.setuid(user)
kept = []
for _ in range(count):
    client = socket.socket(socket.AF_UNIX)
    client.settimeout(20)
    client.connect(path)
    lines = client.makefile("rb")
    first = lines.readline()
    kept.append((client, lines))
    told = json.loads(first)
    if "error" in told:
        told["ended"] = lines.readline() == b""
    print(json.dumps(told), flush=True)
sys.stdin.read()
"""


async def connect_as(feeder: Feeder, user: int, count: int) -> tuple[Any, list[dict[str, Any]]]:
    """A process of this user with so many connections, which it keeps; and what each was told first."""
    process = await asyncio.create_subprocess_exec(
        sys.executable, "-c", _CONNECT, str(feeder.path), str(user), str(count),
        stdin=subprocess.PIPE, stdout=subprocess.PIPE,
    )  # fmt: skip
    assert process.stdout is not None
    return process, [json.loads(await asyncio.wait_for(process.stdout.readline(), 30)) for _ in range(count)]


@pytest.mark.skipif(os.getuid() != 0, reason="only root can become another user")
async def test_a_refused_reader_gets_one_line_and_the_end_and_others_are_served(feeder: Feeder) -> None:
    feeder.feed._places = Places(PAGES, lambda: ())
    strangers, told = await connect_as(feeder, NOBODY, 12)
    assert ["hello" in one for one in told] == [True] * 6 + [False] * 6
    assert all(one["ended"] and "close one of them" in one["error"] for one in told[6:])
    pages, told = await connect_as(feeder, PAGES, 4)
    assert all("hello" in one for one in told)
    _, own = await asyncio.open_unix_connection(feeder.path)
    await until("its place", lambda: len(feeder.feed._readers) == 6 + 4 + 1)
    own.close()
    # Gone, they leave their places to others.
    for process in (strangers, pages):
        process.kill()
        await process.wait()
    await until("the places", lambda: not feeder.feed._readers)
    again, told = await connect_as(feeder, NOBODY, 6)
    assert all("hello" in one for one in told)
    again.kill()
    await again.wait()


async def test_the_first_reader_too_many_is_told_and_a_free_place_is_taken_again(feeder: Feeder) -> None:
    ends = [await asyncio.open_unix_connection(feeder.path) for _ in range(MOST - 2)]
    await until("all of them", lambda: len(feeder.feed._readers) == MOST - 2)
    lines, refused = await asyncio.open_unix_connection(feeder.path)
    assert "the feed is full" in json.loads(await asyncio.wait_for(lines.readline(), 20))["error"]
    assert await asyncio.wait_for(lines.read(), 20) == b""
    refused.close()
    ends.pop()[1].close()
    await until("a free place", lambda: len(feeder.feed._readers) == MOST - 3)
    lines, writer = await asyncio.open_unix_connection(feeder.path)
    assert "hello" in json.loads(await asyncio.wait_for(lines.readline(), 20))
    for end in (writer, *(end for _, end in ends)):
        end.close()
    await until("their ends", lambda: not feeder.feed._readers)


async def test_a_reader_that_floods_the_feed_holds_up_no_tick_and_is_sent_away(feeder: Feeder) -> None:
    lines, writer = await asyncio.open_unix_connection(feeder.path)
    await lines.readline()
    # As much as the kernel takes at once; each line is to be read, judged and answered.
    writer.write(b"\n" * 150_000)
    longest_s, before = 0.0, time.perf_counter()
    told: list[bytes] = []

    async def read() -> None:
        # What it sent and nobody read resets the connection.
        with contextlib.suppress(ConnectionError):
            while line := await lines.readline():
                told.append(line)

    reading = asyncio.ensure_future(read())
    while not reading.done():
        assert len(told) <= 101, "it is answered on and on"
        await asyncio.sleep(0)
        now = time.perf_counter()
        longest_s, before = max(longest_s, now - before), now
    # A tenth of a tick for its 101 lines; all 150,000 in a row take seconds. A busy machine may take its share.
    assert longest_s < 0.5
    assert "too many lines: at most 20 a second; connect again" in json.loads(told[-1])["error"]
    assert len(told) == 101
    writer.close()


async def test_between_two_lines_of_a_reader_the_tick_gets_its_turn(feeder: Feeder) -> None:
    lines, writer = await asyncio.open_unix_connection(feeder.path)
    await lines.readline()
    turns, at = 0, list[int]()
    feeder.feed._command = lambda _: at.append(turns) or {}  # type: ignore[func-returns-value]
    writer.write(b'{"do": "note"}\n' * 50)
    while len(at) < 50:
        await asyncio.sleep(0)
        turns += 1
    assert all(later > before for before, later in itertools.pairwise(at))
    writer.close()


async def test_readers_that_ask_at_a_persons_pace_are_not_sent_away(feeder: Feeder) -> None:
    lines, writer = await asyncio.open_unix_connection(feeder.path)
    await lines.readline()
    for _ in range(60):
        writer.write(b'{"do": "acknowledge"}\n')
    for _ in range(60):
        assert "reply" in json.loads(await asyncio.wait_for(lines.readline(), 20))
    feeder.tell(EventKind.NOTE, "note", "still told")
    assert json.loads(await asyncio.wait_for(lines.readline(), 20))["event"]["text"] == "still told"
    writer.close()


def test_the_unit_names_the_pages_user_where_the_settings_do_not(monkeypatch) -> None:
    assert pages_user(None) is None
    monkeypatch.setenv("CABCANARY_PAGES_USER", "cabcanary-pages")
    assert pages_user(None) == "cabcanary-pages"
    assert pages_user("somebody") == "somebody"
