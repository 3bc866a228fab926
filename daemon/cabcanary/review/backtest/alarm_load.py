"""Alarm load: how often a driver was alarmed, compared with an acceptable rate.

The figures are those of EEMUA 191 and ISA-18.2 for operators of plants, from memory: they are not published freely, and
a driver has less attention to give than an operator. An ordinary commute should give none.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.model import Priority

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.review.backtest.results import Alarm, DriveResult

#: Average alarms in ten minutes: the acceptable and the just manageable rate (EEMUA 191, from memory).
ACCEPTABLE, MANAGEABLE = 1.0, 2.0
#: More than this many in ten minutes are a flood (ISA-18.2 and EEMUA 191, from memory).
FLOOD = 10
#: Of all alarms so many should be of low, middle and high priority (EEMUA 191, from memory).
WANTED_SHARES = {Priority.ADVISORY: 0.80, Priority.CAUTION: 0.15, Priority.WARNING: 0.05}
_TEN_MINUTES_S = 600.0


@dataclass(frozen=True, slots=True)
class Load:
    """How often the alerts of some drives called: `most` is the most within any ten minutes of one drive."""

    hours: float
    drives: int
    silent_drives: int
    alarms: int
    most: int
    floods: int
    alarm_seconds: float
    by_priority: dict[Priority, int]

    @property
    def per_ten_minutes(self) -> float:
        """On the average."""
        return self.alarms / (self.hours * 6.0) if self.hours else 0.0

    @property
    def verdict(self) -> str:
        """Against the benchmark."""
        if self.floods:
            return "a flood"
        if self.per_ten_minutes > MANAGEABLE:
            return "more than can be managed"
        if self.per_ten_minutes > ACCEPTABLE:
            return "manageable at most"
        return "acceptable" if self.alarms else "none"

    @property
    def time_share(self) -> float:
        """Of all driving, for how much some alert stood."""
        return self.alarm_seconds / (self.hours * 3600.0) if self.hours else 0.0


def load_of(drives: Sequence[tuple[DriveResult, Sequence[Alarm]]]) -> Load:
    """The load of all drives together, from the alarms that sounded in each."""
    hours = sum(drive.seconds for drive, _ in drives) / 3600.0
    sounded = [[a for a in alarms if a.sounded] for _, alarms in drives]
    most = [_most_in_ten_minutes(alarms) for alarms in sounded]
    return Load(
        hours,
        len(drives),
        sum(not alarms for alarms in sounded),
        sum(map(len, sounded)),
        max(most, default=0),
        sum(m > FLOOD for m in most),
        sum(time_in_alarm(alarms) for _, alarms in drives),
        {p: sum(a.priority == p for alarms in sounded for a in alarms) for p in Priority},
    )


def _most_in_ten_minutes(alarms: Sequence[Alarm]) -> int:
    starts = sorted(a.start_s for a in alarms)
    return max((n + 1 - bisect_right(starts, s - _TEN_MINUTES_S) for n, s in enumerate(starts)), default=0)


def time_in_alarm(alarms: Sequence[Alarm]) -> float:
    """For how many seconds any of them stood; where several stand at once, it counts once."""
    total, until = 0.0, float("-inf")
    for alarm in sorted(alarms, key=lambda a: a.start_s):
        total += max(0.0, alarm.end_s - max(alarm.start_s, until))
        until = max(until, alarm.end_s)
    return total
