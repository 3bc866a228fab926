"""The transition tables of two standards, written out as data and walked.

ISA-18.2-2016 (IEC 62682), the alarm state diagram with its letters, and OPC 10000-9 (OPC UA Part 9), 5.8: active and
acknowledged states, latching, and the shelving machine. The tables are from memory of those documents. Where this
program means to differ, the row says how and why.
"""

from __future__ import annotations

import random
from typing import NamedTuple

import pytest

NORMAL, ACTIVE, ACKED, LATCHED = (
    "normal", "active, unacknowledged", "active, acknowledged", "latched, unacknowledged",
)  # fmt: skip
RULE = """
[[rule]]
id = "over_boost"
priority = "caution"
say = "Boost too high"
do = "Lift off gently"
when = "boost > 8 psi"
re_alarm = "60 s"
longest_shelve = "10 min"
suppress_when = "mask"
"""
#: Between two steps of a walk; a shelf's time is over when it has been walked through.
STEP_S, SHELF_S, RE_ALARM_S = 1, 30, 60


class Row(NamedTuple):
    """In a state something happens, and this is the state then; `standard` names the transition, or our reason."""

    state: str
    event: str
    then: str
    standard: str


PLAIN = (
    Row(NORMAL, "occurs", ACTIVE, "ISA-18.2 A to B: alarm occurs"),
    Row(ACTIVE, "acknowledge", ACKED, "ISA-18.2 B to C; OPC Acknowledge"),
    Row(ACKED, "re-alarm", ACTIVE, "ISA-18.2 C to B: re-alarm; OPC ReAlarmTime"),
    Row(ACKED, "clears", NORMAL, "ISA-18.2 C to A: returns to normal, acknowledged"),
    # The standard's D, returned and unacknowledged, is left out: an alert goes with its condition (14 CFR 25.1322).
    Row(ACTIVE, "clears", NORMAL, "ours: ISA-18.2 B to D and at once D to A, auto-acknowledged"),
)
LATCHING = (
    Row(NORMAL, "occurs", ACTIVE, "ISA-18.2 A to B"),
    Row(ACTIVE, "acknowledge", ACKED, "ISA-18.2 B to C"),
    Row(ACKED, "re-alarm", ACTIVE, "ISA-18.2 C to B"),
    Row(ACTIVE, "clears", LATCHED, "ISA-18.2 B to E: latched, unacknowledged"),
    Row(LATCHED, "occurs", ACTIVE, "ISA-18.2 E to B: it comes again"),
    # A driver has one button: it acknowledges and resets.
    Row(LATCHED, "acknowledge", NORMAL, "ours: ISA-18.2 E to F, and at once F to A: one button"),
    Row(ACKED, "clears", NORMAL, "ours: ISA-18.2 C to F, and at once F to A: noted once is enough"),
)
#: OPC 10000-9, 5.8: ShelvedStateMachine. `timed` and `once` are calls, `time over` the end of the shelf's time.
SHELVING = (
    Row("unshelved", "timed", "timed shelved", "UnshelvedToTimedShelved"),
    Row("unshelved", "once", "one shot shelved", "UnshelvedToOneShotShelved"),
    Row("timed shelved", "unshelve", "unshelved", "TimedShelvedToUnshelved"),
    Row("timed shelved", "time over", "unshelved", "TimedShelvedToUnshelved"),
    Row("timed shelved", "once", "one shot shelved", "TimedShelvedToOneShotShelved"),
    Row("timed shelved", "timed", "timed shelved", "ours: a new time"),
    Row("one shot shelved", "unshelve", "unshelved", "OneShotShelvedToUnshelved"),
    Row("one shot shelved", "clears", "unshelved", "OneShotShelvedToUnshelved: it is no longer active"),
    Row("one shot shelved", "time over", "unshelved", "OneShotShelvedToUnshelved: MaxTimeShelved"),
    Row("one shot shelved", "timed", "timed shelved", "OneShotShelvedToTimedShelved"),
    Row("one shot shelved", "once", "one shot shelved", "ours: a new time"),
)
TABLES = {"plain": PLAIN, "latching": LATCHING}
EVENTS = ("occurs", "clears", "acknowledge", "re-alarm")
CALLS = ("timed", "once", "unshelve", "time over")


class Driven:
    """A rule, and the events of the tables done to it."""

    def __init__(self, cab, *, latching: bool) -> None:
        self.cab = cab(RULE + ("latching = true\n" if latching else ""))
        self.wait(0.1)

    @property
    def state(self) -> str:
        return self.cab.state("over_boost")

    @property
    def shelf(self) -> str:
        alert = self.cab.engine.alerts["over_boost"]
        return "unshelved" if not alert.shelved else "one shot shelved" if alert.one_shot else "timed shelved"

    def wait(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.5)):
            self.cab.tick(500_000_000)

    def do(self, event: str) -> None:
        engine, now_ns = self.cab.engine, self.cab.now_ns
        match event:
            case "occurs":
                self.cab.tick(boost=9)
            case "clears":
                self.cab.tick(boost=5)
            case "acknowledge":
                engine.acknowledge(now_ns)
            case "re-alarm":
                self.wait(RE_ALARM_S + 0.5)
            case "timed" | "once":
                engine.shelve("over_boost", SHELF_S * 1_000_000_000, now_ns, one_shot=event == "once")
            case "unshelve":
                engine.unshelve("over_boost", now_ns)
            case "time over":
                self.wait(SHELF_S + 0.5)

    def get_to(self, state: str) -> None:
        for event in {NORMAL: [], ACTIVE: ["occurs"], ACKED: ["occurs", "acknowledge"], LATCHED: ["occurs", "clears"]}[
            state
        ]:
            self.do(event)
        assert self.state == state


def then(table: tuple[Row, ...], state: str, event: str) -> str:
    """What a table says; what it does not speak of changes nothing."""
    return next((r.then for r in table if (r.state, r.event) == (state, event)), state)


@pytest.mark.parametrize("name", TABLES)
def test_every_row_and_every_pair_that_has_none(cab, name):
    table = TABLES[name]
    for state in {r.state for r in table}:
        for event in EVENTS:
            van = Driven(cab, latching=name == "latching")
            van.get_to(state)
            van.do(event)
            assert van.state == then(table, state, event), (state, event)


@pytest.mark.parametrize("base", [NORMAL, ACTIVE, ACKED])
@pytest.mark.parametrize("shelf", ["unshelved", "timed shelved", "one shot shelved"])
def test_every_way_on_and_off_the_shelf(cab, shelf, base):
    for event in (*CALLS, "clears"):
        van = Driven(cab, latching=False)
        van.get_to(base)
        for call in {"unshelved": [], "timed shelved": ["timed"], "one shot shelved": ["once"]}[shelf]:
            van.do(call)
        assert van.shelf == shelf
        van.do(event)
        # What clears must have been there.
        expected = shelf if event == "clears" and base == NORMAL else then(SHELVING, shelf, event)
        assert van.shelf == expected, (base, shelf, event)
        if van.shelf != "unshelved":
            assert van.state == "shelved"
            assert van.cab.engine.asking(van.cab.now_ns) == []


@pytest.mark.parametrize("base", [ACTIVE, ACKED])
@pytest.mark.parametrize("call", ["unshelve", "time over"])
def test_what_still_stands_when_it_comes_off_the_shelf_asks_again(cab, base, call):
    van = Driven(cab, latching=False)
    van.get_to(base)
    van.do("timed")
    van.do(call)
    assert van.state == ACTIVE


@pytest.mark.parametrize("base", [NORMAL, ACTIVE, ACKED])
def test_designed_suppression_holds_back_a_trip_and_never_what_stands(cab, base):
    # ISA-18.2 A to H: suppressed by design. Ours: B and C stay where they are, an alert that stands is not hidden.
    van = Driven(cab, latching=False)
    van.get_to(base)
    van.cab.tick(mask=1)
    van.do("occurs")
    assert van.state == ("suppressed" if base == NORMAL else base)
    van.cab.tick(mask=0)
    assert van.state == (ACTIVE if base == NORMAL else base)


@pytest.mark.parametrize("name", TABLES)
@pytest.mark.parametrize("seed", range(5))
def test_a_long_walk_goes_as_the_tables_say(cab, name, seed):
    table, noise = TABLES[name], random.Random(seed)
    van, state, visited = Driven(cab, latching=name == "latching"), NORMAL, set()
    for n in range(600):
        event = noise.choice(EVENTS)
        van.do(event)
        state = then(table, state, event)
        visited.add((state, event))
        assert van.state == state, (n, event)
    assert len(visited) >= len(table)
