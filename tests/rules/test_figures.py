"""What a message says of what a rule saw: each value with its band and unit, the limit, and how sure it had to be."""

from pathlib import Path

import pytest

from cabcanary.model import Frame, Quality, Value
from cabcanary.rules.engine import Engine
from cabcanary.rules.names import Setting
from cabcanary.rules.rule_set import build_rules
from cabcanary.settings.load import rules_from_text

RULE = """
[tables.ceiling]
of = "psi"
gives = "lambda"
points = [[2, 0.88], [5, 0.86], [8, 0.85]]
[[rule]]
id = "a"
priority = "warning"
say = "Something"
do = "Lift off gently"
when = "{when}"
"""


@pytest.mark.parametrize(
    ("when", "values", "said"),
    [
        ("boost > 8 psi", {"boost": 9.1}, "boost 9.1 psi (likely above 8 psi)"),
        ("certain boost > 8 psi", {"boost": (9.1, 0.2)}, "boost 9.1 ± 0.2 psi (certainly above 8 psi)"),
        ("possible boost > 8 psi", {"boost": (7.9, 0.2)}, "boost 7.9 ± 0.2 psi (possibly above 8 psi)"),
        ("supply < 12.5 V", {"supply": 11.92}, "supply 11.9 V (likely below 12.5 V)"),
        # Half way from 0.88 at 2 psi to 0.86 at 5 psi.
        (
            "boost > 2 psi and lambda > ceiling(boost)",
            {"boost": 3.5, "lambda": 0.93},
            "boost 3.5 psi (likely above 2 psi), lambda 0.93 (likely above 0.87)",
        ),
        # 55.2 kPa in the channel's own unit, and the limit as it was written.
        ("map > 1.3 bar", {"map": 140}, "map 140 kPa (likely above 1.3 bar)"),
        (
            "map - barometer > 30 kPa",
            {"map": 140, "barometer": 100},
            "map 140 kPa, barometer 100 kPa, map - barometer 40 kPa (likely above 30 kPa)",
        ),
        # The half of an "or" that does not hold is not told, nor what it alone speaks of.
        (
            "boost > 2 psi and (lambda < 0.95 or lambda > 1.06 or supply < 11 V)",
            {"boost": 3, "lambda": 1.1, "supply": 14},
            "boost 3 psi (likely above 2 psi), lambda 1.1 (likely above 1.06)",
        ),
        (
            "map > 300 kPa and boost > 1 psi or not mask and supply < 12 V",
            {"map": 140, "boost": 4, "mask": 0, "supply": 11},
            "mask 0, supply 11 V (likely below 12 V)",
        ),
        ("mask and boost > 1 psi", {"mask": 1, "boost": 2}, "mask 1, boost 2 psi (likely above 1 psi)"),
    ],
)
def test_a_message_says_what_was_seen_and_what_it_was_held_against(cab, when, values, said):
    van = cab(RULE.format(when=when))
    given = {k: Value(*(v[0], Quality.GOOD, 0, v[1])) if isinstance(v, tuple) else v for k, v in values.items()}
    (change,) = [c for c in van.tick(**given) if not c.blind]
    assert change.figures == said


def test_afr_stands_beside_lambda_where_the_owner_has_such_a_channel():
    text = RULE.format(when="boost > 2 psi and lambda > 0.9")
    units = {"boost": "psi", "lambda": "lambda", "afr": "ratio"}
    setting = Setting(units, shown_beside=(("lambda", "afr"),))
    rules, problems = build_rules([rules_from_text(text, Path("r.toml"))], setting)
    assert not problems
    engine = Engine(rules.rules, {}, units)
    # 0.93 of 14.7 and of 14.08 (E10): 13.67 and 13.09.
    now = {"boost": 3.5, "lambda": 0.93, "afr": 13.09}
    (change,) = engine.step(Frame(1, {n: Value(x, Quality.GOOD, 0) for n, x in now.items()}))
    assert change.figures == "boost 3.5 psi (likely above 2 psi), lambda 0.93 = AFR 13.1 (likely above 0.9)"
