"""Looking at rules without a vehicle: their examples, what they do, and why one did or did not trip in a drive."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.expressions.arrays import evaluate_condition
from cabcanary.plan.plan import load_plan, plan_for_examples
from cabcanary.rules.examples import ExampleError, Outcome, run_example
from cabcanary.rules.figures import shown_side
from cabcanary.settings.load import load_rule_file, load_settings
from cabcanary.spelling import spelt
from cabcanary.validation.problems import nearest

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from cabcanary.plan.plan import Plan
    from cabcanary.review.list.recorded_drive import Recorded
    from cabcanary.rules.rule import Rule
    from cabcanary.rules.whole_drive import Traced
    from cabcanary.settings.rule_schema import ExampleSpec


class RuleFilesError(Exception):
    """A command that cannot be carried out; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class FileReport:
    """What became of the examples of one rule file. `untested` are the rules without one."""

    file: Path
    outcomes: tuple[Outcome, ...]
    errors: tuple[str, ...]
    untested: tuple[str, ...]
    not_fitted: tuple[str, ...]

    @property
    def ok(self) -> bool:
        """Whether every example holds."""
        return not self.errors and not any(o.faults for o in self.outcomes)

    def as_json(self) -> dict[str, Any]:
        """For a program to read."""
        return {
            "file": str(self.file),
            "ok": self.ok,
            "errors": list(self.errors),
            "untested": list(self.untested),
            "not_fitted": list(self.not_fitted),
            "examples": [
                {
                    "rule": o.rule,
                    "name": o.name,
                    "ok": not o.faults,
                    "faults": list(o.faults),
                    "sounded_s": list(o.sounded),
                    "blind_s": [{"channel": c, "at": t} for c, t in o.blind],
                }
                for o in self.outcomes
            ],
        }


def try_rule_files(files: Sequence[Path], config: Path | None) -> Iterator[FileReport]:
    """Run the examples beside the rules. A settings file stands for all rule files that it names.

    Raises:
        RuleFilesError: it is not known whose channels a rule file speaks of.
        SettingsError: a file is faulty.
    """
    for file in files:
        if is_settings(file):
            loaded = load_settings(file)
            for name in loaded.model.rules:
                yield _test_file(file, file.parent / name)
        else:
            yield _test_file(config or _settings_of(file), file)


def is_settings(file: Path) -> bool:
    """Whether it is a settings file, which names rule files, and not a rule file itself."""
    try:
        return file.is_file() and "\n[vehicle]" in "\n" + file.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError):
        return False


def _settings_of(rule_file: Path) -> Path:
    """The settings file beside or above a rule file that names it."""
    wanted = rule_file.resolve()
    found = []
    for folder in (wanted.parent, wanted.parent.parent):
        for candidate in sorted(folder.glob("*.toml")):
            if not is_settings(candidate):
                continue
            names = load_settings(candidate).model.rules
            if any((candidate.parent / n).resolve() == wanted for n in names):
                found.append(candidate)
    if len(found) == 1:
        return found[0]
    what = "several settings files name it" if found else "no settings file beside it names it"
    raise RuleFilesError(f"{rule_file}: whose channels does it speak of? {what}; say which with --config")


def _test_file(config: Path, file: Path) -> FileReport:
    loaded = load_rule_file(file)
    beside = file.parent / (loaded.model.examples_of or config)
    if loaded.model.examples_of and beside.is_file():
        config = beside
    outcomes: list[Outcome] = []
    errors: list[str] = []
    untested, not_fitted = [], []
    plans: dict[str | None, Plan] = {}
    for spec in loaded.model.rule:
        if not spec.example:
            untested.append(spec.id)
        for example in spec.example:
            if example.stage not in plans:
                plans[example.stage] = plan_for_examples(config, file, example.stage)
            plan = plans[example.stage]
            lacks = _lacks(example, loaded.model.optional_channels, plan)
            if lacks:
                not_fitted.append(f"{spec.id} '{example.name}' (no {lacks})")
                continue
            rule = next((r for r in plan.rules.rules if r.id == spec.id), None)
            if rule is None:
                if spec.id not in not_fitted:
                    not_fitted.append(spec.id)
                continue
            try:
                outcomes.append(run_example(rule, example, plan.channel_units, plan.running))
            except ExampleError as error:
                errors.append(f"{_place(loaded.file, rule)} {spec.id}, example '{example.name}': {error}")
    return FileReport(file, tuple(outcomes), tuple(errors), tuple(untested), tuple(not_fitted))


def _lacks(example: ExampleSpec, optional: Sequence[str], plan: Plan) -> str:
    """A channel of the example's signal that this vehicle may lack, and does."""
    named = [m[1] for line in example.signal for m in re.finditer(r"([a-z][a-z0-9_]*)\s*=", line)]
    return next((c for c in named if c in optional and c not in plan.channel_units), "")


def _place(file: Path, rule: Rule) -> str:
    return f"{file}:{rule.line}:"


def report_lines(report: FileReport) -> Iterator[str]:
    """A report for a person."""
    failed = [o for o in report.outcomes if o.faults]
    yield from report.errors
    for outcome in failed:
        yield f"{report.file}: {outcome.rule}, example '{outcome.name}':"
        yield from (f"    {fault}" for fault in outcome.faults)
    if report.not_fitted:
        yield f"{report.file}: not fitted here, so not tried: {', '.join(report.not_fitted)}"
    if report.untested:
        yield f"{report.file}: without an example: {', '.join(report.untested)}"
    good = len(report.outcomes) - len(failed)
    yield f"{report.file}: {good} of {len(report.outcomes) + len(report.errors)} examples hold"


def find_rule(config: Path, rule_id: str) -> tuple[Plan, Rule]:
    """A rule of a settings file.

    Raises:
        RuleFilesError: there is none of this name, or it is not fitted.
        SettingsError: a file is faulty.
    """
    plan = load_plan(config)
    return plan, rule_of(plan, rule_id)


def rule_of(plan: Plan, rule_id: str) -> Rule:
    """A rule of a plan.

    Raises:
        RuleFilesError: there is none of this name, or it is not fitted.
    """
    for rule in plan.rules.rules:
        if rule.id == rule_id:
            return rule
    for absent in plan.not_fitted:
        if absent.id == rule_id:
            raise RuleFilesError(f"rule '{rule_id}' is not fitted: it {absent.words}")
    raise RuleFilesError(f"there is no rule '{rule_id}'; {nearest(rule_id, [r.id for r in plan.rules.rules])}")


# --- trace ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Trace:
    """A rule around an instant of a drive; `why` says how the instant was chosen."""

    rule: Rule
    why: str
    seconds: tuple[float, ...]
    ticks: tuple[Traced, ...]


def trace(drive: Recorded, plan: Plan, rule: Rule, at_s: float | None, around_s: float) -> Trace:
    """One rule, tick by tick, around `at_s`; without it around the first trip, or else the nearest to one.

    Raises:
        RuleFilesError: the instant is outside the drive.
    """
    seconds = drive.seconds
    if not len(seconds):
        raise RuleFilesError("this drive has no ticks")
    whole, state, actions = drive.whole(plan), drive.state, drive.actions()
    why = f"at {spelt(at_s)} s, as asked" if at_s is not None else ""
    if at_s is None:
        trips = [c for c in whole.run([rule], state, actions) if c.alert == rule.id and c.sounds]
        if trips:
            at_s = (trips[0].time_ns - int(drive.signals.times_ns[0])) / 1e9
            why = f"its first trip, at {at_s:.2f} s (of {len(trips)} in this drive)"
        else:
            at_s = float(seconds[_nearest_miss(drive, rule)])
            why = f"it never tripped; nearest to it at {at_s:.2f} s"
    if not 0 <= at_s <= seconds[-1]:
        raise RuleFilesError(f"the drive lasts from 0 to {seconds[-1]:.1f} s; give --at within it")
    first, last = np.searchsorted(seconds, [at_s - around_s, at_s + around_s])
    ticks = whole.trace(rule, range(int(first), int(last)), state, actions)
    return Trace(rule, why, tuple(float(seconds[t.row]) for t in ticks), tuple(ticks))


def _nearest_miss(drive: Recorded, rule: Rule) -> int:
    """The row at which most of the comparisons are true; among those the one in the longest such stretch."""
    found = evaluate_condition(rule.when, drive.signals)
    true = np.zeros(len(drive.signals), dtype=np.int64)
    for node, _, _ in found.sides:
        true += evaluate_condition(node, drive.signals).truths.true
    best = true == true.max(initial=0)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], best, [False]]).astype(np.int8)))
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    return int((starts[longest] + ends[longest]) // 2)


_TRUTHS = {True: "true", False: "false", None: "unknown"}


def trace_lines(found: Trace) -> Iterator[str]:
    """A trace for a person: time, condition, each comparison, timers, state. Ticks that say the same are left out."""
    rule = found.rule
    yield f"{rule.id}: {found.why}"
    yield f"    when {' '.join(rule.text.split())}"
    before = ""
    skipped = 0
    for seconds, tick in zip(found.seconds, found.ticks, strict=True):
        line = _trace_line(rule, tick)
        if line == before:
            skipped += 1
            continue
        if skipped:
            yield f"{'':>12}  ... {skipped} ticks the same"
        yield f"{seconds:10.2f} s  {line}"
        before, skipped = line, 0
    if skipped:
        yield f"{'':>12}  ... {skipped} ticks the same"


def _trace_line(rule: Rule, tick: Traced) -> str:
    sides = ", ".join(shown_side(*side) for side in tick.sides)
    timer = ""
    if rule.inverse_time is not None:
        timer = f"damage {tick.damage:.0%}" if tick.damage else ""
    elif tick.on_ns and rule.on_delay_ns:
        timer = f"held for {tick.on_ns / 1e9:.2f} of {spelt(rule.on_delay_ns / 1e9)} s"
    blind = f"blind for {tick.blind_ns / 1e9:.2f} s" if tick.blind_ns else ""
    held = "suppressed" if tick.suppressed else ""
    rest = ", ".join(w for w in (held, timer, blind) if w)
    return f"{_TRUTHS[tick.truth]:<8} {tick.state:<25} {sides}" + (f"  [{rest}]" if rest else "")


def trace_json(found: Trace) -> dict[str, Any]:
    """A trace for a program."""
    return {
        "rule": found.rule.id,
        "instant": found.why,
        "ticks": [
            {
                "s": round(seconds, 6),
                "truth": tick.truth,
                "suppressed": tick.suppressed,
                "state": tick.state,
                "held_s": tick.on_ns / 1e9,
                "damage": tick.damage,
                "blind_s": tick.blind_ns / 1e9,
                "comparisons": [
                    {"left": node_text, "si": list(left) if left else None, "limit_si": list(right) if right else None}
                    for node_text, left, right in ((shown_side(n, le, r), le, r) for n, le, r in tick.sides)
                ],
            }
            for seconds, tick in zip(found.seconds, found.ticks, strict=True)
        ],
    }
