"""A small vehicle, and drives of it that never touched a wire."""

from __future__ import annotations

from pathlib import Path

import pytest
from small_van import RULES, SETTINGS, Wires

from cabcanary.model import Reading
from cabcanary.plan.plan import Plan, load_plan
from cabcanary.store.samples import Tick

TICK_NS = 20_000_000


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    folder = tmp_path / "settings"
    folder.mkdir()
    (folder / "van.toml").write_text(SETTINGS)
    (folder / "rules.toml").write_text(RULES)
    return load_plan(folder / "van.toml")


def ticks_of(count: int, channels: int = 3, first: int = 0) -> list[Tick]:
    """Plain ticks of 20 ms for a journal that nobody looks into."""
    found = []
    for n in range(first, first + count):
        now = n * TICK_NS
        found.append((now, tuple(Reading("s", f"i{c}", float(n), now) for c in range(channels))))
    return found


@pytest.fixture
def wires() -> type[Wires]:
    return Wires


@pytest.fixture
def plain_ticks():
    return ticks_of
