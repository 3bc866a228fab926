"""What people ask of the running daemon is done at once, is heard, and is in the drive's record."""

from pathlib import Path

import pytest

from cabcanary.alerts.annunciator import Annunciator
from cabcanary.model import EventKind, Frame, Quality, Value
from cabcanary.rules.engine import Engine
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.runtime.requests import Commands
from cabcanary.settings.load import rules_from_text
from cabcanary.settings.outputs import Button, Buttons

pytestmark = pytest.mark.waits


UNITS = {"boost": "psi"}
RULE = """
[[rule]]
id = "over_boost"
priority = "{priority}"
say = "Boost too high"
do = "Lift off gently"
when = "boost > 8 psi"
blind_delay = "0.2 s"
"""
S = 1_000_000_000


class Player:
    name = "a player"

    def __init__(self):
        self.heard = []

    def play(self, sound, *_args, **_options):
        self.heard.append(sound.name)

    def silence(self):
        self.heard.append("silence")


class Cab:
    """A daemon's parts without wires; time is what is written in `now`."""

    def __init__(self, priority):
        rules, problems = build_rules([rules_from_text(RULE.format(priority=priority), Path("r.toml"))], Setting(UNITS))
        assert not problems
        self.now = 0
        self.engine = Engine(rules.rules, {}, UNITS)
        self.player = Player()
        self.annunciator = Annunciator([self.player])
        self.told = []
        buttons = Buttons(
            acknowledge=Button(source="switches", item="ok"), remember=Button(source="switches", item="note")
        )
        self.commands = Commands(self.engine, self.annunciator, self, buttons, self.told.append)

    def now_ns(self):
        return self.now

    def drive(self, boost, seconds=1.0):
        """Ticks of 20 ms with this boost."""
        for _ in range(round(seconds * 50)):
            self.now += S // 50
            frame = Frame(self.now, {"boost": Value(boost, Quality.GOOD, self.now)})
            self.annunciator.update(self.engine.step(frame), self.now)

    def kinds(self):
        return [(e.kind, e.what) for e in self.told]


@pytest.fixture
def cab():
    van = Cab("caution")
    van.drive(9.0)
    van.player.heard.clear()
    return van


def test_acknowledging_silences_and_is_recorded_with_who_did_it(cab):
    assert cab.commands.take({"do": "acknowledge", "by": "mqtt"}) == {"acknowledged": ["over_boost"]}
    assert cab.player.heard[0] == "silence"
    assert cab.kinds()[:2] == [(EventKind.ACKNOWLEDGE, "mqtt"), (EventKind.ALERT, "over_boost")]


def test_on_a_clock_that_stands_it_counts_after_the_tick_it_answered(cab):
    # A drive that is played again does what people did before the first tick at or after it.
    cab.commands.take({"do": "acknowledge"})
    assert all(e.time_ns > cab.now for e in cab.told if e.kind in (EventKind.ACKNOWLEDGE, EventKind.ALERT))


def test_nobody_else_is_named_than_the_feed_knows(cab):
    cab.commands.take({"do": "acknowledge", "by": "somebody"})
    assert cab.kinds()[0] == (EventKind.ACKNOWLEDGE, "feed")


def test_an_alert_put_aside_is_quiet_until_its_time_is_over(cab):
    assert cab.commands.take({"do": "shelve", "alert": "over_boost", "seconds": 60}) == {"shelved": ["over_boost"]}
    assert cab.player.heard == ["silence"]
    assert cab.kinds()[:2] == [(EventKind.SHELVE, "over_boost"), (EventKind.ALERT, "over_boost")]
    assert (cab.told[0].data["until"] - cab.told[0].time_ns, cab.told[0].data["one_shot"]) == (60 * S, False)
    cab.player.heard.clear()
    cab.drive(9.0, seconds=59.9)
    assert cab.player.heard == []
    cab.drive(9.0, seconds=0.2)
    assert cab.player.heard == ["caution"]


def test_it_can_be_brought_back(cab):
    cab.commands.take({"do": "shelve", "alert": "over_boost", "seconds": 60})
    assert cab.commands.take({"do": "unshelve", "alert": "over_boost"}) == {"unshelved": ["over_boost"]}
    assert cab.player.heard == ["silence", "caution"]
    assert cab.commands.take({"do": "unshelve", "alert": "over_boost"}) == {"unshelved": []}


@pytest.mark.parametrize(
    ("message", "words"),
    [
        ({"do": "shelve", "alert": "over_boost"}, "shelve takes seconds"),
        ({"do": "shelve", "alert": "over_boost", "seconds": "long"}, "shelve takes seconds"),
        ({"do": "shelve", "alert": "over_boost", "seconds": float("inf")}, "shelve takes seconds"),
        ({"do": "shelve", "alert": "over_boost", "seconds": 1e300}, "shelve takes seconds"),
        ({"do": "shelve", "alert": "over_boost", "seconds": 10**400}, "shelve takes seconds"),
        ({"do": "shelve", "alert": "over_boost", "seconds": True}, "shelve takes seconds"),
        ({"do": "shelve", "alert": "over_boost", "seconds": 4000}, "at most 60 min"),
        ({"do": "shelve", "alert": "over_bost", "seconds": 60}, "there is no alert 'over_bost'"),
        ({"do": "dance"}, "there are: acknowledge, shelve, unshelve, note"),
        ({}, "there are: acknowledge"),
    ],
)
def test_what_cannot_be_done_is_refused_and_leaves_no_trace(cab, message, words):
    assert words in cab.commands.take(message)["error"]
    assert cab.told == []
    assert cab.player.heard == []


def test_a_warning_cannot_be_put_aside():
    van = Cab("warning")
    van.drive(9.0)
    assert "not shelvable" in van.commands.take({"do": "shelve", "alert": "over_boost", "seconds": 60})["error"]


def test_the_buttons_do_what_they_are_for(cab):
    cab.commands.pressed("switches", "door")
    assert cab.told == []
    cab.commands.pressed("switches", "note")
    assert (cab.told[0].kind, cab.told[0].text) == (EventKind.NOTE, "remember this")
    cab.commands.pressed("switches", "ok")
    assert cab.engine.alerts["over_boost"].acknowledged


def test_a_note_is_kept_as_it_was_written_and_no_longer_than_it_may_be(cab):
    assert cab.commands.take({"do": "note", "text": "  rattle at 2500 rpm "}) == {"noted": "rattle at 2500 rpm"}
    assert len(cab.commands.take({"do": "note", "text": "x" * 9999})["noted"]) == 500
    assert cab.commands.take({"do": "note"}) == {"noted": "remember this"}


# --- floods ---------------------------------------------------------------------------------------------------------


def dropped(cab):
    return [e for e in cab.told if (e.kind, e.what) == (EventKind.HELPER, "commands")]


@pytest.mark.parametrize(("by", "at_once"), [("mqtt", 5), ("page", 10), ("feed", 10)])
def test_acknowledges_without_end_are_taken_once_a_second_and_the_first_at_once(cab, by, at_once):
    assert cab.commands.take({"do": "acknowledge", "by": by}) == {"acknowledged": ["over_boost"]}
    taken = 1
    # 900 a second for two minutes.
    for _ in range(120 * 900):
        cab.now += S // 900
        taken += "acknowledged" in cab.commands.take({"do": "acknowledge", "by": by})
    # Some at once, and one for each second.
    assert 120 + at_once - 1 <= taken <= 120 + at_once
    assert len([e for e in cab.told if e.kind is EventKind.ACKNOWLEDGE]) == taken
    # Told at once, and after one minute; the third time would come after two.
    assert len(dropped(cab)) == 2
    assert dropped(cab)[0].text == f"1 × acknowledge by {by} dropped: at most 1 a second is taken"
    assert 60 * 899 <= dropped(cab)[1].data["count"] <= 60 * 900


def test_what_is_dropped_is_answered_with_why(cab):
    answers = [cab.commands.take({"do": "acknowledge", "by": "mqtt"}) for _ in range(6)]
    assert answers[-1] == {"error": "too many: at most 1 acknowledge a second is taken; this one is dropped"}


@pytest.mark.parametrize(
    ("message", "what"),
    [
        ({"do": "note", "text": "again"}, EventKind.NOTE),
        ({"do": "shelve", "alert": "over_boost", "seconds": 60}, EventKind.SHELVE),
    ],
)
def test_notes_and_shelving_without_end_are_limited_in_the_same_way(cab, message, what):
    for _ in range(1000):
        cab.commands.take(message)
    assert len([e for e in cab.told if e.kind is what]) == 10
    assert len(dropped(cab)) == 1


def test_a_flood_from_the_broker_takes_nothing_from_the_page_nor_from_the_button(cab):
    for _ in range(1000):
        cab.commands.take({"do": "acknowledge", "by": "mqtt"})
    # At the same instant.
    assert "acknowledged" in cab.commands.take({"do": "acknowledge", "by": "page"})
    assert "acknowledged" in cab.commands.take({"do": "acknowledge"})
    told = len([e for e in cab.told if e.kind is EventKind.ACKNOWLEDGE])
    for _ in range(20):
        cab.commands.pressed("switches", "ok")
    assert len([e for e in cab.told if e.kind is EventKind.ACKNOWLEDGE]) == told + 20
