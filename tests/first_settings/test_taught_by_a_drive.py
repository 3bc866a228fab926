"""A first drive with two minutes of idle, an overrun and one open throttle teaches what the data sheets do not say."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from archived_drive import archived

from cabcanary.cli.main import main
from cabcanary.first_settings.answers import read_answers
from cabcanary.first_settings.written import keep_answers, make, read_before
from cabcanary.plan.plan import plan_in_stage
from cabcanary.review.first_drive import Taught, _kpa, _supply, taught_by
from cabcanary_bench.drives.scenario_files import read_scenario
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.fast.fitted import Fitted
from cabcanary_bench.paths import config_folder

CONFIG = config_folder()
FIRST_DRIVE = """\
about = "What a first drive is asked to be."
length = "250 s"
start_coolant = "80 °C"
expect = [{ name = "silence", silent = "everything" }]
driver = [
    { at = "0 s", key = "on" },
    { at = "4 s", key = "start" },
    { at = "6 s", name = "idle" },
    { at = "136 s", name = "away", speed = "60 km/h", within = "15 s" },
    { at = "170 s", name = "open", speed = "100 km/h", grade = "12 %" },
    { at = "184 s", name = "overrun", speed = "40 km/h", within = "14 s", grade = "-4 %" },
    { at = "210 s", name = "home", speed = "0 km/h", within = "10 s", grade = "0 %" },
    { at = "245 s", key = "off" },
]
"""


Shown = tuple[Taught, dict[str, np.ndarray], Path]


def taught(folder: Path, vehicle: str, text: str = FIRST_DRIVE) -> Shown:
    (folder / "first.toml").write_text(text)
    scenario = read_scenario(folder / "first.toml")
    plan = plan_in_stage(CONFIG / f"{vehicle}.toml", None, None)
    fitted = Fitted(plan.settings)
    (folder / "drives").mkdir()
    samples = archived(folder / "drives", scenario, 3, plan, fitted=fitted).samples
    return taught_by(samples), drive(scenario, 3, fitted=fitted).truth, samples


@pytest.fixture(scope="module")
def hatchback(tmp_path_factory: pytest.TempPathFactory) -> Shown:
    return taught(tmp_path_factory.mktemp("hatchback"), "market-hatchback")


@pytest.fixture(scope="module")
def van(tmp_path_factory: pytest.TempPathFactory) -> Shown:
    return taught(tmp_path_factory.mktemp("van"), "bench-van")


def idle_of(truth: dict[str, np.ndarray]) -> float:
    """The manifold's pressure as the simulated engine had it while it idled, kPa."""
    rows = (truth["time_s"] > 30) & (truth["time_s"] < 130)
    return float(np.median(truth["map_kpa"][rows]))


@pytest.mark.parametrize("vehicle", ["hatchback", "van"])
def test_idle_and_overrun_are_as_the_engine_had_them(vehicle: str, request: pytest.FixtureRequest) -> None:
    seen, truth, _ = request.getfixturevalue(vehicle)
    idle = idle_of(truth)
    assert seen.idle_kpa == pytest.approx(idle, abs=1.5)
    cut = (truth["fuel_cut"] != 0) & (truth["time_s"] > 185)
    overrun = float(np.median(truth["map_kpa"][cut]))
    assert overrun < idle - 5
    assert seen.overrun_kpa == pytest.approx(overrun, abs=3.0)
    assert overrun < seen.below_idle_kpa < idle - 1.0


def test_supply_and_throttle_are_as_the_van_had_them(van: Shown, hatchback: Shown) -> None:
    seen, truth, _ = van
    running = (truth["running"] != 0) & (truth["time_s"] > 30) & (truth["time_s"] < 240)
    assert seen.supply_lowest == pytest.approx(float(truth["supply_v"][running].min()) - 0.3, abs=0.25)
    assert seen.throttle_ends is not None
    assert seen.throttle_ends[1] > 80
    # Nothing measures them there.
    assert hatchback[0].supply_lowest is None
    assert hatchback[0].throttle_ends is None


def test_what_the_drive_did_not_show_stays_unknown(tmp_path: Path) -> None:
    # Half a minute of idle and no pull.
    text = FIRST_DRIVE.replace('at = "136 s"', 'at = "30 s"').replace('at = "170 s"', 'at = "60 s"')
    text = text.replace(', grade = "12 %"', "").replace('at = "184 s"', 'at = "80 s"').replace('"210 s"', '"95 s"')
    text = (
        text.replace('"245 s"', '"110 s"')
        .replace('"250 s"', '"115 s"')
        .replace('speed = "100 km/h"', 'speed = "60 km/h"')
    )
    seen, _, _ = taught(tmp_path, "bench-van", text)
    assert seen.idle_kpa is None
    assert "idle" not in seen.answers()
    assert "no idle of a minute" in seen.lines()[0]
    assert "no open throttle" in seen.lines()[0]


def test_the_command_learns_from_it(tmp_path: Path, hatchback: Shown, capsys: pytest.CaptureFixture[str]) -> None:
    seen, _, samples = hatchback
    settings = tmp_path / "my.toml"
    raw = read_answers(CONFIG / "answers" / "market-hatchback.toml")
    make(settings, raw, None, CONFIG)
    keep_answers(settings, raw)
    assert main(["new", str(settings), "--drive", str(samples)]) == 0
    said = capsys.readouterr().out
    assert f"this drive shows: idle {seen.idle_kpa:.1f} kPa; overrun" in said
    assert "idle pressure and supply are not known yet" not in said
    assert f"below_idle_kpa = {seen.below_idle_kpa:.1f}\n" in settings.read_text(encoding="utf-8")
    before = read_before(settings)
    assert before is not None
    assert before["driven"]["below_idle"] == f"{seen.below_idle_kpa:.1f} kPa"


def test_a_drive_that_is_not_there_is_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "my.toml"), "--drive", "last", "--folder", str(tmp_path)]) == 2
    assert "there are no drives in" in capsys.readouterr().err


def test_the_supplys_lowest_is_its_lowest_and_not_its_middle() -> None:
    seconds = np.arange(0.0, 100.0, 0.02)
    volts = np.where((seconds > 60) & (seconds < 65), 12.6, 14.1)
    volts[100] = 9.9  # the starter, before the alternator has caught up
    assert _supply(seconds, seconds > 1.0, volts) == 12.3
    assert _supply(seconds, np.zeros(len(seconds), dtype=bool), volts) is None


def test_a_gauge_sensors_idle_is_absolute() -> None:
    shown, air = np.array([-67.8, 0.0]), np.array([101.3, 101.3])
    gauge = {"settings": '[channels.map]\nreference = "vented gauge"\n'}
    assert _kpa(shown, "kPa", air, gauge).tolist() == pytest.approx([33.5, 101.3])
    assert _kpa(shown, "kPa", air, {}).tolist() == [-67.8, 0.0]
    # 1 bar is 100 kPa.
    assert _kpa(np.array([0.335]), "bar", air[:1], {}).tolist() == pytest.approx([33.5])
