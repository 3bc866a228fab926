"""After each drive: what is normal in this vehicle is measured anew, in a process of its own.

`python -m cabcanary.review.rules.learning`; one line of JSON on standard input, {"config": …}; one JSON object a line
on standard output for each baseline that is new or has changed. Only the rule files' baselines with `learn` are learnt,
from the last good drives of the stage in force. The daemon takes them up at its next start. It ends with its standard
input.
"""

from __future__ import annotations

import itertools
import json
import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.model import NOTICES, OWN_ALERTS
from cabcanary.plan.normals import of_this_stage
from cabcanary.plan.plan import load_plan
from cabcanary.processes.input_ends import end_with_input
from cabcanary.review.list.drives import samples_path
from cabcanary.review.list.recorded_drive import RecordedError, read_drive
from cabcanary.review.rules.baseline import NotMeasured, measure
from cabcanary.spelling import spelt
from cabcanary.store.baselines import Baseline, BaselinesError, read_baselines, write_baselines
from cabcanary.store.manifest import newest_first, slug
from cabcanary.validation.problems import SettingsError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.plan.plan import Plan
    from cabcanary.review.list.recorded_drive import Recorded
    from cabcanary.store.manifest import Manifest

#: So many good drives say what is normal; older ones may have been driven in other weather and with other parts.
MOST_DRIVES = 20
#: A change of less than this share of the baseline's own spread is no news, and the card is not written for it.
_NEWS = 0.1


def learn(plan: Plan) -> list[Baseline]:
    """Measure what is to be learnt on the last good drives of the stage; returns what is new, and keeps it.

    Raises:
        BaselinesError: what was learnt before cannot be read.
        OSError: the folder cannot be written.
    """
    specs = {name: spec for name, spec in plan.baseline_specs.items() if spec.learn}
    folder = plan.settings.daemon.folder
    kept = read_baselines(folder)
    before = of_this_stage(plan.settings, kept, specs)
    specs = {name: spec for name, spec in specs.items() if spec.learn != "once" or name not in before}
    found = measure(replace(plan, baselines=kept), specs, _good_drives(plan))
    new = [b for b in found if not isinstance(b, NotMeasured) and _is_news(b, before.get(b.name))]
    for baseline in new:
        kept = kept.with_one(baseline)
    if new:
        write_baselines(folder, kept)
    return new


def _is_news(new: Baseline, old: Baseline | None) -> bool:
    if old is None or (old.unit, old.by, [x for x, _ in old.points]) != (new.unit, new.by, [x for x, _ in new.points]):
        return True
    least = _NEWS * max(new.spread, old.spread)
    return any(abs(y - z) > least for (_, y), (_, z) in zip(new.points, old.points, strict=True))


def _good_drives(plan: Plan) -> Iterator[Recorded]:
    """The newest drives of this vehicle and stage in which nothing was wrong, as many as count."""
    newest = newest_first(plan.settings.daemon.folder, plan.settings.vehicle.name)
    good = list(itertools.islice(((path, m) for path, m in newest if _is_good(m, plan)), MOST_DRIVES))
    for path, manifest in reversed(good):
        try:
            yield read_drive(samples_path(path, manifest))
        except (RecordedError, OSError):
            continue  # a drive that cannot be read says nothing of the others


def _is_good(manifest: Manifest, plan: Plan) -> bool:
    vehicle = plan.settings.vehicle
    same = slug(manifest.vehicle) == slug(vehicle.name) and manifest.stage == vehicle.stage
    alerts = [a for a in manifest.alerts if a.alert not in NOTICES | OWN_ALERTS and a.priority != "advisory"]
    return same and not alerts


def main() -> int:
    """Learn once; 0 if that went well."""
    given: dict[str, Any] = json.loads(sys.stdin.readline())
    end_with_input(sys.stdin.fileno())
    try:
        for new in learn(load_plan(Path(given["config"]))):
            span = spelt(new.points[0][1], 4) + (f" to {spelt(new.points[-1][1], 4)}" if len(new.points) > 1 else "")
            text = f"learnt what is normal: {new.name}, {new.of} {span} {new.unit} in stage '{new.stage}'"
            sys.stdout.write(json.dumps({"learnt": new.name, "text": text}) + "\n")
    except (SettingsError, BaselinesError, OSError) as error:
        sys.stdout.write(json.dumps({"failed": "learning", "text": f"nothing could be learnt: {error}"}) + "\n")
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())
