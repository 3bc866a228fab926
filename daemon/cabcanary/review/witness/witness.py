"""Every question asked of a vehicle's drives: which are held against which, and the answers in words and JSON."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from cabcanary.review.figures.columns import Columns
from cabcanary.review.figures.limits import ceiling_of, rule_files
from cabcanary.review.list.drives import samples_path
from cabcanary.review.list.recorded_drive import RecordedError, read_drive
from cabcanary.review.witness.belt import belt
from cabcanary.review.witness.drive_signals import signals_of
from cabcanary.review.witness.fuel_rate import under_boost
from cabcanary.review.witness.heat import heat
from cabcanary.review.witness.leak import leak
from cabcanary.review.witness.lifts import gas_signals, lifts_of
from cabcanary.review.witness.seen import seen
from cabcanary.review.witness.timing import timing
from cabcanary.review.witness.timing_settings import described
from cabcanary.review.witness.wideband import bias, cause
from cabcanary.store.manifest import newest_first

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cabcanary.plan.plan import Plan
    from cabcanary.review.witness.estimate import Finding
    from cabcanary.review.witness.lifts import Lifts
    from cabcanary.review.witness.timing_settings import Proposal

#: Without names the newest so many are judged; and of those before no more than this are opened.
JUDGED, _MOST_BEFORE = 3, 20
#: With fewer drives of its own stage before it, an idle is held against the stage before as well.
_ENOUGH = 4


class NothingToJudgeError(ValueError):
    """There are no drives; the message says what to do."""


@dataclass(slots=True)
class Witnessed:
    """Which drives were judged, those that they were held against, and what was found."""

    stage: str
    judged: list[str]
    before: list[str]
    findings: list[Finding] = field(default_factory=list)
    unread: list[str] = field(default_factory=list)
    #: Keys of the settings that the wideband's timing contradicts.
    proposals: list[Proposal] = field(default_factory=list)

    def lines(self) -> list[str]:
        """For a person."""
        which = f"{self.judged[0]} to {self.judged[-1]}"
        found = [
            f"stage '{self.stage}': {len(self.judged)} drives ({which}) held against {len(self.before)} before",
            "",
        ]
        for finding in self.findings:
            found.append(finding.line())
            found += [f"    {line}" for line in finding.figures.get("lines", [])]
        found += [f"not read: {words}" for words in self.unread]
        return [
            *found,
            "",
            "Intervals are of 95 %. What was not seen is not known. Knock is not estimated: nothing here shows it.",
        ]

    def as_json(self) -> dict[str, Any]:
        """For a program."""
        return {
            "stage": self.stage, "judged": self.judged, "before": self.before,
            "findings": [f.as_json() for f in self.findings], "unread": self.unread,
        }  # fmt: skip


def witnessed(plan: Plan, named: Sequence[Path] = (), *, timing_alone: bool = False) -> Witnessed:
    """Hold drives against those before them: the `named` ones, or the newest three of the stage in force. With
    `timing_alone` only the wideband's timing is asked for.

    Raises:
        NothingToJudgeError: there are none.
        RecordedError: a named one cannot be read.
    """
    stage = plan.settings.vehicle.stage
    every = _archived(plan, stage)
    judged = list(named) or [p for _, p, of in every if of == stage][:JUDGED][::-1]
    if not judged:
        raise NothingToJudgeError(f"there is no drive of stage '{stage}' in {plan.settings.daemon.folder}; drive first")
    chosen, first = {p.resolve() for p in judged}, min(_starts(every, judged), default="")
    earlier = [(p, of) for start, p, of in every if p.resolve() not in chosen and (not first or start < first)]
    same = [p for p, of in earlier if of == stage][:_MOST_BEFORE][::-1]
    stages = plan.settings.vehicle.all_stages
    last = stages[stages.index(stage) - 1] if stages.index(stage) else ""
    others = [p for p, of in earlier if of == last][:_MOST_BEFORE][::-1] if len(same) < _ENOUGH else []
    found = Witnessed(stage, [p.stem for p in judged], [p.stem for p in (*others, *same)])
    now = [Columns(read_drive(p)) for p in judged]
    before = _opened(same, found)
    told, found.proposals = timing(_lifts(plan, before), _lifts(plan, now), plan.settings)
    if timing_alone:
        found.findings = [told]
        return found
    signals = [signals_of(c) for c in now]
    old = [signals_of(c) for c in before]
    older = [signals_of(c) for c in _opened(others, found)]
    found.findings = [
        belt(plan.settings.compressor_kind or "none", old, signals),
        heat(old, signals),
        leak([*older, *old], signals),
        bias([*old, *signals]),
        cause([*older, *old], signals),
        under_boost([*older, *old], signals),
        told,
        seen([*before, *now], ceiling_of(rule_files(plan))),
    ]
    return found


def _lifts(plan: Plan, drives: Sequence[Columns]) -> list[Lifts]:
    said = described(plan.settings)
    return [lifts_of(gas_signals(c), said.pipe if said else None) for c in drives]


def _archived(plan: Plan, stage: str) -> list[tuple[str, Path, str]]:
    """The drives of this vehicle, the newest first: when, where, in which stage."""
    stages = plan.settings.vehicle.all_stages
    wanted = {stage, stages[max(0, stages.index(stage) - 1)]}
    found = []
    for path, manifest in newest_first(plan.settings.daemon.folder, plan.settings.vehicle.name):
        if manifest.stage in wanted:
            found.append((manifest.start, samples_path(path, manifest), manifest.stage))
    return found


def _starts(every: Sequence[tuple[str, Path, str]], judged: Sequence[Path]) -> list[str]:
    chosen = {p.resolve() for p in judged}
    return [start for start, p, _ in every if p.resolve() in chosen]


def _opened(paths: Sequence[Path], found: Witnessed) -> list[Columns]:
    opened = []
    for path in paths:
        try:
            opened.append(Columns(read_drive(path)))
        except (RecordedError, OSError) as error:
            found.unread.append(str(error))
    return opened
