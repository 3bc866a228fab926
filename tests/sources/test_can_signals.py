"""Numbers in broadcast frames: bits to values, by hand and by cantools, and how often they are told."""

import struct
from types import SimpleNamespace

import pytest
from cantools.database.can import Message, Signal
from cantools.database.conversion import BaseConversion
from hypothesis import assume, given
from hypothesis import strategies as st

from cabcanary.clock import NS_PER_S
from cabcanary.sources.can.broadcast import Broadcast, is_diagnostic
from cabcanary.sources.can.can_settings import CanSignal
from cabcanary.sources.can.can_signals import Bits, SignalError, SignalTable, by_hand
from cabcanary.sources.can.can_signals import Signal as Ours

RPM = {"id": 0x201, "start": 7, "length": 16, "byte_order": "big", "scale": 0.25, "invalid": [0xFFFF]}


def one(raw, data):
    """The only signal of a frame: value and reason."""
    ((_, value, reason),) = SignalTable([by_hand("it", raw)]).decode(
        raw["id"], raw.get("extended", False), bytes.fromhex(data)
    )
    return value, reason


# Worked by hand from the bit numbering of DBC files (from memory): bit 0 is the lowest of the first byte.
@pytest.mark.parametrize(
    ("layout", "data", "value"),
    [
        ({"start": 7, "length": 16, "byte_order": "big", "scale": 0.25}, "1AF8000000000000", 1726.0),  # 6904 / 4
        ({"start": 0, "length": 16, "byte_order": "little", "scale": 0.25}, "F81A000000000000", 1726.0),
        ({"start": 31, "length": 8, "byte_order": "big", "offset": -40}, "0000004B00000000", 35),  # 75 - 40
        ({"start": 24, "length": 8, "byte_order": "little", "offset": -40}, "0000004B00000000", 35),
        # The two lowest bits of the first byte and all of the second: 380 tenths, less 30.
        ({"start": 1, "length": 10, "byte_order": "big", "scale": 0.1, "offset": -30}, "FD7C", 8.0),
        ({"start": 4, "length": 12, "byte_order": "little"}, "5034", 0x345),  # a nibble, then a byte above it
        ({"start": 3, "length": 12, "byte_order": "big"}, "F345", 0x345),
        ({"start": 0, "length": 8, "byte_order": "little", "signed": True}, "FF", -1),
        ({"start": 7, "length": 16, "byte_order": "big", "signed": True}, "8000", -32768),
        ({"start": 5, "length": 1, "byte_order": "little"}, "20", 1),
        ({"start": 5, "length": 1, "byte_order": "big"}, "20", 1),
        ({"start": 0, "length": 64, "byte_order": "little"}, "0100000000000080", 2**63 + 1),
    ],
)
def test_bits_mean_what_their_place_says(layout, data, value):
    got, reason = one({"id": 0x100, **layout}, data)
    assert got == pytest.approx(value)
    assert reason == ""


def test_a_raw_number_that_means_no_value_gives_none_and_says_so():
    assert one(RPM, "FFFF000000000000") == (None, "the raw number 65535 means no value")
    minus_one = {"id": 1, "start": 0, "length": 8, "byte_order": "little", "signed": True, "invalid": [-1]}
    assert one(minus_one, "FF") == (None, "the raw number -1 means no value")
    assert one({**minus_one, "invalid": [255]}, "FF")[0] is None
    assert one(minus_one, "FE") == (-2, "")


def test_a_frame_too_short_for_a_signal_gives_no_value_and_says_so():
    assert one(RPM, "1A") == (None, "frame 201 is 1 bytes long, and this needs 2")
    assert one({**RPM, "start": 55}, "00000000000000") == (None, "frame 201 is 7 bytes long, and this needs 8")
    assert one(RPM, "") == (None, "frame 201 is 0 bytes long, and this needs 2")


def test_the_same_number_is_another_frame_when_it_has_29_bits():
    byte = {"start": 0, "length": 8, "byte_order": "little"}
    table = SignalTable(
        [by_hand("short", {"id": 0x100, **byte}), by_hand("long", {"id": 0x100, "extended": True, **byte})]
    )
    assert table.decode(0x100, False, b"\x05") == [("short", 5, "")]
    assert table.decode(0x100, True, b"\x06") == [("long", 6, "")]
    assert table.decode(0x101, False, b"\x07") == []
    assert sorted(table.frames) == [(0x100, False), (0x100, True)]


def test_one_frame_may_carry_several_signals():
    low = {"id": 0x201, "start": 32, "length": 8, "byte_order": "little"}
    table = SignalTable([by_hand("rpm", RPM), by_hand("low", low)])
    assert table.decode(0x201, False, bytes.fromhex("1AF800000A")) == [("rpm", 1726.0, ""), ("low", 10, "")]
    assert [d.value for d in table.decode(0x201, False, bytes.fromhex("1AF8"))] == [1726.0, None]


@pytest.mark.parametrize(
    "change",
    [
        {"length": 0},
        {"length": 65},
        {"byte_order": "middle"},
        {"start": -1},
        {"start": 600},
        {"scale": 0},
        {"id": None},
    ],
)
def test_what_is_no_signal_is_refused(change):
    with pytest.raises(SignalError, match="it:"):
        by_hand("it", {**RPM, **change})


def test_the_settings_of_a_signal_are_what_the_reader_takes():
    spec = CanSignal(id=0x407, start=1, length=10, byte_order="big", scale=0.1, offset=-30, unit="psi", invalid=[1023])
    signal = by_hand("boost", spec.model_dump())
    assert signal.decode(bytes.fromhex("017C")).value == pytest.approx(8.0)
    assert signal.decode(bytes.fromhex("03FF")).value is None


# --- random layouts ----------------------------------------------------------------------------------


@st.composite
def layouts(draw):
    """A signal that fits into eight bytes."""
    big = draw(st.booleans())
    length = draw(st.integers(1, 64))
    first = draw(st.integers(0, 64 - length))
    return {
        "id": 0x123,
        "start": first // 8 * 8 + 7 - first % 8 if big else first,
        "length": length,
        "byte_order": "big" if big else "little",
        "signed": draw(st.booleans()),
        "scale": draw(st.sampled_from([1, 0.25, 0.1, 2, -0.5, 0.01])),
        "offset": draw(st.sampled_from([0, -40, 100, 0.5])),
    }


@given(layouts(), st.binary(min_size=8, max_size=8))
def test_a_signal_by_hand_is_what_cantools_decodes(raw, data):
    theirs = Message(
        0x123, "M", 8,
        [
            Signal(
                "it", raw["start"], raw["length"],
                "big_endian" if raw["byte_order"] == "big" else "little_endian",
                raw["signed"], conversion=BaseConversion.factory(raw["scale"], raw["offset"]),
            )
        ],
    )  # fmt: skip
    decoded = by_hand("it", raw).decode(data)
    assert decoded.value == pytest.approx(theirs.decode(data)["it"], rel=1e-12)


@given(layouts(), st.lists(st.integers(-(2**63), 2**64), max_size=4), st.binary(max_size=64))
def test_any_frame_gives_a_value_within_the_raw_range_or_a_reason(raw, invalid, data):
    decoded = by_hand("it", {**raw, "invalid": invalid}).decode(data)
    assert (decoded.value is None) == bool(decoded.reason)
    if decoded.value is None:
        return
    n = raw["length"]
    ends = (-(2 ** (n - 1)), 2 ** (n - 1) - 1) if raw["signed"] else (0, 2**n - 1)
    low, high = sorted(end * raw["scale"] + raw["offset"] for end in ends)
    assert low <= decoded.value <= high
    assert 8 * len(data) >= n


@given(st.sampled_from([(16, "<e"), (32, "<f"), (64, "<d")]), st.binary(min_size=8, max_size=8))
def test_a_floating_point_signal_is_a_finite_number_or_a_reason(kind, data):
    bits, form = kind
    signal = Ours("it", 1, False, Bits(0, bits, False), is_float=True, low=-1000.0, high=1000.0)
    decoded = signal.decode(data)
    (number,) = struct.unpack(form, data[: bits // 8])
    if -1000 <= number <= 1000:
        assert decoded == ("it", number, "")
    else:
        assert decoded.value is None
        assert decoded.reason


@given(st.integers(0, 255), st.integers(0, 255), st.integers(0, 255))
def test_a_value_outside_the_described_range_is_none(low, high, raw):
    assume(low < high)
    signal = Ours("it", 1, False, Bits(0, 8, False), low=low, high=high)
    assert (signal.decode(bytes([raw])).value is not None) == (low <= raw <= high)


# --- how often --------------------------------------------------------------------------------------


class Hand:
    """A clock turned by hand, and an ear for what is told."""

    speed = 1.0

    def __init__(self):
        self.ns = 50 * NS_PER_S
        self.told = []

    def now_ns(self):
        return self.ns

    def real_until(self, ns):
        return max(0.0, (ns - self.ns) / NS_PER_S)

    def value(self, time_ns, item, value):
        self.told.append((self.ns, item, value))

    def missing(self, time_ns, items, why):
        self.told += [(self.ns, item, why) for item in items]

    def counts(self, counts):
        self.counted = counts


def frame(can_id, data, extended=False):
    return SimpleNamespace(arbitration_id=can_id, is_extended_id=extended, data=data)


BYTE = {"id": 0x10, "start": 0, "length": 8, "byte_order": "little"}


def test_a_flooded_signal_is_told_at_100_hz_its_newest_last_and_the_rest_is_counted():
    hand = Hand()
    watch = Broadcast(SignalTable([by_hand("it", BYTE)]), hand, hand)
    for n in range(3700):  # one second of a saturated bus
        watch.take(frame(0x10, bytes([n % 251])))
        hand.ns += NS_PER_S // 3700
        watch.tick()
    hand.ns += NS_PER_S // 100
    watch.tick()
    assert 99 <= len(hand.told) <= 102
    assert hand.told[-1][2] == 3699 % 251
    assert watch.told + watch.thinned == watch.frames == 3700


def test_a_frame_sent_every_10_ms_is_not_thinned_out_for_its_jitter():
    hand = Hand()
    watch = Broadcast(SignalTable([by_hand("it", BYTE)]), hand, hand)
    start = hand.ns
    for n in range(200):
        hand.ns = start + n * NS_PER_S // 100 + (-1) ** n * NS_PER_S // 1000
        watch.tick()
        watch.take(frame(0x10, bytes([n])))
    assert [told[2] for told in hand.told] == list(range(200))
    assert watch.thinned == 0


def test_the_last_of_two_frames_in_a_row_is_told_without_waiting_for_a_third():
    hand = Hand()
    watch = Broadcast(SignalTable([by_hand("it", BYTE)]), hand, hand)
    watch.take(frame(0x10, b"\x01"))
    watch.take(frame(0x10, b"\x02"))
    assert [told[2] for told in hand.told] == [1]
    assert 0 < watch.tick() <= 0.01
    hand.ns += NS_PER_S // 100
    assert watch.tick() == float("inf")
    assert [told[2] for told in hand.told] == [1, 2]


def test_a_signal_whose_frame_never_comes_is_said_to_be_missing_once():
    hand = Hand()
    watch = Broadcast(SignalTable([by_hand("it", BYTE), by_hand("rpm", RPM)]), hand, hand)
    watch.take(frame(0x10, b"\x01"))
    for _ in range(100):
        hand.ns += NS_PER_S // 10
        watch.tick()
    assert [told[1:] for told in hand.told] == [("it", 1), ("rpm", "frame 201 has not been seen on this bus")]
    assert hand.counted == {"frames": 1, "told": 1, "thinned": 0}


def test_answers_to_a_tester_are_no_sign_that_a_vehicle_is_awake():
    # ISO 15765-4 (from memory): 7DF, 7E0 to 7EF; 18DAxxxx, 18DBxxxx.
    assert is_diagnostic(0x7E8, False)
    assert is_diagnostic(0x18DAF110, True)
    assert not is_diagnostic(0x7E8, True)
    assert not is_diagnostic(0x201, False)
    hand = Hand()
    watch = Broadcast(SignalTable([]), hand, hand)
    watch.take(frame(0x7E8, b""))
    assert not watch.heard_traffic()
    watch.take(frame(0x123, b""))
    assert watch.heard_traffic()
    assert not watch.heard_traffic()
