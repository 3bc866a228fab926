"""How a drive is told in words: times, lengths, notes to a moment, and what was not seen."""

from __future__ import annotations

from typing import Any

import pytest

from cabcanary.cabview.drive_words import alerts, clock, length, mark_of, marked, sentences, share, start
from cabcanary.recorder.dating import UNKNOWN
from cabcanary.store.manifest import AlertCount, Manifest


def manifest(**more: Any) -> Manifest:
    told: dict[str, Any] = {
        "drive": "x", "vehicle": "van", "stage": "low boost", "start": "2026-01-01T08:00:00+00:00", "length_s": 600.0,
        "ticks": 30000, "recovered": False, "lost_blocks": 0, "lost_ticks": 0, "software": "1", "clock": "synchronised",
    }  # fmt: skip
    return Manifest(**{**told, **more})


@pytest.mark.parametrize(
    ("seconds", "words"),
    [(0.0, "0:00.0"), (59.96, "1:00.0"), (169.44, "2:49.4"), (3599.99, "1:00:00.0"), (10_800.0, "3:00:00.0")],
)
def test_times_are_told_as_a_clock_has_them_and_carry_over(seconds: float, words: str) -> None:
    assert clock(seconds) == words


def test_lengths_and_shares_have_no_more_digits_than_they_are_worth() -> None:
    assert [length(s) for s in (9.84, 59.0, 95.0, 3600.0, 9000.0)] == [
        "9.8 s",
        "59 s",
        "2 min",
        "1 h 0 min",
        "2 h 30 min",
    ]
    assert (share(9.84, 296.0), share(1.0, 0.0)) == ("3.3 %", "0 %")


@pytest.mark.parametrize("at_s", [0.0, 100.0, 3725.4, 359_999.0])
def test_a_note_to_a_moment_leads_back_to_it(at_s: float) -> None:
    assert mark_of(marked(at_s, "a: b")) == (pytest.approx(at_s), "a: b")


@pytest.mark.parametrize("note", ["new clamps", "at home", "at 1:40.0:", "at 1:40: x", "saw it at 1:40.0: x", ""])
def test_any_other_note_is_none(note: str) -> None:
    assert mark_of(note) is None


def test_a_drive_that_nobody_judged_is_not_told_as_a_quiet_one() -> None:
    assert "Nothing was raised." in list(sentences(manifest(), 0.0))
    told = list(sentences(manifest(judged=False), 0.0))
    assert "No rules have watched it, so that it has no alert says nothing." in told
    assert "Nothing was raised." not in told
    assert alerts(manifest(judged=False)) == "not judged"


def test_what_was_not_seen_not_recorded_and_not_known_is_said() -> None:
    told = " ".join(sentences(manifest(recovered=True, lost_ticks=3, clock=UNKNOWN, note="torn."), 60.0))
    assert "For 1 min of it (10 %) something could not be seen" in told
    assert "It was cut off and put together" in told
    assert "3 ticks and 0 blocks did not reach the card" in told
    assert told.endswith("torn.")
    assert "by a clock that was not set" in start(manifest(clock=UNKNOWN))
    assert start(manifest()) == "2026-01-01 08:00 UTC"


def test_alerts_are_counted_and_boost_is_told_with_the_mixture_or_without() -> None:
    lean = AlertCount(alert="lean_under_boost", priority="warning", count=2, first_s=1.0)
    told = list(sentences(manifest(alerts=[lean], peak_boost=7.14, boost_unit="psi"), 0.0))
    assert "Raised: lean under boost ×2." in told
    assert "Peak boost 7.1 psi; no mixture was seen under boost." in told
    told = list(
        sentences(manifest(peak_boost=7.1, boost_unit="psi", leanest_under_boost=0.9, leanest_at_boost=6.0), 0.0)
    )
    assert "Peak boost 7.1 psi; leanest under boost: lambda 0.900 at 6.0 psi." in told
