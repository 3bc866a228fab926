"""The cab page: a sentence, a few values, and whether anybody watches. Nothing to operate but acknowledge."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse

from cabcanary.cabview import quantities
from cabcanary.cabview.follow import CommandError, Follower
from cabcanary.cabview.html import page, text
from cabcanary.cabview.stream import Stream, TooManyError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from starlette.requests import Request
    from starlette.types import Receive, Scope, Send


class Followed(StreamingResponse):
    """The stream for one client, which has its place for as long as it is answered."""

    def __init__(self, stream: Stream) -> None:
        super().__init__(stream.follow(), media_type="text/event-stream")
        self._stream = stream

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Send states until the client goes; or say that there is no place."""
        # Not in the generator: one that is left halfway ends when memory is cleared up.
        try:
            with self._stream.place():
                await super().__call__(scope, receive, send)
        except TooManyError as error:
            await PlainTextResponse(f"{error}\n", 503)(scope, receive, send)


class CabPage:
    """The page, its stream, and its one command."""

    def __init__(self, shown: Sequence[str], stream: Stream, follower: Follower) -> None:
        self._shown, self._stream, self._follower = tuple(shown), stream, follower

    async def show(self, _: Request) -> Response:
        """The page, empty: nothing on it is shown before the stream tells it."""
        cells = "".join(_cell(name) for name in self._shown)
        main = (
            '<h1 class="unseen-by-eyes">In the cab</h1>'
            '<div id="announce" class="unseen-by-eyes" role="alert"></div>'
            '<section id="say" class="say" data-look="dead" aria-label="What stands">'
            '<p id="kind" class="kind">Not live</p><p id="do" class="do">Waiting for the monitor</p>'
            '<p id="what" class="what"></p><p id="figures" class="figures"></p></section>'
            '<button type="button" id="take" class="take" disabled>Acknowledge</button>'
            '<p id="took" class="took" role="status"></p>'
            # Beneath the values: what is left when they are no longer lit, even where no script runs any more.
            '<section class="stage" aria-label="Values"><p class="under" aria-hidden="true">Not live</p>'
            f'<div id="values" class="values">{cells}</div></section>'
            '<section aria-label="What is watched for"><p id="vehicle" class="vehicle"></p>'
            '<ul id="also" class="lines"></ul><ul id="lines" class="lines"></ul></section>'
        )
        return page("Cab", "cab", main, ["cab.js"])

    async def follow(self, _: Request) -> Response:
        """Server-sent events: the newest state, again and again."""
        return Followed(self._stream)

    async def acknowledge(self, _: Request) -> Response:
        """What the driver's button does."""
        try:
            taken = await self._follower.acknowledge()
        except CommandError as error:
            return JSONResponse({"error": str(error)}, 502)
        return JSONResponse({"acknowledged": taken})


def _cell(name: str) -> str:
    words = text(quantities.words_of(name))
    return (
        f'<article class="value" data-channel="{text(name)}" data-trust="stale">'
        f'<h2>{words} <span class="unit"></span></h2>'
        '<p class="number"><span class="text"></span></p><p class="quality">'
        '<span class="shape" aria-hidden="true"></span><span class="word">not live</span><span class="band"></span></p>'
        "</article>"
    )
