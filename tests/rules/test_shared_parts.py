"""What several rules ask is worked out once a tick: each still hears what it would hear alone."""

from __future__ import annotations

import random
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from cabcanary.expressions import tree
from cabcanary.expressions.closures import COMBINE
from cabcanary.expressions.names import Names
from cabcanary.expressions.parse import parse_condition
from cabcanary.expressions.scalar import Program, Reader
from cabcanary.model import Quality, Value
from cabcanary.plan.plan import load_plan
from cabcanary.rules.runner import asked_by

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.plan.plan import Plan

CONFIG = Path(__file__).parents[2] / "config"
VEHICLES = sorted(CONFIG.glob("*.toml"))
TICK_NS = 20_000_000


def frames(plan: Plan, ticks: int) -> Iterator[tuple[int, dict[str, Value]]]:
    """Every channel wanders through the figures of its rules, and is lost, at an end or unsure at times."""
    rng, now_ns = random.Random(18), 1_000_000_000
    limits = [q.si for n in asked_by(plan.rules.rules) for q in tree.walk(n) if isinstance(q, tree.Quantity)]
    values = dict.fromkeys(plan.channel_units, 0.0)
    qualities = dict.fromkeys(values, Quality.GOOD)
    for _ in range(ticks):
        now_ns += TICK_NS if rng.random() > 0.01 else 900_000_000
        for name in values:
            if rng.random() < 0.05:
                values[name] = rng.choice(limits) * rng.uniform(0.5, 1.5)
            if rng.random() < 0.02:
                qualities[name] = rng.choice([*Quality, *[Quality.GOOD] * len(Quality)])
        found = {}
        for name, value in values.items():
            quality = qualities[name]
            seen = quality in {Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW, Quality.WITHIN}
            found[name] = Value(value if seen else None, quality, now_ns, abs(value) * 0.03)
        yield now_ns, found


def run(programs: list[Program[Any]], readers: list[Reader], plan: Plan, ticks: int) -> list[list[Any]]:
    heard = []
    for now_ns, values in frames(plan, ticks):
        known = {id(reader): reader.read(values) for reader in readers}
        one = len(readers) == 1
        heard.append([p.run(known[id(readers[0 if one else n])], now_ns) for n, p in enumerate(programs)])
    return heard


@pytest.mark.parametrize("config", VEHICLES, ids=lambda p: p.stem)
def test_each_part_hears_together_what_it_hears_alone(config: Path) -> None:
    plan = load_plan(config)
    nodes = list(asked_by(plan.rules.rules))
    together = Reader()
    for node in nodes:
        together.expect(node)
    shared = [Program[Any](node, together) for node in nodes]
    readers = [Reader() for _ in nodes]
    alone = [Program[Any](node, reader) for node, reader in zip(nodes, readers, strict=True)]
    assert run(shared, [together], plan, 1500) == run(alone, readers, plan, 1500)
    # What is saved is the same as well, so that a drive of another version goes on.
    assert [p.state() for p in shared] == [p.state() for p in alone]
    assert [[side[0] for side in p.sides] for p in shared] == [[side[0] for side in p.sides] for p in alone]
    assert together.pieces


def test_a_saved_state_goes_on_where_parts_are_shared() -> None:
    plan = load_plan(CONFIG / "bench-van.toml")
    nodes = list(asked_by(plan.rules.rules))

    def made() -> tuple[Reader, list[Program[Any]]]:
        reader = Reader()
        for node in nodes:
            reader.expect(node)
        return reader, [Program[Any](node, reader) for node in nodes]

    whole = run((first := made())[1], [first[0]], plan, 800)
    reader, programs = made()
    again = made()
    heard = []
    for n, (now_ns, values) in enumerate(frames(plan, 800)):
        if n == 400:
            for new, old in zip(again[1], programs, strict=True):
                new.restore(old.state())
            reader, programs = again
        known = reader.read(values)
        heard.append([p.run(known, now_ns) for p in programs])
    assert heard == whole


def test_only_what_is_asked_twice_and_costs_something_is_shared() -> None:
    plan = load_plan(CONFIG / "bench-van.toml")
    reader = Reader()
    nodes = list(asked_by(plan.rules.rules))
    reader.expect(nodes[0])
    assert not any(reader.shares(n) for n in tree.walk(nodes[0]))
    reader.expect(nodes[0])
    assert reader.shares(nodes[0])
    # What is inside is asked by the shared one alone.
    assert not any(reader.shares(n) for n in list(tree.walk(nodes[0]))[1:])


def test_a_part_with_and_without_its_uncertainty_are_two() -> None:
    names = Names({"a": "kPa", "b": "kPa"}, {})
    texts = ("a - b > 5 kPa", "possible a - b > 6 kPa", "a - b > 7 kPa", "possible a - b > 8 kPa")
    nodes = [parse_condition(text, names) for text in texts]
    reader = Reader()
    for node in nodes:
        reader.expect(node)
    programs = [Program[Any](node, reader) for node in nodes]
    # 4 ± 2 less 0 ± 0 at two uncertainties reaches from 0 to 8: certainly not above 5, and possibly above 6.
    values = {"a": Value(4.0, Quality.GOOD, 0, 2.0), "b": Value(0.0, Quality.GOOD, 0, 0.0)}
    known = reader.read(values)
    assert [p.run(known, 1) for p in programs] == [False, True, False, False]


def test_a_product_that_could_be_anything_is_none() -> None:
    unlimited = (float("inf"), float("inf"))
    assert COMBINE["*"](unlimited, (0.0, 0.0)) is None
    assert COMBINE["*"]((2.0, 2.0), (-3.0, -3.0)) == (-6.0, -6.0)
