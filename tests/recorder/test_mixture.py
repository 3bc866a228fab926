"""How lean a drive was under boost: what lasts, what most of it was, and what the rule masks."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

import numpy as np
import pytest
from small_van import RULES, SETTINGS

from cabcanary.model import Frame, Quality, Value
from cabcanary.plan.plan import Plan, load_plan
from cabcanary.recorder.summary import Summary

if TYPE_CHECKING:
    from pathlib import Path

TICK_NS = 20_000_000


@pytest.fixture
def plan(tmp_path: Path) -> Plan:
    (tmp_path / "van.toml").write_text(SETTINGS)
    lean = 'suppress_when = "fuel_cut_gas or rate(map, 0.1 s) < -200 kPa/s"\ncovers = "lean under boost"'
    (tmp_path / "rules.toml").write_text(RULES.replace('suppress_when = "fuel_cut_gas"', lean))
    return load_plan(tmp_path / "van.toml")


class Story:
    """Frames as the live code makes them, of which only what matters here is told."""

    def __init__(self, plan: Plan) -> None:
        self.summary, self.now_ns = Summary(plan), 0
        self.lambdas: list[float] = []

    def tick(self, mixture: float | None, psi: float = 6.0, **changed: object) -> None:
        self.now_ns += int(changed.get("after_ns", TICK_NS))
        quality = changed.get("quality", Quality.GOOD if mixture is not None else Quality.STALE)
        numbers = {"boost": psi, "boost_as_burnt": changed.get("burnt", psi), "map": changed.get("map_kpa", 140.0)}
        numbers |= {"fuel_cut_gas": changed.get("cut", 0.0), "engine_running": 1.0, "supply": 14.0}
        numbers["air_pressure"] = 100.0
        values = {n: Value(float(v), Quality.GOOD, self.now_ns) for n, v in numbers.items()}
        values["lambda"] = Value(mixture, quality, self.now_ns)
        self.summary.add(Frame(self.now_ns, values))

    def hold(self, seconds: float, mixture: float | None, psi: float = 6.0, **changed: object) -> Story:
        for _ in range(round(seconds * 50)):
            self.tick(mixture, psi, **changed)
        return self

    @property
    def figures(self) -> tuple[float | None, float | None, float | None]:
        found = self.summary.result([], 0)
        return tuple(found.get(k) for k in ("leanest_under_boost", "leanest_at_boost", "lambda_95_under_boost"))


def test_the_leanest_is_one_that_lasts(plan: Plan) -> None:
    # 14 intervals of 20 ms are less than 0.3 s, 15 are not.
    assert Story(plan).hold(2, 0.82).hold(0.30, 1.5).hold(2, 0.82).figures[0] == 0.82
    assert Story(plan).hold(2, 0.82).hold(0.32, 1.5).hold(2, 0.82).figures[0] == 1.5


def test_the_boost_is_that_of_the_leanest(plan: Plan) -> None:
    story = Story(plan).hold(1, 0.82, 4.0).hold(1, 0.9, 7.0).hold(1, 0.84, 9.0)
    assert story.figures[:2] == (0.9, 7.0)
    assert story.summary.result([], 0)["peak_boost"] == 9.0


@pytest.mark.parametrize(
    "masked",
    [
        {"cut": 1.0},
        {"burnt": 1.9},
        # What is not known proves nothing.
        {"quality": Quality.IMPLAUSIBLE},
        {"quality": Quality.SATURATED_LOW, "mixture": 0.65},
    ],
)
def test_what_is_masked_is_no_mixture_under_boost(plan: Plan, masked: dict[str, object]) -> None:
    lean = masked.pop("mixture", 1.5)
    story = Story(plan).hold(10, 0.82).hold(1, lean, **masked).hold(1, 0.83)  # type: ignore[arg-type]
    assert story.figures[0] == 0.83


def test_a_lift_in_an_upshift_is_suppressed_as_the_rule_has_it(plan: Plan) -> None:
    story = Story(plan).hold(4, 0.82)
    # 5 kPa a tick are 250 kPa/s; the boost that the gas was burnt under is the one before it.
    for n in range(20):
        story.tick(1.5, burnt=6.1, map_kpa=140.0 - 5.0 * n)
    story.hold(1, 0.82)
    assert story.figures == (0.82, 6.0, 0.82)


def test_a_gap_or_a_mask_begins_the_window_anew(plan: Plan) -> None:
    story = Story(plan).hold(1, 0.82)
    for _ in range(4):
        story.hold(0.2, 1.2).tick(1.2, cut=1.0)
    story.hold(0.3, 1.2).tick(1.2, after_ns=700_000_000)
    assert story.figures[0] == 0.82


def test_at_least_so_lean_counts_as_that(plan: Plan) -> None:
    assert Story(plan).hold(1, 0.82).hold(1, 1.5, quality=Quality.SATURATED_HIGH).figures[0] == 1.5


def test_both_figures_are_those_of_a_plain_search(plan: Plan) -> None:
    # numpy's nearest rank, and every window of 16 ticks looked through.
    chance, story, shown = random.Random(5), Story(plan), []
    for _ in range(3000):
        shown.append(round(chance.uniform(0.75, 0.95), 3))
        story.tick(shown[-1])
    windows = np.lib.stride_tricks.sliding_window_view(np.array(shown), 16)
    leanest, _, most = story.figures
    assert leanest == windows.min(axis=1).max()
    assert most == pytest.approx(np.percentile(shown, 95, method="inverted_cdf"))


def test_no_boost_and_no_mixture_are_no_figures(plan: Plan) -> None:
    assert Story(plan).hold(2, 0.82, 1.0).figures == (None, None, None)
    assert Story(plan).hold(2, None, 6.0).figures == (None, None, None)


def test_a_rule_that_does_not_say_what_it_covers_is_found_by_what_it_holds(plan: Plan, tmp_path: Path) -> None:
    (tmp_path / "rules.toml").write_text(
        RULES.replace('suppress_when = "fuel_cut_gas"', 'suppress_when = "boost > 8 psi"')
    )
    story = Story(load_plan(tmp_path / "van.toml")).hold(1, 0.9, 9.0).hold(1, 0.8, 7.0)
    assert story.figures[0] == 0.8
