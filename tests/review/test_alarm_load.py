"""Alarm load: how often a driver was called, beside what EEMUA 191 calls bearable (figures from memory)."""

from types import SimpleNamespace

import pytest

from cabcanary.model import Priority
from cabcanary.review.backtest.alarm_load import load_of, time_in_alarm
from cabcanary.review.backtest.results import Alarm


def alarms(starts, seconds=2.0, sounded=True, priority=Priority.CAUTION):
    return [Alarm("lean", int(priority), s, s + seconds, False, sounded, "") for s in starts]


def load(seconds, found):
    return load_of([(SimpleNamespace(seconds=seconds), found)])


@pytest.mark.parametrize(
    ("count", "verdict"),
    [
        (0, "none"),
        (6, "acceptable"),
        (7, "manageable at most"),
        (12, "manageable at most"),
        (13, "more than can be managed"),
    ],
)
def test_an_hour_bears_six_alarms_and_at_most_twelve(count, verdict):
    # One in ten minutes is acceptable, two can be managed; five minutes apart they are no flood.
    assert load(3600.0, alarms([n * 270.0 for n in range(count)])).verdict == verdict


@pytest.mark.parametrize(("count", "floods"), [(10, 0), (11, 1)])
def test_more_than_ten_within_ten_minutes_are_a_flood(count, floods):
    found = load(36_000.0, alarms([1000.0 + n * 59.0 for n in range(count)]))
    assert (found.most, found.floods) == (count, floods)
    # Ten minutes and a second apart they no longer count together.
    assert load(36_000.0, alarms([0.0, 601.0])).most == 1


def test_what_nobody_heard_is_no_load():
    found = load(600.0, alarms([10.0], sounded=False))
    assert (found.alarms, found.silent_drives) == (0, 1)
    # But it stood.
    assert found.alarm_seconds == 2.0


def test_alerts_that_stand_together_are_one_time_in_alarm():
    # 10 to 20 s, 15 to 25 s, and 40 to 50 s: 25 s in all.
    assert time_in_alarm(alarms([40.0, 10.0, 15.0], seconds=10.0)) == 25.0


def test_priorities_are_counted_apart():
    found = load(600.0, alarms([1.0, 2.0]) + alarms([3.0], priority=Priority.WARNING))
    assert found.by_priority == {Priority.ADVISORY: 0, Priority.CAUTION: 2, Priority.WARNING: 1}
