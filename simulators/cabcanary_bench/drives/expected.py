"""Expectations of a drive: alerts that must sound or must not, and recordings that must be kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

#: What the sensors can show, from which on time is counted.
Shown = Literal["lean", "over_boost", "boost"]


@dataclass(frozen=True, slots=True)
class Expectation:
    """An alert or event that must come, or must not, from `start_s` to `end_s` of the drive.

    `what` is sounds (an alert), silent (these alerts, or all if none is named) or tells (an event of the monitor's).
    `within_s` counts from `start_s`, or from when the sensors then first show what `shown` names.
    """

    name: str
    what: Literal["sounds", "silent", "tells"]
    whom: tuple[str, ...]
    start_s: float
    end_s: float
    within_s: float | None = None
    shown: Shown | None = None


@dataclass(frozen=True, slots=True)
class Kept:
    """The recorder's duty: the drives kept, how many of them are recovered, and the time that may be lost, s."""

    drives: int = 1
    recovered: int = 0
    lost_s: float = 0.0
