"""For how long a boost step was carried without an alert: the drives since it was taken up say it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary import units
from cabcanary.model import NOTICES, OWN_ALERTS, Quality
from cabcanary.review.figures.columns import Columns
from cabcanary.review.list.drives import samples_path
from cabcanary.review.list.recorded_drive import RecordedError, read_drive
from cabcanary.store.manifest import newest_first

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.plan.plan import Plan
    from cabcanary.review.list.recorded_drive import Recorded
    from cabcanary.store.manifest import Manifest

#: From this share of a step on it is carried: a driver does not hold a pressure to the tenth.
CARRIED = 0.85


@dataclass(frozen=True, slots=True)
class Carried:
    """Seconds at the step in so many drives; `broken_by` is the last alert, after which the count began anew."""

    seconds: float
    drives: int
    broken_by: str = ""


def carried(plan: Plan) -> Carried:
    """How long the step in force has been carried, counted from the last alert on.

    Counted are drives of this stage with this step; only seconds in which boost and mixture were seen.
    """
    settings = plan.settings
    built = settings.built.get(settings.vehicle.stage)
    if built is None or built.step_pa is None:
        return Carried(0.0, 0)
    seconds, drives = 0.0, 0
    for manifest, drive in _drives(plan):
        theirs = drive.plan.settings.built.get(drive.plan.settings.vehicle.stage)
        if theirs is None or (theirs.step, theirs.boost_steps) != (built.step, built.boost_steps):
            break
        alert = next((a.alert for a in manifest.alerts if _counts(a.alert, a.priority)), "")
        if alert or not manifest.judged:
            return Carried(seconds, drives, alert or "a drive that no rules watched")
        held = _seconds_at(drive, built.step_pa * CARRIED)
        seconds, drives = seconds + held, drives + (held > 0)
    return Carried(round(seconds, 1), drives)


def _counts(alert: str, priority: str) -> bool:
    return priority != "advisory" and alert not in NOTICES | OWN_ALERTS


def _drives(plan: Plan) -> Iterator[tuple[Manifest, Recorded]]:
    """The drives of this vehicle and stage, the newest first."""
    for path, manifest in newest_first(plan.settings.daemon.folder, plan.settings.vehicle.name):
        if manifest.stage != plan.settings.vehicle.stage:
            return
        try:
            yield manifest, read_drive(samples_path(path, manifest))
        except (RecordedError, OSError):
            return


def _seconds_at(drive: Recorded, at_pa: float) -> float:
    """Seconds at this boost in which the mixture was seen."""
    columns = Columns(drive)
    if columns.roles.boost is None or columns.roles.mixture is None:
        return 0.0
    boost = columns.good(columns.roles.boost, "psi", Quality.WITHIN)
    seen = np.isfinite(columns.good(columns.roles.mixture))
    return float(columns.steps[seen & (boost >= units.unit("psi").from_si(at_pa))].sum())
