"""`cabcanary bench --config`: every fault that a vehicle's own sensors could show, put in once, before anybody drives.

The simulated engine has the vehicle's compressor, the sensors answer by the inverse of its own curves on the wires that
it has, and its own rules judge.
"""

from __future__ import annotations

import json
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

from cabcanary.review.backtest.parallel import ctrl_c_kept_back
from cabcanary.review.progress import shown
from cabcanary_bench.corpus.corpus import Job
from cabcanary_bench.corpus.corpus_grade import grade
from cabcanary_bench.corpus.corpus_run import ends_at_ctrl_c
from cabcanary_bench.corpus.injected import INJECTED
from cabcanary_bench.corpus.seen import missing_for
from cabcanary_bench.corpus.vehicles import vehicles_of
from cabcanary_bench.corpus.watched import ALL_FAULTS, Watched, chance, plan_of, run_watched
from cabcanary_bench.drives.generator import DriveKind
from cabcanary_bench.faults.kinds import FaultKind

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary_bench.corpus.corpus_grade import Report
    from cabcanary_bench.van.build import Build

#: A drive may not show its fault (no pull came while it lasted): so many are tried.
_TRIES = 4
#: Healthy drives, in which nothing may sound.
_HEALTHY = (DriveKind.TOWN, DriveKind.HILL)
_HEALTHY_MINUTES = 15.0


@dataclass(frozen=True, slots=True)
class Row:
    """One fault: `verdict` is found, missed, did not show, cannot be seen or absent; `after_s` and `alert` how it was
    found; `takes` what would show it."""

    kind: str
    words: str
    verdict: str
    after_s: float | None = None
    alert: str = ""
    takes: str = ""

    def line(self) -> str:
        """For a person."""
        if self.verdict == "found":
            return f"  {self.words}: found after {max(0.0, self.after_s or 0.0):.1f} s, {self.alert.replace('_', ' ')}"
        if self.verdict == "cannot be seen":
            return f"  {self.words}: cannot be seen, it takes {self.takes}"
        if self.verdict == "missed":
            # What had the sensors for it and stayed silent: its numbers or its rules.
            return f"  {self.words}: MISSED, look at the limits and rules for it"
        return f"  {self.words}: {self.verdict}"


def run_rehearsal(
    files: Sequence[Path], kinds: Sequence[str], build: Build, seed: int, workers: int | None, *, as_json: bool
) -> int:
    """Rehearse each vehicle and print its table. 0 if nothing that shows was missed and no healthy drive had a warning.

    Raises:
        SettingsError: a settings file is faulty.
        NoWireError: the bench cannot simulate one of its channels.
    """
    good = True
    told: list[Any] = []
    with TemporaryDirectory() as folder:
        for vehicle in vehicles_of(files, kinds, build, Path(folder)):
            rows, healthy = rehearse(vehicle, seed, workers)
            good = good and not healthy.false.get("warning") and all(r.verdict != "missed" for r in rows)
            told += [_as_json(vehicle, rows, healthy)] if as_json else lines(vehicle, rows, healthy)
    if as_json:
        print(json.dumps(told, ensure_ascii=False, indent=1))
    else:
        print("\n".join(told))
        print("This was a simulation. cabcanary is a monitor, not protection; limits here are examples.")
    return 0 if good else 1


def rehearse(vehicle: Watched, seed: int, workers: int | None = None) -> tuple[list[Row], Report]:
    """Every fault in its order, and the grade of the healthy drives; on so many processes (None: all cores)."""
    healthy = [Job(seed * 1_000_003 + n, kind=k, minutes=_HEALTHY_MINUTES) for n, k in enumerate(_HEALTHY)]
    asked = [k for k in ALL_FAULTS if chance(k, vehicle) == "seen"]
    rows = {k: _unasked(k, vehicle) for k in ALL_FAULTS if k not in asked}
    pool = ProcessPoolExecutor(workers, initializer=ends_at_ctrl_c)
    try:
        with ctrl_c_kept_back():
            plain = [pool.submit(run_watched, job, vehicle) for job in healthy]
            faults = [pool.submit(_tried, kind, vehicle, seed) for kind in asked]
        for future in shown(as_completed(faults), vehicle.title, "faults", len(faults)):
            row = future.result()
            rows[row.kind] = row
        report = grade(p.result() for p in plain)
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
    return [rows[k] for k in ALL_FAULTS], report


def _words(kind: str) -> str:
    words = next((i.words for i in INJECTED if i.name == kind), "") or FaultKind(kind).info.words
    return words[:1].upper() + words[1:]


def _unasked(kind: str, vehicle: Watched) -> Row:
    if chance(kind, vehicle) == "absent":
        return Row(kind, _words(kind), "absent")
    return Row(kind, _words(kind), "cannot be seen", takes=missing_for(kind, plan_of(vehicle).settings))


def _tried(kind: str, vehicle: Watched, seed: int) -> Row:
    """Drives with the fault until one shows it."""
    injected = any(kind == i.name for i in INJECTED)
    for n in range(_TRIES):
        number = seed * 2_000_003 + n
        job = Job(number, injected=kind) if injected else Job(number, fault=FaultKind(kind))
        outcome = run_watched(job, vehicle)
        result = grade([outcome]).kinds.get(kind)
        if result is None or not result.must:
            continue
        if not result.found:
            return Row(kind, _words(kind), "missed")
        return Row(kind, _words(kind), "found", round(result.delays_s[0], 2), next(iter(result.first), ""))
    return Row(kind, _words(kind), "did not show")


def lines(vehicle: Watched, rows: Sequence[Row], healthy: Report) -> list[str]:
    """The table as text: what was found, what was missed, what no sensor shows; then the healthy drives."""
    found = [f"{vehicle.title}, stage {vehicle.stage}:"]
    for verdict, heading in (
        ("missed", "Missed, with the sensors to see it"),
        ("found", "Found"),
        ("did not show", f"In {_TRIES} drives it did not show"),
        ("cannot be seen", "Without more sensors"),
    ):
        those = [r for r in rows if r.verdict == verdict]
        if those:
            found += ["", f"{heading}: {len(those)}", *(r.line() for r in those)]
    false = [f"  {word} at {where.rpartition(' at ')[2]}" for where in healthy.false_at for word in [where.split()[0]]]
    minutes = healthy.hours * 60
    sounded = f"{len(false)} false" if false else "nothing sounded"
    return [*found, "", f"Healthy driving, {minutes:.0f} minutes: {sounded}", *false, ""]


def _as_json(vehicle: Watched, rows: Sequence[Row], healthy: Report) -> dict[str, Any]:
    return {
        "vehicle": vehicle.name,
        "compressor": vehicle.build.compressor,
        "stage": vehicle.stage,
        "faults": [
            {
                "kind": r.kind,
                "words": r.words,
                "verdict": r.verdict,
                "after_s": r.after_s,
                "alert": r.alert or None,
                "takes": r.takes or None,
            }
            for r in rows
        ],
        "healthy": healthy.as_json(),
    }
