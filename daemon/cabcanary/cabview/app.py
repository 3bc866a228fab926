"""All pages put together: which address is which page, and the process that serves them."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.responses import RedirectResponse
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles

from cabcanary.cabview.archive import Archive
from cabcanary.cabview.board import Board
from cabcanary.cabview.cab_page import CabPage
from cabcanary.cabview.chosen import above_air
from cabcanary.cabview.compare_page import ComparePage
from cabcanary.cabview.drive_pages import DrivePages
from cabcanary.cabview.follow import Follower
from cabcanary.cabview.guard import Guard
from cabcanary.cabview.http_server import HttpServer
from cabcanary.cabview.login import Login
from cabcanary.cabview.stream import Stream
from cabcanary.live.ask import feed_place
from cabcanary.processes.host import notify

if TYPE_CHECKING:
    import socket
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.types import ASGIApp

    from cabcanary.cabview.token import Door
    from cabcanary.settings.schema import Settings

STATIC = Path(__file__).with_name("static")


class Pages:
    """The pages of one vehicle. `shown` names the channels of the cab page."""

    def __init__(self, settings: Settings, shown: Sequence[str], door: Door) -> None:
        board = Board(shown, settings.shown_in, above_air(settings))
        self.stream = Stream(lambda: board.page(asyncio.get_running_loop().time()))
        self.follower = Follower(lambda: feed_place(settings.daemon)[0], board, self.stream.news)
        cab = CabPage(shown, self.stream, self.follower)
        archive = Archive(settings.daemon.folder)
        drives = DrivePages(archive, shown, settings.shown_in, above_air(settings))
        routes = [
            Route("/", _to_cab),
            Route("/login", Login(door).answer, methods=["GET", "POST"]),
            Route("/cab", cab.show),
            Route("/cab/stream", cab.follow),
            Route("/cab/acknowledge", cab.acknowledge, methods=["POST"]),
            Route("/drives", drives.list),
            Route("/compare", ComparePage(archive, settings).show),
            Route("/drives/{drive}", drives.one),
            Route("/drives/{drive}/view", drives.view),
            Route("/drives/{drive}/parquet", drives.parquet),
            Route("/drives/{drive}/csv", drives.csv),
            Route("/drives/{drive}/note", drives.note, methods=["POST"]),
            Route("/drives/{drive}/keep", drives.keep, methods=["POST"]),
            Mount("/static", StaticFiles(directory=STATIC)),
        ]
        self.app: ASGIApp = Guard(Starlette(routes=routes), door)


async def _to_cab(_: Request) -> RedirectResponse:
    return RedirectResponse("/cab", 303)


async def serve(pages: Pages, listening: socket.socket) -> None:
    """Serve until SIGTERM or SIGINT.

    Raises:
        Exception: a part has failed. Pages that only look alive are worse than none: whoever started them starts anew.
    """
    server = HttpServer(pages.app)
    serving = asyncio.ensure_future(server.serve(sockets=[listening]))
    parts = [asyncio.ensure_future(part) for part in (pages.follower.run(), pages.stream.run())]
    notify("READY=1")
    await asyncio.wait([serving, *parts], return_when=asyncio.FIRST_COMPLETED)
    server.should_exit = True
    await pages.stream.close()
    await serving
    for part in parts:
        part.cancel()
        with contextlib.suppress(asyncio.CancelledError):
            await part
