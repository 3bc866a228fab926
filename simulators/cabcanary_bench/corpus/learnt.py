"""What is normal in a vehicle of the corpus, learnt on ordinary drives of its own by the program's own code."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.review.list.recorded_drive import Recorded
from cabcanary.review.progress import shown
from cabcanary.review.rules.baseline import NotMeasured, measure
from cabcanary.store.baselines import Baselines
from cabcanary_bench.corpus.corpus import Job
from cabcanary_bench.corpus.watched import driven_in, plan_of
from cabcanary_bench.drives.generator import DriveKind

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary_bench.corpus.watched import Watched

#: As many drives as the daemon itself learns from, of minutes each; their seeds are none of the corpus' own.
_DRIVES, _MINUTES, _SEED = 20, 10.0, 7_000_003


def with_learnt(vehicle: Watched, seed: int, drives: int = _DRIVES) -> tuple[Watched, list[str]]:
    """The vehicle once what its rule files ask to be learnt has been, and the names of what that was."""
    plan = plan_of(vehicle)
    specs = {name: spec for name, spec in plan.baseline_specs.items() if spec.learn}
    found = measure(plan, specs, _drives(vehicle, seed, drives))
    new = [b for b in found if not isinstance(b, NotMeasured)]
    return replace(vehicle, learnt=Baselines(baselines=new).model_dump_json()), [b.name for b in new]


def _drives(vehicle: Watched, seed: int, drives: int) -> Iterator[Recorded]:
    kinds = list(DriveKind)
    jobs = [Job(seed * _SEED + n, kind=kinds[n % len(kinds)], minutes=_MINUTES) for n in range(drives)]
    for job in shown(jobs, f"{vehicle.title}, learning", "drives", len(jobs)):
        driven, plan = driven_in(job, vehicle)
        for run in driven.runs:
            about = {"stage": plan.settings.vehicle.stage, "drive": str(job.seed)}
            yield Recorded(Path(f"{job.name}-{job.seed}"), run, plan, about)
