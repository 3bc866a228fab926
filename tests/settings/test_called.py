"""What people call a channel: written in the settings, else the words for a standard name, else the name itself."""

from pathlib import Path

import pytest

from cabcanary.plan.plan import load_plan
from cabcanary.settings.called import called
from cabcanary.validation.problems import SettingsError

CONFIG = Path(__file__).parents[2] / "config"


@pytest.mark.parametrize(
    ("name", "words"),
    [
        ("lambda", "mixture"),
        ("map", "manifold pressure"),
        ("supply", "supply voltage"),
        ("coolant", "coolant temperature"),
        ("engine_speed", "engine speed"),
        ("throttle", "throttle"),
        ("left_fuel_rail", "left fuel rail"),
    ],
)
def test_a_channel_has_a_persons_name_without_being_given_one(name, words):
    assert called(name, None) == words


def test_one_that_is_given_is_taken_for_measured_and_for_derived_channels(tmp_path):
    text = (CONFIG / "hill-estate.toml").read_text(encoding="utf-8").replace('"rules/', f'"{CONFIG}/rules/')
    text = text.replace("[channels.map]", '[channels.map]\ncalled = "the hose\'s pressure"', 1)
    text = text.replace("[channels.boost]", '[channels.boost]\ncalled = "charge pressure"', 1)
    (tmp_path / "van.toml").write_text(text, encoding="utf-8")
    names = load_plan(tmp_path / "van.toml").rules.rules[0].called
    assert (names["map"], names["boost"], names["lambda"]) == ("the hose's pressure", "charge pressure", "mixture")


def test_a_name_that_nobody_can_say_is_a_problem(tmp_path):
    text = (CONFIG / "hill-estate.toml").read_text(encoding="utf-8").replace('"rules/', f'"{CONFIG}/rules/')
    (tmp_path / "van.toml").write_text(text.replace("[channels.map]", '[channels.map]\ncalled = ""', 1))
    with pytest.raises(SettingsError, match=r"channels\.map\.called"):
        load_plan(tmp_path / "van.toml")
