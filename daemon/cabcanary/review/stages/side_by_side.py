"""Two sets of drives beside each other (a drive and a drive, a stage and a stage), and a drive beside its baselines.

What depends on boost or speed is compared where both sets have been, cell by cell. With two drives a side a difference
has an interval; of one drive a side nobody knows how much is chance, and that is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.display import LAMBDA, Display
from cabcanary.review.figures.drive_figures import Figures, all_cells
from cabcanary.review.rules.baseline import NotMeasured, measure
from cabcanary.review.stages.compare import difference
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from cabcanary.review.list.recorded_drive import Recorded
    from cabcanary.store.baselines import Baseline


class _How(NamedTuple):
    """How one kind of cells is compared."""

    name: str
    kind: str
    unit: str
    scale: float
    one_number: bool


_DIFFERENCES = (
    _How("mixture at like boost", "mixture", "%", 100.0, one_number=False),
    _How("boost at like speed, throttle wide open", "boost", "%", 100.0, one_number=False),
    _How("idle pressure", "idle", "kPa", 1.0, one_number=True),
    _How("lowest supply", "supply", "V", 1.0, one_number=True),
)
_NOT_SEEN, _NO_BOOST = "not seen", "no boost"
_CHANCE = "one drive a side: nobody knows how much of it is chance"


@dataclass(frozen=True, slots=True)
class Row:
    """One figure of both, in words. `beyond`: more than chance, or beyond the baseline's own spread; None: unknown."""

    figure: str
    one: str
    other: str
    apart: str = ""
    beyond: bool | None = None


def side_by_side(one: Sequence[Figures], other: Sequence[Figures], display: Display) -> list[Row]:
    """Every figure that both have, and those that one has."""

    def row(figure: str, told: Callable[[Sequence[Figures]], str]) -> Row:
        return Row(figure, told(one), told(other))

    rows = [
        row("drives", _drives),
        row("highest boost that lasted", lambda side: _highest(side, display)),
        row("leanest under boost that lasted", lambda side: _leanest(side, display)),
        *(row(f"time above {display.show(step, 'psi')}", partial(_above, step)) for step in _steps(one, other)),
        row("of the seconds with boost not seen", _blind),
    ]
    found = [_difference(how, one, other) for how in _DIFFERENCES]
    seen = [r for r in rows if not {r.one, r.other} <= {_NOT_SEEN, _NO_BOOST}]
    return seen + [difference for difference in found if difference is not None]


def _drives(side: Sequence[Figures]) -> str:
    return f"{len(side)}, {spelt(sum(f.running_s for f in side) / 60, 2)} min of running"


def _highest(side: Sequence[Figures], display: Display) -> str:
    seen = [f.highest_psi for f in side if f.highest_psi is not None and f.highest_psi > 0]
    return display.show(max(seen), "psi", above_air=True) if seen else _NO_BOOST


def _leanest(side: Sequence[Figures], display: Display) -> str:
    seen = [f.leanest for f in side if f.leanest is not None]
    if not seen:
        return _NOT_SEEN
    worst = max(seen, key=lambda leanest: leanest.mixture)
    return f"{display.show(worst.mixture, LAMBDA)} at {display.show(worst.boost_psi, 'psi', above_air=True)}"


def _steps(one: Sequence[Figures], other: Sequence[Figures]) -> list[float]:
    return sorted({a.step_psi for f in (*one, *other) for a in f.above})


def _above(step_psi: float, side: Sequence[Figures]) -> str:
    return f"{spelt(sum(a.seconds for f in side for a in f.above if a.step_psi == step_psi), 3)} s"


def _blind(side: Sequence[Figures]) -> str:
    boosted_s, blind_s = sum(f.boosted_s for f in side), sum(f.blind_s for f in side)
    return f"{spelt(100 * blind_s / boosted_s, 2)} % of {spelt(boosted_s, 3)} s" if boosted_s else _NO_BOOST


def _difference(how: _How, one: Sequence[Figures], other: Sequence[Figures]) -> Row | None:
    before, after = all_cells(one, how.kind), all_cells(other, how.kind)
    if not any(before) and not any(after):
        return None
    first, second = _middle(before, how), _middle(after, how)
    common = {c for d in before for c in d} & {c for d in after for c in d}
    if not common:
        return Row(how.name, first, second, "nothing in common to compare")
    found = difference(before, after)
    if found is None:
        apart = float(np.mean([_mean(after, c) - _mean(before, c) for c in common]))
        return Row(how.name, first, second, f"{spelt(how.scale * apart, 2, '+')} {how.unit}; {_CHANCE}")
    middle, low, high = (spelt(how.scale * x, 3, "+") for x in (found.middle, found.low, found.high))
    return Row(how.name, first, second, f"{middle} {how.unit} ({low} to {high})", found.plain)


def _mean(side: Sequence[Mapping[int, float]], cell: int) -> float:
    return float(np.mean([d[cell] for d in side if cell in d]))


def _middle(side: Sequence[Mapping[int, float]], how: _How) -> str:
    """The middle of one side, where it is one number; of cells only how many there are."""
    values = [value for d in side for value in d.values()]
    if not values:
        return _NOT_SEEN
    if not how.one_number:
        cells = len({c for d in side for c in d})
        return f"{cells} cell{'s' if cells > 1 else ''}"
    return f"{spelt(float(np.median(values)), 4)} {how.unit}"


def beside_baselines(drive: Recorded) -> list[Row]:
    """A drive beside what had been measured as normal in its stage when it was driven."""
    plan = drive.plan
    known = plan.baselines.of_stage(plan.settings.vehicle.stage)
    specs = {n: s.model_copy(update={"explained": None}) for n, s in plan.baseline_specs.items() if n in known}
    measured = {b.name: b for b in measure(plan, specs, [drive])}
    return [_beside(known[name], measured[name]) for name in specs]


def _beside(known: Baseline, now: Baseline | NotMeasured) -> Row:
    name = known.name.replace("_", " ")
    normal = f"{_span(known)} ± {spelt(known.spread, 2)} {known.unit}"
    if isinstance(now, NotMeasured):
        return Row(name, normal, "not measured", now.why)
    xs, ys = zip(*known.points, strict=True)
    apart = [y - float(np.interp(x, xs, ys)) for x, y in now.points]
    furthest = max(apart, key=abs)
    told = f"{spelt(furthest, 2, '+')} {known.unit}" + (" at the most" if len(apart) > 1 else "")
    return Row(name, normal, f"{_span(now)} {now.unit}", told, abs(furthest) > known.spread)


def _span(baseline: Baseline) -> str:
    values = [y for _, y in baseline.points]
    return spelt(values[0], 4) if len(values) == 1 else f"{spelt(min(values), 4)} to {spelt(max(values), 4)}"
