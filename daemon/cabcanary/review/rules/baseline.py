"""Baselines: the normal values of this stage, measured on good drives."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.expressions.arrays import Channel, evaluate_condition
from cabcanary.expressions.names import ConditionError
from cabcanary.expressions.parse import parse_condition
from cabcanary.model import Quality
from cabcanary.plan.normals import across, before, now_of
from cabcanary.plan.sensors import another, sensor_of
from cabcanary.spelling import spelt
from cabcanary.store.baselines import Baseline

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from cabcanary.expressions.names import Names
    from cabcanary.plan.plan import Plan
    from cabcanary.review.list.recorded_drive import Recorded
    from cabcanary.settings.rule_schema import BaselineSpec

#: A step of `by` with less than this is left out: a few seconds in passing are no measurement.
_LEAST_PER_STEP_S = 5.0
#: Between two ticks no more than this counts, so that a gap in the recording is not taken for time.
_LONGEST_TICK_S = 0.2


@dataclass(frozen=True, slots=True)
class NotMeasured:
    """A baseline that these drives do not give, and why."""

    name: str
    why: str


@dataclass(slots=True)
class _Gathered:
    """What the drives gave: values, what they depend on, and for how long each stood."""

    values: list[NDArray[np.float64]]
    by: list[NDArray[np.float64]]
    seconds: list[NDArray[np.float64]]
    drives: list[str]


def measure(
    plan: Plan, specs: dict[str, BaselineSpec], drives: Iterable[Recorded], *, accept: bool = False
) -> list[Baseline | NotMeasured]:
    """Measure every baseline of a plan's rule files on drives of the stage in force; others are passed over. `accept`:
    also what lies further above the stage before than the change explains."""
    if accept:
        specs = {name: spec.model_copy(update={"explained": None}) for name, spec in specs.items()}
    stage, facts = plan.settings.vehicle.stage, plan.settings.facts
    gathered = {name: _Gathered([], [], [], []) for name in specs}
    for drive in drives:
        if drive.about.get("stage") != stage:
            continue
        then = drive.plan.settings.facts
        for name, spec in specs.items():
            if any(then[fact] != facts[fact] for fact in spec.depends_on):
                continue  # with another part, tune or fuel it was another engine
            _gather(gathered[name], spec, plan, drive, plan.rules.baseline_names[name])
    return [_result(name, spec, plan, gathered[name]) for name, spec in specs.items()]


def _gather(into: _Gathered, spec: BaselineSpec, plan: Plan, drive: Recorded, names: Names) -> None:
    columns, of = drive.signals.columns, spec.channel(plan.channel_units)
    wanted = [of, *([spec.by] if spec.by else [])]
    if any(plan.channel_units.get(c) != drive.plan.channel_units.get(c) or c not in columns for c in wanted):
        return
    if another(sensor_of(plan.settings, of), sensor_of(drive.plan.settings, of)):
        return  # another sensor has another error
    try:
        condition = parse_condition(spec.when, replace(names, channels=drive.plan.channel_units, optional=None))
    except ConditionError:
        return  # that drive had other channels
    holds = evaluate_condition(condition, drive.signals).truths.true
    for name in wanted:
        holds = holds & _good(columns[name])
    if not holds.any():
        return
    seconds = np.minimum(np.diff(drive.seconds, prepend=0.0), _LONGEST_TICK_S)
    into.values.append(columns[of].values[holds])
    into.by.append(columns[spec.by].values[holds] if spec.by else np.zeros(int(holds.sum())))
    into.seconds.append(seconds[holds])
    into.drives.append(str(drive.about.get("drive", drive.path.stem)))


def _good(column: Channel) -> NDArray[np.bool_]:
    good: NDArray[np.bool_] = (column.qualities == Quality.GOOD) & ~np.isnan(column.values)
    return good


def _result(name: str, spec: BaselineSpec, plan: Plan, found: _Gathered) -> Baseline | NotMeasured:
    if not found.values:
        return NotMeasured(name, f"in none of the drives of this stage does this hold: {spec.when}")
    values, by, seconds = (np.concatenate(x) for x in (found.values, found.by, found.seconds))
    total_s = float(seconds.sum())
    if total_s < spec.at_least:
        return NotMeasured(
            name, f"it holds for {total_s:.0f} s in these drives, and {spelt(spec.at_least)} s are wanted"
        )
    points = _points(values, by, seconds, spec)
    if not points:
        return NotMeasured(name, f"no step of {spec.by} has {spelt(_LEAST_PER_STEP_S)} s of measurement")
    too_far = _unexplained(name, spec, plan, points)
    if too_far:
        return NotMeasured(name, too_far)
    around = values - np.interp(by, [x for x, _ in points], [y for _, y in points])
    low, high = np.percentile(around, [5.0, 95.0])
    of = spec.channel(plan.channel_units)
    sensor = sensor_of(plan.settings, of)
    return Baseline(
        name=name,
        stage=plan.settings.vehicle.stage,
        of=of,
        unit=plan.channel_units[of],
        by=spec.by,
        by_unit=plan.channel_units[spec.by] if spec.by else "",
        points=points,
        spread=round(float(high - low) / 2, 6),
        sensor=sensor.name,
        reference=sensor.reference,
        uncertainty=round(sensor.uncertainty, 6),
        seconds=round(total_s, 1),
        measured=datetime.now(UTC).isoformat(timespec="seconds").replace("+00:00", "Z"),
        drives=found.drives,
        facts={fact: plan.settings.facts[fact] for fact in spec.depends_on},
    )


def _unexplained(name: str, spec: BaselineSpec, plan: Plan, points: list[tuple[float, float]]) -> str:
    """Why this is no normal to be learnt: it lies further above what was before than the change explains."""
    known = before(plan.settings, plan.baselines, name, spec)
    if spec.explained is None or known is None:
        return ""
    earlier = known.baseline
    xs, ys = [x for x, _ in earlier.points], [y for _, y in earlier.points]
    rise, at = max((y - float(np.interp(x, xs, ys)), y) for x, y in points)
    if rise <= spec.explained + earlier.spread + known.unsure:
        return ""
    sensors = f" ({across(known, now_of(plan.settings, spec))})" if known.unsure else ""
    return (
        f"{spelt(at, 4)} {earlier.unit} is {spelt(rise, 3)} above stage '{earlier.stage}'{sensors}, and the change "
        f"explains {spelt(spec.explained)}: look for a leak at what was changed; --accept takes it for normal all the "
        "same"
    )


#: The share of the ticks below what a baseline takes, in per cent.
_SHARE = {"low": 0.5, "middle": 50.0, "high": 99.5}


def _points(
    values: NDArray[np.float64], by: NDArray[np.float64], seconds: NDArray[np.float64], spec: BaselineSpec
) -> list[tuple[float, float]]:
    """The value to take over all, or of each step of `by`."""
    share = _SHARE[spec.take]
    if spec.by is None:
        return [(0.0, round(float(np.percentile(values, share)), 6))]
    steps = np.round(by / spec.step)
    points = []
    for step in np.unique(steps):
        here = steps == step
        if seconds[here].sum() >= _LEAST_PER_STEP_S:
            points.append((float(step) * spec.step, round(float(np.percentile(values[here], share)), 6)))
    return points
