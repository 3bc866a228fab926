"""What a baseline counts as below the lowest step that was learnt."""

from pathlib import Path

import pytest

from cabcanary.model import Frame, Quality, Value
from cabcanary.rules.engine import Engine
from cabcanary.rules.names import Measured, Setting
from cabcanary.rules.rule_set import build_rules
from cabcanary.settings.load import load_rule_file
from cabcanary.validation.problems import SettingsError

UNITS = {"map": "kPa", "engine_speed": "rpm"}
RULES = """
[baselines.normal]
of = "map"
by = "engine_speed"
step = 250
below = 10.0
when = "engine_speed > 1500 rpm"
[[rule]]
id = "above_normal"
priority = "caution"
say = "Above normal"
do = "Stop"
when = "map > baseline(normal)"
"""
LEARNT = Measured("kPa", "engine_speed", ((3000.0, 50.0), (4000.0, 80.0)))


def sounds(folder: Path, text: str, rpm: float, kpa: float) -> bool:
    (folder / "van.rules.toml").write_text(text)
    setting = Setting(UNITS, stages=("it",), stage="it", baselines={"normal": LEARNT})
    rules, problems = build_rules([load_rule_file(folder / "van.rules.toml")], setting)
    assert not problems, problems
    engine = Engine(rules.rules, {}, UNITS)
    values = {"map": Value(kpa, Quality.GOOD, 0), "engine_speed": Value(rpm, Quality.GOOD, 0)}
    return any(c.sounds for n in range(5) for c in engine.step(Frame(n * 20_000_000, values)))


@pytest.mark.parametrize(
    ("rpm", "normal"),
    # Steps of 250 rpm: that of 3000 begins at 2875, the one below it has its middle at 2750; straight lines between.
    [(1000, 10.0), (2750, 10.0), (2812.5, 30.0), (2875, 50.0), (3000, 50.0), (3500, 65.0), (4000, 80.0), (6000, 80.0)],
)
def test_below_the_lowest_step_it_is_what_the_rule_file_says(tmp_path: Path, rpm: float, normal: float) -> None:
    assert not sounds(tmp_path, RULES, rpm, normal - 1)
    assert sounds(tmp_path, RULES, rpm, normal + 1)


def test_without_a_word_of_it_the_lowest_step_holds(tmp_path: Path) -> None:
    text = RULES.replace("below = 10.0\n", "")
    assert not sounds(tmp_path, text, 1000, 49)
    assert sounds(tmp_path, text, 1000, 51)


def test_it_speaks_of_a_channel_that_must_be_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="name that in 'by'"):
        sounds(tmp_path, RULES.replace('by = "engine_speed"\n', ""), 1000, 1)
