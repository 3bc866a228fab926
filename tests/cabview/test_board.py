"""What the cab page is told, from what the feed tells: which alert has the cab, what may be shown, and when nobody
watches."""

from __future__ import annotations

from typing import Any

import pytest

from cabcanary.cabview.board import SILENT_S, Board
from cabcanary.cabview.quantities import band, between, number, quantity
from cabcanary.cabview.trust import BY_CODE, Trust, trust_of
from cabcanary.display import Display
from cabcanary.model import USABLE, Quality

HELLO = {
    "vehicle": "van", "stage": "low boost", "units": {"boost": "psi", "lambda": "lambda"},
    "coverage": [
        {"watched_for": "lean under boost", "watched": "yes", "why": []},
        {"watched_for": "leak", "watched": "less well", "why": ["it has no rpm", "more"]},
        {"watched_for": "oil", "watched": "no", "why": ["it lacks oil_pressure"]},
        {"watched_for": "boost lost", "watched": "not needed yet", "why": []},
    ],
}  # fmt: skip


def alert(what: str, priority: str, t: int, **more: Any) -> dict[str, Any]:
    told = {"kind": "alert", "what": what, "priority": priority, "t": t, "say": f"{what} said", "do": f"{what} done",
            "text": what, "figures": "", "state": "active", "active": True, "acknowledged": False, "raised": True,
            "blind": False}  # fmt: skip
    return {**told, **more}


def board(*alerts: dict[str, Any], **values: list[Any]) -> Board:
    made = Board(["boost", "lambda"])
    made.hello(HELLO, 10.0)
    for told in alerts:
        made.event(told)
    made.frame({"t": 1, "values": values}, 10.0)
    return made


def cell(*told: Any) -> dict[str, Any]:
    return board(boost=list(told)).page(10.0)["values"][0]


def test_the_highest_priority_has_the_cab_then_the_most_recent() -> None:
    page = board(alert("a", "caution", 9), alert("b", "warning", 1), alert("c", "warning", 5)).page(10.0)
    assert (page["cab"]["alert"], page["cab"]["others"]) == ("c", 2)
    assert [words.split()[0] for words in page["also"]] == ["b", "a"]


def test_an_acknowledged_alert_leaves_the_cab_and_stays_told_and_one_that_is_normal_goes() -> None:
    made = board(alert("a", "warning", 1))
    made.event(alert("a", "warning", 2, raised=False, acknowledged=True))
    page = made.page(10.0)
    assert (page["cab"], page["also"]) == (None, ["a said (warning, acknowledged)."])
    made.event(alert("a", "warning", 3, raised=False, acknowledged=True, active=False))
    assert made.page(10.0)["also"] == []


def test_a_notice_is_told_and_never_has_the_cab() -> None:
    notice = {"kind": "alert", "what": "limits_not_confirmed", "text": "Limits are examples.", "raised": True, "t": 1,
              "priority": "caution"}  # fmt: skip
    page = board(notice).page(10.0)
    assert (page["cab"], page["also"]) == (None, ["Limits are examples (caution)."])


@pytest.mark.parametrize("kind", ["sound", "acknowledge", "drive", "zzz"])
def test_what_is_no_alert_is_not_told_as_one(kind: str) -> None:
    page = board({**alert("x", "warning", 1), "kind": kind}).page(10.0)
    assert (page["cab"], page["also"]) == (None, [])


def test_blindness_that_matters_like_a_warning_has_a_look_of_its_own_as_it_has_a_sound() -> None:
    assert board(alert("x", "warning", 1, blind=True)).page(10.0)["cab"]["look"] == "blind"
    assert board(alert("x", "caution", 1, blind=True)).page(10.0)["cab"]["look"] == "caution"


def test_the_daemons_whole_answer_puts_right_what_was_missed() -> None:
    made = board(alert("gone", "warning", 1))
    recorder = {"ok": False, "text": "the card is full."}
    made.status({"alerts": [alert("new", "caution", 2)], "recorder": recorder, "drive": None, "channels": {}})
    page = made.page(10.0)
    assert page["cab"]["alert"] == "new"
    assert page["lines"][-1] == {"kind": "unseen", "words": "Not recording: the card is full."}


def test_only_what_may_feed_a_rule_is_shown_as_a_number() -> None:
    for quality in Quality:
        told = cell(5.0, quality.words, "", 0.25)
        assert bool(told["text"]) is (quality in USABLE), quality
        assert (told["trust"] in ("good", "within")) is (quality in USABLE), quality
    assert cell(None, "good", "", 0.0)["trust"] == "not-trusted"
    assert cell(5.0, "of a newer version", "", 0.0)["text"] == ""


def test_a_value_has_its_band_an_interval_its_ends_and_one_at_the_end_of_its_range_says_so() -> None:
    good, within, beyond = (
        cell(5.04, "good", "", 0.123),
        cell(5.0, "within", "", 1.0),
        cell(8.0, "saturated high", "", 0),
    )
    assert (good["text"], good["unit"], good["band"], good["word"]) == ("5.0", "psi", "± 0.12", "good")
    assert (within["text"], within["word"], within["band"]) == ("3.0 to 7.0", "within", "")
    assert (beyond["text"], beyond["word"]) == ("8.0", "at least")


def test_a_daemon_that_gives_no_bands_is_shown_without_them() -> None:
    assert (cell(5.0, "good")["text"], cell(5.0, "good")["band"]) == ("5.0", "")
    assert cell(8.0, "saturated high", "at its end")["text"] == "8.0"
    lines = board(map=[None, "absent", "no wire"], x=[None, "stale"]).page(10.0)["lines"]
    assert [line["words"] for line in lines[:2]] == ["Cannot see map: absent, no wire.", "Cannot see x: stale."]


def test_what_cannot_be_seen_is_told_once_at_its_root() -> None:
    made = board(boost=[None, "absent", "", 0], map=[None, "absent", "no wire", 0])
    answer = {"alerts": [], "recorder": {"ok": True}, "drive": None, "channels": {"boost": {"made_of": ["map"]}}}
    made.status({**answer, "channels": {**answer["channels"], "map": {"made_of": []}}})
    lines = [line["words"] for line in made.page(10.0)["lines"]]
    assert lines[0] == "Cannot see map: absent, no wire."
    assert not [words for words in lines if "boost:" in words]


def test_coverage_says_what_is_not_watched_and_why() -> None:
    lines = [line["words"] for line in board().page(10.0)["lines"]]
    assert lines[0] == "Watched for lean under boost."
    assert lines[1:3] == ["Watched less well for leak: it has no rpm.", "Not watched for oil: it lacks oil_pressure."]
    assert not [words for words in lines if "boost lost" in words]


@pytest.mark.parametrize(("after_s", "state"), [(SILENT_S, "watching"), (SILENT_S + 0.01, "silent")])
def test_a_daemon_that_tells_nothing_is_silent_and_nothing_of_it_is_shown(after_s: float, state: str) -> None:
    page = board(alert("a", "warning", 1), boost=[5.0, "good", "", 0.1]).page(10.0 + after_s)
    assert page["state"] == state
    assert ("values" in page) is (state == "watching")


def test_a_daemon_that_has_gone_is_told_apart_from_none_that_ever_was() -> None:
    made = Board(["boost"])
    assert made.page(1.0)["headline"] == "NO MONITOR RUNS"
    made.hello(HELLO, 2.0)
    made.event(alert("a", "warning", 1))
    made.gone("its feed has ended")
    page = made.page(2.1)
    assert (page["state"], page["headline"]) == ("gone", "THE MONITOR HAS STOPPED")
    assert "Its feed has ended." in page["words"]
    # Nothing of an earlier daemon holds for the next.
    made.hello(HELLO, 3.0)
    assert made.page(3.1)["cab"] is None


def test_classes_of_trust_cover_every_quality_and_a_worse_one_is_a_higher_number() -> None:
    assert [trust_of(q.words) for q in sorted(Quality)] == [Trust(code) for code in BY_CODE]
    assert Trust.GOOD < Trust.WITHIN < Trust.NOT_TRUSTED < Trust.STALE


def test_quantities_are_written_with_as_many_decimals_as_hold_still() -> None:
    assert [number(0.9349, "lambda"), number(-0.001, "psi"), number(13.96, "V"), number(1.0, "state")] == [
        "0.93", "0.0", "14.0", "on",
    ]  # fmt: skip
    assert (quantity(98.4, "kPa"), quantity(0.9, "lambda"), quantity(0.0123456, "m")) == ("98 kPa", "0.90", "0.0123 m")
    assert [quantity(3217.4, "rpm"), quantity(29.92, "inHg"), quantity(0.504, "bar")] == [
        "3217 rpm",
        "29.9 inHg",
        "0.50 bar",
    ]
    assert (band(None), band(0.0), band(0.0116), between(100.0, 2.0, "kPa")) == ("", "", "± 0.012", "96 to 104")


@pytest.mark.parametrize(
    ("display", "boost", "text", "unit"),
    [
        # NIST SP 811, B.8: 1 psi is 6.894757 kPa, 1 inHg is 3.386389 kPa: 5 psi are 34.5 kPa, or 10.18 inHg.
        (Display(pressure="kPa"), 5.0, "34", "kPa"),
        (Display(pressure="bar"), 5.0, "0.34", "bar"),
        (Display(pressure="psi"), 5.0, "5.0", "psi"),
        (Display(pressure="psi"), -5.0, "10.2", "inHg vacuum"),
        (Display(), -5.0, "-5.0", "psi"),
    ],
)
def test_pressure_is_shown_in_the_owners_unit(display: Display, boost: float, text: str, unit: str) -> None:
    made = Board(["boost"], display, ["boost"])
    made.hello(HELLO, 10.0)
    made.frame({"t": 1, "values": {"boost": [boost, "good", "", 0.0]}}, 10.0)
    cell = made.page(10.0)["values"][0]
    assert (cell["text"], cell["unit"]) == (text, unit)


def test_mixture_is_shown_as_afr_for_the_fuel_in_the_tank() -> None:
    # Petrol without ethanol burns at 14.6 (Heywood, Internal Combustion Engine Fundamentals, appendix D; from memory);
    # 0.85 of it is 12.4.
    made = Board(["lambda"], Display(mixture="AFR", fuel="E0"))
    made.hello(HELLO, 10.0)
    made.frame({"t": 1, "values": {"lambda": [0.85, "good", "", 0.0]}}, 10.0)
    cell = made.page(10.0)["values"][0]
    assert (cell["text"], cell["unit"]) == ("12.4", "AFR")


def test_the_end_of_a_range_turns_about_where_it_is_shown_as_vacuum() -> None:
    made = Board(["boost"], Display(pressure="psi"), ["boost"])
    made.hello(HELLO, 10.0)
    made.frame({"t": 1, "values": {"boost": [-12.0, "saturated low", "", 0.0]}}, 10.0)
    assert made.page(10.0)["values"][0]["word"] == "at least"


def test_the_figures_of_an_alert_are_in_the_owners_units() -> None:
    # NIST SP 811, B.8: 6 psi are 41.4 kPa, 2 psi 13.8 kPa.
    seen = {"channel": "boost", "unit": "psi", "quality": "good", "value": 6.0,
            "limits": [{"comparison": ">", "value": 2.0, "unit": "psi", "sureness": "likely"}]}  # fmt: skip
    end = {"channel": "lambda", "unit": "lambda", "quality": "saturated high", "value": 1.5,
           "limits": [{"comparison": ">", "value": 0.9, "unit": "lambda", "sureness": "likely"}]}  # fmt: skip
    made = Board(["boost"], Display(pressure="kPa"), ["boost"])
    made.hello(HELLO, 10.0)
    made.event(alert("a", "warning", 1, measured=[seen, end]))
    made.frame({"t": 1, "values": {}}, 10.0)
    told = made.page(10.0)["cab"]["figures"]
    assert told == "boost 41.4 kPa, limit 13.8 kPa; lambda at least 1.500, limit lambda 0.900"


def test_an_alert_without_numbers_has_its_own_words() -> None:
    page = board(alert("a", "warning", 1, figures="wire broken")).page(10.0)
    assert page["cab"]["figures"] == "wire broken"
