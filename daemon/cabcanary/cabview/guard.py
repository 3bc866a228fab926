"""What stands before every page: who may come in, from where, and what a browser is told to hold it to.

Against a foreign site in the same browser: a request that changes something must come from our own page, and a name
that is not ours (DNS rebinding) is refused. Against slow clients: bounds on size and time.
"""

from __future__ import annotations

import asyncio
import ipaddress
import socket
import sys
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING, Any

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response

from cabcanary.cabview.token import COOKIE, Door
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: A note of 500 characters, each of them nine in a form, and its other fields.
LONGEST_BODY = 16 * 1024
#: How long a client may take for what it sends or is sent, s.
_PATIENCE_S = 10.0
#: Nothing but our own files, no script or style inside a page, in nobody's frame.
_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; connect-src 'self'; img-src 'self' data:; "
    "form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
_HEADERS = {
    "content-security-policy": _POLICY,
    "x-content-type-options": "nosniff",
    # No other host is told of an address. With "no-referrer" ours would not be either, but then a browser sends a form
    # of ours with the origin "null" (Fetch, "append a request Origin header"), as it does a stranger's.
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}


class Guard:
    """Wraps the pages."""

    def __init__(self, app: ASGIApp, door: Door) -> None:
        self._app, self._door = app, door
        self._names = {"localhost", socket.gethostname().lower(), f"{socket.gethostname().lower()}.local"}
        #: Clients that were let go because they did not take what they were sent.
        self.slow = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """One request."""
        if scope["type"] != "http":
            return
        begun = False

        async def dressed(message: Message) -> None:
            nonlocal begun
            if message["type"] == "http.response.start":
                begun = True
                self._dress(message, scope["path"])
            await asyncio.wait_for(send(message), _PATIENCE_S)

        headers = Headers(scope=scope)
        refused = self._refusal(scope, headers)
        try:
            await (refused or self._app)(scope, _timed(receive), dressed)
        except TimeoutError:
            self.slow += 1
            words = f"a client that took or sent nothing for {spelt(_PATIENCE_S)} s is let go; {self.slow} so far"
            print(words, flush=True)  # noqa: T201 - a line for the log
        except Exception as error:  # noqa: BLE001 - one page that fails must not end the others
            print(f"{scope['method']} {scope['path']} fails: {type(error).__name__}: {error}", file=sys.stderr)  # noqa: T201
            if not begun:
                await PlainTextResponse("This page has failed; its server's log says why.\n", 500)(
                    scope, receive, dressed
                )

    @staticmethod
    def _dress(message: Message, path: str) -> None:
        headers = MutableHeaders(scope=message)
        for name, value in _HEADERS.items():
            headers[name] = value
        # Files of ours may be kept, but are asked for; all else is somebody's drives.
        headers["cache-control"] = "no-cache" if path.startswith("/static/") else "no-store"

    def _refusal(self, scope: Scope, headers: Headers) -> Response | None:
        method, path = scope["method"], scope["path"]
        if not self._is_ours(headers.get("host", "")):
            return _no(421, "This is no name of this server; use its address or its own name.")
        if method not in ("GET", "HEAD", "POST"):
            return _no(405, "Only GET and POST are taken.")
        if method == "POST" and (refused := self._refused_post(headers)):
            return refused
        if path == "/login" or path.startswith("/static/") or self._knows(headers):
            return None
        if method == "POST" or "text/html" not in headers.get("accept", ""):
            return _no(401, "A token is needed: log in at /login, or send it as Authorization: Bearer.")
        return RedirectResponse("/login", 303)

    def _refused_post(self, headers: Headers) -> Response | None:
        length = headers.get("content-length", "0")
        if "transfer-encoding" in headers or not length.isdecimal():
            return _no(411, "Say how long it is.")
        if int(length) > LONGEST_BODY:
            return _no(413, f"That is too long: at most {LONGEST_BODY} bytes.")
        if not _from_our_page(headers):
            return _no(403, "This did not come from a page of this server.")
        return None

    def _knows(self, headers: Headers) -> bool:
        return self._door.is_open_to(_cookie(headers), headers.get("authorization", ""))

    def _is_ours(self, host: str) -> bool:
        """Whether a request means this server: by address, which no foreign name stands for, or by its own name."""
        name = host.lower()
        name = name[1:].partition("]")[0] if name.startswith("[") else name.partition(":")[0]
        if name in self._names:
            return True
        try:
            ipaddress.ip_address(name)
        except ValueError:
            return False
        return True


def _from_our_page(headers: Headers) -> bool:
    """Whether the browser says so. A program that brings its token itself is no browser that was led astray."""
    origin, site = headers.get("origin"), headers.get("sec-fetch-site")
    if origin is not None and origin not in (f"http://{headers['host']}", f"https://{headers['host']}"):
        return False
    if site is not None and site not in ("same-origin", "none"):
        return False
    return origin is not None or site is not None or "authorization" in headers


def _cookie(headers: Headers) -> str:
    try:
        found = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _timed(receive: Receive) -> Any:
    """What a client sends, without waiting for it for ever; once it has sent all, only its end may come."""
    whole = False

    async def timed() -> Message:
        nonlocal whole
        if whole:
            return await receive()
        message = await asyncio.wait_for(receive(), _PATIENCE_S)
        whole = not message.get("more_body", False)
        return message

    return timed


def _no(code: int, words: str) -> Response:
    return PlainTextResponse(words + "\n", code)
