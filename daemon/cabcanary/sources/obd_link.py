"""The CAN adapter, and one question at a time to the engine's control unit: read-only, and never a spin.

python-can drives the adapter, can-isotp the transport layer. Both are kept at arm's length: an adapter that
sends garbage makes the first raise ValueError or IndexError, and an unplugged one makes it return at once
for ever, so every call goes through `Link`, which turns all of that into `LinkLostError`.
"""

from __future__ import annotations

import select
import termios
from collections import deque
from contextlib import suppress
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import can
import isotp

from cabcanary.clock import NS_PER_S, Clock
from cabcanary.sources import obd_pids

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

# ISO 15765-4: the control unit answers within P2 = 50 ms. The rest is for the adapter, whose serial buffering
# commonly holds bytes back for up to 16 ms each way (common practice); less loses good answers.
_ANSWER_S = 0.05 + 0.05
_PENDING_S = 5.0  # P2*, the window after "response pending" (ISO 15765-4, from memory)
_PENDING_LIMIT_S = 15.0  # a control unit that pleads for patience for ever is as good as silent
_N_BS_MS, _N_CR_MS = 75, 150  # ISO 15765-2 timers as ISO 15765-4 tightens them (from memory)
_DRAIN_LIMIT = 200  # frames; on a bus busier than we can read, the question goes out all the same
_SEND_S = 0.1  # an adapter that takes no bytes for that long is not working

# What reading or writing can raise when the device goes away under it.
_GONE = (can.CanError, OSError, termios.error, TypeError)
_GARBAGE = (ValueError, IndexError)
# Per second. A line cut short at opening is normal; more than a few is a wrong device or bit rate.
_GARBAGE_LIMIT = 20
# Per second, without a frame between them. Acknowledgements and pieces of lines cause some; a dead
# descriptor causes tens of thousands.
_FRUITLESS_LIMIT = 500

_ISOTP_PARAMS: dict[str, Any] = {
    "stmin": 0,  # the tester's flow control: everything at once, without pauses (ISO 15765-4)
    "blocksize": 0,
    "rx_flowcontrol_timeout": _N_BS_MS,
    "rx_consecutive_frame_timeout": _N_CR_MS,
    "tx_padding": 0x00,  # eight bytes always, the filling is free (ISO 15765-4)
    "max_frame_size": 256,
    "wait_func": lambda _seconds: None,  # only tried out, by the parameters' own check
}


def _words(error: BaseException) -> BaseException:
    """python-can's own wording says little; the error under it names the device and the reason."""
    return error.__cause__ or error


class LinkLostError(Exception):
    """The adapter cannot be used any more and must be closed; the text says what was seen."""


class ReadOnlyError(RuntimeError):
    """Something other than a service 01 request was about to be sent. A bug, never the vehicle's doing."""


class NoAnswerError(Exception):
    """The engine computer did not answer in time."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The data bytes of one PID, and the clock's time as its last frame arrived."""

    data: bytes
    time_ns: int


def is_read_only(data: bytes | bytearray) -> bool:
    """Whether a CAN frame is one that may be sent: a single-frame service 01 request, or flow control.

    ISO 15765-2: the first nibble is 0 for a single frame, with its length in the second; 3 for flow control.
    """
    if len(data) != 8:
        return False
    kind, length = data[0] >> 4, data[0] & 0x0F
    return kind == 3 or (kind == 0 and 2 <= length <= 7 and data[1] == obd_pids.SERVICE)


class _Rate:
    """Counts things within the current second, in real time."""

    def __init__(self, limit: int) -> None:
        self._limit, self._count, self._since = limit, 0, 0

    def exceeded(self, now_ns: int) -> bool:
        """One more; whether that is too many."""
        if now_ns - self._since > NS_PER_S:
            self._count, self._since = 0, now_ns
        self._count += 1
        return self._count > self._limit

    def clear(self) -> None:
        """Start counting again."""
        self._count = 0


class Link:
    """An open bus. Every failure is a `LinkLostError`; a wait is a wait, whatever the device does."""

    def __init__(self, bus: can.BusABC, name: str) -> None:
        self._bus, self._name = bus, name
        self._real = Clock()
        self._garbage, self._fruitless = _Rate(_GARBAGE_LIMIT), _Rate(_FRUITLESS_LIMIT)
        #: Whether the adapter has sent anything at all, acknowledgements included.
        self.heard = False
        try:
            self._fd = bus.fileno()
        except (NotImplementedError, can.CanError):
            self._fd = -1  # then the bus does the waiting itself

    @classmethod
    def open(cls, interface: str, channel: str, bitrate: int, settle_s: float) -> Link:
        """Open an adapter; `settle_s` is how long a serial one is left alone after its port is opened.

        Raises:
            LinkLostError: it cannot be opened.
        """
        options: dict[str, Any] = {"bitrate": bitrate}
        if interface == "slcan":
            options["sleep_after_open"] = settle_s
        try:
            bus = can.Bus(interface=interface, channel=channel, ignore_config=True, **options)
        except (*_GONE, *_GARBAGE, ImportError) as error:
            raise LinkLostError(f"cannot open the CAN adapter {channel}: {_words(error)}") from error
        return cls(bus, channel)

    def close(self) -> None:
        """Let go of the device, also of a dead one: a held descriptor keeps its name from coming back."""
        with suppress(*_GONE, *_GARBAGE):
            self._bus.shutdown()
        port = getattr(self._bus, "serialPortOrig", None)  # shutdown() leaves it open when it raises
        if port is not None:
            with suppress(*_GONE):
                port.close()

    def send(self, message: can.Message) -> None:
        """Send one frame, if it is one that only reads.

        Raises:
            ReadOnlyError: it is not.
            LinkLostError: the adapter takes no bytes.
        """
        if not is_read_only(message.data):
            raise ReadOnlyError(f"refused to send {message.data.hex(' ')}: this program only reads")
        try:
            self._bus.send(message, timeout=_SEND_S)
        except _GONE as error:
            raise LinkLostError(f"the CAN adapter {self._name} takes no bytes: {_words(error)}") from error

    def receive(self, wait_s: float) -> can.Message | None:
        """The next frame, or None after `wait_s` real seconds.

        Raises:
            LinkLostError: the device is gone, or sends what cannot be read.
        """
        deadline = self._real.now_ns() + round(wait_s * NS_PER_S)
        while True:
            left = max(0.0, self._real.real_until(deadline))
            if self._fd >= 0 and not self._readable(left):
                return None
            message = self._take(0.0 if self._fd >= 0 else left)
            if message is not None:
                self._fruitless.clear()
                return message
            if left <= 0 and self._fd < 0:
                return None  # with a descriptor, what has arrived is read to its end first

    def _readable(self, wait_s: float) -> bool:
        try:
            ready, _, _ = select.select([self._fd], [], [], wait_s)
        except (OSError, ValueError) as error:
            raise LinkLostError(f"the CAN adapter {self._name} is gone: {error}") from error
        self.heard = self.heard or bool(ready)
        return bool(ready)

    def _take(self, wait_s: float) -> can.Message | None:
        """One look at the bus. A line that is no frame counts as garbage, a look without one as fruitless."""
        started = self._real.now_ns()
        message: can.Message | None = None
        try:
            message = self._bus.recv(wait_s)
        except _GARBAGE:
            self._note_garbage(started)
        except _GONE as error:
            if not isinstance(error.__cause__, UnicodeDecodeError):
                raise LinkLostError(f"the CAN adapter {self._name} is gone: {_words(error)}") from error
            self._note_garbage(started)
            self._flush()
        if message is not None and len(message.data) != message.dlc and not message.is_remote_frame:
            self._note_garbage(started)  # a line cut short
            message = None
        if message is None and self._real.now_ns() - started < round(wait_s * NS_PER_S) + NS_PER_S // 500:
            self._note_fruitless(started)
        return message

    def _flush(self) -> None:
        """Drop what has arrived: slcan keeps bytes that it could not decode, and fails on them again."""
        flush = getattr(self._bus, "flush", None)
        if flush is not None:
            with suppress(*_GONE):
                flush()

    def _note_garbage(self, now_ns: int) -> None:
        if self._garbage.exceeded(now_ns):
            raise LinkLostError(f"the CAN adapter {self._name} sends what cannot be read")

    def _note_fruitless(self, now_ns: int) -> None:
        if self._fruitless.exceeded(now_ns):
            raise LinkLostError(f"the CAN adapter {self._name} reports data and gives none")


class Ecu:
    """Questions to the engine's control unit: functional requests, answers from one unit.

    11-bit: requests to 7DF, answers 7E8 to 7EF, flow control to 7E0 to 7E7; 29-bit: 18DB33F1, 18DAF1xx,
    18DAxxF1 (ISO 15765-4). 7E8 is the engine's; where it does not answer, the lowest that does is taken.
    """

    def __init__(self, link: Link, clock: Clock, *, extended: bool) -> None:
        self._link, self._clock, self._extended = link, clock, extended
        self._real = Clock()
        self._inbox: deque[isotp.CanMessage] = deque()
        self._layers: dict[int, isotp.TransportLayerLogic] = {}
        # Address of requests only; what it would receive is taken by the layer of the unit that answers.
        request, first = (0x18DB33F1, 0x18DAF110) if extended else (0x7DF, 0x7E8)
        self._asker = self._layer(request, first)
        #: The id that the engine's control unit answers from by the standard.
        self.first = first
        #: The id that it does answer from here, once it has been found.
        self.engine: int | None = None

    def find(self) -> frozenset[int]:
        """Find the engine's control unit by the first bitmap of supported PIDs, and read that.

        Raises:
            NoAnswerError, ObdError, LinkLostError.
        """
        self.engine = None
        self._drain()
        self._request(bytes((obd_pids.SERVICE, 0x00)))
        found: dict[int, frozenset[int]] = {}
        failed: obd_pids.ObdError | None = None
        for source, payload, _ in self._payloads(_ANSWER_S):
            try:
                bitmap = obd_pids.supported(0x00, obd_pids.parse_response(payload, {0x00})[0x00])
            except obd_pids.ObdError as error:
                failed = error
                continue
            found[source] = bitmap
            if source == self.first:
                break
        if not found:
            raise failed or NoAnswerError
        self.engine = min(found)
        return found[self.engine]

    def ask(self, pid: int) -> Answer:
        """Ask for one PID and wait for its answer, also through "response pending".

        Raises:
            NoAnswerError: none came in time.
            ObdError: it refused, or answered nonsense.
            LinkLostError, ReadOnlyError.
        """
        self._drain()
        self._request(bytes((obd_pids.SERVICE, pid)))
        for _, payload, time_ns in self._payloads(_ANSWER_S):
            if payload[:1] == b"\x41" and payload[1:2] != bytes((pid,)):
                continue  # the late answer to an earlier question
            return Answer(obd_pids.parse_response(payload, {pid})[pid], time_ns)
        raise NoAnswerError

    def _drain(self) -> None:
        """Drop what came too late, so that it is not taken for the answer to the next question."""
        for _ in range(_DRAIN_LIMIT):
            if self._link.receive(0.0) is None:
                break
        for layer in self._layers.values():
            layer.stop_receiving()
            layer.clear_rx_queue()

    def idle(self, wait_s: float) -> None:
        """Wait, and keep the adapter's buffer empty meanwhile.

        Raises:
            LinkLostError: the adapter went away.
        """
        deadline = self._real.now_ns() + round(wait_s * NS_PER_S)
        while (left := self._real.real_until(deadline)) > 0:
            self._link.receive(left)

    def _request(self, payload: bytes) -> None:
        """The one place that asks a vehicle for anything.

        Raises:
            ReadOnlyError: not a service 01 request.
        """
        if len(payload) < 2 or payload[0] != obd_pids.SERVICE:
            raise ReadOnlyError(f"refused to request {payload.hex(' ')}: this program only reads")
        self._asker.send(payload)
        self._asker.process(do_rx=False)

    def _payloads(self, window_s: float) -> Iterator[tuple[int, bytes, int]]:
        """Whole answers as they come: who, what, when. Patience is extended where the protocol says so."""
        start = self._real.now_ns()
        deadline, limit = start + round(window_s * NS_PER_S), start + round(_PENDING_LIMIT_S * NS_PER_S)
        while (left := self._real.real_until(min(deadline, limit))) > 0:
            message = self._link.receive(left)
            if message is None or not self._is_answer(message):
                continue
            time_ns = self._clock.now_ns()
            source = message.arbitration_id
            layer, payload = self._feed(message)
            if payload is None:
                if layer.is_rx_active():
                    deadline = max(deadline, self._real.now_ns() + _N_CR_MS * NS_PER_S // 1000)
            elif _is_pending(payload):
                if source == (self.engine or source):
                    deadline = self._real.now_ns() + round(_PENDING_S * NS_PER_S)
            else:
                yield source, payload, time_ns

    def _is_answer(self, message: can.Message) -> bool:
        """A frame of eight bytes, as ISO 15765-4 wants them all, from an id that answers to a tester."""
        if message.is_remote_frame or message.is_error_frame or message.dlc != 8:
            return False
        if message.is_extended_id is not self._extended:
            return False
        source = message.arbitration_id
        if self.engine is not None:
            return source == self.engine
        return source & ~0xFF == 0x18DAF100 if self._extended else 0x7E8 <= source <= 0x7EF

    def _feed(self, message: can.Message) -> tuple[isotp.TransportLayerLogic, bytes | None]:
        source = message.arbitration_id
        layer = self._layers.get(source)
        if layer is None:
            # Flow control goes to the unit itself, not to all.
            target = 0x18DA00F1 | (source & 0xFF) << 8 if self._extended else source - 8
            layer = self._layers[source] = self._layer(target, source)
        self._inbox.append(isotp.CanMessage(source, message.dlc, bytes(message.data), extended_id=self._extended))
        layer.process(rx_timeout=0.0)
        payload = layer.recv()
        return layer, None if payload is None else bytes(payload)

    def _layer(self, target: int, source: int) -> isotp.TransportLayerLogic:
        mode = isotp.AddressingMode.Normal_29bits if self._extended else isotp.AddressingMode.Normal_11bits
        receive: Callable[[float], isotp.CanMessage | None] = lambda _wait: (  # noqa: E731
            self._inbox.popleft() if self._inbox else None
        )
        return isotp.TransportLayerLogic(
            receive, self._transmit, isotp.Address(mode, txid=target, rxid=source), params=_ISOTP_PARAMS
        )

    def _transmit(self, frame: isotp.CanMessage) -> None:
        self._link.send(
            can.Message(arbitration_id=frame.arbitration_id, data=frame.data, is_extended_id=frame.is_extended_id)
        )


def _is_pending(payload: bytes) -> bool:
    return payload == bytes((0x7F, obd_pids.SERVICE, obd_pids.PENDING))
