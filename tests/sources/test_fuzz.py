"""No bytes from outside crash a reader, and none takes nonsense for a value (support/fuzz_targets.py says how)."""

from __future__ import annotations

import pytest
from fuzz_targets import TARGETS, WORDS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

_EXAMPLES = {"settings_file": 60}


@pytest.mark.parametrize("name", TARGETS)
def test_no_bytes_crash_a_reader_or_pass_as_what_they_are_not(name: str) -> None:
    pieces = st.one_of(st.binary(max_size=12), st.sampled_from(WORDS[name]), st.text(max_size=6).map(_encoded))
    stream = st.lists(pieces, max_size=24).map(b"".join)

    @settings(deadline=None, max_examples=_EXAMPLES.get(name, 300), suppress_health_check=[HealthCheck.too_slow])
    @given(stream)
    def holds(data: bytes) -> None:
        TARGETS[name](data)

    holds()


def _encoded(text: str) -> bytes:
    return text.encode("utf-8", errors="replace")


@pytest.mark.parametrize("name", ["condition", "settings_text", "manifest", "journal"])
@pytest.mark.parametrize(("opens", "closes"), [(b"(", b")"), (b"[", b"]"), (b"{", b"}"), (b"-", b""), (b"not ", b"")])
def test_nesting_without_end_is_refused_and_exhausts_no_stack(name: str, opens: bytes, closes: bytes) -> None:
    for depth in (39, 200, 2_000, 50_000):
        for before in (b"", b"a = ", b"\xff"):
            TARGETS[name](before + opens * depth + b"1" + closes * depth)
            TARGETS[name](before + opens * depth)
