"""Windows over arrays against pandas' rolling windows over time (closed on both sides)."""

from __future__ import annotations

import numpy as np
import pandas as pd
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.expressions.array_windows import WINDOWS, has_gaps, windows
from cabcanary.expressions.fixed_point import LONGEST_GAP_NS
from cabcanary.expressions.signals import Span

MS = 1_000_000
SCALE = 1e6


@st.composite
def stretches(draw):
    """Times of ticks, numbers at them, where they are known and where they are open, and a window's width."""
    count = draw(st.integers(1, 120))
    jitter = draw(st.sampled_from([(20, 20), (19, 21), (1, 60)]))
    steps = draw(st.lists(st.integers(*jitter), min_size=count, max_size=count))
    if draw(st.booleans()):
        steps[draw(st.integers(0, count - 1))] = draw(st.integers(1, 3000))
    times = np.cumsum(np.array(steps, dtype=np.int64)) * MS
    numbers = np.array(draw(st.lists(st.integers(-500, 500), min_size=count, max_size=count))) / 100.0
    known = np.array(draw(st.lists(st.sampled_from([True] * 9 + [False]), min_size=count, max_size=count)))
    if draw(st.booleans()):
        known[:] = True
    is_open = np.array(draw(st.lists(st.sampled_from([False] * 9 + [True]), min_size=count, max_size=count)))
    return times, np.where(known, numbers, 0.0), known, is_open & known, draw(st.integers(1, 900)) * MS


def rolled(times, numbers, width_ns, what):
    """What pandas makes of the windows, anew behind every gap."""
    pieces = np.concatenate([[0], np.cumsum(np.diff(times) > LONGEST_GAP_NS)])
    found = []
    for piece in range(pieces[-1] + 1):
        here = pieces == piece
        series = pd.Series(numbers[here], index=pd.to_timedelta(times[here], unit="ns"))
        found.append(getattr(series.rolling(pd.Timedelta(width_ns, unit="ns"), closed="both"), what)().to_numpy())
    return np.concatenate(found)


def of(times, width_ns, count=None):
    return windows(times, width_ns, len(times) if count is None else count, gaps=has_gaps(times))


@settings(max_examples=100, deadline=None)
@given(stretches())
def test_lowest_highest_and_average_are_those_of_pandas(stretch):
    times, numbers, known, is_open, width = stretch
    first = of(times, width)
    ever_unknown = rolled(times, (~known).astype(float), width, "max") > 0
    ever_open = rolled(times, is_open.astype(float), width, "max") > 0
    x = Span(numbers, np.where(is_open, np.inf, numbers), known)
    for kind, what in (("lowest", "min"), ("highest", "max"), ("average", "mean")):
        found = WINDOWS[kind](times, x, first, SCALE)
        assert (found.known == ~ever_unknown).all()
        sees = found.known
        np.testing.assert_allclose(found.low[sees], rolled(times, numbers, width, what)[sees], atol=2 / SCALE, rtol=0)
        if kind == "lowest":
            expected = rolled(times, np.where(is_open, 1e9, numbers), width, what)
            expected[expected == 1e9] = np.inf
        else:
            expected = np.where(ever_open, np.inf, rolled(times, numbers, width, what))
        np.testing.assert_allclose(found.high[sees], expected[sees], atol=2 / SCALE, rtol=0)


@settings(max_examples=100, deadline=None)
@given(stretches(), st.integers(1, 120))
def test_the_last_ticks_alone_have_the_same_windows(stretch, count):
    times, numbers, known, _, width = stretch
    count = min(count, len(times))
    every, last = of(times, width), of(times, width, count)
    assert (every.start[len(times) - count :] == last.start).all()
    x = Span(numbers, numbers, known)
    for kind, work_out in WINDOWS.items():
        with np.errstate(all="ignore"):
            whole, part = work_out(times, x, every, SCALE), work_out(times, x, last, SCALE)
        sees = part.known
        assert (whole.known[-count:] == sees).all()
        assert (whole.low[-count:][sees] == part.low[sees]).all(), kind


@settings(max_examples=100, deadline=None)
@given(stretches())
def test_a_rate_is_the_difference_over_the_window(stretch):
    times, numbers, known, _, width = stretch
    first = of(times, width)
    with np.errstate(all="ignore"):
        found = WINDOWS["rate"](times, Span(numbers, numbers, known), first, SCALE)
    oldest = times[first.start]
    assert ((times - oldest) <= width).all()
    sees = found.known
    np.testing.assert_allclose(
        found.low[sees] * ((times - oldest)[sees] / 1e9), (numbers - numbers[first.start])[sees], atol=1e-9
    )
