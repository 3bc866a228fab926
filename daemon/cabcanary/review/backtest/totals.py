"""What the drives of a backtest come to together: per rule, the closest misses, and the sweep."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from cabcanary.alerts.words import alert_event
from cabcanary.model import Priority
from cabcanary.review.backtest.alarm_load import load_of
from cabcanary.review.backtest.sweep import summarise

if TYPE_CHECKING:
    from collections.abc import Container, Sequence

    from cabcanary.review.backtest.misses import Miss
    from cabcanary.review.backtest.results import Alarm, DriveFault, DriveResult, SetResult, Sweep
    from cabcanary.review.backtest.sweep import SweepResult


@dataclass(frozen=True, slots=True)
class Count:
    """How often a rule sounded, in how many drives, and for how long it stood."""

    alarms: int = 0
    drives: int = 0
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class RuleTotal:
    """One rule, or one channel that could not be seen, over all drives."""

    rule: str
    priority: Priority
    after: Count
    before: Count


@dataclass(frozen=True, slots=True)
class Totals:
    """All drives together; `after` and `before` are what the rules are called."""

    after: str
    before: str
    drives: Sequence[DriveResult]
    faults: Sequence[DriveFault]
    rules: Sequence[RuleTotal]
    #: The closest miss of each rule that no drive made sound, and in which drive it was.
    misses: Sequence[tuple[str, Miss]]
    #: Rule, what it needs, and in how many drives it was not fitted.
    not_fitted: Sequence[tuple[str, str, int]]
    sweeps: Sequence[SweepResult]
    seconds: float = field(default=0.0)

    def as_json(self) -> dict[str, Any]:
        """For a program to read; documented in config/rules/README.md."""
        return {
            "rules": self.after,
            "against": self.before or None,
            "hours": self.seconds / 3600.0,
            "totals": [_total_json(t, against=bool(self.before)) for t in self.rules],
            "load": _load_json([(d, d.after.alarms) for d in self.drives]),
            "load_against": _load_json([(d, d.before.alarms) for d in self.drives if d.before is not None])
            if self.before
            else None,
            "misses": [{"drive": drive, **_miss_json(miss)} for drive, miss in self.misses],
            "not_fitted": [{"rule": r, "needs": n, "drives": c} for r, n, c in self.not_fitted],
            "sweeps": [_sweep_json(found) for found in self.sweeps],
            "drives": [_drive_json(d) for d in self.drives],
            "faults": [{"path": f.path, "why": f.why} for f in self.faults],
        }


def totals_of(
    results: Sequence[DriveResult],
    faults: Sequence[DriveFault],
    names: tuple[str, str],
    sweeps: Sequence[Sweep] = (),
    bad: Container[str] = (),
) -> Totals:
    """Add up drives; `bad` are the paths of those in which the swept rule should sound."""
    good, caught = [d for d in results if d.path not in bad], [d for d in results if d.path in bad]
    swept = [
        summarise(sweep, [d.sweeps[n] for d in good], [d.sweeps[n] for d in caught]) for n, sweep in enumerate(sweeps)
    ]
    return Totals(
        names[0],
        names[1],
        results,
        faults,
        _rules(results),
        _closest(results),
        _not_fitted(results),
        swept,
        sum(d.seconds for d in results),
    )


def _rules(results: Sequence[DriveResult]) -> list[RuleTotal]:
    priorities: dict[str, int] = {}
    for drive in results:
        for result in (drive.after, drive.before):
            if result is not None:
                for rule, priority in result.rules:
                    priorities.setdefault(rule, priority)
    for alarm in (a for d in results for r in (d.after, d.before) if r is not None for a in r.alarms):
        priorities[alarm.alert] = max(priorities.get(alarm.alert, 0), alarm.priority)
    after = _counts([d.after for d in results])
    before = _counts([d.before for d in results if d.before is not None])
    found = [RuleTotal(r, Priority(p), after.get(r, Count()), before.get(r, Count())) for r, p in priorities.items()]
    return sorted(found, key=lambda t: -t.priority)


def _counts(results: Sequence[SetResult]) -> dict[str, Count]:
    found: dict[str, Count] = {}
    for result in results:
        by_alert: dict[str, list[Alarm]] = {}
        for alarm in result.alarms:
            by_alert.setdefault(alarm.alert, []).append(alarm)
        for alert, alarms in by_alert.items():
            sounded, old = sum(a.sounded for a in alarms), found.get(alert, Count())
            seconds = old.seconds + sum(a.seconds for a in alarms)
            found[alert] = Count(old.alarms + sounded, old.drives + (sounded > 0), seconds)
    return found


def _closest(results: Sequence[DriveResult]) -> list[tuple[str, Miss]]:
    loud = {a.alert for d in results for a in d.after.alarms if a.sounded}
    best: dict[str, tuple[str, Miss]] = {}
    for drive in results:
        for miss in drive.after.misses:
            if miss.rule not in loud and (miss.rule not in best or nearness(miss) > nearness(best[miss.rule][1])):
                best[miss.rule] = (drive.drive, miss)
    return sorted(best.values(), key=lambda b: nearness(b[1]), reverse=True)


def nearness(miss: Miss) -> tuple[int, float]:
    """What held for a while was nearer than what only came near."""
    return (0 if miss.comparison else 1, miss.share)


def _not_fitted(results: Sequence[DriveResult]) -> list[tuple[str, str, int]]:
    counted = Counter(n for d in results for n in d.after.not_fitted)
    return [(rule, needs, count) for (rule, needs), count in counted.items()]


# --- JSON -------------------------------------------------------------------------------------------------------


def _total_json(total: RuleTotal, *, against: bool) -> dict[str, Any]:
    found = {"rule": total.rule, "priority": total.priority.word, "after": _count_json(total.after)}
    return found | ({"before": _count_json(total.before)} if against else {})


def _count_json(count: Count) -> dict[str, Any]:
    return {"alarms": count.alarms, "drives": count.drives, "seconds": round(count.seconds, 3)}


def _load_json(drives: Sequence[tuple[DriveResult, Sequence[Alarm]]]) -> dict[str, Any]:
    load = load_of(drives)
    return {
        "alarms": load.alarms,
        "per_ten_minutes": load.per_ten_minutes,
        "most_in_ten_minutes": load.most,
        "floods": load.floods,
        "silent_drives": load.silent_drives,
        "seconds_in_alarm": round(load.alarm_seconds, 3),
        "by_priority": {p.word: n for p, n in load.by_priority.items()},
        "verdict": load.verdict,
    }


def _miss_json(miss: Miss) -> dict[str, Any]:
    return {
        "rule": miss.rule,
        "at_s": round(miss.at_s, 3),
        "share": miss.share,
        "held_s": miss.held_s,
        "wanted_s": miss.wanted_s,
        "damage": miss.damage,
        "suppressed": miss.suppressed,
        "comparison": miss.comparison,
        "value": miss.value,
        "limit": miss.limit,
        "unit": miss.unit,
        "words": miss.words,
    }


def _drive_json(drive: DriveResult) -> dict[str, Any]:
    return {
        "drive": drive.drive,
        "path": drive.path,
        "start": drive.start,
        "vehicle": drive.vehicle,
        "stage": drive.stage,
        "seconds": drive.seconds,
        "ticks": drive.ticks,
        "lost_ticks": drive.lost,
        "after": _set_json(drive.after),
        "before": None if drive.before is None else _set_json(drive.before),
    }


def _set_json(result: SetResult) -> dict[str, Any]:
    return {
        "alarms": [
            {
                "alert": a.alert,
                "priority": Priority(a.priority).word,
                "start_s": round(a.start_s, 6),
                "seconds": round(a.seconds, 6),
                "stands": a.stands,
                "sounded": a.sounded,
                "figures": a.figures,
            }
            for a in result.alarms
        ],
        "misses": [_miss_json(m) for m in result.misses],
        "events": [alert_event(c).as_json() for c in result.changes],
    }


def _sweep_json(found: SweepResult) -> dict[str, Any]:
    sweep = found.sweep
    return {
        "rule": sweep.rule,
        "comparison": sweep.comparison,
        "unit": sweep.unit,
        "added": sweep.added,
        "now": sweep.now,
        "good_drives": found.good,
        "bad_drives": found.bad,
        "suggested": found.suggested,
        "values": [
            {
                "value": r.value,
                "alarms": r.alarms,
                "drives": r.drives,
                "seconds": round(r.seconds, 3),
                "caught": r.caught,
            }
            for r in found.rows
        ],
    }
