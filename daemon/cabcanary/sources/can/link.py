"""The CAN adapter, kept at arm's length: read-only, listening first, and never a spin.

python-can drives the adapter. One that sends garbage makes it raise ValueError or IndexError, and an
unplugged one makes it return at once for ever, so every call goes through `Link`, which turns all of that
into `LinkLostError`.
"""

from __future__ import annotations

import termios
from contextlib import suppress
from enum import Enum
from typing import TYPE_CHECKING, Any, Protocol

from cabcanary.clock import NS_PER_S, Clock
from cabcanary.sources.can import obd_pids
from cabcanary.sources.can.python_can import can, filters_below, reopen, serial_port, set_serial_port
from cabcanary.sources.can.slcan_port import BUS_ERROR, ERROR_PASSIVE, BufferedPort

if TYPE_CHECKING:
    from collections.abc import Iterable

_SEND_S = 0.1  # an adapter that takes no bytes for that long is not working

# What reading or writing can raise when the device goes away under it.
_GONE = (can.CanError, OSError, termios.error, TypeError)
_GARBAGE = (ValueError, IndexError)
# Per second. A line cut short at opening is normal; more than a few is a wrong device or bit rate.
_GARBAGE_LIMIT = 20
# Per second, without a frame between them. Acknowledgements and pieces of lines cause some; a dead
# descriptor causes tens of thousands.
_FRUITLESS_LIMIT = 500
# Per second, without a frame between them: what a bus without a partner or at another bit rate gives by the
# thousand, and a disturbed one now and then.
_ERROR_LIMIT = 100
_BUS_OFF = 0x40  # class of a Linux error frame, linux/can/error.h
_BAD_FEW = 3  # a line cut short at opening, and another for good measure, are no contradiction
_FLAGS_S, _FLAGS_LOOK_S = 0.1, 0.02  # adapters answer within milliseconds; a serial buffer holds back up to 16 ms
_TICK_FRAMES = 32  # on a busy bus, the watcher's timers are looked at this often; 9 ms at 500 kbit/s
_FILTERS_MOST = 256  # half of what Linux takes for a socket (CAN_RAW_FILTER_MAX)

_OBD_FILTERS: dict[bool, dict[str, Any]] = {
    False: {"can_id": 0x7E8, "can_mask": 0x7F8, "extended": False},
    True: {"can_id": 0x18DAF100, "can_mask": 0x1FFFFF00, "extended": True},
}


class LinkLostError(Exception):
    """The adapter cannot be used any more and must be closed; the text says what was seen."""


class BusErrorsError(LinkLostError):
    """Errors on the bus and nothing else: usually it runs at another bit rate."""


class ReadOnlyError(RuntimeError):
    """Something was about to be sent that must not be. A bug, never the vehicle's doing."""


class Heard(Enum):
    """What a bus carries while nothing is sent."""

    FRAMES = "frames"
    ERRORS = "errors"
    NOTHING = "nothing"


class Watcher(Protocol):
    """Sees every good frame, whoever waits for whatever, and is called often enough to keep time."""

    def take(self, message: can.Message) -> None:
        """One data frame."""

    def tick(self) -> float:
        """Do what is due; returns in how many real seconds there is more."""


class _Nobody:
    def take(self, message: can.Message) -> None:
        pass

    def tick(self) -> float:
        return float("inf")


def is_read_only(data: bytes | bytearray) -> bool:
    """Whether a CAN frame is one that may be sent: a single-frame service 01 request, or flow control.

    ISO 15765-2: the first nibble is 0 for a single frame, with its length in the second; 3 for flow control.
    """
    if len(data) != 8:
        return False
    kind, length = data[0] >> 4, data[0] & 0x0F
    return kind == 3 or (kind == 0 and 2 <= length <= 7 and data[1] == obd_pids.SERVICE)


def _words(error: BaseException) -> BaseException:
    """python-can's own wording says little; the error under it names the device and the reason."""
    return error.__cause__ or error


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

    def __init__(self, bus: can.BusABC, name: str, clock: Clock | None = None, *, listen_only: bool = False) -> None:
        self._bus, self._name = bus, name
        self._real = (clock or Clock()).for_wires()
        self._garbage, self._fruitless, self._errors = (
            _Rate(_GARBAGE_LIMIT),
            _Rate(_FRUITLESS_LIMIT),
            _Rate(_ERROR_LIMIT),
        )
        #: Sees the frames; set by whoever owns the link.
        self.watcher: Watcher = _Nobody()
        #: Whether the adapter has sent anything at all, acknowledgements included.
        self.heard = False
        #: Good frames, and error frames or lines that are none, since the link was opened.
        self.frames = self.bad = 0
        self._listening = listen_only
        self._more = False  # the last look found a frame, so there may be another
        self._until_tick = _TICK_FRAMES
        port = serial_port(bus)
        self._port = None if port is None else BufferedPort(port, name, self._real)
        if self._port is not None:
            set_serial_port(bus, self._port)
        try:
            self._fd = bus.fileno()
        except (NotImplementedError, can.CanError):
            self._fd = -1  # then the bus does the waiting itself

    @classmethod
    def open(cls, interface: str, channel: str, bitrate: int, settle_s: float, clock: Clock | None = None) -> Link:
        """Open an adapter, listening only; `settle_s` is how long a serial one is left alone after opening its port.

        Where the interface cannot keep silent by itself (a Linux CAN socket: `ip link` decides that), `send`
        refuses just the same until `listen_only(False)`.

        Raises:
            LinkLostError: it cannot be opened.
        """
        options: dict[str, Any] = {"bitrate": bitrate}
        if interface == "slcan":
            options.update(sleep_after_open=settle_s, listen_only=True)
        try:
            bus = can.Bus(interface=interface, channel=channel, ignore_config=True, **options)
        except (*_GONE, *_GARBAGE, ImportError) as error:
            raise LinkLostError(f"cannot open the CAN adapter {channel}: {_words(error)}") from error
        link = cls(bus, channel, clock, listen_only=interface == "slcan")
        link.listen_only(True)
        return link

    @property
    def listening(self) -> bool:
        """Whether nothing can be sent now."""
        return self._listening

    def listen_only(self, on: bool) -> None:
        """Keep silent, acknowledgements included where the adapter can, or stop doing so.

        Raises:
            LinkLostError: the adapter takes no bytes.
        """
        if on == self._listening:
            return
        self._reopen(listen_only=on)

    def _reopen(self, *, listen_only: bool) -> None:
        try:
            if self._port is not None:
                reopen(self._bus, listen_only=listen_only)
            else:
                with suppress(NotImplementedError):
                    self._bus.state = can.BusState.PASSIVE if listen_only else can.BusState.ACTIVE
        except _GONE as error:
            raise LinkLostError(f"the CAN adapter {self._name} takes no bytes: {_words(error)}") from error
        self._listening = listen_only

    def want(self, keys: Iterable[tuple[int, bool]] | None, *, obd: bool | None) -> None:
        """Let the hardware or the kernel filter, where one of them does: these (id, extended), and OBD answers.

        `obd` is None for no OBD at all, else whether its ids are extended. None for `keys` lets everything through.
        """
        if not filters_below(self._bus):
            return
        filters: list[dict[str, Any]] | None = None
        if keys is not None:
            filters = [
                {"can_id": i, "can_mask": 0x1FFF_FFFF if extended else 0x7FF, "extended": extended}
                for i, extended in keys
            ]
            filters += [] if obd is None else [_OBD_FILTERS[obd]]
        if filters is not None and len(filters) > _FILTERS_MOST:
            filters = None
        with suppress(*_GONE, NotImplementedError):
            self._bus.set_filters(filters)  # type: ignore[arg-type]  # python-can's own typed dictionaries

    def close(self) -> None:
        """Let go of the device, also of a dead one: a held descriptor keeps its name from coming back."""
        with suppress(*_GONE, *_GARBAGE):
            self._bus.shutdown()
        if self._port is not None:  # shutdown() leaves it open when it raises
            with suppress(*_GONE):
                self._port.close()

    def send(self, message: can.Message) -> None:
        """Send one frame, if it is one that only reads.

        Raises:
            ReadOnlyError: it is not, or the link is only listening.
            LinkLostError: the adapter takes no bytes.
        """
        if self._listening:
            raise ReadOnlyError("refused to send anything: this bus is only listened to")
        if not is_read_only(message.data):
            raise ReadOnlyError(f"refused to send {message.data.hex(' ')}: this program only reads")
        try:
            self._bus.send(message, timeout=_SEND_S)
        except _GONE as error:
            raise LinkLostError(f"the CAN adapter {self._name} takes no bytes: {_words(error)}") from error

    def hears_errors(self) -> bool:
        """Ask the adapter, where it can say, whether it has seen errors on the bus; takes under 0.1 s.

        Nothing goes to the bus for this.

        Raises:
            LinkLostError: the adapter is gone.
        """
        bad = self.bad
        if self._port is not None:
            try:
                self._port.ask_flags()
            except _GONE as error:
                raise LinkLostError(f"the CAN adapter {self._name} takes no bytes: {_words(error)}") from error
            deadline = self._real.now_ns() + round(_FLAGS_S * NS_PER_S)
            while self._port.flags is None and (left := self._real.real_until(deadline)) > 0:
                self.receive(min(left, _FLAGS_LOOK_S))
            return bool((self._port.flags or 0) & (BUS_ERROR | ERROR_PASSIVE)) or self.bad > bad
        return self._bus.state is can.BusState.ERROR

    def listen(self, wait_s: float) -> Heard:
        """What the bus carries, sending nothing: at once on a good frame, else after `wait_s` real seconds.

        Raises:
            LinkLostError: the adapter is gone, or sends what cannot be read.
        """
        bad = self.bad
        deadline = self._real.now_ns() + round(wait_s * NS_PER_S)
        while (left := self._real.real_until(deadline)) > 0:
            message = self.receive(left)
            if message is not None and not message.is_error_frame:
                return Heard.FRAMES
        if self.bad - bad >= _BAD_FEW:
            return Heard.ERRORS
        if self._port is None or not self.hears_errors():
            return Heard.NOTHING
        # What the adapter remembers may be older than this opening of its channel: once more, from a fresh one.
        self._reopen(listen_only=True)
        self.run(_FLAGS_S)
        return Heard.ERRORS if self.hears_errors() else Heard.NOTHING

    def run(self, wait_s: float) -> None:
        """Let the watcher see what comes for `wait_s` real seconds.

        Raises:
            LinkLostError: the adapter went away.
        """
        deadline = self._real.now_ns() + round(wait_s * NS_PER_S)
        while (left := self._real.real_until(deadline)) > 0:
            self.receive(left)

    def receive(self, wait_s: float) -> can.Message | None:
        """The next frame, or None after `wait_s` real seconds.

        Raises:
            LinkLostError: the device is gone, or sends what cannot be read.
        """
        deadline = self._real.now_ns() + round(wait_s * NS_PER_S)
        while True:
            message = self._take(0.0) if self._more else None
            if message is None:
                self._more = False
                left = self._real.real_until(deadline)
                nap = min(left, max(0.0, self.watcher.tick()))
                if self._fd >= 0 and not self._readable(nap):
                    if left <= nap:
                        return None
                    continue
                message = self._take(0.0 if self._fd >= 0 else nap)
                if message is None and self._fd < 0 and self._real.real_until(deadline) <= 0:
                    return None  # with a descriptor, what has arrived is read to its end first
            if message is not None:
                self._note(message)
                return message

    def _readable(self, wait_s: float) -> bool:
        if self._port is not None and self._port.buffered:
            return True
        try:
            ready = self._real.readable(self._fd, wait_s)
        except (OSError, ValueError) as error:
            raise LinkLostError(f"the CAN adapter {self._name} is gone: {error}") from error
        self.heard = self.heard or ready
        return ready

    def _note(self, message: can.Message) -> None:
        self._more = True
        self._fruitless.clear()
        if message.is_error_frame:
            self._note_error(message)
            return
        self._errors.clear()
        self.frames += 1
        if not message.is_remote_frame:
            self.watcher.take(message)
        self._until_tick -= 1
        if self._until_tick <= 0:
            self._until_tick = _TICK_FRAMES
            self.watcher.tick()

    def _take(self, wait_s: float) -> can.Message | None:
        """One look at the bus. A line that is no frame counts as garbage, a look without one as fruitless."""
        message: can.Message | None = None
        started = 0 if not wait_s else self._real.now_ns()
        try:
            message = self._bus.recv(wait_s)
        except _GARBAGE:
            self._note_garbage()
        except _GONE as error:
            if not isinstance(error.__cause__, ValueError):  # text that is none, or a line that never ends
                raise LinkLostError(f"the CAN adapter {self._name} is gone: {_words(error)}") from error
            self._note_garbage()
            self._flush()
        if message is None:
            self._note_fruitless(started, wait_s)
        elif len(message.data) != message.dlc and not message.is_remote_frame:
            self._note_garbage()  # a line cut short
            message = None
        return message

    def _flush(self) -> None:
        """Drop what has arrived: slcan keeps bytes that it could not decode, and fails on them again."""
        flush = getattr(self._bus, "flush", None)
        if flush is not None:
            with suppress(*_GONE):
                flush()

    def _note_garbage(self) -> None:
        self.bad += 1
        if self._garbage.exceeded(self._real.now_ns()):
            raise LinkLostError(f"the CAN adapter {self._name} sends what cannot be read")

    def _note_fruitless(self, started_ns: int, wait_s: float) -> None:
        now = self._real.now_ns()
        if started_ns and now - started_ns >= round(wait_s * NS_PER_S) + NS_PER_S // 500:
            return  # it did wait
        if self._fruitless.exceeded(now):
            raise LinkLostError(f"the CAN adapter {self._name} reports data and gives none")

    def _note_error(self, message: can.Message) -> None:
        self.bad += 1
        if message.arbitration_id & _BUS_OFF:
            raise LinkLostError(f"the CAN adapter {self._name} has left the bus after too many errors (bus-off)")
        if self._errors.exceeded(self._real.now_ns()):
            raise BusErrorsError(f"the CAN adapter {self._name} reports nothing but bus errors")
