"""What a stage is judged by: what was measured in it, or what the stage before had, across a change of sensor."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

from cabcanary import units
from cabcanary.plan.sensors import Sensor, another, sensor_of
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from cabcanary.settings.rule_schema import BaselineSpec
    from cabcanary.settings.schema import Settings
    from cabcanary.store.baselines import Baseline, Baselines


class Before(NamedTuple):
    """What a stage is held against: `baseline` in the unit of today's channel, and by how much the two sensors may
    differ that measured then and measure now (two standard uncertainties; 0 with the same sensor)."""

    baseline: Baseline
    unsure: float


def now_of(settings: Settings, spec: BaselineSpec) -> Sensor:
    """The sensor that this baseline is measured with today."""
    return sensor_of(settings, spec.channel(settings.channels))


def then_of(baseline: Baseline) -> Sensor:
    """The sensor that a baseline was measured with."""
    return Sensor(baseline.sensor, baseline.reference, baseline.uncertainty)


def of_this_stage(settings: Settings, baselines: Baselines, specs: Mapping[str, BaselineSpec]) -> dict[str, Baseline]:
    """What was measured in the stage in force with the sensors that it has today."""
    known = baselines.of_stage(settings.vehicle.stage, settings.facts)
    return {n: b for n, b in known.items() if n not in specs or not another(then_of(b), now_of(settings, specs[n]))}


def before(settings: Settings, baselines: Baselines, name: str, spec: BaselineSpec) -> Before | None:
    """What a baseline was before: in this stage with another sensor, else in the nearest stage before that has it.

    None where there is nothing, or nothing that can be compared (another quantity, or another reference).
    """
    stage, stages = settings.vehicle.stage, settings.vehicle.all_stages
    own = baselines.of_stage(stage, settings.facts).get(name)
    now = now_of(settings, spec)
    if own is None or not another(then_of(own), now):
        own = None
    found = own or baselines.before(name, stages, stage)
    channel = spec.channel(settings.channels)
    if found is None or channel not in settings.channels or found.by != spec.by:
        return None
    symbol = settings.channels[channel].unit
    if units.unit(found.unit).dimension != units.unit(symbol).dimension or found.reference != now.reference:
        return None
    then = then_of(found)
    scale = units.difference(1.0, found.unit, symbol)
    unsure = 2.0 * math.hypot(then.uncertainty * scale, now.uncertainty) if another(then, now) else 0.0
    points = [(x, units.convert(y, found.unit, symbol)) for x, y in found.points]
    same = {"points": points, "unit": symbol, "of": channel, "spread": found.spread * scale}
    return Before(found.model_copy(update=same), unsure)


def carried(settings: Settings, baselines: Baselines, specs: Mapping[str, BaselineSpec]) -> dict[str, Baseline]:
    """What a stage is held against until it is measured itself: what was before, what the change may explain, and by
    how much the sensors may differ."""
    there, found = of_this_stage(settings, baselines, specs), {}
    for name, spec in specs.items():
        if spec.explained is None or name in there:
            continue
        known = before(settings, baselines, name, spec)
        if known is not None:
            explained = 0.0 if known.baseline.stage == settings.vehicle.stage else spec.explained
            points = [(x, y + explained + known.unsure) for x, y in known.baseline.points]
            found[name] = known.baseline.model_copy(update={"points": points})
    return found


def normal_lines(settings: Settings, baselines: Baselines, specs: Mapping[str, BaselineSpec]) -> Iterator[str]:
    """What of all that is to go on until it is measured anew: carried from before, measured by another sensor, void."""
    stage = settings.vehicle.stage
    for name, held in carried(settings, baselines, specs).items():
        known = before(settings, baselines, name, specs[name])
        level = f"{spelt(held.points[0][1], 4)} {held.unit}"
        where = f"stage '{held.stage}'" if held.stage != stage else "another sensor"
        yield f"baseline {name} is that of {where} until it is measured here: {level} at most" + (
            "" if known is None or not known.unsure else f"; {across(known, now_of(settings, specs[name]))}"
        )
    for name, baseline in baselines.of_stage(stage, settings.facts).items():
        spec = specs.get(name)
        if spec is not None and spec.explained is None and another(then_of(baseline), now_of(settings, spec)):
            yield f"baseline {name} was measured by {baseline.sensor}, which is no more; it is to be measured again"
    for baseline, what in baselines.void(stage, settings.facts):
        change = ", ".join(f"{w} was '{baseline.facts[w]}' and is '{settings.facts[w]}'" for w in what)
        yield f"baseline {baseline.name} is void: {change}; it is to be measured again"


def across(known: Before, now: Sensor) -> str:
    """The change of sensor, and what it makes unsure."""
    return (
        f"then {known.baseline.sensor}, now {now.name}: "
        f"the two may differ by {spelt(known.unsure, 2)} {known.baseline.unit}"
    )
