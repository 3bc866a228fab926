"""Readings in a journal's block: exactly as they went in, in the form that JOURNAL.md promises."""

import contextlib
import json
import struct

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.model import Quality, Reading
from cabcanary.store.samples import Form, SampleEncoder, Steps, common_form, decode_samples, forms_of
from cabcanary.store.samples_v1 import decode_old_samples

KEYS = [("adc", "voltage0"), ("adc", "voltage1"), ("wideband", "lambda")]
MS = 1_000_000


def encode(ticks, keys=KEYS, steps=None):
    return SampleEncoder(keys, steps).encode(ticks)


def test_a_block_made_by_hand_from_the_document_is_read():
    # Two ticks 20 ms apart, the second 1 us late; one channel of a 12-bit converter with 1.25 mV a step.
    payload = struct.pack("<IHHq", 2, 1, 1000, 5_000_000)
    payload += struct.pack("<Bdd", 1, 1.25, 0.0)
    ticks = bytes([0, 0xC2, 0xB8, 0x02])  # 0; 20001 -> 40002 = 0x9C42 -> 42+80, 38+80, 02
    states = bytes([32, 32])
    times = bytes([0x05, 0x03])  # -3, then -2: each minus its own tick
    numbers = bytes([0xD0, 0x0F, 0x05])  # 1000 -> 2000 = 0x7D0 -> 50+80, 0F; then -3
    payload += struct.pack("<4I", len(ticks), len(states), len(times), len(numbers))
    payload += ticks + states + times + numbers
    assert decode_samples(payload, KEYS[:1]) == [
        (5_000_000_000, (Reading("adc", "voltage0", 1250.0, 4_999_997_000),)),
        (5_020_001_000, (Reading("adc", "voltage0", 1246.25, 5_019_999_000),)),
    ]


# --- there and back --------------------------------------------------------------------------------------------

TIMES = st.integers(0, 2**62)
NUMBERS = st.one_of(st.floats(allow_nan=False), st.integers(-5000, 5000).map(lambda n: n * 1.220703125))
WITH_NUMBER = st.tuples(NUMBERS, TIMES, st.just(Quality.GOOD), st.sampled_from(["", "slow"]))
WITHOUT = st.tuples(
    st.none(), TIMES, st.sampled_from([q for q in Quality if q is not Quality.GOOD]), st.text(max_size=10)
)
ROWS = st.lists(
    st.tuples(TIMES, st.tuples(*[st.one_of(st.none(), WITH_NUMBER, WITHOUT)] * len(KEYS))), min_size=1, max_size=30
)


@settings(deadline=None)
@given(ROWS)
def test_samples_come_back_as_they_went(rows):
    ticks = [
        (t, tuple(None if r is None else Reading(*k, *r) for k, r in zip(KEYS, row, strict=True))) for t, row in rows
    ]
    back = decode_samples(encode(ticks), KEYS)
    assert back == ticks
    # Equal is not enough for a negative zero.
    assert repr(back) == repr(ticks)


# Steps as kernel drivers give them (millivolts in 12 bits of 5 V, 3.3 V and 2.048 V; one written with six decimals).
@settings(deadline=None)
@given(
    st.sampled_from([1.220703125, 0.805664062, 0.5, 0.076294, 1 / 3]),
    st.sampled_from([0.0, -2048.0, 17.5]),
    st.lists(st.integers(0, 4095), min_size=1, max_size=50),
)
def test_a_converters_numbers_are_kept_as_whole_codes_and_come_back_to_the_last_bit(scale, offset, codes):
    ticks = [
        (n * 20 * MS, (Reading(*KEYS[0], (code + offset) * scale, n * 20 * MS), None, None))
        for n, code in enumerate(codes)
    ]
    payload = encode(ticks, steps={KEYS[0]: Steps(scale, offset)})
    assert decode_samples(payload, KEYS) == ticks
    assert forms_of(payload)[0] in (Form(1, scale, offset), *(Form(2, 10.0**n) for n in range(7)))


def test_a_text_numbers_decimals_are_kept_as_whole_codes():
    ticks = [(n * 20 * MS, (None, None, Reading(*KEYS[2], v, n * 20 * MS))) for n, v in enumerate([0.853, 1.5, 0.9])]
    payload = encode(ticks)
    assert forms_of(payload)[2] == Form(2, 1000.0)
    assert decode_samples(payload, KEYS) == ticks


def test_a_reading_that_stays_costs_one_byte_a_tick():
    stays = Reading(*KEYS[0], 0.1 + 0.2, 3 * MS)
    short = encode([(n * 20 * MS, (stays, None, None)) for n in range(10)])
    long = encode([(n * 20 * MS, (stays, None, None)) for n in range(110)])
    # And one for each channel without a reading, and one for the tick.
    assert len(long) - len(short) == 100 * 4


def test_times_that_are_no_whole_microseconds_come_back_too():
    ticks = [(n * 20 * MS + 7, (Reading(*KEYS[0], 1.0, n * 20 * MS + 3), None, None)) for n in range(5)]
    assert decode_samples(encode(ticks), KEYS) == ticks


def test_a_reading_without_a_number_never_comes_back_as_good():
    (tick,) = decode_samples(encode([(5, (Reading("adc", "voltage0", None, 5), None, None))]), KEYS)
    assert tick[1][0].quality is Quality.ABSENT


def test_one_form_for_a_whole_drive_is_found_only_where_it_holds_all_numbers():
    nothing, floats, tenths, hundredths = Form(3), Form(0), Form(2, 10.0), Form(2, 100.0)
    assert common_form({tenths, hundredths, nothing}) == hundredths
    assert common_form({Form(1, 1.25, 0.0), nothing}) == Form(1, 1.25, 0.0)
    assert common_form({Form(1, 1.25, 0.0), Form(1, 2.5, 0.0)}) is None
    assert common_form({tenths, floats}) is None
    assert common_form({nothing}) is None


# --- damage ----------------------------------------------------------------------------------------------------


def test_a_block_cut_short_is_refused_or_lacks_only_its_reasons():
    whole = [(n * MS, (Reading(*KEYS[0], float(n), n * MS), None, None)) for n in range(10)]
    payload = encode(whole)
    for cut in range(len(payload)):
        with pytest.raises(ValueError, match="samples block"):
            decode_samples(payload[:cut], KEYS)


@settings(deadline=None)
@given(st.binary(max_size=300))
def test_garbage_is_refused_or_read_and_never_anything_else(garbage):
    for decode in (decode_samples, decode_old_samples):
        with contextlib.suppress(ValueError):
            decode(garbage, KEYS[:1])


def test_samples_of_another_number_of_channels_are_refused():
    with pytest.raises(ValueError, match="1 channels, the header 3"):
        decode_samples(encode([(1, (None,))], KEYS[:1]), KEYS)


@pytest.mark.parametrize("reasons", [b"null", b"7", b"[1]", b"[[[],0,1]]", b"{", b"[" * 50_000])
def test_reasons_of_another_shape_are_refused(reasons):
    with pytest.raises(ValueError):
        decode_samples(encode([(1, ())], []) + reasons, [])
    with pytest.raises(ValueError):
        decode_old_samples(struct.pack("<IH", 0, 0) + reasons, [])


def test_samples_of_the_first_format_are_still_read():
    # As JOURNAL.md has it: counts, tick times, then per channel raw, age and quality, then the reasons.
    payload = struct.pack("<IH", 2, 1) + struct.pack("<2q", 1000, 2000)
    payload += struct.pack("<2d", 2.5, 0.0) + struct.pack("<2q", -10, -10) + bytes([0, 8])
    payload += json.dumps([[0, 1, "gone"]]).encode()
    assert decode_old_samples(payload, KEYS[:1]) == [
        (1000, (Reading("adc", "voltage0", 2.5, 990),)),
        (2000, (Reading("adc", "voltage0", None, 1990, Quality.ABSENT, "gone"),)),
    ]
