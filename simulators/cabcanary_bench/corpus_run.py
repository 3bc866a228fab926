"""`cabcanary bench corpus`: make the corpus and grade it, on all cores."""

from __future__ import annotations

import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from typing import TYPE_CHECKING

from cabcanary.store.baselines import Baseline, Baselines

from .corpus import jobs, run_job
from .corpus_grade import grade, lines
from .fault_kinds import FaultKind
from .paths import config_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from .corpus import Job, Outcome

#: What the warm van's manifold is at idle, kPa, as `cabcanary baseline measure` finds it on its ordinary drives.
IDLE_KPA = 33.5


def bench_baselines() -> Baselines:
    """The baselines of the bench van in its stage."""
    idle = Baseline(name="idle_pressure", stage="compressor, low boost", of="map", unit="kPa", points=[(0.0, IDLE_KPA)])
    return Baselines(baselines=[idle])


def run_corpus(
    hours: float,
    faults: int,
    seed: int = 1,
    workers: int | None = None,
    *,
    keep: Path | None = None,
    as_json: bool = False,
    weaken: bool = True,
) -> int:
    """Drive and grade; prints the report. Returns 0 if everything was found and no warning was false.

    Drives that lie in `keep` from before are judged anew and not driven again.
    """
    config = config_folder() / "bench-van.toml"
    shown = tuple(k for k in FaultKind if k.info.family != "host" and k is not FaultKind.FEED_LIVE)
    wanted = list(jobs(hours, faults, seed, shown))
    report = grade(driven(wanted, config, workers, weaken=weaken, keep=keep))
    if as_json:
        print(json.dumps(report.as_json(), ensure_ascii=False, indent=1))
    else:
        print("\n".join(lines(report)))
        print("This was a simulation. cabcanary is a monitor, not protection; limits here are examples.")
    return 1 if report.missed or report.false.get("warning") else 0


def driven(
    wanted: list[Job], config: Path, workers: int | None, *, weaken: bool, keep: Path | None = None
) -> Iterator[Outcome]:
    """Every job's outcome as it comes, from all cores."""
    began, done = time.monotonic(), 0
    with ProcessPoolExecutor(workers or os.cpu_count()) as pool:
        baselines = bench_baselines()
        running = [
            pool.submit(run_job, job, config, baselines, weaken=weaken and job.kind is None, keep=keep)
            for job in wanted
        ]
        for future in as_completed(running):
            done += 1
            if sys.stderr.isatty():
                left = (time.monotonic() - began) / done * (len(wanted) - done)
                sys.stderr.write(f"\r{done} of {len(wanted)} drives, about {left / 60:.0f} min left ")
                sys.stderr.flush()
            yield future.result()
    if sys.stderr.isatty():
        sys.stderr.write("\n")
