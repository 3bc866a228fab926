"""The speed trace is the regulation's: UN GTR No. 15, Annex 1, class 3b."""

from __future__ import annotations

import itertools

import pytest

from cabcanary_bench.drives.wltc import PHASE_ENDS_S, piece, speed_at, trace


def test_every_point_equals_another_package_s_trace() -> None:
    class3 = pytest.importorskip("wltp.cycles.class3")
    assert list(trace()) == class3.class_data_b()["cycle"]
    assert [end for _, end in class3.class_data_b()["parts"]] == list(PHASE_ENDS_S)


def test_distance_and_top_speed_are_the_published_ones() -> None:
    # UN GTR No. 15: 23266 m over 1800 s, 131.3 km/h.
    points = [speed for _, speed in piece(0, 1800)]
    distance_m = sum((a + b) / 2 for a, b in itertools.pairwise(points)) / 3.6
    assert distance_m == pytest.approx(23_266, rel=0.001)
    assert max(points) == 131.3


def test_between_points_it_is_linear() -> None:
    assert speed_at(1567.5) == pytest.approx((trace()[1567] + trace()[1568]) / 2)
    assert speed_at(1800) == trace()[1800]


@pytest.mark.parametrize("outside", [-0.1, 1800.1])
def test_outside_the_trace_there_is_no_speed(outside: float) -> None:
    with pytest.raises(ValueError, match="outside the trace"):
        speed_at(outside)
    with pytest.raises(ValueError, match="outside the trace"):
        piece(10, 1801)
