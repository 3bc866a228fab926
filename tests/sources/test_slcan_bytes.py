"""The bytes between us and an adapter, and between us and a control unit, as the two libraries make them.

slcan has no standard: the bytes are those of the ASCII protocol as python-can 4.6 speaks it, seen on a
looped-back serial port. ISO-TP vectors follow ISO 15765-2's frame types (from memory).
"""

from collections import deque

import can
import isotp
import pytest

from cabcanary.sources.can.link import Link, LinkLostError, is_read_only
from cabcanary.sources.can.obd_ecu import _ISOTP_PARAMS


@pytest.fixture
def bus():
    opened = can.Bus(interface="slcan", channel="loop://", bitrate=500000, sleep_after_open=0, ignore_config=True)
    yield opened
    opened.shutdown()


def written(bus):
    return bus.serialPortOrig.read(bus.serialPortOrig.in_waiting)


def test_opening_at_500_kbit_per_s_closes_sets_the_rate_and_opens(bus):
    assert written(bus) == b"C\rS6\r\rO\rO\r"


@pytest.mark.parametrize(
    ("message", "line"),
    [
        (
            can.Message(arbitration_id=0x7DF, is_extended_id=False, data=bytes.fromhex("02010C0000000000")),
            b"t7DF802010C0000000000\r",
        ),
        (
            can.Message(arbitration_id=0x18DB33F1, is_extended_id=True, data=bytes.fromhex("02010C")),
            b"T18DB33F1302010C\r",
        ),
        (
            can.Message(arbitration_id=0x7DF, is_extended_id=False, is_remote_frame=True, dlc=8),
            b"r7DF8\r",
        ),
    ],
)
def test_a_frame_becomes_its_line(bus, message, line):
    written(bus)
    bus.send(message)
    assert written(bus) == line


@pytest.mark.parametrize("stamp", [b"", b"1A2B"])
def test_a_line_becomes_its_frame_and_an_adapters_time_stamp_is_left_aside(bus, stamp):
    written(bus)
    bus.serialPortOrig.write(b"\rz\rZ\rt7E8804410C1AF8AAAAAA" + stamp + b"\r")
    message = Link(bus, "loop").receive(1.0)
    assert message is not None
    assert message.arbitration_id == 0x7E8
    assert not message.is_extended_id
    assert bytes(message.data) == bytes.fromhex("04410C1AF8AAAAAA")


@pytest.mark.parametrize("cut", range(6, 21))
def test_a_line_cut_short_is_no_frame_however_much_of_it_is_left(bus, cut):
    written(bus)
    bus.serialPortOrig.write(b"t7E8804410C1AF8AAAAAA"[:cut] + b"\rt7E8803410D5000000000\r")
    message = Link(bus, "loop").receive(1.0)
    assert message is not None
    assert bytes(message.data) == bytes.fromhex("03410D5000000000")


class SpinningBus(can.BusABC):
    """What an unplugged device can be like: it returns at once, for ever, with nothing."""

    def __init__(self):
        self.looks = 0
        super().__init__("spin")

    def recv(self, timeout=None):
        self.looks += 1

    def send(self, msg, timeout=None):
        pass


def test_a_device_that_returns_at_once_with_nothing_is_lost_after_few_looks():
    bus = SpinningBus()
    link = Link(bus, "spin")
    with pytest.raises(LinkLostError, match="gives none"):
        link.receive(5.0)
    assert bus.looks < 1000
    link.close()


# --- ISO-TP ------------------------------------------------------------------------------------------


class Layers:
    """A tester and a control unit, 7E0 and 7E8, with our parameters; `frames` is what went between them."""

    def __init__(self):
        self.frames = []
        to_unit, to_tester = deque(), deque()
        self.tester = self._layer(0x7E0, 0x7E8, to_unit, to_tester)
        self.unit = self._layer(0x7E8, 0x7E0, to_tester, to_unit)

    def _layer(self, target, source, out, into):
        def transmit(frame):
            self.frames.append((frame.arbitration_id, bytes(frame.data).hex().upper()))
            out.append(frame)

        def receive(_wait):
            return into.popleft() if into else None

        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=target, rxid=source)
        return isotp.TransportLayerLogic(receive, transmit, address, params=_ISOTP_PARAMS)

    def run(self):
        for _ in range(10):
            self.unit.process()
            self.tester.process()


def test_a_short_answer_is_one_frame_of_eight_bytes():
    layers = Layers()
    layers.unit.send(bytes.fromhex("410C1AF8"))
    layers.run()
    assert layers.frames == [(0x7E8, "04410C1AF8000000")]
    assert layers.tester.recv() == bytes.fromhex("410C1AF8")


def test_a_long_answer_is_asked_on_with_block_size_and_separation_time_zero():
    layers = Layers()
    payload = bytes.fromhex("490201") + b"1" + b"X" * 16  # twenty bytes
    layers.unit.send(payload)
    layers.run()
    assert layers.frames == [
        (0x7E8, "1014490201315858"),  # first frame, length 014h
        (0x7E0, "3000000000000000"),  # flow control: continue, no block limit, no pause
        (0x7E8, "2158585858585858"),
        (0x7E8, "2258585858585858"),
    ]
    assert layers.tester.recv() == payload


@pytest.mark.parametrize(
    ("frame", "allowed"),
    [
        ("02010C0000000000", True),
        ("0201000000000000", True),
        ("07010C0D0E0F1011", True),  # up to six PIDs share a request
        ("3000000000000000", True),
        ("0104000000000000", False),  # clear codes
        ("0204000000000000", False),
        ("02010C", False),  # not eight bytes
        ("0101000000000000", False),  # no PID
        ("1009010C00000000", False),  # a first frame: what follows is unknown
        ("2101000000000000", False),
        ("0801000000000000", False),
    ],
)
def test_only_reading_requests_and_flow_control_pass_the_gate(frame, allowed):
    assert is_read_only(bytes.fromhex(frame)) is allowed
