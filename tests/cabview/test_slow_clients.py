"""A client that does not read is let go and counted, and gives back its place; nobody else waits for it."""

from __future__ import annotations

import asyncio
import socket
from typing import Any

import pytest
from feeder import until
from starlette.applications import Starlette
from starlette.routing import Route

from cabcanary.cabview import guard, http_server
from cabcanary.cabview.app import Pages, serve
from cabcanary.cabview.cab_page import Followed
from cabcanary.cabview.guard import Guard
from cabcanary.cabview.stream import MOST_CLIENTS, Stream, TooManyError
from cabcanary.cabview.token import Door
from cabcanary.settings.load import load_settings
from cabcanary_bench.paths import config_folder

pytestmark = pytest.mark.waits


async def test_who_does_not_read_is_let_go_and_counted_and_the_connection_ends(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(guard, "_PATIENCE_S", 0.2)
    monkeypatch.setattr(http_server, "_IDLE_S", 0.2)
    monkeypatch.setattr(http_server, "_LOOK_EVERY_S", 0.05)
    # Large states, and many of them: what a client does not take fills every buffer on the way to it.
    stream = Stream(lambda: {"x": "x" * 65536})
    making = asyncio.ensure_future(stream.run())

    async def follow(_: Any) -> Followed:
        return Followed(stream)

    guarded = Guard(Starlette(routes=[Route("/", follow)]), Door(None))
    listening = http_server.bind("127.0.0.1", 0)
    server = http_server.HttpServer(guarded)
    serving = asyncio.ensure_future(server.serve(sockets=[listening]))
    slow = socket.socket()
    try:
        slow.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
        await asyncio.to_thread(slow.connect, listening.getsockname())
        slow.sendall(b"GET / HTTP/1.1\r\nHost: localhost\r\n\r\n")
        await until("the client", lambda: stream.clients == 1)
        await until("the client to be let go", lambda: stream.news() or guarded.slow == 1)
        await until("the end of the connection", lambda: not server.server_state.connections)
        assert "took or sent nothing for 0.2 s is let go; 1 so far" in capsys.readouterr().out
        assert stream.clients == 0
    finally:
        slow.close()
        making.cancel()
        server.should_exit = True
        await serving
        listening.close()


async def test_every_client_gets_the_newest_state_and_what_it_missed_is_left_out() -> None:
    state = {"n": 0}
    stream = Stream(lambda: dict(state))
    making = asyncio.ensure_future(stream.run())
    follower = stream.follow()
    assert await anext(follower) == b"retry: 500\n\n"
    assert b'"n":0' in await anext(follower)
    for n in range(1, 6):
        state["n"] = n
        stream.news()
        await asyncio.sleep(0.05)
    assert b'"n":5' in await anext(follower)
    making.cancel()
    await stream.close()
    assert [told async for told in follower] == []


async def test_a_state_goes_out_when_nothing_happens_too() -> None:
    stream = Stream(lambda: {"state": "watching"})
    making = asyncio.ensure_future(stream.run())
    follower = stream.follow()
    await anext(follower)
    loop = asyncio.get_running_loop()
    await anext(follower)
    began = loop.time()
    told = [await anext(follower) for _ in range(3)]
    assert loop.time() - began > 0.5
    assert len({t.split(b",")[0] for t in told}) == 3
    making.cancel()


async def test_pages_of_which_a_part_has_failed_end_and_say_why() -> None:
    pages = Pages(load_settings(config_folder() / "bench-van.toml").model, ["map"], Door(None))
    pages.stream = Stream(lambda: {"no": 1 / 0})
    with http_server.bind("127.0.0.1", 0) as listening, pytest.raises(ZeroDivisionError):
        await asyncio.wait_for(serve(pages, listening), 20.0)


def test_places_are_bounded_and_given_back() -> None:
    stream = Stream(dict)
    taken = [stream.place() for _ in range(MOST_CLIENTS)]
    for place in taken:
        place.__enter__()
    with pytest.raises(TooManyError, match=r"12 pages are open already.* close one"), stream.place():
        pass
    taken[0].__exit__(None, None, None)
    with stream.place():
        assert stream.clients == MOST_CLIENTS
    assert stream.clients == MOST_CLIENTS - 1
