"""`cabcanary backtest` from its arguments to its report."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.review.backtest.parallel import run_here, run_on_cluster
from cabcanary.review.backtest.results import DriveFault, DriveResult, Sweep, Task
from cabcanary.review.backtest.rule_choice import RulesError, RuleSource, book_for, source_of
from cabcanary.review.backtest.sweep import STEPS, has_limit, plan_sweep
from cabcanary.review.backtest.totals import Totals, totals_of
from cabcanary.review.list.recorded_drive import RecordedError, open_drive
from cabcanary.review.list.selection import find_drives
from cabcanary.review.progress import shown

if TYPE_CHECKING:
    from collections.abc import Sequence


@dataclass(frozen=True, slots=True)
class Wanted:
    """The request. `rules` None: those that each drive was driven with; `against` None: nothing; "": those.

    `bad` are drives in which the swept rule should sound; all others are called good.
    """

    drives: Sequence[str]
    folder: Path
    rules: Path | None = None
    against: str | None = None
    bad: Sequence[str] = ()
    sweeps: Sequence[str] = ()
    span: tuple[float, float] | None = None
    steps: int = STEPS
    workers: int | None = None
    scheduler: str = ""


class NothingTriedError(Exception):
    """No drive could be tried at all, by the fault of the rules; the text says why."""


def try_rules(wanted: Wanted) -> Totals:
    """Try rules on drives; shows how far it is on a terminal.

    Raises:
        RecordedError: there are no such drives.
        SettingsError, RulesError, NothingTriedError: the rules are at fault.
        SchedulerError: the cluster cannot be used.
    """
    after = source_of(wanted.rules) if wanted.rules is not None else RuleSource()
    before = None if wanted.against is None else source_of(Path(wanted.against)) if wanted.against else RuleSource()
    paths, bad = find_drives(wanted.drives, wanted.folder), find_drives(wanted.bad, wanted.folder)
    paths += [p for p in bad if p not in paths]
    sweeps = _planned(wanted, after, paths) if wanted.sweeps else ()
    tasks = [Task(str(path), after, before, sweeps) for path in paths]
    results = run_on_cluster(tasks, wanted.scheduler) if wanted.scheduler else run_here(tasks, wanted.workers)
    found = list(shown(results, "drives tried", "drives", len(tasks)))
    order = {task.path: n for n, task in enumerate(tasks)}
    found.sort(key=lambda r: order[r.path])
    drives = [r for r in found if isinstance(r, DriveResult)]
    faults = [r for r in found if isinstance(r, DriveFault)]
    if not drives and any(f.rules for f in faults):
        raise NothingTriedError(f"{faults[0].path}: {faults[0].why}")
    names = (after.name, "" if before is None else before.name)
    return totals_of(drives, faults, names, sweeps, {str(p) for p in bad})


def _planned(wanted: Wanted, source: RuleSource, paths: Sequence[Path]) -> tuple[Sweep, ...]:
    """What the sweeps mean, by the rules as the first drive that can be read has them."""
    why: Exception = RulesError("there is no drive to plan a sweep with")
    for path in paths:
        try:
            _, about = open_drive(path)
            rules = book_for(source, about, path).rules
            names = [r.id for r in rules if has_limit(r)] if list(wanted.sweeps) == ["all"] else wanted.sweeps
            return tuple(plan_sweep(rules, name, wanted.span, wanted.steps) for name in names)
        except RecordedError as error:
            why = error
    raise RulesError(str(why)) from why
