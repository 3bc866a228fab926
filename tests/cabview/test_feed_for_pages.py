"""What the pages ask of the daemon's feed: values with their uncertainty, and acknowledge from a user of their own."""

from __future__ import annotations

import asyncio
import json
import time
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

import pytest
from feeder import Feeder, until

from cabcanary.cabview.board import Board
from cabcanary.cabview.follow import CommandError, Follower
from cabcanary.feed import Feed
from cabcanary.model import EventKind, Frame, Quality, Value
from cabcanary.processes.places import Peer, Places

pytestmark = pytest.mark.waits

#: "daemon" of the Linux Standard Base.
PAGES = 1
FRAME = Frame(1, {"a": Value(5.0, Quality.GOOD, 0, 0.25), "b": Value(None, Quality.ABSENT, 0, 0.0, "no wire")})


class PagesFeeder(Feeder):
    """A feed whose answers can be chosen; its daemon is another user's."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder)
        self.answer: dict[str, Any] = {"acknowledged": ["too_high"]}
        self.feed = Feed(self.path, self._hello, lambda: self.past, self._command, Places(PAGES), self._whole)

    def _hello(self) -> dict[str, Any]:
        return {"speed": 1.0, "units": {"a": "psi"}, "vehicle": "van", "stage": "low", "coverage": []}

    def _command(self, message: dict[str, Any]) -> dict[str, Any]:
        self.commands.append(message)
        return self.answer

    async def _whole(self) -> dict[str, Any]:
        return {"alerts": [], "recorder": {"ok": True, "text": ""}, "drive": None, "channels": {}}


@pytest.fixture
async def feeder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> AsyncIterator[PagesFeeder]:
    monkeypatch.setattr("cabcanary.feed.peer_of", lambda _: Peer(1, PAGES))
    made = PagesFeeder(tmp_path)
    await made.start()
    yield made
    await made.stop()


@pytest.fixture
async def followed(feeder: PagesFeeder) -> AsyncIterator[tuple[Follower, Board]]:
    board = Board(["a", "b"])
    follower = Follower(lambda: feeder.path, board, lambda: None)
    running = asyncio.ensure_future(follower.run())
    await until("the follower", lambda: feeder.followed)
    yield follower, board
    running.cancel()
    await asyncio.gather(running, return_exceptions=True)


async def lines_of(feeder: PagesFeeder, *asked: dict[str, Any], wanted: str) -> dict[str, Any]:
    """The first answer of this kind to what is asked; frames come all the while."""
    reader, writer = await asyncio.open_unix_connection(str(feeder.path))
    for message in asked:
        writer.write(json.dumps(message).encode() + b"\n")
    try:
        for _ in range(1000):
            feeder.feed.frame(Frame(time.monotonic_ns(), FRAME.values))
            line = await asyncio.wait_for(reader.readline(), 20.0)
            if wanted in (message := json.loads(line)):
                return dict(message)
            await asyncio.sleep(0.01)
    finally:
        writer.close()
    pytest.fail(f"no {wanted}")


async def test_values_come_with_reason_and_uncertainty_only_where_they_are_asked_for(feeder: PagesFeeder) -> None:
    told = await lines_of(feeder, {"subscribe": {"frames_hz": 100}}, wanted="frame")
    assert told["frame"]["values"] == {"a": [5.0, "good"], "b": [None, "absent", "no wire"]}
    told = await lines_of(feeder, {"subscribe": {"frames_hz": 100, "bands": True}}, wanted="frame")
    assert told["frame"]["values"] == {"a": [5.0, "good", "", 0.25], "b": [None, "absent", "no wire", 0.0]}


async def test_the_pages_user_acknowledges_as_the_page_and_gives_no_other_command(feeder: PagesFeeder) -> None:
    told = await lines_of(feeder, {"do": "acknowledge", "by": "button"}, wanted="reply")
    assert told["reply"] == {"acknowledged": ["too_high"]}
    told = await lines_of(feeder, {"do": "shelve", "alert": "too_high", "seconds": 600}, wanted="error")
    assert told["error"] == "the pages' user may acknowledge, and give no other command"
    assert feeder.commands == [{"do": "acknowledge", "by": "page"}]


async def test_an_acknowledge_is_answered_with_what_it_did_or_why_not(
    feeder: PagesFeeder, followed: tuple[Follower, Board]
) -> None:
    follower, _ = followed
    await until("the hello", lambda: follower._writer)
    assert await follower.acknowledge() == ["too_high"]
    feeder.answer = {"error": "too many: at most 1 acknowledge a second is taken"}
    with pytest.raises(CommandError, match="too many"):
        await follower.acknowledge()


async def test_without_a_daemon_nothing_is_acknowledged_and_whoever_waited_is_told(
    feeder: PagesFeeder, followed: tuple[Follower, Board], monkeypatch: pytest.MonkeyPatch
) -> None:
    follower, board = followed
    await until("the hello", lambda: follower._writer)
    monkeypatch.setattr(feeder.feed, "_do", lambda *_: None)
    waiting = asyncio.ensure_future(follower.acknowledge())
    await asyncio.sleep(0.05)
    await feeder.stop()
    with pytest.raises(CommandError, match=r"just stopped|does not answer"):
        await waiting
    await until("the end", lambda: board.page(asyncio.get_running_loop().time())["state"] == "gone")
    with pytest.raises(CommandError, match="no monitor runs"):
        await follower.acknowledge()


async def test_an_event_reaches_the_board_as_it_happens(feeder: PagesFeeder, followed: tuple[Follower, Board]) -> None:
    _, board = followed
    feeder.tell(EventKind.ALERT, "too_high", "x", state="active", active=True, raised=True, acknowledged=False,
                priority="warning", say="Too high", do="Lift")  # fmt: skip

    def cab() -> Any:
        return board.page(asyncio.get_running_loop().time()).get("cab")

    assert (await until("the alert", cab))["do"] == "Lift"
