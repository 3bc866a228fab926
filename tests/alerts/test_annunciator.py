"""One alert has the cab at a time."""

import dataclasses

import pytest

from cabcanary.alerts.annunciator import Annunciator
from cabcanary.alerts.words import alert_event, log_line
from cabcanary.model import EventKind, Priority
from cabcanary.rules.engine import Change

WARNING, CAUTION, ADVISORY = Priority.WARNING, Priority.CAUTION, Priority.ADVISORY


class Player:
    """Notes what is played."""

    def __init__(self):
        self.heard = []

    def play(self, sound):
        self.heard.append(sound.name)

    def silence(self):
        self.heard.append("silence")


def raised(alert, priority, time_ns=0, blind=False):
    return Change(time_ns, alert, "active, unacknowledged", True, False, priority, blind, "Say", "Do", "boost 9 psi")


def acknowledged(change, time_ns=1):
    return dataclasses.replace(change, state="active, acknowledged", acknowledged=True, time_ns=time_ns)


def ended(alert, priority, time_ns=9):
    return Change(time_ns, alert, "normal", False, True, priority, False, "Say", "Do", "")


@pytest.fixture
def player():
    return Player()


@pytest.fixture
def cab(player):
    return Annunciator([player])


def test_an_alert_is_heard_and_silence_follows_its_end(cab, player):
    cab.update([raised("a", WARNING)], 0)
    cab.update([ended("a", WARNING)], 1)
    assert player.heard == ["warning", "silence"]


@pytest.mark.parametrize(
    ("first", "second", "heard"),
    [
        ((CAUTION, 0), (WARNING, 5), ["caution", "warning"]),  # the worse one takes over
        ((WARNING, 0), (CAUTION, 5), ["warning"]),  # the lesser one waits
        ((WARNING, 0), (WARNING, 5), ["warning", "warning"]),  # of equals the most recent
        ((ADVISORY, 0), (CAUTION, 5), ["advisory", "caution"]),
    ],
)
def test_the_highest_priority_has_the_cab_then_the_most_recent(first, second, heard):
    for names in (("a", "b"), ("b", "a")):
        player = Player()
        cab = Annunciator([player])
        cab.update([raised(names[0], *first)], first[1])
        cab.update([raised(names[1], *second)], second[1])
        assert player.heard == heard


def test_of_two_in_one_tick_the_worse_is_heard_whatever_their_order(player):
    for changes in ([raised("a", CAUTION), raised("b", WARNING)], [raised("b", WARNING), raised("a", CAUTION)]):
        other = Player()
        Annunciator([other]).update(changes, 0)
        assert other.heard == ["warning"]


def test_what_waited_is_heard_when_the_worse_has_gone(cab, player):
    cab.update([raised("a", CAUTION)], 0)
    cab.update([raised("b", WARNING, 5)], 5)
    (event,) = cab.update([ended("b", WARNING)], 9)
    assert player.heard == ["caution", "warning", "caution"]
    assert (event.kind, event.what, event.data["alert"]) == (EventKind.SOUND, "caution", "a")


def test_acknowledging_silences_and_a_worse_alert_sounds_again(cab, player):
    lean = raised("lean", CAUTION)
    cab.update([lean], 0)
    cab.update([acknowledged(lean)], 1)
    assert player.heard == ["caution", "silence"]
    cab.update([raised("over_boost", WARNING, 2)], 2)
    assert player.heard[-1] == "warning"


def test_an_acknowledged_alert_does_not_come_back_by_itself(cab, player):
    lean = raised("lean", CAUTION)
    cab.update([lean], 0)
    cab.update([acknowledged(lean)], 1)
    cab.update([raised("b", WARNING, 2)], 2)
    cab.update([ended("b", WARNING)], 3)
    assert player.heard == ["caution", "silence", "warning", "silence"]


def test_a_new_trip_of_the_same_alert_sounds_again(cab, player):
    lean = raised("lean", WARNING)
    cab.update([lean], 0)
    cab.update([acknowledged(lean)], 1)
    cab.update([ended("lean", WARNING)], 2)
    cab.update([raised("lean", WARNING, 3)], 3)
    assert player.heard == ["warning", "silence", "warning"]


def test_an_alert_that_goes_on_is_not_begun_again(cab, player):
    cab.update([raised("a", WARNING)], 0)
    for n in range(1, 100):
        assert cab.update([], n) == []
        cab.update([raised("b", CAUTION, n)], n)
    assert player.heard == ["warning"]


def test_blindness_that_matters_like_a_warning_has_a_sound_of_its_own(cab, player):
    cab.update([raised("cannot_see_lambda", WARNING, blind=True)], 0)
    assert player.heard == ["cannot_see"]


def test_a_lesser_blindness_sounds_like_its_priority(cab, player):
    cab.update([raised("cannot_see_lambda", CAUTION, blind=True)], 0)
    assert player.heard == ["caution"]


def test_every_player_is_driven_and_every_decision_is_an_event():
    players = [Player(), Player()]
    cab = Annunciator(players)
    start = cab.start_up(0)
    (event,) = cab.update([raised("a", WARNING)], 7)
    assert [p.heard for p in players] == [["start_up", "warning"]] * 2
    assert (start.what, event.what, event.time_ns, event.data) == ("start_up", "warning", 7, {"alert": "a"})


def test_the_sound_of_taking_note_never_covers_an_alert(cab, player):
    lean = raised("lean", CAUTION)
    cab.update([lean, raised("over_boost", WARNING)], 0)
    cab.acknowledged()
    assert player.heard == ["warning"]
    cab.update([ended("lean", CAUTION), ended("over_boost", WARNING)], 1)
    cab.acknowledged()
    assert player.heard == ["warning", "silence", "acknowledged"]


# --- words -------------------------------------------------------------------------------------------------------


def test_a_raised_alert_is_told_with_what_to_do_and_the_figures():
    event = alert_event(raised("over_boost", WARNING, 5))
    assert event.text == "Say. Do. (boost 9 psi)"
    assert (event.time_ns, event.kind, event.what) == (5, EventKind.ALERT, "over_boost")
    assert event.data["raised"] is True
    assert event.data["priority"] == "warning"


def test_the_end_of_an_alert_is_not_told_as_an_alert():
    event = alert_event(ended("over_boost", WARNING))
    assert event.text == "Say: normal"
    assert event.data["raised"] is False


def test_a_line_of_the_log_begins_with_the_time_and_the_priority():
    assert log_line(alert_event(raised("a", WARNING)), 12.346).split()[:3] == ["12.35", "s", "WARNING"]
    assert log_line(alert_event(ended("a", WARNING)), 1.0).split()[:3] == ["1.00", "s", "ALERT"]
