"""The idle of one stage beside that of the stage before: what changed by how much, and which signature that has."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.plan.idle_signature import Change, Idle
from cabcanary.plan.sensors import another, sensor_of
from cabcanary.review.stages.compare import difference
from cabcanary.review.witness.drive_signals import signals_of
from cabcanary.review.witness.leak import closed_near_and_far, idle_rows

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.plan.sensors import Sensor
    from cabcanary.review.figures.columns import Columns, Floats, Mask

#: Rows are half seconds: a warm idle of less says nothing.
_LEAST_ROWS = 20


class Idled(NamedTuple):
    """One drive's idle: speed in rpm, metered air in g/s, trims in per cent at idle and away from it in closed loop;
    and the sensor of its pressure. None: not measured, or too little was seen."""

    sensor: Sensor
    speed: float | None = None
    air: float | None = None
    near: float | None = None
    far: float | None = None


def idled(columns: Columns) -> Idled:
    """What the idle of a drive says."""
    signals = signals_of(columns)
    sensor = sensor_of(columns.drive.plan.settings, columns.roles.pressure or "")
    rows = idle_rows(signals)
    near, far = closed_near_and_far(signals)
    return Idled(
        sensor,
        _middle(signals.rpm, rows),
        _middle(signals.mass_air, rows),
        _percent(signals.trim, near),
        _percent(signals.trim, far),
    )


def _middle(values: Floats, rows: Mask) -> float | None:
    known = values[rows & np.isfinite(values)]
    return float(np.median(known)) if len(known) >= _LEAST_ROWS else None


def _percent(values: Floats, rows: Mask) -> float | None:
    known = values[rows & np.isfinite(values)]
    return 100.0 * float(np.mean(known)) if len(known) >= _LEAST_ROWS else None


def sensors_apart(before: Sequence[Idled], now: Sequence[Idled]) -> tuple[str, float]:
    """Which sensor of pressure was changed for which, and by how much they may differ; empty and 0 for the same."""
    if not before or not now:
        return "", 0.0
    then, today = before[-1].sensor, now[-1].sensor
    if not another(then, today):
        return "", 0.0
    unsure = 2.0 * float(np.hypot(then.uncertainty, today.uncertainty))
    return f"then {then.name}, now {today.name}", unsure


def changes(
    before: Sequence[Idled], now: Sequence[Idled], idle_before: Sequence[Mapping[int, float]],
    idle_now: Sequence[Mapping[int, float]],
) -> Idle:  # fmt: skip
    """What changed at idle between two sets of drives; pressures are the drives' figures, kPa."""
    words, unsure = sensors_apart(before, now)
    airs = [d.air for d in before if d.air is not None]
    scale = 100.0 / float(np.median(airs)) if airs else 1.0
    return Idle(
        _change(idle_before, idle_now, unsure),
        _change(_cells(before, "speed"), _cells(now, "speed")),
        _change(_cells(before, "near"), _cells(now, "near")),
        _change(_cells(before, "far"), _cells(now, "far")),
        _change(_cells(before, "air", scale), _cells(now, "air", scale)),
        other_sensor=bool(words),
    )


def _cells(drives: Sequence[Idled], what: str, scale: float = 1.0) -> list[dict[int, float]]:
    values = [getattr(d, what) for d in drives]
    return [{} if v is None else {0: scale * v} for v in values]


def _change(
    before: Sequence[Mapping[int, float]], now: Sequence[Mapping[int, float]], unsure: float = 0.0
) -> Change | None:
    found = difference(before, now)
    if found is None:
        return None
    # What two sensors may differ by is the same in every drive: it is added, never squared.
    return Change(found.middle, found.low - unsure, found.high + unsure)
