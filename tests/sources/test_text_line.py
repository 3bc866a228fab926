"""A line of text -> readings: every shape that the settings know, and nothing that the wire did not say."""

from __future__ import annotations

import re
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.model import Quality, Reading
from cabcanary.sources.serial.serial_settings import SerialTextSource
from cabcanary.sources.serial.text_line import LineParser

pytestmark = pytest.mark.waits


def parser(*, synced: bool = True, **spec: Any) -> LineParser:
    """A parser that has seen the end of a first line, unless it is said not to have."""
    made = LineParser("wire", SerialTextSource(kind="serial_text", port="/dev/tty", **spec))
    if synced:
        made.feed({"cr": b"\r", "crlf": b"\r\n"}.get(spec.get("line_end", ""), b"\n"), 0)
    return made


def numbers(readings: list[Reading]) -> dict[str, float | None]:
    return {r.item: r.value for r in readings}


# --- shapes -------------------------------------------------------------------------------------------------------


def test_named_fields_come_by_their_names_in_any_order() -> None:
    assert numbers(parser().feed(b"lambda=0.853 t=38\nt=39 lambda=0.86\n", 5)) == {"lambda": 0.86, "t": 39.0}


def test_another_separator_and_sign_may_be_used() -> None:
    assert numbers(parser(separator=",", assign=":").feed(b"afr:12.4, volts:13.9\n", 5)) == {"afr": 12.4, "volts": 13.9}


def test_positioned_fields_come_by_their_places() -> None:
    line = parser(separator=",", fields=["lambda", "status", "temperature"])
    assert numbers(line.feed(b"0.853,ok,38\n", 5)) == {"lambda": 0.853, "temperature": 38.0}


@pytest.mark.parametrize("text", [b"0.853\n", b"0.853,ok,38,1\n", b"\xb2,ok,38\n", b"0.853;ok;38\n"])
def test_a_line_of_another_shape_gives_nothing_and_is_counted(text: bytes) -> None:
    line = parser(separator=",", fields=["lambda", "status", "temperature"])
    assert line.feed(text, 5) == []
    assert line.malformed == 1


def test_a_pattern_names_its_fields_and_must_match_the_whole_line() -> None:
    line = parser(pattern=r"AFR:(?P<afr>[0-9.]+) T (?P<celsius>[0-9]+)C")
    assert numbers(line.feed(b"AFR:12.4 T 38C\n", 5)) == {"afr": 12.4, "celsius": 38.0}
    assert line.feed(b"xAFR:12.4 T 38C\nAFR:12.4 T 38C trailing\n", 5) == []
    assert line.malformed == 2


def test_a_group_that_is_not_in_the_line_is_no_reading() -> None:
    line = parser(pattern=r"(?P<lambda>[0-9.]+)( (?P<status>[a-z]+))?")
    assert numbers(line.feed(b"0.9\n", 5)) == {"lambda": 0.9}


def test_a_word_for_not_ready_makes_all_of_the_line_warming() -> None:
    line = parser(not_ready=["heating"], error=["error"])
    readings = line.feed(b"lambda=0.853 status=heating\n", 5)
    assert {(r.item, r.value, r.quality) for r in readings} == {
        ("lambda", None, Quality.WARMING),
        ("status", None, Quality.WARMING),
    }
    assert readings[0].reason == "the sensor reports 'heating'"


@pytest.mark.parametrize(
    ("word", "quality"),
    [("ERROR", Quality.ABSENT), ("Error", Quality.ABSENT), ("HEATING", Quality.WARMING), ("Heating", Quality.WARMING)],
)
def test_a_status_is_known_however_its_letters_are_cased(word, quality) -> None:
    line = parser(not_ready=["heating"], error=["error"])
    (reading, *_) = line.feed(f"lambda=0.85 status={word}\n".encode(), 5)
    assert (reading.value, reading.quality) == (None, quality)


@pytest.mark.parametrize("declared", ["E7", "e7"])
def test_a_declared_status_may_be_written_in_either_case(declared) -> None:
    (reading, *_) = parser(error=[declared]).feed(b"lambda=0.85 status=e7\n", 5)
    assert (reading.value, reading.quality) == (None, Quality.ABSENT)


def test_a_word_for_error_weighs_more_than_one_for_not_ready() -> None:
    line = parser(not_ready=["heating"], error=["E7"])
    readings = line.feed(b"lambda=heating status=E7\n", 5)
    assert {r.quality for r in readings} == {Quality.ABSENT}
    assert {r.value for r in readings} == {None}


def test_a_word_within_another_is_not_that_word() -> None:
    line = parser(not_ready=["heating"], error=["err"])
    assert numbers(line.feed(b"lambda=0.9 status=preheating_error\n", 5)) == {"lambda": 0.9}


# --- line ends ----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("end", [b"\n", b"\r\n", b"\r", b"\n\n", b"\r\r\n"])
def test_any_line_end_will_do_unless_one_is_named(end: bytes) -> None:
    assert [r.value for r in parser().feed(b"a=1" + end + b"a=2" + end, 5)] == [1.0, 2.0]


@pytest.mark.parametrize(("kind", "end"), [("cr", b"\r"), ("lf", b"\n"), ("crlf", b"\r\n")])
def test_a_named_line_end_is_the_only_one(kind: str, end: bytes) -> None:
    line = parser(line_end=kind)
    assert [r.value for r in line.feed(b"a=1" + end + b"a=2" + end, 5)] == [1.0, 2.0]
    other = {b"\r": b"\n", b"\n": b"\v", b"\r\n": b"\n"}[end]
    assert line.feed(b"a=3" + other + b"a=4" + end, 5) == []
    assert line.malformed == 1


def test_a_line_is_read_when_its_end_comes_and_not_before() -> None:
    line = parser()
    assert line.feed(b"a=1", 5) == []
    assert line.feed(b"2", 6) == []
    assert line.feed(b"\n", 7) == [Reading("wire", "a", 12.0, 7)]


@pytest.mark.parametrize("first", [b"a=7\n", b"7\n", b"bda=0.853 status=ok\r\n"])
def test_the_first_line_may_be_the_tail_of_another_and_is_never_believed(first: bytes) -> None:
    line = parser(synced=False)
    assert line.feed(first, 5) == []
    assert numbers(line.feed(b"a=8\n", 6)) == {"a": 8.0}
    line.reset()
    assert line.feed(first, 7) == []


# --- too long ------------------------------------------------------------------------------------------------------


def test_a_line_of_the_longest_length_is_read_and_a_longer_one_is_not() -> None:
    line = parser(longest_line=12)
    assert numbers(line.feed(b"a=1234567890\n", 5)) == {"a": 1234567890.0}
    assert line.feed(b"a=12345678901\n", 5) == []
    assert line.malformed == 1


def test_the_tail_of_a_line_that_was_too_long_is_not_read_as_a_line() -> None:
    line = parser(longest_line=10)
    line.feed(b"x" * 50, 5)
    assert line.feed(b" a=3\n", 5) == []
    assert numbers(line.feed(b"a=4\n", 5)) == {"a": 4.0}
    assert line.malformed == 1


# --- numbers --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("word", "number"),
    [
        (b"0.853", 0.853),
        (b"-40", -40.0),
        (b"+1.5", 1.5),
        (b".5", 0.5),
        (b"5.", 5.0),
        (b"1.2e3", 1200.0),
        (b"1E-2", 0.01),
        (b"007", 7.0),
    ],
)
def test_plain_decimal_numbers_are_numbers(word: bytes, number: float) -> None:
    assert numbers(parser().feed(b"a=" + word + b"\n", 5)) == {"a": number}


@pytest.mark.parametrize(
    "word",
    [
        b"nan", b"NaN", b"inf", b"-inf", b"Infinity", b"1_0", b"0x1F", b"0b1", b"1e400", b"1e9999", b"--1", b"1-",
        b"1,5", b"1.2.3", b"e5", b".", b"-", b"1e", b"0.85V", b"---",
    ],
)  # fmt: skip
def test_what_is_no_plain_number_is_no_value(word: bytes) -> None:
    assert parser().feed(b"a=" + word + b"\n", 5) == []


@pytest.mark.parametrize("text", ["a=1²\n", "a=٣\n", "a=１\n", "a=1\u00a0\n"])
def test_digits_of_other_scripts_are_no_numbers(text: str) -> None:
    assert parser().feed(text.encode(), 5) == []


@pytest.mark.parametrize("byte", [0, 7, 9, 27, 127, 128, 255])
def test_a_line_with_a_byte_that_is_not_printable_gives_nothing(byte: int) -> None:
    line = parser()
    assert line.feed(b"a=1" + bytes([byte]) + b" b=2\n", 5) == []
    assert line.malformed == 1


def test_a_complaint_names_the_likely_cause_when_most_lines_do_not_fit() -> None:
    line = parser()
    line.feed(b"?\n" * 20, 5)
    assert line.complaint() == "20 malformed line(s), the last: b'?'; check baud, parity, separator and fields"


# --- whatever comes --------------------------------------------------------------------------------------------------

SPECS: list[dict[str, Any]] = [
    {"longest_line": 20},
    {"separator": ",", "fields": ["a", "b"], "longest_line": 20},
    {"pattern": r"A(?P<a>\S+) ?(?P<b>.*)", "longest_line": 20},
    {"line_end": "cr", "longest_line": 20},
    {"line_end": "crlf", "longest_line": 20},
    {"not_ready": ["1"], "error": ["2"], "longest_line": 20},
]
#: Bytes that make lines, and bytes that break them.
PIECES = st.one_of(
    st.binary(max_size=30),
    st.sampled_from([b"\r", b"\n", b"\r\n", b"a=1", b" ", b"b=-2.5e1", b"A3 4", b"0.85,1", b"a=1 b=2\r\n", b"\xff"]),
)
STREAMS = st.lists(PIECES, max_size=20)


@settings(deadline=None, max_examples=300)
@given(STREAMS, st.sampled_from(SPECS))
def test_whatever_comes_memory_is_bounded_and_every_value_stood_in_the_stream(
    pieces: list[bytes], spec: dict[str, Any]
) -> None:
    line = parser(synced=False, **spec)
    stood = {float(n) for n in re.findall(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?", b"".join(pieces))}
    for n, piece in enumerate(pieces):
        for reading in line.feed(piece, n):
            assert reading.value is None or reading.value in stood
            assert (reading.value is None) is bool(reading.reason)
            assert reading.time_ns == n
        assert len(line._rest) <= 20 + 1


@settings(deadline=None, max_examples=300)
@given(STREAMS, st.sampled_from(SPECS), st.data())
def test_however_the_stream_is_cut_the_readings_are_the_same(
    pieces: list[bytes], spec: dict[str, Any], data: st.DataObject
) -> None:
    stream = b"".join(pieces)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(stream)), max_size=10)))
    whole, cut = parser(synced=False, **spec), parser(synced=False, **spec)
    expected = whole.feed(stream, 1)
    got = [r for a, b in zip([0, *cuts], [*cuts, len(stream)], strict=True) for r in cut.feed(stream[a:b], 1)]
    assert got == expected
