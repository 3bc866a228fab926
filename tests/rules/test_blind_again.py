"""Blindness that has just been told gravely is shown, and not sounded, when it goes on as mere news."""

from __future__ import annotations

from pathlib import Path

from cabcanary.model import Frame, Priority, Quality, Value
from cabcanary.rules.engine import Change, Engine
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.settings.load import rules_from_text

S = 1_000_000_000
TICK = 20_000_000
UNITS = {"lambda": "lambda", "boost": "psi"}
RULES = """
[[rule]]
id = "lean"
priority = "warning"
say = "Lean"
do = "Lift"
when = "boost > 2 psi and lambda > 0.9"
blind_delay = "0.2 s"
[[rule]]
id = "always"
priority = "advisory"
say = "Off"
do = "Look"
when = "lambda > 1.4"
blind_delay = "5 s"
"""


def heard(parts: list[tuple[float, float, bool]]) -> list[Change]:
    """Parts of seconds, boost in psi, and whether the mixture is seen."""
    rules, problems = build_rules([rules_from_text(RULES, Path("r.toml"))], Setting(UNITS))
    assert not problems
    engine, now, changes = Engine(rules.rules, {n: (n,) for n in UNITS}, UNITS), 0, []
    for seconds, boost, seen in parts:
        for _ in range(round(seconds * S / TICK)):
            now += TICK
            mixture = Value(0.85, Quality.GOOD, now) if seen else Value(None, Quality.STALE, now)
            changes += engine.step(Frame(now, {"lambda": mixture, "boost": Value(boost, Quality.GOOD, now)}))
            # A saved state is gone on from without a difference.
            engine.restore(engine.state())
    return changes


def sounded(changes: list[Change]) -> list[tuple[str, Priority]]:
    return [(c.alert, c.priority) for c in changes if c.sounds]


def test_dark_in_a_pull_and_still_dark_afterwards_sounds_once() -> None:
    changes = heard([(2, 0.0, True), (2, 5.0, False), (20, 0.0, False)])
    assert sounded(changes) == [("cannot_see_lambda", Priority.WARNING)]
    # It is shown all the same.
    assert changes[-1].active
    assert changes[-1].acknowledged


def test_dark_again_in_the_next_pull_sounds_again() -> None:
    changes = heard([(2, 0.0, True), (2, 5.0, False), (20, 0.0, False), (2, 5.0, False)])
    assert sounded(changes) == [("cannot_see_lambda", Priority.WARNING)] * 2


def test_dark_at_a_cruise_without_a_pull_before_sounds_as_news() -> None:
    assert sounded(heard([(2, 0.0, True), (8, 0.0, False)])) == [("cannot_see_lambda", Priority.ADVISORY)]


def test_dark_minutes_later_is_news_anew() -> None:
    changes = heard([(2, 0.0, True), (2, 5.0, False), (90, 0.0, True), (8, 0.0, False)])
    assert sounded(changes) == [("cannot_see_lambda", Priority.WARNING), ("cannot_see_lambda", Priority.ADVISORY)]


def test_dark_in_two_pulls_within_a_minute_sounds_in_both() -> None:
    changes = heard([(2, 0.0, True), (2, 5.0, False), (10, 0.0, True), (2, 5.0, False)])
    assert sounded(changes) == [("cannot_see_lambda", Priority.WARNING)] * 2
