"""How loud blindness is follows what the stage can hurt; a defect that is registered is not told in every drive."""

from pathlib import Path

import pytest

from cabcanary.model import Frame, Priority, Quality, Value
from cabcanary.rules.engine import Engine
from cabcanary.rules.names import Setting
from cabcanary.rules.rule_set import build_rules
from cabcanary.settings.load import rules_from_text

UNITS = {"map": "kPa", "coolant": "°C"}
TEXT = """
[[rule]]
id = "over"
priority = "warning"
say = "Too much"
do = "Lift off gently"
when = "map > 160 kPa"
blind_delay = "0.2 s"
[[rule]]
id = "cold"
priority = "caution"
say = "Cold"
do = "Stay off boost"
when = "coolant < 60 °C"
blind_delay = "0.2 s"
"""


def blindness(*dark, **setting):
    rules, problems = build_rules([rules_from_text(TEXT, Path("r.toml"))], Setting(UNITS, **setting))
    assert not problems
    engine = Engine(rules.rules, {}, UNITS)
    values = {"map": Value(100.0, Quality.GOOD, 0), "coolant": Value(80.0, Quality.GOOD, 0)}
    values |= {c: Value(None, Quality.ABSENT, 0, reason="unplugged") for c in dark}
    found = []
    for n in range(100):
        found += engine.step(Frame(n * 20_000_000, dict(values)))
    return [(c.alert, c.priority, c.do) for c in found if c.blind and c.sounds]


def test_before_there_is_a_compressor_a_dead_sensor_is_news_and_no_siren():
    assert blindness("map", compressor="") == [("cannot_see_map", Priority.ADVISORY, "Have it looked at")]


@pytest.mark.parametrize("kind", ["displacement", "unknown"])
def test_with_one_or_where_nobody_has_said_it_is_a_warning(kind):
    assert blindness("map", compressor=kind) == [("cannot_see_map", Priority.WARNING, "Stay off boost")]


def test_a_registered_defect_is_not_told_in_every_drive():
    assert blindness("map", compressor="", known_defects=frozenset({"map"})) == []
    assert blindness("coolant", compressor="turbo", known_defects=frozenset({"coolant"})) == []


def test_another_sensor_is_told_all_the_same():
    assert blindness("map", "coolant", compressor="", known_defects=frozenset({"map"})) == [
        ("cannot_see_coolant", Priority.ADVISORY, "Have it looked at")
    ]


def test_a_registered_defect_that_would_hide_boost_is_a_warning_as_ever():
    assert blindness("map", compressor="turbo", known_defects=frozenset({"map"})) == [
        ("cannot_see_map", Priority.WARNING, "Stay off boost")
    ]
