"""Binary frames: whole frames out of any cuts of the stream, and nothing out of noise."""

import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.model import Quality
from cabcanary.sources.serial.binary_frame import ChecksumError, FrameParser, checksum
from cabcanary.sources.serial.serial_settings import SerialBinarySource

# Check values for "123456789" of the RevEng CRC catalogue; sums and the exclusive or by arithmetic (477 = 0x1DD).
CHECKS = [
    ("CRC-16/MODBUS", 0x4B37),
    ("CRC-16/XMODEM", 0x31C3),
    ("CRC-16/KERMIT", 0x2189),
    ("CRC-8/SMBUS", 0xF4),
    ("CRC-8/MAXIM-DOW", 0xA1),
    ("CRC-32/ISO-HDLC", 0xCBF43926),
    ("CRC-32/MPEG-2", 0x0376E6E7),
    ("sum8", 0xDD),
    ("sum16", 0x01DD),
    ("xor8", 0x31),
]


@pytest.mark.parametrize(("name", "value"), CHECKS)
def test_checksums_have_their_published_check_values(name: str, value: int) -> None:
    function, _ = checksum(name)
    assert function(b"123456789") == value


def test_an_unknown_checksum_is_an_error() -> None:
    with pytest.raises(ChecksumError):
        checksum("CRC-16/NOBODY")


def spec(**more: object) -> SerialBinarySource:
    return SerialBinarySource.model_validate(
        {
            "kind": "serial_binary",
            "port": "/dev/null",
            "sync": "AA 55",
            "length": 9,
            "fields": {
                "lambda": {"at": 2, "type": "u16", "scale": 0.001, "not_ready": [65535]},
                "temperature": {"at": 4, "type": "i16", "byte_order": "little", "scale": 0.1, "offset": -40.0},
            },
            "checksum": {"kind": "CRC-16/MODBUS", "at": -2, "byte_order": "little", "first": 2},
        }
        | more
    )


def frame(lambda_raw: int, temperature_raw: int) -> bytes:
    body = struct.pack(">H", lambda_raw) + struct.pack("<h", temperature_raw) + b"\x07"
    crc = _crc16_modbus(body)
    return b"\xaa\x55" + body + struct.pack("<H", crc)


def _crc16_modbus(data: bytes) -> int:
    """Bit by bit, as the catalogue defines it: reflected 0x8005, start 0xFFFF."""
    crc = 0xFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = crc >> 1 ^ 0xA001 if crc & 1 else crc >> 1
    return crc


def test_a_frame_gives_its_numbers() -> None:
    readings = FrameParser("box", spec()).feed(frame(853, 1234), 5)
    assert [(r.item, r.value, r.time_ns) for r in readings] == [
        ("lambda", pytest.approx(0.853), 5),
        ("temperature", pytest.approx(83.4), 5),
    ]


def test_a_number_that_means_not_ready_is_no_number() -> None:
    first = FrameParser("box", spec()).feed(frame(65535, 0), 5)[0]
    assert (first.value, first.quality) == (None, Quality.WARMING)


@given(st.data())
def test_frames_are_found_however_the_stream_is_cut_and_whatever_is_between(data: st.DataObject) -> None:
    values = data.draw(st.lists(st.integers(0, 65534), min_size=1, max_size=5))
    # Noise without a sync byte cannot hide the beginning of a frame.
    noise = st.binary(max_size=6).map(lambda b: b.replace(b"\xaa", b""))
    stream = b"".join(data.draw(noise) + frame(v, 0) for v in values)
    parser, seen, at = FrameParser("box", spec()), [], 0
    while at < len(stream):
        size = data.draw(st.integers(1, 12))
        seen += [r.value for r in parser.feed(stream[at : at + size], at) if r.item == "lambda"]
        at += size
    # Only the newest frame of each feed counts; none is made up.
    assert seen
    assert seen[-1] == pytest.approx(values[-1] * 0.001)
    assert all(any(s == pytest.approx(v * 0.001) for v in values) for s in seen)


@settings(max_examples=300)
@given(noise=st.binary(max_size=3000))
def test_noise_gives_nothing_and_costs_no_memory(noise: bytes) -> None:
    parser = FrameParser("box", spec())
    readings = parser.feed(noise, 1)
    # 16 bits of CRC behind 16 of sync: hypothesis does not find one by chance.
    assert readings == [] or parser.frames
    assert len(parser._rest) < 9


def test_a_damaged_frame_is_dropped_and_the_next_one_found() -> None:
    damaged = bytearray(frame(853, 0))
    damaged[3] ^= 0x10
    parser = FrameParser("box", spec())
    readings = parser.feed(bytes(damaged) + frame(900, 0), 1)
    assert [r.value for r in readings if r.item == "lambda"] == [pytest.approx(0.9)]
    assert parser.malformed == 1
