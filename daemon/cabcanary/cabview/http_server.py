"""The HTTP server: bound to one address, few connections, none of them for longer than it has something to say.

Private parts of uvicorn are used here and nowhere else.
"""

from __future__ import annotations

import asyncio
import contextlib
import ipaddress
import signal
import socket
from typing import TYPE_CHECKING, Any

import uvicorn
from uvicorn.protocols.http.h11_impl import H11Protocol

if TYPE_CHECKING:
    from collections.abc import Iterator

    from starlette.types import ASGIApp

#: Twelve cab pages, and a browser opens six connections at a time.
_MOST_CONNECTIONS = 64
#: A connection on which no request is under way for so long is closed, s; so is one that sends its request so slowly.
_IDLE_S, _LOOK_EVERY_S = 10.0, 2.0
_LONGEST_HEAD = 16 * 1024
#: What may lie on its way to a client: with more, one that reads slowly would be shown what was long ago.
_SEND_BUFFER = 64 * 1024


class BindError(OSError):
    """The address cannot be had; the text says why and what to do."""


def is_loopback(host: str) -> bool:
    """Whether only this computer can reach it."""
    if host == "localhost":
        return True
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


def bind(host: str, port: int) -> socket.socket:
    """A listening socket.

    Raises:
        BindError: there is no such address here, or the port is taken.
    """
    try:
        family, kind, protocol, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)[0]
        found = socket.socket(family, kind, protocol)
    except (OSError, UnicodeError) as error:
        raise BindError(f"--host {host}: {getattr(error, 'strerror', None) or error}") from error
    try:
        found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        # Connections inherit it.
        found.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, _SEND_BUFFER)
        found.bind(address)
        # Whoever comes from now on waits until somebody serves.
        found.listen(_MOST_CONNECTIONS)
    except OSError as error:
        found.close()
        raise BindError(f"{host}, port {port}: {error.strerror or error}; choose another with --port") from error
    return found


class _Connection(H11Protocol):
    """One connection, closed when no request is under way on it for too long: the library bounds the size of a head
    that comes byte by byte, and not its time."""

    def connection_made(self, transport: Any) -> None:
        """A client has connected."""
        super().connection_made(transport)
        # Beyond this it is waited for, and let go if that lasts: what lies in a buffer is old when it arrives.
        transport.set_write_buffer_limits(high=_SEND_BUFFER)
        self._free_s, self._lost = self.loop.time(), False
        self._look()

    def connection_lost(self, exc: Exception | None) -> None:
        """It has ended."""
        self._lost = True
        super().connection_lost(exc)

    def _look(self) -> None:
        if self._lost:
            return
        now_s = self.loop.time()
        if self.transport.is_closing():
            # What is still to be sent to it, it does not take.
            if now_s - self._free_s > _IDLE_S:
                self.transport.abort()
                return
        elif self.cycle is not None and not self.cycle.response_complete:
            self._free_s = now_s
        elif now_s - self._free_s > _IDLE_S:
            self.transport.close()
            return
        self.loop.call_later(_LOOK_EVERY_S, self._look)


class HttpServer(uvicorn.Server):
    """Serves until SIGTERM or SIGINT, which are no error."""

    def __init__(self, app: ASGIApp) -> None:
        super().__init__(
            uvicorn.Config(
                app,
                http=_Connection,
                ws="none",
                lifespan="off",
                log_config=None,
                log_level="critical",
                access_log=False,
                server_header=False,
                proxy_headers=False,
                limit_concurrency=_MOST_CONNECTIONS,
                timeout_keep_alive=5,
                timeout_graceful_shutdown=1,
                h11_max_incomplete_event_size=_LONGEST_HEAD,
            )
        )

    @contextlib.contextmanager
    def capture_signals(self) -> Iterator[None]:
        """As a daemon takes them: asked to stop, it stops, and that went well."""
        loop = asyncio.get_running_loop()
        for number in (signal.SIGTERM, signal.SIGINT):
            loop.add_signal_handler(number, self._stop)
        yield

    def _stop(self) -> None:
        self.should_exit = True
