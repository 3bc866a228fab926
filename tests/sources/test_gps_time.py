"""A satellite receiver tells the time, and nothing it says wrongly is believed."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from cabcanary.model import Quality
from cabcanary.sources.serial.gps_time import RmcParser
from cabcanary_bench.wiring.gps import rmc

pytestmark = pytest.mark.waits


S = 1_000_000_000
#: The sentence that many public pages on NMEA 0183 print, with its checksum (23 March 1994, 12:35:19 UTC).
PRINTED = b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n"
#: date -d "2026-11-25T22:04:09Z" +%s
UTC_S = 1_795_644_249
SENTENCE = rmc(datetime(2026, 11, 25, 22, 4, 9, 250_000, tzinfo=UTC))


def fed(*pieces: bytes):
    parser = RmcParser("satellites")
    return [r for piece in pieces for r in parser.feed(piece, 5 * S)], parser


def test_a_sentence_gives_the_time_whatever_pieces_it_comes_in():
    for pieces in ([SENTENCE], [SENTENCE[:9], SENTENCE[9:]], [bytes([b]) for b in SENTENCE]):
        readings, parser = fed(*pieces)
        assert [(r.item, r.value, r.time_ns) for r in readings] == [("utc", UTC_S + 0.25, 5 * S)]
        assert parser.malformed == 0


def test_the_published_sentence_has_the_published_checksum_and_is_a_date_before_this_program():
    readings, parser = fed(PRINTED)
    assert parser.malformed == 0
    assert (readings[0].value, readings[0].quality) == (None, Quality.IMPLAUSIBLE)
    assert "1994-03-23" in readings[0].reason


@pytest.mark.parametrize(
    "sentence",
    [
        SENTENCE.replace(b"A,0000", b"A,0001"),  # checksum
        SENTENCE[:30] + b"\r\n",
        b"\x00\xff" * 40 + b"\n",
        b"x" * 5000 + b"\n",
        b"$GPRMC*4B\r\n",
        b"$*00\r\n",
    ],
    ids=["checksum", "torn", "garbage", "endless", "no fields", "nothing"],
)
def test_a_damaged_line_gives_no_time_and_the_next_one_does(sentence):
    readings, _ = fed(sentence, SENTENCE)
    assert [r.value for r in readings if r.value is not None] == [UTC_S + 0.25]


def test_without_satellites_the_time_is_not_known_and_other_sentences_say_nothing_of_it():
    readings, parser = fed(rmc(datetime(2026, 11, 25, tzinfo=UTC), valid=False), b"$GPTXT,01,01,02,HELLO*1F\r\n")
    assert [(r.value, r.quality) for r in readings] == [(None, Quality.WARMING)]
    assert parser.sentences + parser.malformed == 2


def test_a_leap_second_and_the_turn_of_a_year():
    body = b"GPRMC,235960.00,A,,,,,0.0,0.0,311226,,"
    sum_ = 0
    for byte in body:
        sum_ ^= byte
    readings, _ = fed(b"$%s*%02X\r\n" % (body, sum_))
    # date -d "2027-01-01T00:00:00Z" +%s
    assert readings[0].value == 1_798_761_600


def test_an_endless_line_is_not_kept():
    parser = RmcParser("satellites")
    for _ in range(1000):
        parser.feed(b"$GPRMC,12" * 50, S)
    assert len(parser._rest) <= 120


def test_where_the_vehicle_was_is_in_no_reading():
    readings, _ = fed(SENTENCE)
    assert "0300" not in repr(readings)
    assert [r.item for r in readings] == ["utc"]
