"""The one way to aiomqtt, and to what it keeps to itself."""

from __future__ import annotations

import asyncio
import errno
import logging
import time
from typing import Any

import aiomqtt

#: From here on a reason code of MQTT 5 is a refusal (OASIS, MQTT 5.0, section 2.4).
FIRST_FAILURE = 0x80
#: Messages that a broker takes unacknowledged where it does not say (section 3.2.2.3.3).
_RECEIVE_MAXIMUM = 65_535


class _LastError(logging.Handler):
    """Keeps what paho last said went wrong: it tells why a connection ended only in its log."""

    text = ""

    def emit(self, record: logging.LogRecord) -> None:
        self.text = record.getMessage()


class Client(aiomqtt.Client):
    """aiomqtt's client, which can also have several messages under way, tells what the broker thought of each, and why
    it hung up: aiomqtt itself waits for each, leaves the second out, and waits the third out."""

    def __init__(self, *arguments: Any, **options: Any) -> None:
        self._last_error = _LastError(logging.ERROR)
        logger = logging.Logger("mqtt")  # noqa: LOG001 - one for this connection, and no other's business
        logger.addHandler(self._last_error)
        #: By the message's number in the protocol.
        self._answers: dict[int, asyncio.Future[str | None]] = {}
        self._heard_s = 0.0
        #: How many messages with QoS 1 the broker wants unacknowledged at most.
        self.receive_maximum = _RECEIVE_MAXIMUM
        super().__init__(*arguments, logger=logger, **options)

    def send(self, topic: str, payload: str, *, retain: bool) -> asyncio.Future[str | None]:
        """Publish with QoS 1 and wait for nothing: the answer is why the broker refuses it, or None.

        Raises:
            aiomqtt.MqttError: there is no connection.
        """
        info = self._client.publish(topic, payload, 1, retain)
        if info.rc != 0:
            raise aiomqtt.MqttCodeError(info.rc, "Could not publish message")
        if not self._answers:
            self._heard_s = time.monotonic()
        answer = self._answers[info.mid] = asyncio.get_running_loop().create_future()
        return answer

    async def put(self, topic: str, payload: str, *, retain: bool) -> str | None:
        """Publish with QoS 1 and wait for the answer.

        Raises:
            aiomqtt.MqttError: the connection is gone, or the broker keeps silent.
        """
        answer = self.send(topic, payload, retain=retain)
        while not answer.done():
            await asyncio.wait([answer], timeout=self.patience_s)
            self.check_silence()
        return answer.result()

    @property
    def patience_s(self) -> float | None:
        """How long the broker may still keep silent, seconds; None while it owes no answer."""
        return max(0.0, self._heard_s + self.timeout - time.monotonic()) if self._answers else None

    def check_silence(self) -> None:
        """See that the broker still answers: each answer gives it as long for the next.

        Raises:
            aiomqtt.MqttError: it does not.
        """
        if self.patience_s == 0.0:
            raise aiomqtt.MqttError("Operation timed out")

    def _on_connect(self, client: Any, userdata: Any, flags: Any, reason_code: Any, properties: Any = None) -> None:
        self.receive_maximum = getattr(properties, "ReceiveMaximum", _RECEIVE_MAXIMUM)
        super()._on_connect(client, userdata, flags, reason_code, properties)

    def _on_disconnect(self, *arguments: Any) -> None:
        if not self._connected.done():
            self._connected.set_exception(aiomqtt.MqttError(self._last_error.text or "it hung up at once"))
            return
        super()._on_disconnect(*arguments)

    def _on_publish(self, client: Any, userdata: Any, mid: int, reason_code: Any, properties: Any = None) -> None:
        self._heard_s = time.monotonic()
        answer = self._answers.pop(mid, None)
        if answer is not None and not answer.done():
            answer.set_result(str(reason_code) if getattr(reason_code, "value", 0) >= FIRST_FAILURE else None)
        super()._on_publish(client, userdata, mid, reason_code, properties)


def without_closed_sockets(loop: asyncio.AbstractEventLoop, context: dict[str, Any]) -> None:
    """The loop's exception handler: as usual, but for a socket that was closed before the loop came to watch it.

    paho asks for a socket from the thread that connects, and the broker may hang up before the loop has its turn
    (`aiomqtt.Client._on_socket_register_write`). The end of the connection is told in its own way.
    """
    error = context.get("exception")
    closed = isinstance(error, OSError) and error.errno in (errno.EBADF, errno.ENOENT, errno.EPERM)
    if not closed and not (isinstance(error, ValueError) and "file descriptor" in str(error)):
        loop.default_exception_handler(context)
