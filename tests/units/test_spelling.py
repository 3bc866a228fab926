"""A number for a person: no exponent where anybody would count digits, the same everywhere."""

from __future__ import annotations

import re
from decimal import Decimal
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from cabcanary.alerts.words import proof_line
from cabcanary.model import Frame, Quality, Value
from cabcanary.spelling import spelt

DAEMON = Path(__file__).parents[2] / "daemon" / "cabcanary"


@pytest.mark.parametrize(
    ("number", "digits", "words"),
    [
        (1330.0, 3, "1330"), (12345.0, 3, "12345"), (12345.0, 6, "12345"), (0.000012, 6, "0.000012"),
        (0.93, 3, "0.93"), (15.0, 1, "15"), (0.0, 3, "0"), (-0.0, 3, "0"), (99.96, 3, "100"), (9.9996, 4, "10"),
        (1234567.0, 6, "1234567"), (-5.4321, 3, "-5.43"), (100, 2, "100"), (1e20, 6, "1e+20"), (1e-13, 6, "1e-13"),
    ],
)  # fmt: skip
def test_a_number_is_written_as_people_write_it(number: float, digits: int, words: str) -> None:
    assert spelt(number, digits) == words


def test_a_difference_may_have_its_sign() -> None:
    assert [spelt(x, 3, "+") for x in (1330.0, 0.5, -0.5)] == ["+1330", "+0.5", "-0.5"]


@given(st.floats(min_value=1e-12, max_value=9e14), st.integers(1, 9), st.booleans())
def test_it_has_no_exponent_and_is_right_to_so_many_digits(number: float, digits: int, negative: bool) -> None:
    number = -number if negative else number
    text = spelt(number, digits)
    assert re.fullmatch(r"-?\d+(\.\d*[1-9])?", text)
    # Half a unit of the last digit: what rounding may cost, by Decimal's own count of the exact number.
    exact = Decimal(number)
    assert abs(Decimal(text) - exact) <= Decimal(5).scaleb(min(exact.adjusted() - digits, -1 if "." in text else 0))


@given(st.floats(min_value=1e-4, max_value=999_999.4), st.integers(1, 6))
def test_it_is_what_python_writes_where_that_has_no_exponent(number: float, digits: int) -> None:
    usual = f"{number:.{digits}g}"
    assert "e" in usual or spelt(number, digits) == usual


def test_nothing_in_the_program_writes_numbers_in_another_way() -> None:
    wild = re.compile(r"\{[^{}\"]*:[-+<>^,\d]*(\.\d+)?[gGeE]\}|%\.?\d*[ge]")
    found = [
        f"{file.relative_to(DAEMON)}: {line.strip()}"
        for file in sorted(DAEMON.rglob("*.py"))
        if file.name != "spelling.py"
        for line in file.read_text(encoding="utf-8").splitlines()
        if wild.search(line)
    ]
    assert found == []


def test_the_start_up_proof_says_1330_rpm() -> None:
    frame = Frame(0, {"engine_speed": Value(1330.0, Quality.GOOD, 0), "air": Value(12345.0, Quality.WITHIN, 0, 40.0)})
    told = proof_line([], None, frame, {"engine_speed": "rpm", "air": "Pa"})
    assert "engine_speed 1330 rpm" in told
    assert "air 12265 to 12425 Pa" in told
