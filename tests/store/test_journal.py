"""The journal's format and how much of it survives. JOURNAL.md beside the code is the format's promise."""

import os
import random
import struct
import zlib

import pytest
import zstandard
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.model import Reading
from cabcanary.store import journal
from cabcanary.store.journal import (
    Block,
    BlockKind,
    JournalFile,
    block_at,
    crc_of,
    decode_events,
    decode_json,
    encode_block,
    encode_events,
    encode_json,
    read_blocks,
)
from cabcanary.store.samples import SampleEncoder

KEYS = [("adc", "voltage0"), ("wideband", "lambda"), ("engine", "rpm")]


def crc32_by_hand(data: bytes) -> int:
    """CRC-32/ISO-HDLC bit by bit: polynomial 04C11DB7 reflected, all ones in and out."""
    crc = 0xFFFFFFFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc >> 1) ^ (0xEDB88320 if crc & 1 else 0)
    return crc ^ 0xFFFFFFFF


def test_the_check_value_of_the_checksum():
    # The catalogue of parametrised CRC algorithms gives CBF43926 for "123456789" under CRC-32/ISO-HDLC.
    assert crc32_by_hand(b"123456789") == 0xCBF43926


def test_a_block_stands_in_the_file_as_documented():
    block = encode_block(7, BlockKind.EVENTS, b"payload")
    magic, length, sequence, kind, crc = struct.unpack("<4sIIBI", block[:17])
    assert (magic, sequence, kind) == (b"CCJ1", 7, 3)
    assert length == len(block) - 17
    assert zstandard.ZstdDecompressor().decompress(block[17:]) == b"payload"
    assert crc == crc32_by_hand(block[4:13] + block[17:])


def test_a_block_made_by_hand_is_read():
    packed = zstandard.ZstdCompressor().compress(b'{"a":1}')
    fields = struct.pack("<IIB", len(packed), 0, 1)
    block = b"CCJ1" + fields + struct.pack("<I", crc32_by_hand(fields + packed)) + packed
    assert list(read_blocks(block)) == [Block(0, BlockKind.HEADER, b'{"a":1}')]


# --- there and back --------------------------------------------------------------------------------------------


@settings(deadline=None)
@given(st.lists(st.dictionaries(st.text(max_size=5), st.one_of(st.text(max_size=9), st.integers()), min_size=1)))
def test_events_come_back_as_they_went(events):
    assert decode_events(encode_events(events)) == events


def test_a_header_that_is_no_object_is_refused():
    with pytest.raises(ValueError, match="not a JSON object"):
        decode_json(b"[1]")


# --- damage ----------------------------------------------------------------------------------------------------
# What each kind of damage costs: the blocks that it touches, and no other.

TICKS = [(n * 20_000_000, (Reading("adc", "voltage0", 2500.0 + n, n * 20_000_000), None, None)) for n in range(5)]
encode_samples = SampleEncoder(KEYS).encode
PAYLOADS = [
    (BlockKind.HEADER, encode_json({"drive": "d", "channels": [["map", *KEYS[0]]]})),
    (BlockKind.SAMPLES, encode_samples(TICKS)),
    (BlockKind.EVENTS, encode_events([{"t": 1, "kind": "alert", "what": "over_boost"}])),
    (BlockKind.SAMPLES, encode_samples(TICKS[:2])),
    (BlockKind.END, encode_json({"lost_ticks": 0})),
]
BLOCKS = [Block(n, kind, payload) for n, (kind, payload) in enumerate(PAYLOADS)]
PIECES = [encode_block(n, kind, payload) for n, (kind, payload) in enumerate(PAYLOADS)]
JOURNAL = b"".join(PIECES)
ENDS = [sum(map(len, PIECES[: n + 1])) for n in range(len(PIECES))]


def test_a_whole_journal_is_read_whole():
    assert list(read_blocks(JOURNAL)) == BLOCKS


def test_cut_at_any_byte_every_whole_block_before_the_cut_is_read_and_nothing_else():
    for cut in range(len(JOURNAL) + 1):
        assert list(read_blocks(JOURNAL[:cut])) == [b for b, end in zip(BLOCKS, ENDS, strict=True) if end <= cut], cut


def test_cut_at_any_byte_with_a_zeroed_tail_the_same_is_read():
    # Some file systems have the length after a power cut, and zeros where the data was not yet written.
    for cut in range(0, len(JOURNAL) + 1, 3):
        zeroed = JOURNAL[:cut] + bytes(len(JOURNAL) - cut)
        whole = [b for n, (b, end) in enumerate(zip(BLOCKS, ENDS, strict=True)) if zeroed.startswith(JOURNAL[:end])]
        assert list(read_blocks(zeroed)) == whole, cut


def test_a_flipped_bit_costs_its_own_block_and_never_gives_a_wrong_one():
    for bit in range(len(JOURNAL) * 8):
        damaged = bytearray(JOURNAL)
        damaged[bit // 8] ^= 1 << bit % 8
        hit = next(n for n, end in enumerate(ENDS) if bit // 8 < end)
        assert list(read_blocks(bytes(damaged))) == [b for n, b in enumerate(BLOCKS) if n != hit], bit


@settings(deadline=None)
@given(st.integers(0, len(JOURNAL) - 1), st.binary(min_size=1, max_size=60))
def test_a_stretch_of_garbage_costs_the_blocks_that_it_touches(at, garbage):
    damaged = JOURNAL[:at] + garbage + JOURNAL[at + len(garbage) :]
    starts = [0, *ENDS[:-1]]
    whole = [b for b, start, end in zip(BLOCKS, starts, ENDS, strict=True) if damaged[start:end] == JOURNAL[start:end]]
    assert list(read_blocks(damaged)) == whole


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_garbage_behind_a_journal_adds_nothing(garbage):
    assert list(read_blocks(JOURNAL + garbage)) == BLOCKS


@settings(deadline=None)
@given(st.integers(0, len(PIECES) - 1), st.binary(max_size=100))
def test_a_block_that_is_gone_leaves_the_others(gone, instead):
    damaged = b"".join(instead if n == gone else piece for n, piece in enumerate(PIECES))
    assert list(read_blocks(damaged)) == [b for n, b in enumerate(BLOCKS) if n != gone]


@settings(deadline=None)
@given(st.binary(max_size=400))
def test_no_bytes_are_taken_for_blocks_by_chance(garbage):
    assert list(read_blocks(garbage)) == []
    assert list(read_blocks(b"CCJ1" * 20 + garbage)) == []


def test_a_length_beyond_reason_is_damage_and_no_memory():
    fields = struct.pack("<IIB", 0xFFFFFFF0, 0, 2)
    assert list(read_blocks(b"CCJ1" + fields + bytes(4) + JOURNAL)) == BLOCKS


def test_a_good_checksum_over_a_payload_that_is_not_packed_is_damage():
    fields = struct.pack("<IIB", 4, 0, 2)
    block = b"CCJ1" + fields + struct.pack("<I", crc32_by_hand(fields + b"junk")) + b"junk"
    assert list(read_blocks(block + JOURNAL)) == BLOCKS


def test_a_good_checksum_over_a_payload_that_claims_to_unpack_to_a_terabyte_is_damage_and_no_memory():
    # RFC 8878, 3.1.1: magic, a single segment with its size in eight bytes, one empty raw block.
    packed = b"\x28\xb5\x2f\xfd\xe0" + struct.pack("<Q", 1 << 40) + b"\x01\x00\x00"
    fields = struct.pack("<IIB", len(packed), 0, 2)
    block = b"CCJ1" + fields + struct.pack("<I", crc32_by_hand(fields + packed)) + packed
    assert list(read_blocks(block + JOURNAL)) == BLOCKS


@pytest.mark.parametrize("payload", [b"[1]", b"null", b'"x"', b"[" * 50_000, b'{"a":' * 50_000])
def test_an_event_that_is_no_object_is_refused(payload):
    with pytest.raises(ValueError):
        decode_events(payload)


# --- on the card ------------------------------------------------------------------------------------------------


@pytest.fixture(params=[1, 7, 64, 1 << 18])
def on_card(request, tmp_path, monkeypatch):
    """Puts bytes into a file and opens that as a journal, read so many bytes at a time."""
    monkeypatch.setattr(journal, "_WINDOW", max(request.param, len(b"CCJ1")))
    descriptors = []

    def put(data):
        path = tmp_path / f"{len(descriptors)}.ccj"
        path.write_bytes(data)
        descriptors.append(os.open(path, os.O_RDONLY))
        return JournalFile(descriptors[-1])

    yield put
    for descriptor in descriptors:
        os.close(descriptor)


def test_a_journal_on_the_card_is_read_as_its_bytes_are_whatever_is_damaged(on_card):
    chance = random.Random(1)
    for _ in range(30):
        data = bytearray(JOURNAL)
        for _ in range(chance.randrange(4)):
            data[chance.randrange(len(data))] = chance.randrange(256)
        data = bytes(data[: chance.randrange(len(data))]) + chance.randbytes(chance.randrange(40)) + b"CCJ1CC" + JOURNAL
        file = on_card(data)
        assert [(b, b.at) for b in read_blocks(file)] == [(b, b.at) for b in read_blocks(data)]
        assert [block_at(file, b.at) for b in read_blocks(data)] == list(read_blocks(data))
        assert crc_of(file) == crc_of(data) == zlib.crc32(data)
        assert len(file) == len(data)


def test_a_block_that_the_card_gives_otherwise_than_before_is_an_error(on_card, tmp_path):
    places = [b.at for b in read_blocks(on_card(JOURNAL))]
    (tmp_path / "0.ccj").write_bytes(bytes(len(JOURNAL)))
    descriptor = os.open(tmp_path / "0.ccj", os.O_RDONLY)
    try:
        with pytest.raises(ValueError, match="other bytes than before"):
            block_at(JournalFile(descriptor), places[1])
    finally:
        os.close(descriptor)
