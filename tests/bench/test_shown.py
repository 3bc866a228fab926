"""Pictures and the table in README.md are what the program says today."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from cabcanary.plan.coverage import VITAL
from cabcanary.plan.plan import plan_in_stage
from cabcanary_bench.paths import config_folder
from cabcanary_bench.shown.needs import LEVELS, table
from cabcanary_bench.shown.pictures import pictures

ROOT = Path(__file__).parents[2]
PICTURES = ROOT / "guides" / "pictures"
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def drawn() -> dict[str, str]:
    return pictures()


def words(svg: str) -> list[str]:
    return [(row.text or "").replace("\N{NO-BREAK SPACE}", " ") for row in ET.fromstring(svg).iter(f"{SVG}text")]


def test_the_pictures_are_those_that_the_program_makes_now(drawn: dict[str, str]) -> None:
    kept = {file.name: file.read_text(encoding="utf-8") for file in PICTURES.glob("*.svg")}
    assert kept.keys() == drawn.keys()
    for name, svg in drawn.items():
        assert words(kept[name]) == words(svg), "run: python -m cabcanary_bench.shown.pictures guides/pictures"
        assert kept[name] == svg, "run: python -m cabcanary_bench.shown.pictures guides/pictures"


def test_a_picture_shows_a_warning_and_what_it_is_not(drawn: dict[str, str]) -> None:
    assert "in the cab: warning for lean_under_boost" in words(drawn["bench.svg"])
    assert any(line.startswith("! Lift off gently. Lean under boost") for line in words(drawn["status.svg"]))
    assert any("monitor, not protection" in line for line in words(drawn["status.svg"]))
    assert any("limits are examples" in line for line in words(drawn["check.svg"]))


def test_no_line_of_a_picture_is_wider_than_the_picture(drawn: dict[str, str]) -> None:
    for svg in drawn.values():
        width = float(ET.fromstring(svg).attrib["width"])
        for row in ET.fromstring(svg).iter(f"{SVG}text"):
            assert float(row.attrib["x"]) + float(row.attrib.get("textLength", 0)) <= width


def test_readme_shows_every_picture_and_the_table_that_coverage_gives() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    for file in PICTURES.iterdir():
        assert f"guides/pictures/{file.name}" in text
    assert table() in text, "run: python -m cabcanary_bench.shown.needs"


def test_each_level_in_the_table_has_what_its_heading_says_and_no_gap() -> None:
    fitted = []
    for file in LEVELS.values():
        plan = plan_in_stage(config_folder() / file, "compressor, low boost", None)
        assert not [p for p in plan.coverage.gaps if p.subject in VITAL]
        fitted.append({name for name, c in plan.settings.channels.items() if not hasattr(c, "derive")})
    has = [{c for c in ("supply", "engine_speed", "throttle") if c in channels} for channels in fitted]
    assert has == [set(), {"supply"}, {"supply", "engine_speed"}, {"supply", "engine_speed", "throttle"}]
    assert all({"lambda", "map"} <= channels for channels in fitted)
