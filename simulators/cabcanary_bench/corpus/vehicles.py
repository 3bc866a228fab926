"""The corpus with other vehicles: the same seeded drives for each, and one table of what each could find."""

from __future__ import annotations

import json
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass, replace
from itertools import product
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from cabcanary.review.backtest.parallel import ctrl_c_kept_back
from cabcanary.review.progress import shown
from cabcanary_bench.corpus.corpus import Job, jobs
from cabcanary_bench.corpus.corpus_grade import Report, grade
from cabcanary_bench.corpus.corpus_run import ends_at_ctrl_c
from cabcanary_bench.corpus.learnt import with_learnt
from cabcanary_bench.corpus.watched import ALL_FAULTS, Watched, chance, own_compressor, run_watched, watch
from cabcanary_bench.faults.kinds import FaultKind
from cabcanary_bench.paths import config_folder
from cabcanary_bench.van.build import COMPRESSORS, Build

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from cabcanary_bench.corpus.corpus import Outcome

#: A drive takes some 100 MB; a machine with two cores has them for these.
_WORKERS = 2
#: At the top of a pass, where a vehicle without a barometer knows the air's pressure least.
_AT_THE_TOP = (FaultKind.LEAN_MIXTURE, FaultKind.OVER_BOOST, FaultKind.WIDEBAND_SILENT)
#: One ordinary drive in so many goes over a pass.
_PASS_EVERY = 10


@dataclass(frozen=True, slots=True)
class Graded:
    """A vehicle and how the corpus went with it; `top` are the faults at the top of a pass."""

    vehicle: Watched
    report: Report
    top: Report


def shipped() -> list[Path]:
    """The settings files that come with the program."""
    return sorted(f for f in config_folder().glob("*.toml"))


def vehicles_of(files: Sequence[Path], kinds: Sequence[str], build: Build, folder: Path) -> list[Watched]:
    """Every file with every kind of compressor; without kinds, each with the one that its settings name.

    Raises:
        SettingsError: a file is faulty.
    """
    pairs: Iterable[tuple[Path, str]] = product(files, kinds) if kinds else ((f, own_compressor(f)) for f in files)
    return [watch(file, _with(build, kind), folder) for file, kind in pairs]


def _with(build: Build, kind: str) -> Build:
    return replace(build, compressor=next(k for k in COMPRESSORS if k == kind))


def jobs_for(vehicle: Watched, hours: float, faults: int, seed: int) -> list[Job]:
    """The jobs of the corpus that the vehicle can have, with some over a mountain pass."""
    kinds = tuple(FaultKind(k) for k in ALL_FAULTS if k in list(FaultKind))
    found = [j for j in jobs(hours, faults, seed, kinds) if j.kind is not None or chance(j.name, vehicle) == "seen"]
    ordinary = sum(j.kind is not None for j in found)
    found += [Job(seed * 3_000_017 + n, mountain=True) for n in range(-(-ordinary // _PASS_EVERY))]
    if faults >= len(ALL_FAULTS):
        found += [
            Job(seed * 3_000_017 + 500 + n, fault=kind, mountain=True)
            for n, kind in enumerate(_AT_THE_TOP)
            if chance(kind, vehicle) == "seen"
        ]
    return found


def run_vehicles(
    files: Sequence[Path],
    compressors: Sequence[str],
    build: Build,
    hours: float,
    faults: int,
    seed: int = 1,
    workers: int | None = None,
    *,
    learn: bool = False,
    as_json: bool = False,
) -> int:
    """Drive each vehicle through the same corpus and print the table. 0 if nothing that shows was missed and no warning
    was false. `learn`: what is normal in each has been learnt before.

    Raises:
        SettingsError: a settings file is faulty.
    """
    with TemporaryDirectory() as folder:
        vehicles = vehicles_of(files, compressors, build, Path(folder))
        if learn:
            vehicles = [_learnt(v, seed) for v in vehicles]
        graded = [_graded(v, hours, faults, seed, workers or _WORKERS) for v in vehicles]
        # The table asks the vehicles' settings what they could show.
        lines: list[Any] = [_as_json(g) for g in graded] if as_json else table(graded)
    if as_json:
        print(json.dumps(lines, ensure_ascii=False, indent=1))
    else:
        print("\n".join(map(str, lines)))
        print("This was a simulation. cabcanary is a monitor, not protection; limits here are examples.")
    bad = any(g.report.missed or g.top.missed or g.report.false.get("warning") for g in graded)
    return 1 if bad else 0


def _learnt(vehicle: Watched, seed: int) -> Watched:
    knowing, names = with_learnt(vehicle, seed)
    print(f"{vehicle.title}: learnt {', '.join(names) or 'nothing'}", file=sys.stderr)
    return knowing


def _graded(vehicle: Watched, hours: float, faults: int, seed: int, workers: int) -> Graded:
    outcomes = list(driven(jobs_for(vehicle, hours, faults, seed), vehicle, workers))
    at_top = [o.job.mountain and o.job.fault is not None for o in outcomes]
    top = [o for o, there in zip(outcomes, at_top, strict=True) if there]
    return Graded(vehicle, grade(o for o, there in zip(outcomes, at_top, strict=True) if not there), grade(top))


def driven(wanted: list[Job], vehicle: Watched, workers: int) -> Iterator[Outcome]:
    """Every job's outcome as it comes, from so many processes; Ctrl-C ends it at once."""
    pool = ProcessPoolExecutor(workers, initializer=ends_at_ctrl_c)
    try:
        with ctrl_c_kept_back():
            running = [pool.submit(run_watched, job, vehicle) for job in wanted]
        for future in shown(as_completed(running), vehicle.title, "drives", len(wanted)):
            yield future.result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


# --- for a person -------------------------------------------------------------------------------------------------

_WIDTH, _FIRST = 19, 29


def _cell(graded: Graded, kind: str) -> str:
    """One fault in one vehicle: how many were found and how soon, or why there is nothing to find."""
    what = chance(kind, graded.vehicle)
    if what != "seen":
        return "cannot be seen" if what == "unseen" else "-"
    result = graded.report.kinds.get(kind)
    if result is None or not (result.must or result.below):
        return ""
    if not result.must:
        return "did not show"
    delay = f" {median(result.delays_s):.1f} s" if result.delays_s else ""
    lost = " MISSED" if result.found < result.must else ""
    return f"{result.found}/{result.must}{delay}{lost}"


def table(graded: Sequence[Graded]) -> list[str]:
    """Fault by vehicle: found of those that had to be found, and the median delay; then false alarms per hour."""
    vehicles = [g.vehicle for g in graded]
    found = [
        "Found of those that had to be, with the median delay. '-': the vehicle has no such part.",
        f"{'':<{_FIRST}}" + "".join(f"{v.name[: _WIDTH - 1]:<{_WIDTH}}" for v in vehicles),
        f"{'':<{_FIRST}}" + "".join(f"{v.build.compressor:<{_WIDTH}}" for v in vehicles),
    ]
    for kind in ALL_FAULTS:
        cells = [_cell(g, kind) for g in graded]
        if any(cells):
            found.append(f"{kind:<{_FIRST}}" + "".join(f"{c:<{_WIDTH}}" for c in cells).rstrip())
    for kind in _AT_THE_TOP:
        results = [g.top.kinds.get(kind) for g in graded]
        cells = ["" if r is None else f"{r.found}/{r.must}" if r.must else "did not show" for r in results]
        if any(cells):
            found.append(f"{kind + ' on a pass':<{_FIRST}}" + "".join(f"{c:<{_WIDTH}}" for c in cells).rstrip())
    return [*found, "", *_false(graded), *_missed(graded)]


def _false(graded: Sequence[Graded]) -> list[str]:
    """False alarms per hour of ordinary driving, each by its name."""
    found = [
        f"{'false alarms per hour':<{_FIRST}}" + "".join(f"{f'of {g.report.hours:.1f} h':<{_WIDTH}}" for g in graded)
    ]
    for priority in ("warning", "caution", "advisory"):
        names: Counter[str] = Counter()
        for g in graded:
            names += g.report.false.get(priority, Counter())
        for alert, _ in names.most_common():
            rates = [g.report.false.get(priority, Counter())[alert] / max(g.report.hours, 1e-9) for g in graded]
            cells = "".join(f"{f'{r:.2f}' if r else '':<{_WIDTH}}" for r in rates)
            found.append(f"{alert[: _FIRST - 1]:<{_FIRST}}{cells.rstrip()}  {priority}")
    return found if len(found) > 1 else [found[0], "  none"]


def _missed(graded: Sequence[Graded]) -> list[str]:
    """Which drives to look at."""
    found = []
    for g in graded:
        for report in (g.report, g.top):
            for kind, result in report.kinds.items():
                found += [f"{g.vehicle.title}: {kind} missed in {m}" for m in result.missed[:3]]
        # The gravest first.
        worst = sorted(g.report.false_at, key=lambda where: not where.endswith(", warning"))
        found += [f"{g.vehicle.title}: {where}" for where in worst[:6]]
    return ["", *found] if found else []


def _as_json(graded: Graded) -> dict[str, Any]:
    return {
        "vehicle": graded.vehicle.name,
        "compressor": graded.vehicle.build.compressor,
        "chances": {kind: chance(kind, graded.vehicle) for kind in ALL_FAULTS},
        "at_the_top": graded.top.as_json()["faults"],
        **graded.report.as_json(),
    }
