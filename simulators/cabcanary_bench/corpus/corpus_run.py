"""`cabcanary bench corpus`: make the corpus and grade it, on all cores."""

from __future__ import annotations

import json
import signal
from concurrent.futures import ProcessPoolExecutor, as_completed
from typing import TYPE_CHECKING

from cabcanary.review.backtest.parallel import ctrl_c_kept_back
from cabcanary.review.progress import shown
from cabcanary.store.baselines import Baseline, Baselines
from cabcanary_bench.corpus.corpus import jobs, run_job
from cabcanary_bench.corpus.corpus_grade import grade, lines
from cabcanary_bench.faults.kinds import FaultKind
from cabcanary_bench.paths import config_folder

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from cabcanary_bench.corpus.corpus import Job, Outcome

#: What the warm van's manifold is at idle, kPa, as `cabcanary baseline measure` finds it on its ordinary drives.
IDLE_KPA = 33.5
#: The ratio of pressures at a wide open throttle by engine speed, and the lowest supply running and under boost, V, as
#: they are learnt on six ordinary drives of it.
FULL_RATIO = [(2750.0, 1.32), (3500.0, 1.35), (4250.0, 1.40), (4750.0, 1.48)]
RUNNING_V, BOOSTED_V = 12.54, 12.53


def bench_baselines() -> Baselines:
    """The baselines of the bench van in its stage."""

    def made(name: str, of: str, unit: str, points: list[tuple[float, float]], by: str | None = None) -> Baseline:
        by_unit = "rpm" if by else ""
        stage = "compressor, low boost"
        return Baseline(name=name, stage=stage, of=of, unit=unit, by=by, by_unit=by_unit, points=points)

    return Baselines(
        baselines=[
            made("idle_pressure", "map", "kPa", [(0.0, IDLE_KPA)]),
            made("full_ratio", "pressure_ratio", "ratio", FULL_RATIO, by="engine_speed"),
            made("supply_running", "supply", "V", [(0.0, RUNNING_V)]),
            made("supply_boosted", "supply", "V", [(0.0, BOOSTED_V)]),
        ]
    )


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
    kinds = tuple(k for k in FaultKind if k.info.family != "host" and k is not FaultKind.FEED_LIVE)
    wanted = list(jobs(hours, faults, seed, kinds))
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
    """Every job's outcome as it comes, from all cores; a terminal is shown how far it is.

    Ctrl-C ends it at once: drives already kept are complete, the others are driven next time.
    """
    baselines = bench_baselines()
    pool = ProcessPoolExecutor(workers, initializer=ends_at_ctrl_c)
    try:
        with ctrl_c_kept_back():
            running = [
                pool.submit(run_job, job, config, baselines, weaken=weaken and job.kind is None, keep=keep)
                for job in wanted
            ]
        for future in shown(as_completed(running), "corpus", "drives", len(wanted)):
            yield future.result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def ends_at_ctrl_c() -> None:
    """What a worker does first: Ctrl-C ends it."""
    # Silently: the parent process reports the interruption. Waiting for a drive to finish would take too long.
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    signal.pthread_sigmask(signal.SIG_UNBLOCK, {signal.SIGINT})
