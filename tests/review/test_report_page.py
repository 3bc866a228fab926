"""The page of a report: well formed, alone, readable by everybody, honest on every drive; and its command."""

from __future__ import annotations

import json
import re
import shutil
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from brought_in import cabcanary
from reported_drive import NAME, Recording, Reported, eventful
from shipped_ride import IDLE, KEY_ON

import cabcanary.review.report.page as look
from cabcanary.review import new_files
from cabcanary.review.report.report import make_report

HTML, SVG = "{http://www.w3.org/1999/xhtml}", "{http://www.w3.org/2000/svg}"
SECTIONS = (
    "seen", "sounded", "not_seen", "ribbon", "alert_plots", "mixture", "into_pulls", "by_speed", "charge", "supply",
)  # fmt: skip
HOSTILE = '<script>alert("1")</script>&<b>\x07'


def page_of(html: str) -> ET.Element:
    return ET.fromstring(html)


def words(element: ET.Element) -> str:
    return " ".join("".join(element.itertext()).split())


@pytest.fixture(scope="module")
def van(tmp_path_factory: pytest.TempPathFactory) -> Reported:
    """The bench van; somebody has left notes and a mark that are no markup."""
    home = tmp_path_factory.mktemp("van")
    ride = eventful(Recording("bench-van", home / "settings", lambda t: t.replace('"bench van"', f"'{HOSTILE[:-1]}'")))
    ride.events.append({"t": ride.frames[100].time_ns, "kind": "note", "what": "feed", "text": HOSTILE})
    return ride.archive(home / "state", notes=(HOSTILE, "new hose clamps"))


@pytest.fixture(scope="module")
def html(van: Reported) -> str:
    return make_report(van.samples).html


@pytest.fixture(scope="module")
def least(tmp_path_factory: pytest.TempPathFactory) -> Reported:
    """The vehicle with the fewest sensors, started and left to idle."""
    home = tmp_path_factory.mktemp("least")
    return Recording("market-hatchback", home / "settings").started().archive(home / "state")


# --- the document ---------------------------------------------------------------------------------------------------


def test_it_is_one_well_formed_document_with_its_language_and_title(html: str) -> None:
    page = page_of(html)
    assert html.startswith("<!DOCTYPE html>")
    assert (page.tag, page.get("lang")) == (f"{HTML}html", "en")
    assert words(page.find(f"{HTML}head/{HTML}title") or page).startswith("Drive report:")
    levels = [int(e.tag[-1]) for e in page.iter() if re.fullmatch(r"\{.*\}h[1-6]", e.tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(b - a <= 1 for a, b in pairwise(levels))
    ids = [e.get("id") for e in page.iter() if e.get("id")]
    assert len(ids) == len(set(ids))


def test_nothing_is_asked_of_another_host_and_nothing_runs(html: str) -> None:
    # The names of the two vocabularies are addresses that nobody asks.
    rest = re.sub(r'xmlns="http://www\.w3\.org/(1999/xhtml|2000/svg)"', "", html)
    assert "http" not in rest
    assert "//" not in rest
    assert "@import" not in rest
    assert set(re.findall(r"url\(([^)]*)\)", rest)) == {"#hatch"}
    page = page_of(html)
    tags = {e.tag.rpartition("}")[2] for e in page.iter()}
    assert not tags & {"script", "link", "img", "iframe", "object", "embed", "base", "form", "image", "use", "a"}
    assert not [k for e in page.iter() for k in e.attrib if k.startswith("on") or k in ("src", "href")]


def test_what_people_wrote_is_text(html: str) -> None:
    said = words(page_of(html))
    assert html.count("<script") == 0
    # The control character is none that a page may hold.
    assert said.count('<script>alert("1")</script>&<b>') >= 4
    notes = next(s for s in page_of(html).iter(f"{HTML}section") if s.get("aria-labelledby") == "notes")
    assert "new hose clamps" in words(notes)
    assert "at 0:02.0: <script>" in words(notes)


def test_each_plot_has_a_name_and_a_sentence_for_whoever_does_not_see_it(html: str) -> None:
    page, plots = page_of(html), 0
    for svg in page.iter(f"{SVG}svg"):
        if svg.get("aria-hidden") == "true":
            continue
        plots += 1
        assert svg.get("role") == "img"
        title, desc = (svg.find(f"{SVG}{tag}") for tag in ("title", "desc"))
        assert title is not None
        assert desc is not None
        assert svg.get("aria-labelledby") == f"{title.get('id')} {desc.get('id')}"
        assert len(words(desc).split()) >= 6
    for wide in (e for e in page.iter(f"{HTML}div") if "wide" in (e.get("class") or "")):
        # What is moved sideways on a telephone can be moved with keys, and has a name.
        assert (wide.get("tabindex"), bool(wide.get("aria-label"))) == ("0", True)
    # The course, six alerts, mixture in three ways, charge air, supply.
    assert plots == 12


def test_it_begins_with_what_it_is_not_and_never_says_that_anything_is_safe(html: str) -> None:
    main = page_of(html).find(f"{HTML}body/{HTML}main")
    assert main is not None
    top = [words(e) for e in list(main)[:3]]
    assert "monitor, not protection" in top[2]
    assert "Limits come from a qualified tuner" in top[2]
    assert "those that come with the program are examples" in top[2]
    assert "Nobody has confirmed the limits of this drive: they are examples." in top[2]
    assert not re.search(r"\bsafe\b", words(main), re.IGNORECASE)


def luminance(colour: str) -> float:
    """WCAG 2.2, relative luminance."""
    digits = colour if len(colour) == 6 else "".join(c * 2 for c in colour)
    parts = [int(digits[n : n + 2], 16) / 255 for n in (0, 2, 4)]
    r, g, b = (p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def test_contrast_by_day_and_in_the_dark_is_that_of_wcag_aa() -> None:
    css = Path(look.__file__).with_name("page.css").read_text(encoding="utf-8")
    schemes = [
        dict(re.findall(r"--(\w+): #([0-9a-f]{3,6})", block))
        for block in re.findall(r":root \{(.*?)\}", css, re.DOTALL)
    ]
    assert len(schemes) == 2
    for scheme in schemes:
        paper = luminance(scheme["paper"])
        for name, least in (("ink", 4.5), ("soft", 4.5), ("limit", 4.5), ("mark", 3.0), ("bar", 3.0), ("hatch", 3.0)):
            a, b = sorted((luminance(scheme[name]), paper))
            assert (b + 0.05) / (a + 0.05) >= least, name


def test_on_paper_it_is_a4_white_and_cuts_no_plot() -> None:
    css = Path(look.__file__).with_name("page.css").read_text(encoding="utf-8")
    assert "@page { size: A4" in css
    assert re.search(r"@media print \{.*figure[^{]*\{ break-inside: avoid", css, re.DOTALL)
    # The dark scheme is for screens alone.
    assert re.findall(r"@media[^{]*dark[^{]*", css) == ["@media screen and (prefers-color-scheme: dark) "]


# --- every drive ----------------------------------------------------------------------------------------------------


def sentences(samples: Path) -> dict[str, Any]:
    report = make_report(samples)
    page_of(report.html)
    assert all(report.figures[key]["sentences"] for key in SECTIONS)
    return {key: " ".join(report.figures[key]["sentences"]) for key in SECTIONS}


def test_the_least_vehicle_is_told_what_cannot_be_shown_and_why(least: Reported) -> None:
    told = sentences(least.samples)
    assert "no channel for engine speed" in told["by_speed"]
    assert "no channel charge_temperature" in told["charge"]
    assert "no channel for its supply" in told["supply"]
    assert "Boost was not seen above 2 psi; it may have been for" in told["seen"]
    assert "nothing is known of the engine under boost" in told["not_seen"]
    assert told["sounded"] == "No alert sounded."
    assert "nothing to show" in told["alert_plots"]


def test_an_empty_drive_and_one_of_seconds(tmp_path: Path) -> None:
    ride = Recording("market-hatchback", tmp_path / "settings")
    # The archive's writer of the tests counts from a first frame.
    ride.hold(0.02, KEY_ON)
    drive = ride.archive(tmp_path / "one")
    assert "recorded for 0.0 s" in sentences(drive.samples)["seen"]
    empty_of_rows(drive.samples)
    assert "too short to be drawn" in sentences(drive.samples)["ribbon"]
    ride.hold(2.0, IDLE)
    assert "recorded for 2.0 s" in sentences(ride.archive(tmp_path / "seconds").samples)["seen"]


def empty_of_rows(samples: Path) -> None:
    import pyarrow.parquet as pq

    table = pq.read_table(samples)
    pq.write_table(table.slice(0, 0), samples)


def test_a_drive_in_which_everything_was_blind(tmp_path: Path) -> None:
    ride = Recording("bench-van", tmp_path / "settings").hold(12.0, {})
    told = sentences(ride.archive(tmp_path / "state").samples)
    assert "nothing is known of the engine under boost" in told["not_seen"]
    assert "No mixture was seen to last under boost" in told["seen"]
    assert "nothing can be drawn" in told["mixture"]
    assert "all are empty" in told["into_pulls"]


def test_of_very_many_alerts_some_are_drawn_and_all_are_told(van: Reported, tmp_path: Path) -> None:
    samples = tmp_path / van.samples.name
    shutil.copy(van.samples, samples)
    events = van.samples.with_suffix(".events.jsonl").read_text(encoding="utf-8").splitlines()
    samples.with_suffix(".events.jsonl").write_text("\n".join(events * 12) + "\n", encoding="utf-8")
    report = make_report(samples)
    assert len(report.figures["sounded"]["alerts"]) == 72
    assert "Drawn are the first 40 of 72." in report.figures["alert_plots"]["sentences"]
    # Without its manifest nobody knows what the recorder has lost.
    assert "lies alone" in " ".join(report.figures["not_seen"]["sentences"])


LOG = "time_s,lambda [lambda],map [kPa]\n" + "".join(f"{n / 50:.2f},0.99,{33 + n % 3}\n" for n in range(200))


def test_imported_logs_with_and_without_settings(least: Reported, tmp_path: Path) -> None:
    log, config = tmp_path / "log.csv", least.plan.file
    log.write_text(LOG, encoding="utf-8")
    assert cabcanary("import", log, "--config", config, "--folder", tmp_path / "a")[0] == 0
    code, out, _ = cabcanary("report", "last", "--folder", tmp_path / "a", "--json")
    assert code == 0
    assert json.loads(out)["sounded"]["sentences"] == [
        "No rules watched this drive, so that nothing sounded means nothing."
    ]
    assert cabcanary("import", log, "--vehicle", "x", "--folder", tmp_path / "b")[0] == 0
    code, out, err = cabcanary("report", "last", "--folder", tmp_path / "b", "-o", tmp_path / "b.html")
    assert (code, out) == (2, "")
    assert "brought in without settings: say --config here" in err
    assert cabcanary("drives", "note", "last", "dyno, third run", "--folder", tmp_path / "b")[0] == 0
    words_of = ("report", "last", "--folder", tmp_path / "b", "--config", config, "-o", tmp_path / "b.html")
    assert cabcanary(*words_of) == (0, f"wrote {tmp_path / 'b.html'}\n", "")
    assert "dyno, third run" in (tmp_path / "b.html").read_text(encoding="utf-8")


# --- units ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("choice", "shown", "not_shown"),
    [
        ('pressure = "psi"', ["2 psi", "20.2 inHg vacuum", "psi absolute"], ["kPa"]),
        ('pressure = "kPa"', ["above 15 kPa", "20 to 40 kPa"], [" psi"]),
        ('pressure = "bar"', ["above 0.15 bar", "bar of boost"], [" psi", "kPa"]),
        ('mixture = "AFR"', ["AFR 13.", "Mixture is shown as AFR for E10, stoichiometric at 14.01"], ["was lambda"]),
    ],
)  # fmt: skip
def test_it_is_written_in_the_owners_units_and_programs_are_told_the_same(
    choice: str, shown: list[str], not_shown: list[str], van: Reported, tmp_path: Path
) -> None:
    config = tmp_path / "mine.toml"
    rules = van.plan.file.parent / "rules"
    text = van.plan.settings_text.replace('"rules/', f'"{rules}/')
    config.write_text(f"{text}\n[display]\n{choice}\n", encoding="utf-8")
    page = tmp_path / "page.html"
    arguments = ("report", NAME, "--folder", van.folder, "--config", config, "-o", page, "--json")
    code, out, err = cabcanary(*arguments)
    assert (code, err) == (0, "")
    # The reasons that alerts were recorded with stay as they were told.
    said = words(page_of(page.read_text(encoding="utf-8"))).replace("scatters by 12 kPa", "")
    for one in shown:
        assert one in said
    for one in not_shown:
        assert one not in said
    plain = json.loads(json.dumps(make_report(van.samples).figures))
    assert json.loads(out)["seen"]["leanest_under_boost"] == plain["seen"]["leanest_under_boost"]
    assert json.loads(out)["seen"]["highest_boost_psi"] == plain["seen"]["highest_boost_psi"]


# --- the command ----------------------------------------------------------------------------------------------------


def test_it_writes_a_new_file_and_over_none(van: Reported, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert cabcanary("report", "last", "--folder", van.folder) == (0, f"wrote {NAME}.html\n", "")
    made = Path(f"{NAME}.html").read_bytes()
    code, out, err = cabcanary("report", van.samples)
    assert (code, out) == (2, "")
    assert err == f"{NAME}.html is there already; name another file with --output, or remove it\n"
    assert Path(f"{NAME}.html").read_bytes() == made
    code, out, _ = cabcanary("report", van.samples, "--json")
    assert (code, json.loads(out)["file"]) == (0, None)
    assert [p.name for p in tmp_path.iterdir()] == [f"{NAME}.html"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["nowhere"], "there is no drive 'nowhere'"),
        (["no/such.parquet"], "there is no drive 'no/such.parquet'"),
        ([NAME, "-o", "no/such/a.html"], "there is no folder no/such; make it first"),
        ([NAME, "-o", "."], ". is a folder; name a file in it"),
        ([NAME, "--config", "no.toml"], "cannot be read"),
    ],
)
def test_a_wrong_word_is_one_clear_line(
    arguments: list[str], said: str, van: Reported, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    code, out, err = cabcanary("report", *arguments, "--folder", van.folder)
    assert (code, out) == (2, "")
    assert said in err
    assert list(tmp_path.iterdir()) == []


def test_nothing_is_written_into_the_daemons_archive(van: Reported) -> None:
    target = van.samples.with_name("report.html")
    code, _, err = cabcanary("report", NAME, "--folder", van.folder, "-o", target)
    assert code == 2
    assert "would lie in the daemon's own" in err
    assert not target.exists()


def test_a_page_that_cannot_be_written_leaves_nothing(
    van: Reported, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: Any, __: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(new_files.Path, "replace", full)
    code, out, err = cabcanary("report", NAME, "--folder", van.folder, "-o", tmp_path / "a.html")
    assert (code, out) == (1, "")
    assert err == f"{tmp_path / 'a.html'}: No space left on device\n"
    assert list(tmp_path.iterdir()) == []


def test_a_damaged_file_is_a_line(tmp_path: Path) -> None:
    torn = tmp_path / "torn.parquet"
    torn.write_bytes(b"PAR1 and no more")
    code, out, err = cabcanary("report", torn, "-o", tmp_path / "a.html")
    assert (code, out) == (2, "")
    assert len(err.strip().splitlines()) == 1
