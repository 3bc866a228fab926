"""Two drives, two stages, a drive and its baselines: what lies apart, by how much, and when nobody can tell."""

from __future__ import annotations

import asyncio
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from staged_drives import IDLE, Archive, staged_config

from cabcanary.cabview.archive import Archive as PagesArchive
from cabcanary.cabview.compare_page import ComparePage, stages_of
from cabcanary.display import Display
from cabcanary.plan.plan import load_plan
from cabcanary.review.figures.drive_figures import Figures
from cabcanary.review.stages.side_by_side import Row, side_by_side
from cabcanary.store.baselines import Baseline, Baselines, write_baselines


def figures(*idles: float) -> list[Figures]:
    return [Figures(f"d{n}", "", running_s=600.0, idle_kpa=kpa) for n, kpa in enumerate(idles)]


def row(name: str, rows: list[Row]) -> Row:
    return next(r for r in rows if r.figure == name)


def test_two_stages_that_idle_apart_are_told_with_their_interval() -> None:
    # Welch's interval, by scipy.stats.ttest_ind(…, equal_var=False).confidence_interval(): 2.684 to 3.516 kPa.
    found = row("idle pressure", side_by_side(figures(33.0, 33.2, 33.1), figures(36.0, 36.4, 36.2), Display()))
    assert (found.one, found.other) == ("33.1 kPa", "36.2 kPa")
    assert (found.apart, found.beyond) == ("+3.1 kPa (+2.68 to +3.52)", True)


def test_what_chance_may_do_is_not_told_as_apart() -> None:
    found = row("idle pressure", side_by_side(figures(33.0, 35.0, 31.0), figures(34.0, 32.0, 36.0), Display()))
    assert found.beyond is False


def test_of_one_drive_a_side_nobody_knows_what_is_chance() -> None:
    found = row("idle pressure", side_by_side(figures(33.0), figures(45.5), Display()))
    assert (found.apart, found.beyond) == ("+12 kPa; one drive a side: nobody knows how much of it is chance", None)


def test_what_neither_has_seen_is_left_out_and_what_one_has_is_told() -> None:
    rows = side_by_side(figures(33.0), [Figures("x", "")], Display())
    assert row("idle pressure", rows).other == "not seen"
    assert [r for r in rows if r.figure == "lowest supply"] == []


# --- from drives ------------------------------------------------------------------------------------------------------


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return staged_config(tmp_path)


def shown(config: Path, **query: str) -> tuple[int, str]:
    settings = load_plan(config).settings
    page: Any = ComparePage(PagesArchive(settings.daemon.folder), settings)
    answer = asyncio.run(page.show(SimpleNamespace(query_params=query)))
    return answer.status_code, answer.body.decode()


def test_a_leaner_drive_stands_beside_the_one_before(config: Path) -> None:
    archive = Archive(config)
    first = archive.drive((20.0, IDLE, 1.0), (12.0, 7.0, 0.80))
    second = archive.drive((20.0, IDLE, 1.0), (12.0, 7.0, 0.84))
    code, told = shown(config, one=f"drive:{first}", other=f"drive:{second}")
    assert code == 200
    assert "<td>lambda 0.80" in told
    assert "<td>lambda 0.84" in told
    # ln(0.84 / 0.80) is 4.9 %.
    assert "+4.9 %; one drive a side" in told
    assert "Too little is there to tell a difference from chance." in told


def test_two_stages_stand_beside_each_other_by_their_drives(config: Path) -> None:
    archive = Archive(config)
    for _ in range(3):
        archive.drive((20.0, IDLE, 1.0), stage="no boost")
        archive.drive((20.0, IDLE + 1.8, 1.0))
    code, told = shown(config, one="stage:no boost", other="stage:low boost")
    assert code == 200
    assert "<td>3, 1 min of running</td>" in told
    # 1.8 psi are 12.4 kPa (NIST SP 811: 6.894757 kPa).
    assert "Idle pressure: +12.4 kPa (" in told
    assert "which is more than chance." in told


def test_a_drive_stands_beside_what_had_been_measured_as_normal(config: Path) -> None:
    folder = load_plan(config).settings.daemon.folder
    known = Baseline(
        name="idle_pressure", stage="low boost", of="map", unit="kPa", points=[(0.0, 28.0)], spread=1.0, seconds=60.0
    )
    write_baselines(folder, Baselines().with_one(known))
    drive = Archive(config).drive((20.0, IDLE, 1.0))
    code, told = shown(config, one=f"drive:{drive}", other="baselines")
    assert code == 200
    # 101.3 - 9.8 x 6.894757 = 33.8 kPa; 5.8 above 28.
    assert "<td>28 ± 1 kPa</td><td>33.76 kPa</td><td>+5.8 kPa</td>" in told
    assert "beyond the spread that is normal" in told


def test_the_list_offers_two_stages_where_there_are_two() -> None:
    assert stages_of(["only"]) == ""
    told = stages_of(["new <b>", "old"])
    assert '<option value="stage:old" selected>' in told
    assert told.count('<option value="stage:new &lt;b&gt;"') == 2


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ({"one": "", "other": "drive:x"}, "baselines stand beside a drive"),
        ({"one": "drive:../../etc/passwd", "other": "drive:x"}, "There is no drive of this name"),
        ({"one": "stage:<b>", "other": "stage:y"}, "There is no drive of stage"),
        ({"one": "stage:low boost", "other": "baselines"}, "baselines stand beside a drive"),
    ],
)
def test_what_cannot_be_compared_is_refused_in_words(query: dict[str, str], words: str, config: Path) -> None:
    code, told = shown(config, **query)
    assert code == 404
    assert words in told
    assert "<b>" not in told
