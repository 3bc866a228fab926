"""The engine is a function of its state and the frames: saved and restored it goes on as if never stopped."""

import json
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.model import USABLE, Frame, Priority, Quality, Value
from cabcanary.rules.engine import Engine
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.settings.load import rules_from_text

UNITS = {"lambda": "lambda", "map": "kPa", "boost": "psi", "mask": "state", "running": "state"}
ROOTS = {name: (name,) for name in UNITS} | {"boost": ("map",)}
TEXT = """
[tables.ceiling]
of = "psi"
gives = "lambda"
points = [[2, 0.88], [8, 0.85]]

[[rule]]
id = "lean"
priority = "warning"
say = "Lean under boost"
do = "Lift off gently"
when = "boost > 2 psi deadband 0.3 psi and lambda > ceiling(boost) deadband 0.01"
suppress_when = "mask or map < 30 kPa deadband 5 kPa"
on_delay = "0.12 s"
off_delay = "0.5 s"
blind_delay = "0.2 s"
blind_urgent_when = "boost > 1 psi deadband 0.2 psi"
blind_delay_otherwise = "1 s"

[[rule]]
id = "over"
priority = "caution"
say = "Boost too high"
do = "Lift off gently"
when = "boost > 8 psi deadband 0.5 psi"
off_delay = "0.3 s"
blind_delay = "0.4 s"
"""
RULES = build_rules([rules_from_text(TEXT, Path("rules.toml"))], Setting(UNITS))[0].rules


def engine(rules=RULES):
    return Engine(rules, ROOTS, UNITS, "running")


def values(numbers):
    useless = [Value(None, q, 0, reason=q.words) for q in Quality if q not in USABLE]
    return st.one_of(
        numbers.map(lambda x: Value(x, Quality.GOOD, 0)),
        numbers.map(lambda x: Value(x, Quality.SATURATED_HIGH, 0)),
        numbers.map(lambda x: Value(x, Quality.SATURATED_LOW, 0)),
        numbers.map(lambda x: Value(x, Quality.WITHIN, 0, 0.4)),
        st.sampled_from(useless),
    )


STATE = st.sampled_from([Value(0.0, Quality.GOOD, 0), Value(1.0, Quality.GOOD, 0), Value(None, Quality.ABSENT, 0)])
FRAME_VALUES = st.fixed_dictionaries(
    {
        "lambda": values(st.sampled_from([0.65, 0.8, 0.86, 0.865, 0.875, 0.9, 1.5])),
        "map": values(st.sampled_from([20.0, 28.0, 33.0, 37.0, 101.0, 150.0])),
        "boost": values(st.sampled_from([-9.0, 0.5, 0.9, 1.1, 1.8, 2.1, 5.0, 7.6, 8.1, 9.0])),
        "mask": STATE,
        "running": STATE,
    }
)
#: Stretches of one to forty ticks of 20 ms; an acknowledge now and then.
STORIES = st.lists(st.tuples(FRAME_VALUES, st.integers(1, 40), st.booleans()), min_size=1, max_size=12)


def play(subject, story, tick=0):
    told = []
    for frame_values, ticks, acknowledge in story:
        for _ in range(ticks):
            tick += 1
            told += subject.step(Frame(tick * 20_000_000, frame_values))
        if acknowledge:
            told += subject.acknowledge(tick * 20_000_000)
    return told, tick


@settings(deadline=None)
@given(STORIES, st.data())
def test_an_engine_goes_on_from_a_saved_state_as_if_never_stopped(story, data):
    at = data.draw(st.integers(0, len(story)))
    expected, _ = play(engine(), story)
    first, second = engine(), engine()
    before, tick = play(first, story[:at])
    second.restore(json.loads(json.dumps(first.state())))
    after, _ = play(second, story[at:], tick)
    assert before + after == expected


@settings(deadline=None)
@given(STORIES)
def test_the_same_frames_always_tell_the_same(story):
    assert play(engine(), story) == play(engine(), story)


@settings(deadline=None)
@given(STORIES)
def test_every_change_is_a_change_and_every_alert_is_complete(story):
    told, _ = play(engine(), story)
    last = {}
    for change in told:
        now = (change.state, change.priority)
        assert last.get(change.alert, ("normal", None)) != now
        last[change.alert] = now
        assert change.say
        assert change.do
        assert change.priority in Priority


@settings(deadline=None)
@given(STORIES)
def test_an_alert_never_ends_unless_its_condition_is_known_to_be_false_or_the_engine_to_stand(story):
    # The end of over-boost needs a boost known not to be over 8 psi, or an unknown one and an engine known to stand.
    subject, tick = engine(), 0
    for frame_values, ticks, _ in story:
        for _ in range(ticks):
            tick += 1
            for change in subject.step(Frame(tick * 20_000_000, frame_values)):
                if change.alert == "over" and not change.active:
                    boost, running = frame_values["boost"], frame_values["running"]
                    if boost.quality is not Quality.GOOD and (running.quality, running.value) == (Quality.GOOD, 0.0):
                        continue
                    assert boost.quality in (Quality.GOOD, Quality.SATURATED_LOW, Quality.WITHIN)
                    assert (boost.interval()[1] if boost.quality is Quality.WITHIN else boost.value) <= 8


def test_a_saved_state_of_other_rules_is_taken_as_far_as_it_goes():
    first = engine()
    high = {"lambda": Value(0.8, Quality.GOOD, 0), "map": Value(160.0, Quality.GOOD, 0)}
    high |= {"boost": Value(9.0, Quality.GOOD, 0), "mask": Value(0.0, Quality.GOOD, 0)}
    high |= {"running": Value(1.0, Quality.GOOD, 0)}
    assert [c.alert for c in first.step(Frame(1, high))] == ["over"]
    only_lean = engine(RULES[:1])
    only_lean.restore(first.state())
    assert "over" not in only_lean.alerts
    only_lean.step(Frame(2, high))
    same = engine()
    same.restore(only_lean.state())
    assert [c.alert for c in same.step(Frame(3, high))] == ["over"]


@pytest.mark.parametrize(
    ("old", "new", "goes_on"),
    [
        ("Boost too high", "Boost too high by far", True),  # words for people, not the rule
        ('when = "boost > 8 psi deadband 0.5 psi"', 'when = "boost > 7 psi deadband 0.5 psi"', False),
        ('off_delay = "0.3 s"', 'off_delay = "0.3 s"\nsuppress_when = "mask"', False),
        ('off_delay = "0.3 s"', 'off_delay = "0.3 s"\nblind_urgent_when = "boost > 1 psi"', False),
    ],
)
def test_only_a_rule_of_the_same_text_goes_on_from_its_saved_state(old, new, goes_on):
    over = TEXT[TEXT.rindex("[[rule]]") :]
    assert over.count(old) == 1
    before, after = (
        engine(build_rules([rules_from_text(text, Path("rules.toml"))], Setting(UNITS))[0].rules)
        for text in (over, over.replace(old, new))
    )
    high = {name: Value(0.0, Quality.GOOD, 0) for name in UNITS} | {"boost": Value(9.0, Quality.GOOD, 0)}
    assert [c.alert for c in before.step(Frame(1, high))] == ["over"]
    after.restore(json.loads(json.dumps(before.state())))
    assert after.alerts["over"].active is goes_on
    # What goes on has been told; what starts anew is told again, as a rule that was never asked.
    assert [c.alert for c in after.step(Frame(2, high))] == ([] if goes_on else ["over"])


def test_a_window_that_tells_how_bad_it_is_sees_the_ticks_before_the_alert():
    text = TEXT + 'worse = { excess = "highest(boost, 1 s) - 8 psi", step = "2 psi" }\n'
    rules = build_rules([rules_from_text(text, Path("rules.toml"))], Setting(UNITS))[0].rules
    watching = engine(rules)
    good = {name: Value(0.0, Quality.GOOD, 0) for name in UNITS} | {"running": Value(1.0, Quality.GOOD, 0)}
    for n in range(20):
        watching.step(Frame(n * 20_000_000, good | {"boost": Value(float(n) / 5, Quality.GOOD, 0)}))
    assert watching.alerts["over"].name == "normal"
    (window,) = watching.state()["rules"]["over"]["level"]
    assert len(window) == 20
