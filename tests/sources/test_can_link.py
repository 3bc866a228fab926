"""The link to an adapter: hardware filters, error frames, bus-off, and nothing sent while it only listens."""

from collections import deque

import can
import pytest

from cabcanary.clock import Clock
from cabcanary.sources.can.link import BusErrorsError, Heard, Link, LinkLostError, ReadOnlyError
from cabcanary.sources.can.slcan_port import BufferedPort

pytestmark = pytest.mark.waits


REQUEST = can.Message(arbitration_id=0x7DF, is_extended_id=False, data=bytes.fromhex("02010C0000000000"))
GOOD = can.Message(arbitration_id=0x201, is_extended_id=False, data=b"\x1a\xf8")


class FakeBus(can.BusABC):
    """A bus whose frames are given beforehand."""

    def __init__(self, frames=(), state=can.BusState.ACTIVE):
        self.frames, self.sent, self.now = deque(frames), [], state
        super().__init__("fake")

    def _recv_internal(self, timeout):
        if self.frames:
            return self.frames.popleft(), False
        if timeout:
            self._pause(timeout)
        return None, False

    def _pause(self, seconds):
        import threading

        threading.Event().wait(seconds)

    def send(self, msg, timeout=None):
        self.sent.append(msg)

    @property
    def state(self):
        return self.now

    @state.setter
    def state(self, state):
        self.now = state


class FilteringBus(FakeBus):
    """One whose kernel or hardware filters."""

    def _apply_filters(self, filters):
        self.applied = filters


@pytest.fixture
def link_to():
    links = []

    def make(bus, **options):
        links.append(Link(bus, "fake", **options))
        return links[-1]

    yield make
    for link in links:
        link.close()


def error(kind=0x04):
    # linux/can/error.h (from memory): 04h is a controller problem, 40h bus-off.
    return can.Message(arbitration_id=kind, is_error_frame=True, dlc=8, data=bytes(8))


def test_wanted_frames_and_obd_answers_are_filtered_by_the_kernel_where_it_can(link_to):
    bus = FilteringBus()
    link = link_to(bus)
    link.want([(0x201, False), (0x100, True)], obd=False)
    assert bus.applied == [
        {"can_id": 0x201, "can_mask": 0x7FF, "extended": False},
        {"can_id": 0x100, "can_mask": 0x1FFFFFFF, "extended": True},
        {"can_id": 0x7E8, "can_mask": 0x7F8, "extended": False},
    ]
    link.want([(0x201, False)], obd=None)
    assert len(bus.applied) == 1
    link.want([], obd=True)
    # ISO 15765-4 (from memory): 18DAF1xx.
    assert bus.applied == [{"can_id": 0x18DAF100, "can_mask": 0x1FFFFF00, "extended": True}]
    link.want(None, obd=False)
    assert bus.applied is None
    link.want([(n, False) for n in range(0x7E8)], obd=False)
    assert bus.applied is None  # more than a kernel takes


def test_where_nothing_filters_no_filter_slows_the_way_in(link_to):
    bus = FakeBus([GOOD])
    link = link_to(bus)
    link.want([(0x300, False)], obd=False)
    assert link.receive(0.0) is GOOD


def test_nothing_can_be_sent_while_only_listening(link_to):
    bus = FakeBus()
    link = link_to(bus)
    link.listen_only(True)
    assert bus.now is can.BusState.PASSIVE
    with pytest.raises(ReadOnlyError, match="only listened to"):
        link.send(REQUEST)
    assert bus.sent == []
    link.listen_only(False)
    link.send(REQUEST)
    assert bus.sent == [REQUEST]
    assert bus.now is can.BusState.ACTIVE


def test_a_good_frame_ends_the_listening_at_once_and_errors_without_one_contradict_the_rate(link_to):
    assert link_to(FakeBus([error(), GOOD])).listen(5.0) is Heard.FRAMES
    assert link_to(FakeBus([error()] * 5)).listen(0.05) is Heard.ERRORS
    assert link_to(FakeBus([])).listen(0.05) is Heard.NOTHING
    assert link_to(FakeBus([], can.BusState.ERROR)).hears_errors()


def test_bus_off_and_a_flood_of_errors_are_a_lost_link(link_to):
    with pytest.raises(LinkLostError, match="bus-off"):
        link_to(FakeBus([error(0x40)])).run(1.0)
    with pytest.raises(BusErrorsError, match="nothing but bus errors"):
        link_to(FakeBus([error()] * 200)).run(1.0)
    mixed = link_to(FakeBus([error(), GOOD] * 200))
    mixed.run(0.05)
    assert mixed.frames == 200


class Port:
    """The serial port under a buffered one."""

    def __init__(self, *pieces):
        self.pieces, self.written, self.write_timeout = deque(pieces), b"", None

    @property
    def in_waiting(self):
        return len(self.pieces[0]) if self.pieces else 0

    def read(self, size):
        return self.pieces.popleft() if self.pieces else b""

    def write(self, data):
        self.written += data

    def reset_input_buffer(self):
        self.pieces.clear()


def read_all(port):
    data = b""
    while piece := port.read(1):
        data += piece
    return data


@pytest.mark.parametrize("cut", range(1, 12))
def test_the_adapter_s_flags_are_seen_however_its_answer_is_cut(cut):
    text = b"t2011FF\rFA0\rz\r"
    port = BufferedPort(Port(text[:cut], text[cut:]), "fake", Clock())
    port.ask_flags()
    assert read_all(port) == text
    assert port.flags == 0xA0


def test_a_frame_that_looks_like_flags_is_none():
    port = BufferedPort(Port(b"t20122FFA0\rt2012", b"0F80\r"), "fake", Clock())
    port.ask_flags()
    read_all(port)
    assert port.flags is None


def test_bytes_that_never_end_a_line_are_an_error_and_do_not_pile_up():
    port = BufferedPort(Port(*[b"Z" * 100] * 4), "fake", Clock())
    assert len(port.read(100)) == 100
    assert len(port.read(100)) == 100
    with pytest.raises(ValueError, match="no line ends"):
        port.read(100)
    port.reset_input_buffer()
    assert port.buffered == 0
