"""Figures over all drives of a stage: which of them have a slope, and which a step; and how old its sensors are."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.review.figures.drive_figures import all_cells
from cabcanary.review.figures.trend import Trend, trend
from cabcanary.store.manifest import newest_first

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from cabcanary.plan.plan import Plan
    from cabcanary.review.stages.judgement import Stage

#: Fewer drives have no trend.
LEAST_DRIVES = 6
TRIM_IDLE, TRIM_AWAY = "fuel trim at idle", "fuel trim away from idle"
#: Trends that a change of blend moves.
OF_FUEL = (TRIM_IDLE, TRIM_AWAY)


class _Kind(NamedTuple):
    """One figure. `part` says which sensor of a drive it belongs to: a trend begins anew where that is another one."""

    name: str
    unit: str
    scale: float
    cells: Callable[[Stage], list[dict[int, float]]]
    part: Callable[[Stage], list[str]]


def _figure(kind: str) -> Callable[[Stage], list[dict[int, float]]]:
    return lambda stage: all_cells(stage.figures, kind)


def _idle(what: str) -> Callable[[Stage], list[dict[int, float]]]:
    return lambda stage: [{} if (v := getattr(i, what)) is None else {0: v} for i in stage.idles]


def _no_part(stage: Stage) -> list[str]:
    return [""] * len(stage.figures)


def _wideband(stage: Stage) -> list[str]:
    return [f.mixture_part for f in stage.figures]


def _pressure(stage: Stage) -> list[str]:
    return [i.sensor.name for i in stage.idles]


_KINDS = (
    _Kind("mixture at like boost", "%", 100.0, _figure("mixture"), _wideband),
    _Kind("boost at like speed", "%", 100.0, _figure("boost"), _pressure),
    _Kind("idle pressure", "kPa", 1.0, _figure("idle"), _pressure),
    _Kind("lowest supply", "V", 1.0, _figure("supply"), _no_part),
    _Kind(TRIM_IDLE, "%", 1.0, _idle("near"), _no_part),
    _Kind(TRIM_AWAY, "%", 1.0, _idle("far"), _no_part),
    _Kind("wideband response", "ms", 1000.0, _figure("response"), _wideband),
    _Kind("wideband warm-up", "s", 1.0, _figure("warm up"), _wideband),
)


def trends(stage: Stage) -> list[Trend]:
    """Every figure that enough drives have since its sensor was fitted; the drives in their order in time."""
    found, names = [], [f.drive for f in stage.figures]
    for kind in _KINDS:
        since = _since(kind.part(stage))
        cells = [{c: kind.scale * v for c, v in d.items()} for d in kind.cells(stage)[since:]]
        numbers = numbers_of(cells)
        rows = [(x, d) for x, d in zip(numbers, names[since:], strict=True) if x is not None]
        if len(rows) >= LEAST_DRIVES:
            found.append(trend(kind.name, kind.unit, [x for x, _ in rows], [d for _, d in rows]))
    return found


def _since(parts: Sequence[str]) -> int:
    """The first drive from which on the part is that of the last one."""
    for n in range(len(parts) - 1, -1, -1):
        if parts[n] != parts[-1]:
            return n + 1
    return 0


def numbers_of(drives: Sequence[Mapping[int, float]]) -> list[float | None]:
    """One number a drive: how far it lies from the middle of all drives, cell by cell; None for one without cells."""
    cells = {c for d in drives for c in d}
    centre = {c: float(np.median([d[c] for d in drives if c in d])) for c in cells}
    # A cell that a single drive has says nothing of how it lies to the others.
    shared = {c for c in cells if sum(c in d for d in drives) > 1}
    apart = [[d[c] - centre[c] for c in d if c in shared] for d in drives]
    return [float(np.mean(a)) if a else None for a in apart]


class Age(NamedTuple):
    """A part, and for how long it has been driven with since it was fitted, as far as drives are kept."""

    channel: str
    serial: str
    fitted: date
    hours: float
    drives: int

    @property
    def words(self) -> str:
        """For a person."""
        return (
            f"{self.channel}, serial {self.serial}: {self.hours:.1f} h in {self.drives} recorded drives since "
            f"{self.fitted}"
        )


def ages(plan: Plan) -> Iterator[Age]:
    """Of each part with a serial number; drives of all stages count, from the day on that it was fitted."""
    settings = plan.settings
    manifests = [m for _, m in newest_first(settings.daemon.folder, settings.vehicle.name)]
    for channel, part in settings.parts.items():
        own = [m.length_s for m in manifests if m.start[:10] >= part.fitted.isoformat()]
        yield Age(channel, part.serial, part.fitted, sum(own) / 3600.0, len(own))


def days_of(stage: Stage, names: Sequence[str]) -> list[date]:
    """The days of these drives."""
    starts = {m.drive: m.start[:10] for m in stage.manifests}
    return [date.fromisoformat(starts[name]) for name in names]
