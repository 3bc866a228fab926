"""What a condition may speak of, and what is wrong when it speaks of something else."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.units import Dimension


class ConditionError(ValueError):
    """What is wrong with a condition, at which line and column of its text (both from 1)."""

    def __init__(self, message: str, line: int, column: int, fix: str = "") -> None:
        super().__init__(message)
        self.message, self.line, self.column, self.fix = message, line, column, fix


class UnknownNameError(ConditionError):
    """A name that is neither a channel nor a limit."""

    def __init__(self, name: str, line: int, column: int, fix: str) -> None:
        super().__init__(f"there is no channel '{name}'", line, column, fix)
        self.name = name


class NotFittedError(UnknownNameError):
    """A channel that a vehicle may lack, and this one does."""


class NoBaselineError(ConditionError):
    """A baseline that is described and has not been measured in this stage yet."""

    def __init__(self, name: str, line: int, column: int) -> None:
        super().__init__(f"no baseline '{name}' has been measured in this stage", line, column)
        self.name = name


@dataclass(frozen=True, slots=True)
class Table:
    """A limit that depends on something, in SI."""

    of: Dimension
    gives: Dimension
    xs: tuple[float, ...]
    ys: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class StageLimit:
    """A limit with a value of its own in each stage; `si` is that of the stage in force."""

    si: float
    dimension: Dimension
    text: str


@dataclass(frozen=True, slots=True)
class BaselineValue:
    """What was measured on earlier drives of this stage, in SI: over `by`, or one value where `by` is None.

    `points` is empty while it has not been measured.
    """

    dimension: Dimension
    by: str | None
    points: tuple[tuple[float, float], ...]
    text: str = ""
    #: The channel without which it cannot be measured, if this vehicle lacks it.
    lacks: str = ""


@dataclass(frozen=True, slots=True)
class Names:
    """What a condition may speak of: the channels with their units, tables, limits by stage, baselines, stages."""

    channels: Mapping[str, str]
    tables: Mapping[str, Table]
    #: The lowest and highest value that a channel can show, in SI, where its sensor's range says so.
    ends: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    #: Between what each channel's value lies whatever happens, in SI.
    bounds: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    limits: Mapping[str, StageLimit] = field(default_factory=dict)
    baselines: Mapping[str, BaselineValue] = field(default_factory=dict)
    #: The build's stages in their order, and the one in force.
    stages: tuple[str, ...] = ()
    stage: str = ""
    #: Whether windows and times may be used: a channel's formula is of one tick.
    over_time: bool = True
    #: Channels that a vehicle may lack; None: any name may be such a one.
    optional: frozenset[str] | None = frozenset()
    #: The kind of compressor in this stage: empty for none, UNKNOWN_KIND where nobody has said.
    compressor: str = ""
