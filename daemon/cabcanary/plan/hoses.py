"""What the hoses of a stage stand: the stage's own limit, the weakest of its joints, the step that is carried."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from cabcanary import units
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.settings.load import Loaded
    from cabcanary.settings.rule_schema import RuleFile
    from cabcanary.settings.schema import Settings

#: The limit by stage, in a rule file, that joints and steps bound.
HOSE_LIMIT = "hose_limit"
_PSI = units.unit("psi")


class Bound(NamedTuple):
    """A pressure above the air, Pa, and what sets it."""

    pa: float
    words: str


def in_psi(pa: float) -> str:
    """Such a pressure for a person."""
    return f"{spelt(_PSI.from_si(pa), 3)} psi"


def joint_bounds(settings: Settings, stage: str) -> list[Bound]:
    """What each joint of a stage stands, the weakest first."""
    found = []
    for joint in settings.joints_of(stage):
        if joint.bound_pa is not None:
            held = (
                joint.held_by
                if joint.sure or joint.held_by == "bare"
                else f"{joint.held_by}, and nobody has confirmed it"
            )
            found.append(Bound(joint.bound_pa, f"joint '{joint.name}' ({held})"))
    return sorted(found)


def cap(settings: Settings) -> Bound | None:
    """What bounds the hose limit in the stage in force; None: nothing beside the limit itself."""
    stage = settings.vehicle.stage
    bounds = joint_bounds(settings, stage)[:1]
    built = settings.built.get(stage)
    if built is not None and built.step_pa is not None:
        bounds.append(Bound(built.step_pa, f"boost step {built.step} of {len(built.boost_steps)}"))
    return min(bounds, default=None)


def limits_by_stage(rule_files: Sequence[Loaded[RuleFile]]) -> dict[str, float]:
    """The hose limit of each stage as the rule files have it, Pa; empty where they have none."""
    for loaded in rule_files:
        spec = loaded.model.stage_limits.get(HOSE_LIMIT)
        if spec is not None:
            unit = units.unit(spec.unit)
            return {stage: unit.to_si(value) for stage, value in spec.by_stage.items()}
    return {}


def too_weak(settings: Settings, limit_pa: float | None, stage: str) -> list[Bound]:
    """The joints that do not stand what a stage's limit allows, the weakest first."""
    return [] if limit_pa is None else [b for b in joint_bounds(settings, stage) if b.pa < limit_pa - 1.0]
