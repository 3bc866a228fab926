"""A small cab to try rules in: ticks of 20 ms, values by name."""

from __future__ import annotations

from pathlib import Path

import pytest

from cabcanary.model import Frame, Quality, Value
from cabcanary.rules.engine import Change, Engine
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.settings.load import rules_from_text

TICK_NS = 20_000_000
UNITS = {
    "lambda": "lambda",
    "map": "kPa",
    "barometer": "kPa",
    "boost": "psi",
    "supply": "V",
    "engine_speed": "rpm",
    "mask": "state",
    "running": "state",
}
ROOTS = {name: (name,) for name in UNITS} | {"boost": ("map", "barometer")}


def value_of(x):
    """A number is good, None is absent, and a Value is what it is."""
    if isinstance(x, Value):
        return x
    return Value(None, Quality.ABSENT, 0, reason="unplugged") if x is None else Value(float(x), Quality.GOOD, 0)


class Cab:
    """An engine and the values that stand in the vehicle now."""

    def __init__(self, text: str, running: str | None = None, called: dict[str, str] | None = None) -> None:
        rules, problems = build_rules([rules_from_text(text, Path("rules.toml"))], Setting(UNITS, called=called or {}))
        assert not problems, problems
        assert not rules.not_fitted
        self.rules = rules.rules
        self.engine = Engine(rules.rules, ROOTS, UNITS, running)
        self.values = dict.fromkeys(UNITS, value_of(0.0))
        self.now_ns = 0

    def tick(self, dt_ns: int = TICK_NS, **values) -> list[Change]:
        """One tick later, with these values from now on."""
        self.now_ns += dt_ns
        self.values |= {name: value_of(x) for name, x in values.items()}
        return self.engine.step(Frame(self.now_ns, dict(self.values)))

    def hold(self, ms: int, **values) -> list[tuple[int, str, str]]:
        """These values for some time: (ms from the first such tick, alert, state) for each change."""
        found, first = [], None
        for _ in range(ms // 20 + 1):
            changes = self.tick(**values)
            first = self.now_ns if first is None else first
            found += [((self.now_ns - first) // 1_000_000, c.alert, c.state) for c in changes]
        return found

    def state(self, alert: str) -> str:
        """An alert's state in words."""
        return self.engine.alerts[alert].name


@pytest.fixture
def cab():
    return Cab
