"""Trends as they are told and drawn: response and warm-up of a wideband, the age of a part, fuel receipts, the page."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pytest
from browser import Browser
from bus_van import BusArchive, Engine, bus_van
from staged_drives import IDLE, Archive, Part, staged_config

from cabcanary.cli.main import main
from cabcanary.plan.plan import load_plan
from cabcanary.review.figures.drive_figures import figures_of
from cabcanary.review.figures.trend import drawn_line, trend
from cabcanary.review.list.recorded_drive import read_drive
from cabcanary.review.stages.blends import explained
from cabcanary.store.fuel_receipts import Receipt, read_receipts

SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture
def config(tmp_path: Path) -> Path:
    return staged_config(tmp_path)


# --- a wideband that ages ---------------------------------------------------------------------------------------------


def returns(lag_s: float, times: int = 4) -> list[Part]:
    """Fuel cuts and their ends, as a sensor of first order with this lag shows them."""
    parts: list[Part] = []
    for _ in range(times):
        parts += [(3.0, IDLE, 1.0), (2.0, -11.5, 1.55)]
        parts += [(0.02, -5.0, 1.0 + 0.55 * float(np.exp(-0.02 * n / lag_s))) for n in range(60)]
    return parts


def figures(config: Path, name: str):  # type: ignore[no-untyped-def]
    return figures_of(read_drive(next(load_plan(config).settings.daemon.folder.rglob(f"{name}.parquet"))))


@pytest.mark.parametrize("lag_s", [0.08, 0.2])
def test_the_response_is_the_time_between_two_mixtures(config: Path, lag_s: float) -> None:
    name = Archive(config).drive(*returns(lag_s))
    # From 1.35 to 1.08 of a fall from 1.55 to 1.00: the logarithm of 0.35 over 0.08.
    assert figures(config, name).response_s == pytest.approx(lag_s * np.log(0.35 / 0.08), abs=0.008)


def test_two_returns_are_no_response(config: Path) -> None:
    assert figures(config, Archive(config).drive(*returns(0.1, 2))).response_s is None


def test_a_return_that_the_driver_draws_out_is_none(config: Path) -> None:
    slow: list[Part] = []
    for _ in range(5):
        slow += [(2.0, -11.5, 1.55), *((0.1, -5.0, 1.55 - 0.01 * n) for n in range(56))]
    assert figures(config, Archive(config).drive(*slow)).response_s is None


def heated(config: Path, heating_s: float, before_s: float = 0.0) -> Path:
    """Settings of a wideband that says how long it warms up."""
    text = config.read_text(encoding="utf-8")
    config.write_text(
        text.replace('item = "voltage1"', f'item = "voltage1"\nwideband = {{ warm_up = "{heating_s:.0f} s" }}', 1)
        + f'[drive]\nkept_before = "{before_s:.0f} s"\n',
        encoding="utf-8",
    )
    return config


def test_the_warm_up_is_told_of_a_drive_that_the_monitor_came_up_with(config: Path) -> None:
    heated(config, 12.0, before_s=10.0)
    found = figures(config, Archive(config).drive((20.0, IDLE, 1.0)))
    assert found.warm_up_s == pytest.approx(12.0, abs=0.3)


def test_a_warm_up_that_began_unseen_is_none(config: Path) -> None:
    # The engine ran from the first sample on, and nothing was kept from before: it may have been heating for long.
    heated(config, 12.0, before_s=0.0)
    assert figures(config, Archive(config).drive((20.0, IDLE, 1.0))).warm_up_s is None


# --- parts with a serial number ---------------------------------------------------------------------------------------


def test_a_parts_hours_count_from_its_fitting_and_its_trend_begins_anew(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    archive = Archive(config)
    declare = ["stage", str(config), "declare", "--part", "lambda"]
    assert main([*declare, "--serial", "A1", "--date", "2026-01-01"]) == 0
    for _ in range(3):
        archive.drive(*returns(0.3, 3))
    assert main([*declare, "--serial", "B2", "--date", "2026-01-04"]) == 0
    assert "lambda: serial B2, fitted 2026-01-04; its hours and trends begin anew" in capsys.readouterr().out
    for _ in range(6):
        archive.drive(*returns(0.1, 3))
    assert main(["stage", str(config), "trends", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    (part,) = told["parts"]
    # Six drives since the fourth of January, of three returns of 6.2 s each.
    assert (part["serial"], part["drives"]) == ("B2", 6)
    assert part["hours"] == pytest.approx(6 * 3 * 6.2 / 3600, rel=0.01)
    response = {t["figure"]: t for t in told["trends"]}["wideband response"]
    assert len(response["numbers"]) == 6
    assert response["step"] is None
    assert not response["plain"]
    assert main(["stage", str(config), "trends"]) == 0
    assert "lambda, serial B2: 0.0 h in 6 recorded drives since 2026-01-04" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["declare", "--part", "lambda"], "--part CHANNEL and --serial NUMBER go together"),
        (["declare", "--part", "nothing", "--serial", "A"], "there is no channel 'nothing'"),
        (["fuel"], "how much was filled? add --litres L"),
        (["fuel", "--litres", "-3"], "--litres:"),
        (["fuel", "--litres", "nan"], "--litres:"),
        (["fuel", "--litres", "40", "--blend", "water"], "--blend: unknown fuel 'water'"),
        (["fuel", "--litres", "40", "--ethanol", "120"], "--ethanol:"),
        (["fuel", "--litres", "40", "--date", "2126-01-01"], "has not come yet"),
    ],
)
def test_what_cannot_be_meant_is_said(
    config: Path, words: list[str], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = config.read_text(encoding="utf-8")
    assert main(["stage", str(config), *words]) == 2
    assert said in capsys.readouterr().err
    assert config.read_text(encoding="utf-8") == before
    assert read_receipts(load_plan(config).settings.daemon.folder) == []


# --- fuel -------------------------------------------------------------------------------------------------------------


def test_another_blend_is_kept_declared_and_voids_what_depends_on_it(
    config: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = load_plan(config).settings.daemon.folder
    assert main(["stage", str(config), "fuel", "--litres", "40", "--date", "2026-01-02"]) == 0
    assert load_plan(config).settings.vehicle.fuel == "E10"
    assert main(["stage", str(config), "fuel", "--litres", "45.5", "--date", "2026-01-09", "--blend", "E85"]) == 0
    said = capsys.readouterr().out
    assert "ask your tuner whether the tune is for it before you boost" in said
    assert "monitor, not protection" in said
    assert load_plan(config).settings.vehicle.fuel == "E85"
    # A winter's E85, by the owner's own figure.
    words = ["fuel", "--litres", "30", "--date", "2026-01-12", "--blend", "E85", "--ethanol", "70"]
    assert main(["stage", str(config), *words]) == 0
    assert load_plan(config).settings.vehicle.fuel == "E70"
    kept = read_receipts(folder)
    assert [(r.litres, r.blend, r.ethanol) for r in kept] == [
        (40.0, "E10", None),
        (45.5, "E85", None),
        (30.0, "E85", 70),
    ]
    # One that is written down late says nothing of what is in the tank now.
    assert main(["stage", str(config), "fuel", "--litres", "40", "--date", "2026-01-03", "--blend", "E5"]) == 0
    assert load_plan(config).settings.vehicle.fuel == "E70"
    assert [r.blend for r in read_receipts(folder)] == ["E10", "E5", "E85", "E85"]


def test_a_damaged_file_of_receipts_is_told(config: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (load_plan(config).settings.daemon.folder / "fuel.json").write_text("{", encoding="utf-8")
    assert main(["stage", str(config), "fuel", "--litres", "40"]) == 2
    assert "is no file of fuel receipts" in capsys.readouterr().err


DAYS = [date(2026, 1, 1) + timedelta(days=n) for n in range(16)]


def stepped(step: float, at: int = 8) -> str:
    rng = np.random.default_rng(3)
    numbers = [float(x) + (step if n >= at else 0.0) for n, x in enumerate(rng.normal(0.0, 0.15, 16))]
    found = trend("fuel trim away from idle", "%", numbers, [str(d) for d in DAYS])
    assert found.step is not None
    return explained(found, DAYS, FILLS)


FILLS = [Receipt(day=DAYS[2], litres=40, blend="E5"), Receipt(day=DAYS[8], litres=40, blend="E10")]


def test_a_step_of_the_size_that_stoichiometry_gives_is_fuel_and_no_drift() -> None:
    # E5 to E10: about 2 % more fuel for the same air (14.30 to 14.01 by mass, of the formulas' C, H and O).
    said = stepped(2.0)
    assert "the blend changed from E5 to E10 on 2026-01-09, which explains it (+2.1 % by stoichiometry" in said
    assert said.endswith("fuel, and no drift")
    # A tank that still holds some of the old.
    assert stepped(1.0).endswith("fuel, and no drift")


@pytest.mark.parametrize("step", [4.5, -1.8])
def test_a_step_of_another_size_or_sign_is_not_explained_away(step: float) -> None:
    said = stepped(step)
    assert "and not this step" in said
    left = re.search(r"([+-][\d.]+) % is left, look for its cause", said)
    assert left is not None
    # The drives' own scatter is 0.15 %.
    assert float(left[1]) == pytest.approx(step - 2.1, abs=0.2)


def test_a_step_at_another_time_is_none_of_the_fuels() -> None:
    assert stepped(1.8, at=5) == ""


# --- the page ---------------------------------------------------------------------------------------------------------


def test_the_lines_interval_is_that_of_another_library() -> None:
    import statsmodels.api as sm

    rng = np.random.default_rng(5)
    numbers = 0.1 * np.arange(14) + rng.normal(0.0, 0.5, 14)
    found = trend("x", "kPa", numbers.tolist(), [str(n) for n in range(14)])
    fit = sm.OLS(numbers, sm.add_constant(np.arange(14.0))).fit()
    theirs = fit.get_prediction().conf_int(alpha=0.05)
    line, low, high = drawn_line(found)
    assert line == pytest.approx(fit.fittedvalues, abs=1e-6)
    assert low == pytest.approx(theirs[:, 0], abs=1e-3)
    assert high == pytest.approx(theirs[:, 1], abs=1e-3)


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """A van whose fuel is another from the ninth drive on, and whose idle creeps."""
    home = tmp_path_factory.mktemp("drawn")
    config = bus_van(home, "maf")
    with config.open("a", encoding="utf-8") as file:
        file.write('[display]\npressure = "psi"\n[parts.engine_map]\nserial = "<b>7"\nfitted = 2026-02-03\n')
    archive = BusArchive(config)
    for n in range(16):
        trim = 1.8 if n >= 8 else 0.0
        archive.drive(Engine(kpa=33.0 + 0.3 * n, near=trim, far=trim), idle_s=76.0, cruise_s=14.0)
    fill = ["stage", str(config), "fuel", "--litres", "40"]
    assert main([*fill, "--blend", "E5", "--date", "2026-02-02"]) == 0
    assert main([*fill, "--blend", "E10", "--date", "2026-02-09"]) == 0
    page = home / "trends.html"
    assert main(["stage", str(config), "trends", "-o", str(page)]) == 0
    return config, page


def test_the_page_says_what_is_seen_before_it_draws_it(drawn: tuple[Path, Path]) -> None:
    html = drawn[1].read_text(encoding="utf-8")
    page = ET.fromstring(html)
    said = " ".join("".join(page.itertext()).split())
    assert said.index("monitor, not protection") < said.index("What is seen") < said.index("Each dot is one of")
    assert "E5 to E10" in said
    assert "fuel, and no drift" in said
    # 0.3 kPa a drive is 0.44 psi in ten (NIST SP 811: 6.894757 kPa).
    slope = re.search(r"Idle pressure: a slope of \+([\d.]+) psi", said)
    assert slope is not None
    assert float(slope[1]) == pytest.approx(3.0 / 6.894757, abs=0.12)
    assert "<b>7" in said
    assert "safe" not in " ".join(page[1].itertext()).lower()
    # Alone: nothing is asked, nothing runs.
    rest = re.sub(r'xmlns="http://www\.w3\.org/(1999/xhtml|2000/svg)"', "", html)
    assert "http" not in rest
    assert "<script" not in rest


def test_no_sign_of_the_page_is_a_colour_alone(drawn: tuple[Path, Path]) -> None:
    page = ET.fromstring(drawn[1].read_text(encoding="utf-8"))
    plots = [svg for svg in page.iter(f"{SVG}svg") if svg.get("role") == "img"]
    assert len(plots) >= 3
    for svg in plots:
        classes = [path.get("class") for path in svg.iter(f"{SVG}path")]
        # The interval is pale, and its two edges are dotted.
        assert classes.count("zero") == 2 * classes.count("band") >= 2
        words = "".join(svg.itertext())
        if "limit" in classes:
            assert "step, 2026-02-09" in words
        if "receipt" in classes:
            assert "fuel: E5 to E10" in words


@pytest.fixture
def browser() -> Iterator[Browser]:
    opened = Browser()
    yield opened
    opened.quit()


def test_the_page_is_for_everybody_by_day_and_night(drawn: tuple[Path, Path], browser: Browser) -> None:
    for theme in ("light", "dark"):
        browser.execute_cdp_cmd(
            "Emulation.setEmulatedMedia", {"features": [{"name": "prefers-color-scheme", "value": theme}]}
        )
        browser.get(drawn[1].as_uri())
        assert browser.grave_faults() == []


def test_a_page_is_not_written_over(drawn: tuple[Path, Path], capsys: pytest.CaptureFixture[str]) -> None:
    before = drawn[1].read_bytes()
    assert main(["stage", str(drawn[0]), "trends", "-o", str(drawn[1])]) == 2
    assert "is there already" in capsys.readouterr().err
    assert drawn[1].read_bytes() == before
