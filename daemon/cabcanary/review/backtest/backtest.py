"""Runs rules over one recorded drive: the alarms that would have sounded, their durations, the near misses."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pyarrow as pa

from cabcanary.model import Priority
from cabcanary.review.backtest.misses import Miss, MissFinder
from cabcanary.review.backtest.results import Alarm, DriveFault, DriveResult, SetResult, Task
from cabcanary.review.backtest.rule_choice import RulesError, book_for
from cabcanary.review.backtest.sweep import cost_of, varied_rules
from cabcanary.review.list.recorded_drive import RecordedError, begun_ns, beside, open_drive, reason_of, signals_of
from cabcanary.rules.whole_drive import RuleSetRun, WholeDrive
from cabcanary.store.manifest import MANIFEST_ENDING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.review.backtest.rule_choice import RuleBook


def backtest(task: Task) -> DriveResult | DriveFault:
    """Try rules on one drive; any error of that drive is returned as a fault, not raised."""
    path = Path(task.path)
    try:
        return _backtest(task, path)
    except RulesError as error:
        return DriveFault(task.path, str(error), rules=True)
    except RecordedError as error:
        return DriveFault(task.path, str(error).removeprefix(f"{path}: ").removeprefix(f"{path} "))
    except (OSError, pa.ArrowException, ValueError, KeyError, TypeError) as error:
        # A file that is damaged inside may break anywhere on the way.
        return DriveFault(task.path, f"is damaged: {type(error).__name__}: {error}")


def _backtest(task: Task, path: Path) -> DriveResult:
    columns, about = open_drive(path)
    sources = [task.after] if task.before is None else [task.after, task.before]
    books = [book_for(source, about, path) for source in sources]
    book, state, told = books[0], about.get("rules_state"), beside(path, begun_ns(about))
    signals, actions = signals_of(columns, book.channel_units), told.actions
    whole = WholeDrive(signals, book.roots, book.channel_units, book.running, reason_of(signals, told))
    sets = [RuleSetRun(b.rules, state, actions) for b in books]
    candidates = [
        [RuleSetRun([rule], state, actions) for rule in varied_rules(sweep, book.rules)] for sweep in task.sweeps
    ]
    finder = _Finder(whole, sets[0], wanted=task.misses)
    whole.run_all([*sets, *(run for runs in candidates for run in runs)], finder.watch)
    times = signals.times_ns
    begin, end = (int(times[0]), int(times[-1])) if len(times) else (0, 0)
    results = [_result(b, s, begin, end) for b, s in zip(books, sets, strict=True)]
    after = results[0]
    after = SetResult(after.changes, after.alarms, tuple(finder.misses()), after.not_fitted, after.rules)
    costs = tuple(
        tuple(cost_of(value, alarms_of(run, begin, end)) for value, run in zip(sweep.values, runs, strict=False))
        for sweep, runs in zip(task.sweeps, candidates, strict=True)
    )
    return DriveResult(
        str(about.get("drive", path.stem)),
        task.path,
        str(about.get("start", "")),
        str(about.get("vehicle", "")),
        str(about.get("stage", "")),
        (end - begin) / 1e9,
        len(times),
        _lost(path),
        after,
        results[1] if len(results) > 1 else None,
        costs,
    )


class _Finder:
    """The misses of a set, where they are wanted; its runs are there only once the drive has begun."""

    def __init__(self, whole: WholeDrive, of: RuleSetRun, *, wanted: bool) -> None:
        self._whole, self._of, self._wanted = whole, of, wanted
        self._finder: MissFinder | None = None

    def watch(self, block: Any) -> None:
        if self._wanted:
            self._finder = self._finder or MissFinder(self._whole, self._of.runs)
            self._finder.watch(block)

    def misses(self) -> list[Miss]:
        return [] if self._finder is None else self._finder.misses()


def _result(book: RuleBook, run: RuleSetRun, begin: int, end: int) -> SetResult:
    absent = tuple((n.id, n.words) for n in book.not_fitted)
    rules = tuple((r.id, int(r.priority)) for r in book.rules)
    return SetResult(tuple(run.changes), tuple(alarms_of(run, begin, end)), (), absent, rules)


def alarms_of(run: RuleSetRun, begin_ns: int, end_ns: int) -> list[Alarm]:
    """The alerts of a drive as stretches of time, in the order in which they began.

    One that stood already when the drive began counts from there, and did not sound in it.
    """
    priorities = {rule.id: int(rule.priority) for rule in run.rules}
    since: dict[str, int] = dict.fromkeys(run.stood, begin_ns)
    last: dict[str, tuple[int, str]] = {a: (priorities.get(a, int(Priority.WARNING)), "") for a in run.stood}
    sounded: set[str] = set()
    found = []

    def close(alert: str, until_ns: int, *, stands: bool) -> None:
        start_s, end_s = (since.pop(alert) - begin_ns) / 1e9, (until_ns - begin_ns) / 1e9
        priority, figures = last[alert]
        found.append(Alarm(alert, priority, start_s, end_s, stands, alert in sounded, figures))
        sounded.discard(alert)

    for change in run.changes:
        alert = change.alert
        if change.active and alert not in since:
            since[alert], last[alert] = change.time_ns, (int(change.priority), change.figures)
        if change.active and change.sounds:
            sounded.add(alert)
        if not change.active and alert in since:
            close(alert, change.time_ns, stands=False)
    for alert in list(since):
        close(alert, end_ns, stands=True)
    return sorted(found, key=lambda a: a.start_s)


def _lost(path: Path) -> int:
    """Ticks that did not reach the disk, as the drive's manifest has it."""
    try:
        manifest: Mapping[str, Any] = json.loads(path.with_name(path.stem + MANIFEST_ENDING).read_bytes())
        return int(manifest.get("lost_ticks", 0)) + int(manifest.get("lost_blocks", 0))
    except (OSError, ValueError, TypeError, AttributeError, OverflowError, RecursionError):
        return 0
