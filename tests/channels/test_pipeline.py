"""All channels together: same readings and same state, same frames."""

import json
import time
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.model import Quality, Reading
from cabcanary.plan.plan import load_plan

PLAN = load_plan(Path(__file__).parents[2] / "config" / "bench-van.toml")
KEYS = [m.key for m in PLAN.pipeline().measured]
MS = 1_000_000

#: Numbers that mean something on one wire or another: millivolts, lambda, rpm, kPa, percent.
NUMBERS = st.one_of(
    st.sampled_from([0.0, 20.0, 0.65, 0.85, 1.0, 1.5, 12.6, 45.0, 84.0, 101.0, 3150.0, 3500.0, 2500.0, 4600.0, 4990.0]),
    st.floats(0, 5000, allow_nan=False),
)
ANSWERS = st.one_of(
    NUMBERS.map(lambda x: (x, Quality.GOOD, "")),
    st.sampled_from([(None, Quality.WARMING, "heating"), (None, Quality.ABSENT, "unplugged")]),
)
TICKS = st.lists(
    st.tuples(st.integers(1, 400), st.dictionaries(st.sampled_from(KEYS), ANSWERS, max_size=len(KEYS))),
    min_size=2,
    max_size=30,
)


def play(pipeline, ticks, newest, now_ms):
    """Step a pipeline over ticks of (ms since the last one, what the wires said); the frames, and the time."""
    frames = []
    for wait_ms, said in ticks:
        now_ms += wait_ms
        for key, (value, quality, reason) in said.items():
            newest[key] = Reading(*key, value, now_ms * MS - 1, quality, reason)
        frames.append(pipeline.step(newest, now_ms * MS))
    return frames, now_ms


@settings(deadline=None)
@given(TICKS, st.data())
def test_a_pipeline_goes_on_from_a_saved_state_as_if_never_stopped(ticks, data):
    at = data.draw(st.integers(0, len(ticks)))
    expected, _ = play(PLAN.pipeline(), ticks, {}, 0)
    first, second, newest = PLAN.pipeline(), PLAN.pipeline(), {}
    before, now_ms = play(first, ticks[:at], newest, 0)
    second.restore(json.loads(json.dumps(first.state())))
    after, _ = play(second, ticks[at:], newest, now_ms)
    assert before + after == expected


@settings(deadline=None)
@given(TICKS)
def test_every_frame_holds_every_channel_and_no_bad_value_is_called_good(ticks):
    pipeline = PLAN.pipeline()
    for frame in play(pipeline, ticks, {}, 0)[0]:
        assert set(frame.values) == set(PLAN.channel_units)
        for name, value in frame.values.items():
            if value.value is None:
                assert value.quality not in (Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW), name
                assert value.reason, name
            if value.quality is Quality.GOOD:
                assert value.value == value.value


def test_a_frame_comes_from_readings_and_passed_time_alone(monkeypatch):
    pipeline, engine = PLAN.pipeline(), PLAN.engine()
    ticks = [(20, {KEYS[0]: (0.85, Quality.GOOD, ""), KEYS[1]: (2500.0, Quality.GOOD, "")})] * 50

    def no_clock(*_):
        pytest.fail("a clock was read")

    with monkeypatch.context() as patch:
        for name in ("time", "time_ns", "monotonic", "monotonic_ns", "perf_counter", "perf_counter_ns", "sleep"):
            patch.setattr(time, name, no_clock)
        frames, _ = play(pipeline, ticks, {}, 0)
        for frame in frames:
            engine.step(frame)
    assert [f.time_ns for f in frames] == [20 * n * MS for n in range(1, 51)]


def test_a_step_leaves_the_readings_as_they_were():
    newest = {KEYS[0]: Reading(*KEYS[0], 0.85, 0)}
    before = dict(newest)
    PLAN.pipeline().step(newest, 5)
    assert newest == before


def test_a_derived_channel_is_traced_to_the_wires_that_it_is_made_from():
    roots = PLAN.pipeline().roots()
    assert roots["map"] == ("map",)
    # Air pressure always has a value, and how sure it is, is its own matter; the pipe's delay asks for the speed.
    assert roots["boost"] == ("map", "air_pressure")
    assert roots["boost_as_burnt"] == ("map", "air_pressure", "engine_speed")


def test_a_channel_that_a_saved_state_does_not_know_starts_anew():
    pipeline = PLAN.pipeline()
    pipeline.restore({})
    assert pipeline.step({}, 1) == PLAN.pipeline().step({}, 1)
