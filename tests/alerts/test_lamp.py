"""The lamp: whether anybody watches, what stands, and after the worst of it: stay out of boost."""

import dataclasses

import pytest

from cabcanary.alerts import patterns
from cabcanary.alerts.lamp import LampKeeper
from cabcanary.model import EventKind, Frame, Priority, Quality, Value
from cabcanary.processes import host
from cabcanary.processes.host import LampMemory
from cabcanary.rules.engine import Change

WARNING, CAUTION, ADVISORY = Priority.WARNING, Priority.CAUTION, Priority.ADVISORY
S = 1_000_000_000


class Lamp:
    def __init__(self):
        self.shown = []

    def show(self, pattern):
        self.shown.append(pattern.name)


def frame(seconds, quality=Quality.GOOD):
    return Frame(int(seconds * S), {"lambda": Value(0.9, quality, 0), "map": Value(99.0, Quality.GOOD, 0)})


def raised(alert, priority=WARNING):
    return Change(0, alert, "active, unacknowledged", True, False, priority, False, "Say", "Do", "")


def taken(change):
    return dataclasses.replace(change, state="active, acknowledged", acknowledged=True)


def gone(change):
    return dataclasses.replace(change, state="normal", active=False, acknowledged=True)


@pytest.fixture
def lamp():
    return Lamp()


@pytest.fixture
def keeper(lamp):
    made = LampKeeper(lamp, ["lambda", "map"], ["lean_under_boost", "over_boost"])
    made.proved = True
    return made


def watching(keeper):
    keeper.update(frame(0), [])
    keeper.update(frame(1), [])


def test_the_lamp_tells_not_yet_watching_from_watching(keeper, lamp):
    keeper.update(frame(0, Quality.WARMING), [])
    assert lamp.shown == ["proof", "not_yet_watching"]
    keeper.update(frame(1), [])
    assert lamp.shown[-1] == "not_yet_watching"
    (event,) = keeper.update(frame(2), [])
    assert lamp.shown[-1] == "watching"
    assert (event.kind, event.what) == (EventKind.LAMP, "watching")


@pytest.mark.parametrize(
    "quality",
    [Quality.WARMING, Quality.OUT_OF_RANGE, Quality.STUCK, Quality.IMPLAUSIBLE, Quality.STALE, Quality.ABSENT],
)
def test_a_channel_that_rules_need_and_cannot_use_takes_watching_back(keeper, lamp, quality):
    watching(keeper)
    keeper.update(frame(2, quality), [])
    keeper.update(frame(3.1, quality), [])
    assert lamp.shown[-1] == "not_yet_watching"


def test_one_late_frame_is_no_flicker(keeper, lamp):
    watching(keeper)
    for n in range(20):
        keeper.update(frame(2 + n, Quality.STALE), [])
        keeper.update(frame(2.5 + n), [])
    assert lamp.shown[-1] == "watching"


def test_until_it_has_been_proved_it_is_lit_and_says_nothing_else(lamp):
    keeper = LampKeeper(lamp, ["lambda"], [])
    keeper.update(frame(0), [raised("a")])
    assert lamp.shown == ["proof"]
    keeper.proved = True
    keeper.update(frame(1), [])
    assert lamp.shown == ["proof", "warning"]


@pytest.mark.parametrize("rule", ["lean_under_boost", "over_boost"])
def test_after_a_lean_or_over_boost_warning_it_stays_lit_until_the_key_is_off(keeper, lamp, rule):
    watching(keeper)
    warning = raised(rule)
    keeper.update(frame(2), [warning])
    keeper.update(frame(3), [taken(warning)])
    assert lamp.shown[-1] == "warning"
    keeper.update(frame(4), [gone(warning)])
    assert lamp.shown[-1] == "stay_out_of_boost"
    for n in range(5, 3600, 60):
        keeper.update(frame(n), [])
    assert lamp.shown[-1] == "stay_out_of_boost"
    keeper.key_off(4000 * S)
    assert lamp.shown[-1] == "watching"


def test_another_warning_leaves_nothing_behind(keeper, lamp):
    watching(keeper)
    low = raised("supply_low")
    keeper.update(frame(2), [low])
    keeper.update(frame(3), [gone(low)])
    assert lamp.shown[-1] == "watching"


@pytest.mark.parametrize(("priority", "shown"), [(WARNING, "warning"), (CAUTION, "caution"), (ADVISORY, "advisory")])
def test_what_stands_is_shown_also_when_its_sound_has_been_silenced(keeper, lamp, priority, shown):
    watching(keeper)
    alert = raised("a", priority)
    keeper.update(frame(2), [alert])
    keeper.update(frame(3), [taken(alert)])
    assert lamp.shown[-1] == shown


def test_a_latched_alert_is_shown_until_somebody_takes_note(keeper, lamp):
    watching(keeper)
    alert = raised("a", CAUTION)
    keeper.update(frame(2), [alert])
    latched = dataclasses.replace(alert, state="returned to normal, unacknowledged", active=False)
    keeper.update(frame(3), [latched])
    assert lamp.shown[-1] == "caution"
    keeper.update(frame(4), [gone(alert)])
    assert lamp.shown[-1] == "watching"


def test_a_lamp_that_dies_ends_nothing_and_says_why():
    class Dead:
        def show(self, pattern):
            if pattern is not patterns.PROOF:
                raise OSError("gone")

    keeper = LampKeeper(Dead(), ["lambda"], [])
    keeper.proved = True
    told = keeper.update(frame(0), [raised("a")])
    assert [(e.what, e.text) for e in told] == [("warning", "lamp: warning"), ("lamp", "the lamp fails: OSError: gone")]


def test_no_pattern_flashes_more_than_three_times_a_second():
    # W3C, WCAG 2.2, success criterion 2.3.1: three flashes or below threshold, in any one second.
    for pattern in patterns.ALL:
        length = sum(f.seconds for f in pattern.flashes)
        starts, at = [], 0.0
        for _ in range(int(2 / length) + 2):
            for flash in pattern.flashes:
                if flash.lit:
                    starts.append(at)
                at += flash.seconds
        assert all(later - first >= 1.0 for first, later in zip(starts, starts[3:], strict=False)), pattern.name


def test_no_two_patterns_that_mean_different_things_look_alike():
    told = [p for p in patterns.ALL if p is not patterns.PROOF]
    assert len({tuple((f.lit, f.seconds) for f in p.flashes) for p in told}) == len(told)


def test_what_must_stay_lit_survives_a_crash_of_the_daemon_and_not_the_computers_own_start(tmp_path):
    LampMemory(tmp_path)._write(True)
    assert LampMemory(tmp_path).read() is True
    (tmp_path / "lamp").write_text("another start of the computer")
    assert LampMemory(tmp_path).read() is False
    (tmp_path / "lamp").write_bytes(b"\xff\x00")
    assert LampMemory(tmp_path).read() is False


def test_a_machine_that_does_not_say_which_start_this_is_lights_nothing(tmp_path, monkeypatch):
    monkeypatch.setattr(host, "boot_id", lambda: "")
    LampMemory(tmp_path)._write(False)
    assert LampMemory(tmp_path).read() is False


def test_a_gap_in_what_is_watched_shows_as_two_winks_and_never_as_watching(lamp):
    keeper = LampKeeper(lamp, ["lambda", "map"], [], partly=True)
    keeper.proved = True
    watching(keeper)
    keeper.update(frame(2), [])
    assert lamp.shown[-1] == "partly_watching"
    assert "watching" not in lamp.shown
    flashes = [(f.lit, f.seconds) for f in patterns.PARTLY_WATCHING.flashes]
    assert [lit for lit, _ in flashes] == [True, False, True, False]
