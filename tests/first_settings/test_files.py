"""What `cabcanary new` writes, and what it never writes over."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from cabcanary.cli.main import main
from cabcanary.first_settings.answers import AnswersError, read_answers
from cabcanary.first_settings.written import ChangedError, answers_file, keep_answers, make, read_before
from cabcanary_bench.paths import config_folder

CONFIG = config_folder()


@pytest.fixture
def raw() -> dict[str, Any]:
    return read_answers(CONFIG / "answers" / "market-hatchback.toml")


def test_other_answers_change_what_was_made_and_nothing_else(tmp_path: Path, raw: dict[str, Any]) -> None:
    settings = tmp_path / "my.toml"
    make(settings, raw, None, CONFIG)
    keep_answers(settings, raw)
    changed = {**raw, "outputs": {"buzzer_pin": 12}}
    make(settings, changed, read_before(settings), CONFIG)
    text = settings.read_text(encoding="utf-8")
    assert "[buzzer]\npin = 12" in text
    assert "[lamp]" not in text


@pytest.mark.parametrize("file", ["my.toml", "rules/my.toml"])
def test_what_a_person_has_changed_is_not_written_over(tmp_path: Path, raw: dict[str, Any], file: str) -> None:
    settings = tmp_path / "my.toml"
    make(settings, raw, None, CONFIG)
    keep_answers(settings, raw)
    mine = (tmp_path / file).read_text(encoding="utf-8") + "# mine\n"
    (tmp_path / file).write_text(mine, encoding="utf-8")
    with pytest.raises(ChangedError, match=r"was not made of these answers \(1 lines are other ones\); move it away"):
        make(settings, {**raw, "outputs": {}}, read_before(settings), CONFIG)
    assert (tmp_path / file).read_text(encoding="utf-8") == mine


def test_settings_that_were_there_before_are_not_written_over(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    settings = tmp_path / "my.toml"
    settings.write_text("# years of work\n")
    answers = str(CONFIG / "answers" / "market-hatchback.toml")
    assert main(["new", str(settings), "--answers", answers]) == 2
    assert "move it away first" in capsys.readouterr().err
    assert settings.read_text() == "# years of work\n"
    assert not answers_file(settings).exists()


def test_a_rule_set_that_a_person_has_changed_stays(tmp_path: Path, raw: dict[str, Any]) -> None:
    settings = tmp_path / "my.toml"
    make(settings, raw, None, CONFIG)
    mine = tmp_path / "rules" / "boost.toml"
    mine.write_text(mine.read_text(encoding="utf-8").replace("Boost", "BOOST"), encoding="utf-8")
    made = make(settings, raw, raw, CONFIG)
    assert made.left == [mine]
    assert "BOOST" in mine.read_text(encoding="utf-8")


def test_a_rule_sets_name_is_no_name_for_settings(tmp_path: Path, raw: dict[str, Any]) -> None:
    with pytest.raises(AnswersError, match=r"boost\.toml is the name of a rule set"):
        make(tmp_path / "boost.toml", raw, None, CONFIG)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[wideband", "answers.toml: "),
        ('[wideband]\nsignl = "voltage"', "wideband.signl: there is no such question; remove it"),
        ('[wideband]\nwarm_up = "20 V"', 'wideband.warm_up: "20 V" is voltage, not time'),
        ("[wideband]\nwarm_up = 20", "wideband.warm_up: "),
        ('[vehicle]\nstages = ["a", "b"]\nstage = "c"', "vehicle.stage is no stage; the stages are: a, b"),
        ('[vehicle]\nfuel = "water"', "vehicle.fuel: "),
        ('[exhaust]\nbore = "48 furlong"', "exhaust.bore: unknown unit 'furlong'"),
        ("[outputs]\nbuzzer_pin = 99", "99 is no pin"),
    ],
)
def test_an_answer_that_cannot_be_is_one_line(
    text: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "answers.toml").write_text(text)
    assert main(["new", str(tmp_path / "my.toml"), "--answers", str(tmp_path / "answers.toml")]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert "Traceback" not in error
    assert not (tmp_path / "my.toml").exists()


def test_wrong_places_are_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["new", str(tmp_path / "my.txt"), "--json"]) == 2
    assert "settings end in .toml" in capsys.readouterr().err
    assert main(["new", str(tmp_path / "my.toml"), "--answers", str(tmp_path / "none.toml")]) == 2
    assert "none.toml: No such file or directory" in capsys.readouterr().err
    answers = str(CONFIG / "answers" / "market-hatchback.toml")
    (tmp_path / "file").write_text("")
    assert main(["new", str(tmp_path / "file" / "my.toml"), "--answers", answers]) == 1
    assert "Traceback" not in capsys.readouterr().err
