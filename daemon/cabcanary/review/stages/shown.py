"""The stage in force and all others: what they are made of, what bounds their boost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.plan.hoses import cap, in_psi, joint_bounds, limits_by_stage
from cabcanary.plan.normals import of_this_stage
from cabcanary.settings.build_stages import Built
from cabcanary.settings.load import load_rule_file
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.plan.plan import Plan
    from cabcanary.store.baselines import Baseline


def limits_of(plan: Plan) -> dict[str, float]:
    """The hose limit of each stage as the rule files have it, Pa."""
    return limits_by_stage([load_rule_file(plan.file.parent / name) for name in plan.settings.rules])


def lines(plan: Plan) -> list[str]:
    """For a person."""
    settings, stage = plan.settings, plan.settings.vehicle.stage
    limits, built = limits_of(plan), settings.built.get(stage, Built())
    found = [
        f"{settings.vehicle.name}: {' > '.join(f'[{s}]' if s == stage else s for s in settings.vehicle.all_stages)}"
    ]
    when = f"since {built.begun}" if built.begun else "no beginning is recorded"
    ended = f", ended {built.ended}" if built.ended else ""
    found.append(f"stage '{stage}', {when}{f' by {built.begun_by}' if built.begun_by else ''}{ended}")
    kind = settings.compressor_kind or "none"
    facts = {k: v for k, v in settings.facts.items() if v}
    facts["compressor"] = f"{kind}, {built.compressor}" if built.compressor else kind
    found.append("    " + ", ".join(f"{k}: {v}" for k, v in facts.items()))
    if stage in limits:
        found.append(f"    the stage allows {in_psi(limits[stage])} above the air, as its rules have it")
    if built.boost_steps:
        steps = ", ".join(
            f"[{in_psi(s)}]" if n == built.step else in_psi(s) for n, s in enumerate(built.boost_steps, 1)
        )
        found.append(f"    boost steps: {steps}; raised after {built.clean:.0f} s without an alert")
    found += _joints(plan, stage)
    return [*found, *_normals(plan), *plan.stage_lines()]


def _normals(plan: Plan) -> list[str]:
    """What has been learnt as normal in this stage, and what not yet."""
    known = of_this_stage(plan.settings, plan.baselines, plan.baseline_specs)
    found, open_ones = [], []
    for name, spec in plan.baseline_specs.items():
        if name in known:
            found.append(f"    normal here: {_normal(known[name])}")
        elif spec.learn and spec.channel(plan.channel_units) in plan.channel_units:
            open_ones.append(name)
    if open_ones:
        found.append(f"    not learnt yet, drive on: {', '.join(open_ones)}")
    return found


def _normal(b: Baseline) -> str:
    values = [y for _, y in b.points]
    level = spelt(values[0], 4) if len(values) == 1 else f"{spelt(min(values), 4)} to {spelt(max(values), 4)}"
    by = f" by {b.by}" if b.by else ""
    sensor = f", measured by {b.sensor}" if b.sensor else ""
    return f"{b.name.replace('_', ' ')}{by} {level} {b.unit} \N{PLUS-MINUS SIGN} {spelt(b.spread, 2)}{sensor}"


def _joints(plan: Plan, stage: str) -> list[str]:
    joints = plan.settings.joints_of(stage)
    if not joints:
        return ["    no joint is recorded: add [[joints]] for each hose and line that sees boost"]
    found = []
    for joint in joints:
        stands = "no bound known" if joint.bound_pa is None else f"stands {in_psi(joint.bound_pa)}"
        seen = f"confirmed by {joint.confirmed_by} on {joint.confirmed}" if joint.confirmed_by else "not confirmed"
        found.append(f"    joint '{joint.name}': {joint.held_by}, {seen}, {stands}")
    return found


def as_json(plan: Plan) -> dict[str, Any]:
    """For a program; pressures in kPa above the air."""
    settings, stage = plan.settings, plan.settings.vehicle.stage
    limits, built, bound = limits_of(plan), settings.built.get(stage, Built()), cap(settings)
    return {
        "vehicle": settings.vehicle.name,
        "stage": stage,
        "stages": list(settings.vehicle.all_stages),
        "facts": settings.facts,
        "begun": str(built.begun) if built.begun else None,
        "ended": str(built.ended) if built.ended else None,
        "limit_kpa": limits[stage] / 1000 if stage in limits else None,
        "bound_kpa": None if bound is None else bound.pa / 1000,
        "bound_by": None if bound is None else bound.words,
        "step": built.step if built.boost_steps else None,
        "steps_kpa": [s / 1000 for s in built.boost_steps],
        "joints": [j.model_dump(mode="json", by_alias=True) for j in settings.joints_of(stage)],
        "weak_joints": [b.words for b in joint_bounds(settings, stage) if b.pa < limits.get(stage, 0.0) - 1.0],
        "normal": [
            b.model_dump(mode="json") for b in of_this_stage(settings, plan.baselines, plan.baseline_specs).values()
        ],
        "void": [{"baseline": b.name, "changed": what} for b, what in plan.baselines.void(stage, settings.facts)],
    }
