"""The one way to aiomqtt, and to what it keeps to itself."""

from __future__ import annotations

import errno
import logging
from typing import TYPE_CHECKING, Any

import aiomqtt

if TYPE_CHECKING:
    import asyncio

#: From here on a reason code of MQTT 5 is a refusal (OASIS, MQTT 5.0, section 2.4).
FIRST_FAILURE = 0x80


class _LastError(logging.Handler):
    """Keeps what paho last said went wrong: it tells why a connection ended only in its log."""

    text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


class Client(aiomqtt.Client):
    """aiomqtt's client, which also tells what the broker thought of a message, and why it hung up: aiomqtt itself
    leaves the first out, and waits the second out."""

    refused: str | None = None

    def __init__(self, *arguments: Any, **options: Any) -> None:
        self._last_error = _LastError(logging.ERROR)
        logger = logging.Logger("mqtt")  # noqa: LOG001 - one for this connection, and no other's business
        logger.addHandler(self._last_error)
        super().__init__(*arguments, logger=logger, **options)

    def _on_disconnect(self, *arguments: Any) -> None:
        if not self._connected.done():
            self._connected.set_exception(aiomqtt.MqttError(self._last_error.text or "it hung up at once"))
            return
        super()._on_disconnect(*arguments)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any = None) -> None:
        if getattr(reason_code, "value", 0) >= FIRST_FAILURE:
            self.refused = str(reason_code)
        super()._on_publish(client, userdata, mid, reason_code, properties)

    def take_refusal(self) -> str | None:
        """Why the last message was refused, once."""
        refused, self.refused = self.refused, None
        return refused


def without_closed_sockets(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """The loop's exception handler: as usual, but for a socket that was closed before the loop came to watch it.

    paho asks for a socket from the thread that connects, and the broker may hang up before the loop has its turn
    (`aiomqtt.Client._on_socket_register_write`). The end of the connection is told in its own way.
    """
    error = context.get("exception")
    closed = isinstance(error, OSError) and error.errno in (errno.EBADF, errno.ENOENT, errno.EPERM)
    if not closed and not (isinstance(error, ValueError) and "file descriptor" in str(error)):
        loop.default_exception_handler(context)
