"""How commands take their words, and what each must say before somebody relies on it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from cabcanary.cli.main import main
from cabcanary.cli.shared import DEFAULT_CONFIG
from cabcanary.store.manifest import Manifest, drive_folder, manifest_json, read_manifests

pytestmark = pytest.mark.waits


SYSTEMD = Path(__file__).parents[2] / "systemd"


def helped(capsys, *words: str) -> str:
    with pytest.raises(SystemExit) as ended:
        main([*words, "--help"])
    assert ended.value.code == 0
    return " ".join(capsys.readouterr().out.split())


@pytest.mark.parametrize(
    "words",
    [
        ["run"], ["status"], ["check"], ["bench"], ["replay"], ["backtest"], ["sounds"], ["listen"], ["watch"],
        ["baseline"], ["rules"], ["rules", "test"], ["rules", "explain"], ["rules", "trace"], ["baseline", "measure"],
    ],
    ids=" ".join,
)  # fmt: skip
def test_where_limits_wiring_or_driving_are_concerned_help_says_what_this_is_not(words, capsys):
    said = helped(capsys, *words)
    assert "This is a monitor, not protection" in said
    assert "Limits come from a qualified tuner" in said


@pytest.mark.parametrize("words", [["rules", "explain", "x"], ["baseline", "list"]])
def test_settings_are_looked_for_where_the_units_and_their_guide_have_them(words, capsys):
    named = {
        name
        for file in (*SYSTEMD.glob("*.service"), SYSTEMD / "README.md")
        for name in re.findall(r"/etc/cabcanary/\S+\.toml", file.read_text())
    }
    assert named == {str(DEFAULT_CONFIG)}
    assert f"{DEFAULT_CONFIG}" in helped(capsys, *words[:2])


@pytest.fixture
def folder(tmp_path):
    facts = {"stage": "s", "length_s": 90.0, "ticks": 1, "recovered": False, "lost_blocks": 0, "lost_ticks": 0}
    manifest = Manifest(drive="d", vehicle="van", start="2026-11-25T06:30:00.000Z", software="0", **facts)
    month = drive_folder(tmp_path, "van", manifest.start)
    month.mkdir(parents=True)
    (month / "d.manifest.json").write_bytes(manifest_json(manifest))
    return tmp_path


@pytest.mark.parametrize("option", ["--since", "--until"])
@pytest.mark.parametrize("day", ["foo", "2026-13-45", "2026-02-30", "25.11.2026", "2026-1-2", ""])
def test_a_day_that_there_is_not_is_refused_with_how_to_write_one(option, day, folder, capsys):
    with pytest.raises(SystemExit) as ended:
        main(["drives", option, day, "--folder", str(folder)])
    assert ended.value.code == 2
    assert f"argument {option}: '{day}' is no day; write it as in 2026-11-25" in capsys.readouterr().err


@pytest.mark.parametrize("day", ["2026", "2026-11", "2026-11-25"])
def test_a_day_a_month_or_a_year_narrows_the_list(day, folder, capsys):
    for option in ("--since", "--until"):
        assert main(["drives", option, day, "--folder", str(folder)]) == 0
        assert "2026-11-25 06:30:00" in capsys.readouterr().out


@pytest.mark.parametrize(
    "words",
    [
        "note last new hose clamps --folder {}",
        "note last --folder {} new hose clamps",
        "note --folder {} last new hose clamps",
        "--folder {} note last new hose clamps",
        "note last new --folder {} hose clamps",
    ],
)
def test_a_notes_words_may_stand_before_or_after_the_options(words, folder, capsys):
    assert main(["drives", *words.format(folder).split()]) == 0
    ((_, manifest),), _ = read_manifests(folder)
    assert manifest.notes == ["new hose clamps"]
    # And a slip of the pen is still one.
    with pytest.raises(SystemExit) as ended:
        main(["drives", "note", "last", "words", "--foldre", "x"])
    assert ended.value.code == 2
    assert "unrecognized arguments: --foldre" in capsys.readouterr().err


def test_settings_for_sounds_that_nothing_would_use_are_not_passed_over(tmp_path, capsys):
    for more in ([], ["--wav", str(tmp_path / "out")], ["--json"]):
        assert main(["sounds", "my-van.toml", *more]) == 2
        assert "my-van.toml says by what sounds are played, which is for --check; add that" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()
