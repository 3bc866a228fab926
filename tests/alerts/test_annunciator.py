"""One alert has the cab at a time."""

import dataclasses

import pytest

from cabcanary.alerts.annunciator import Annunciator
from cabcanary.alerts.sounds import CANNOT_SEE, Loudness
from cabcanary.alerts.sounds import CAUTION as CAUTION_SOUND
from cabcanary.model import EventKind, Priority
from cabcanary.rules.engine import Change

WARNING, CAUTION, ADVISORY = Priority.WARNING, Priority.CAUTION, Priority.ADVISORY


class Player:
    """Notes what is played."""

    def __init__(self):
        self.heard = []

    def play(self, sound, words):
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
    assert cab.acknowledged(0) is None
    assert player.heard == ["warning"]
    cab.update([ended("lean", CAUTION), ended("over_boost", WARNING)], 1)
    assert cab.acknowledged(1).what == "acknowledged"
    assert player.heard == ["warning", "silence", "acknowledged"]


def test_an_end_is_quiet_and_never_begins_a_sound_that_is_already_on(cab, player):
    cab.update([raised("a", WARNING)], 0)
    cab.update([raised("b", WARNING, 5)], 5)
    (event,) = cab.update([ended("b", WARNING)], 9)
    # The sound goes on for the one that was heard before; that it is now that one's is told.
    assert player.heard == ["warning", "warning"]
    assert event.data["alert"] == "a"


def test_a_latched_alert_whose_condition_has_gone_is_quiet(cab, player):
    cab.update([raised("a", WARNING)], 0)
    gone = dataclasses.replace(ended("a", WARNING), state="returned to normal, unacknowledged", acknowledged=False)
    cab.update([gone], 1)
    assert player.heard == ["warning", "silence"]


def test_a_re_alarm_sounds_again_though_it_was_acknowledged(cab, player):
    lean = raised("lean", WARNING)
    cab.update([lean], 0)
    cab.update([acknowledged(lean)], 1)
    cab.update([raised("lean", WARNING, 60)], 60)
    assert player.heard == ["warning", "silence", "warning"]


def test_an_alert_that_gets_worse_sounds_again_as_what_it_is_now(cab, player):
    cab.update([raised("cannot_see_lambda", CAUTION, blind=True)], 0)
    cab.update([raised("cannot_see_lambda", WARNING, 5, blind=True)], 5)
    assert player.heard == ["caution", "cannot_see"]


def test_what_logic_suppresses_is_not_heard(cab, player):
    cab.update([dataclasses.replace(raised("a", WARNING), state="suppressed", active=False, acknowledged=True)], 0)
    assert player.heard == []


# --- floods --------------------------------------------------------------------------------------------------------


def test_a_flood_is_one_sound_and_a_count(cab, player):
    told = []
    for n in range(10):
        told += cab.update([raised(f"a{n}", WARNING, n)], n)
    # Three one after the other; from the fourth on the sound goes on and the count is told.
    assert player.heard == ["warning"] * 4
    assert [e.data.get("count") for e in told] == [None, None, None, 4, 5, 6, 7, 8, 9, 10]
    assert told[-1].text == "warning for 10 alerts at once, first of them a9"


def test_a_flood_in_one_tick_is_one_sound(cab, player):
    (event,) = cab.update([raised(f"a{n}", CAUTION) for n in range(50)], 0)
    assert player.heard == ["caution"]
    assert event.data["count"] == 50


def test_a_worse_alert_is_heard_through_a_flood(cab, player):
    cab.update([raised(f"a{n}", CAUTION) for n in range(8)], 0)
    cab.update([raised("over_boost", WARNING, 1)], 1)
    assert player.heard == ["caution", "warning"]


def test_a_flood_that_is_acknowledged_is_quiet_and_the_next_trip_is_heard(cab, player):
    flood = [raised(f"a{n}", WARNING) for n in range(8)]
    cab.update(flood, 0)
    cab.update([acknowledged(c) for c in flood], 1)
    cab.update([raised("a3", WARNING, 2)], 2)
    assert player.heard == ["warning", "silence", "warning"]


def test_a_flood_that_ebbs_does_not_stutter(cab, player):
    cab.update([raised(f"a{n}", WARNING, n) for n in range(8)], 8)
    for n in range(7, 0, -1):
        cab.update([ended(f"a{n}", WARNING)], 10 + n)
    assert player.heard == ["warning"]
    cab.update([ended("a0", WARNING)], 30)
    assert player.heard == ["warning", "silence"]


# --- outputs that fail, faults of our own, volume -------------------------------------------------------------------


class Broken(Player):
    def play(self, sound, words):
        raise OSError("gone")

    silence = play


def test_a_dead_output_silences_no_other_and_is_told_of_once(player):
    cab = Annunciator([Broken(), player])
    told = [e for n in range(5) for e in cab.update([raised("a", WARNING, n)], n) if e.what == "output"]
    assert player.heard == ["warning"] * 5
    assert [(e.time_ns, e.text) for e in told] == [(0, "an output fails: OSError: gone")]


def test_a_sound_that_is_insisted_on_is_an_event_once_and_goes_on(cab, player):
    assert cab.insist(CANNOT_SEE, 0).text == "cannot_see for the monitor itself"
    assert cab.insist(CANNOT_SEE, 1) is None
    assert cab.notice(CAUTION_SOUND, "limits", 2) is None
    assert player.heard == ["cannot_see"]


def test_a_night_lowers_a_caution_and_no_warning():
    levels = []

    class Ear:
        def play(self, sound, words):
            levels.append((sound.name, max(t.level for t in sound.tones)))

    cab = Annunciator([Ear()], Loudness(1.0, 0.3, night=True))
    cab.update([raised("a", CAUTION)], 0)
    cab.update([raised("b", WARNING, 1)], 1)
    assert levels == [("caution", 0.3), ("warning", 1.0)]


def test_those_that_can_speak_are_told_what_to_do_first():
    said = []

    class Speaker:
        def play(self, sound, words):
            said.append(words)

    lean = dataclasses.replace(raised("a", WARNING), say="Lean under boost", do="Lift off gently")
    Annunciator([Speaker()]).update([lean], 0)
    assert said == ["Lift off gently. Lean under boost."]
