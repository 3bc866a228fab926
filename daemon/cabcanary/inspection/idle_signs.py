"""This idle beside what was normal before the install: which signature the change has. The signatures themselves are
those of the review of a stage (`plan/idle_signature.py`)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.inspection.evidence import Finding
from cabcanary.inspection.judging import skipped
from cabcanary.inspection.seeing import level
from cabcanary.plan.idle_signature import (
    LEAKS,
    LEAST_AIR,
    LEAST_KPA,
    LEAST_RPM,
    LEAST_TRIM,
    NOTHING,
    Change,
    Idle,
    signature,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.inspection.evidence import Evidence
    from cabcanary.inspection.roles import Moment, Normal


def judge_signature(e: Evidence, moments: Sequence[Moment]) -> list[Finding]:
    """What the idle looks like against before; nothing where nothing had been learnt."""
    what, roles = "what the idle looks like", e.roles
    if not roles.normals:
        return []
    trims = [level(r.series(moments)) for r in (roles.short_trim, roles.long_trim) if r is not None]
    near = None if not trims or None in trims else sum(t for t in trims if t is not None)
    air, known = roles.normals.get("air"), e.figures.get("idle")
    shown = level(roles.mass_air.series(moments)) if roles.mass_air else None
    share = 100.0 / air.value if air is not None and air.value > 0 else 1.0
    pressure = roles.normals.get("pressure")
    found = signature(
        Idle(
            _change(pressure, known, LEAST_KPA),
            _change(
                roles.normals.get("speed"),
                level(roles.engine_speed.series(moments)) if roles.engine_speed else None,
                LEAST_RPM,
            ),
            _change(roles.normals.get("trim"), near, LEAST_TRIM),
            None,  # nobody drives in an inspection's idle
            _change(air, shown, LEAST_AIR, share),
            other_sensor=pressure is not None and pressure.unsure > 0.0,
        )
    )
    figure = f"{found.said}; next: {found.next}" if found.next else found.said
    if found.kind == NOTHING:
        return [Finding(what, found.said, "as before", "pass")]
    if found.kind in LEAKS:
        return [Finding(what, figure, "as before", "fail")]
    return [skipped(what, figure)]


def _change(normal: Normal | None, shown: float | None, least: float, scale: float = 1.0) -> Change | None:
    """One idle against many: what it scattered by, what two sensors may differ by, and what a day makes are not it."""
    if normal is None or shown is None:
        return None
    middle = scale * (shown - normal.value)
    half = scale * (normal.spread + normal.unsure) + least
    return Change(middle, middle - half, middle + half)
