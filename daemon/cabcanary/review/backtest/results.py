"""The task for one drive of a backtest, and its result."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cabcanary.review.backtest.misses import Miss
    from cabcanary.review.backtest.rule_choice import RuleSource
    from cabcanary.rules.states import Change


@dataclass(frozen=True, slots=True)
class Task:
    """The task for one drive. `before` are the rules to compare the others with."""

    path: str
    after: RuleSource
    before: RuleSource | None = None
    sweeps: tuple[Sweep, ...] = ()
    misses: bool = True


@dataclass(frozen=True, slots=True)
class Alarm:
    """An alert that came and went, or stood at the drive's end; seconds from the drive's first tick."""

    alert: str
    priority: int
    start_s: float
    end_s: float
    stands: bool
    #: It asked for attention: nobody had put it aside.
    sounded: bool
    figures: str

    @property
    def seconds(self) -> float:
        """For how long it stood."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class SetResult:
    """What one set of rules made of a drive; `changes` are exactly those that the live engine would have told."""

    changes: tuple[Change, ...]
    alarms: tuple[Alarm, ...]
    misses: tuple[Miss, ...]
    #: Rules that this drive has no sensor or baseline for, and what each needs.
    not_fitted: tuple[tuple[str, str], ...]
    #: Every rule that was tried, with its priority.
    rules: tuple[tuple[str, int], ...]


@dataclass(frozen=True, slots=True)
class DriveResult:
    """One drive. With `lost` ticks live and backtest may differ: the daemon saw them, and the recording did not."""

    drive: str
    path: str
    start: str
    vehicle: str
    stage: str
    seconds: float
    ticks: int
    lost: int
    after: SetResult
    before: SetResult | None = None
    #: For each sweep the costs of its values; none where the drive does not have the rule.
    sweeps: tuple[tuple[Cost, ...], ...] = ()


@dataclass(frozen=True, slots=True)
class DriveFault:
    """A drive that could not be tried, and why. `rules`: it is the rules that do not fit it."""

    path: str
    why: str
    rules: bool = False


@dataclass(frozen=True, slots=True)
class Sweep:
    """A sweep: the limit of the `place`-th comparison of a rule takes each of `values`, in `unit`.

    `added`: the limit is no single number (a table, a baseline), and the values are added to it. `above`: the rule
    sounds above its limit, so that a lower one is tighter. `now` is the limit in the rule; `of` is the quantity
    compared with it in `comparison`.
    """

    rule: str
    place: int
    values: tuple[float, ...]
    unit: str
    added: bool
    above: bool
    now: float
    of: str
    comparison: str


@dataclass(frozen=True, slots=True)
class Cost:
    """What one value would have meant in one drive."""

    value: float
    alarms: int
    seconds: float
