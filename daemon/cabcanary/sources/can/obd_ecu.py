"""Questions to the engine's control unit, one at a time, and its answers: ISO-TP by can-isotp over a `Link`."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import isotp

from cabcanary.clock import NS_PER_S, Clock
from cabcanary.sources.can import obd_pids
from cabcanary.sources.can.link import ReadOnlyError
from cabcanary.sources.can.python_can import can

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from cabcanary.sources.can.link import Link

# ISO 15765-4: the control unit answers within P2 = 50 ms. The rest is for the adapter, whose serial buffering
# commonly holds bytes back for up to 16 ms each way (common practice); less loses good answers.
_ANSWER_S = 0.05 + 0.05
_PENDING_S = 5.0  # P2*, the window after "response pending" (ISO 15765-4, from memory)
_PENDING_LIMIT_S = 15.0  # a control unit that pleads for patience for ever is as good as silent
_LOOK_S = 0.25  # while it is waited for, who waits is told this often that it is still so
_N_BS_MS, _N_CR_MS = 75, 150  # ISO 15765-2 timers as ISO 15765-4 tightens them (from memory)
_DRAIN_LIMIT = 200  # frames; on a bus busier than we can read, the question goes out all the same

_ISOTP_PARAMS: dict[str, Any] = {
    "stmin": 0,  # the tester's flow control: everything at once, without pauses (ISO 15765-4)
    "blocksize": 0,
    "rx_flowcontrol_timeout": _N_BS_MS,
    "rx_consecutive_frame_timeout": _N_CR_MS,
    "tx_padding": 0x00,  # eight bytes always, the filling is free (ISO 15765-4)
    "max_frame_size": 256,
    "wait_func": lambda _seconds: None,  # only tried out, by the parameters' own check
}


class NoAnswerError(Exception):
    """The engine computer did not answer in time."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The data bytes of one PID, and the clock's time as its last frame arrived."""

    data: bytes
    time_ns: int


class Ecu:
    """Questions to the engine's control unit: functional requests, answers from one unit.

    11-bit: requests to 7DF, answers 7E8 to 7EF, flow control to 7E0 to 7E7; 29-bit: 18DB33F1, 18DAF1xx,
    18DAxxF1 (ISO 15765-4). 7E8 is the engine's; where it does not answer, the lowest that does is taken.
    """

    def __init__(self, link: Link, clock: Clock, *, extended: bool) -> None:
        self._link, self._clock, self._extended = link, clock, extended
        self._real = clock.for_wires()
        self._inbox: deque[isotp.CanMessage] = deque()
        self._layers: dict[int, isotp.TransportLayerLogic] = {}
        # Address of requests only; what it would receive is taken by the layer of the unit that answers.
        request, first = (0x18DB33F1, 0x18DAF110) if extended else (0x7DF, 0x7E8)
        self._asker = self._layer(request, first)
        #: The id that the engine's control unit answers from by the standard.
        self.first = first
        #: The id that it does answer from here, once it has been found.
        self.engine: int | None = None
        #: Called now and then while the engine's unit asks for patience, with the real seconds that it has done so.
        self.on_pending: Callable[[float], None] = lambda _seconds: None

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
        return self.ask_all((pid,))[pid]

    def ask_all(self, pids: Sequence[int]) -> dict[int, Answer]:
        """Ask for up to six PIDs in one request; the answer may hold only some of them, and never none.

        Raises:
            NoAnswerError, ObdError, LinkLostError, ReadOnlyError: as `ask`.
        """
        self._drain()
        self._request(bytes((obd_pids.SERVICE, *pids)))
        for _, payload, time_ns in self._payloads(_ANSWER_S):
            if payload[:1] == b"\x41" and payload[1:2] and payload[1] not in pids:
                continue  # the late answer to an earlier question
            answers = obd_pids.parse_response(payload, frozenset(pids))
            return {pid: Answer(data, time_ns) for pid, data in answers.items()}
        raise NoAnswerError

    def _drain(self) -> None:
        """Drop what came too late, so that it is not taken for the answer to the next question."""
        for _ in range(_DRAIN_LIMIT):
            if self._link.receive(0.0) is None:
                break
        for layer in self._layers.values():
            layer.stop_receiving()
            layer.clear_rx_queue()

    def _request(self, payload: bytes) -> None:
        """The one place that asks a vehicle for anything.

        Raises:
            ReadOnlyError: not a service 01 request of one frame.
        """
        if not 2 <= len(payload) <= 7 or payload[0] != obd_pids.SERVICE:
            raise ReadOnlyError(f"refused to request {payload.hex(' ')}: this program only reads")
        self._asker.send(payload)
        self._asker.process(do_rx=False)

    def _payloads(self, window_s: float) -> Iterator[tuple[int, bytes, int]]:
        """Whole answers as they come: who, what, when. Patience is extended where the protocol says so."""
        start = self._real.now_ns()
        deadline, limit = start + round(window_s * NS_PER_S), start + round(_PENDING_LIMIT_S * NS_PER_S)
        pending_since = 0
        while (left := self._real.real_until(min(deadline, limit))) > 0:
            if pending_since:
                self.on_pending((self._real.now_ns() - pending_since) / NS_PER_S)
            message = self._link.receive(min(left, _LOOK_S))
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
                    pending_since = pending_since or self._real.now_ns()
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
