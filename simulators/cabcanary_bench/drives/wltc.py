"""The WLTC class 3b speed trace: where the bench van's target speeds come from."""

from __future__ import annotations

from functools import cache
from importlib import resources

#: Last second of each phase of the trace (UN GTR No. 15, Annex 1): Low, Medium, High, Extra-high.
PHASE_ENDS_S = (589, 1022, 1477, 1800)


@cache
def trace() -> tuple[float, ...]:
    """Speed at each second of the trace, km/h; the index is the time in s."""
    text = resources.files("cabcanary_bench.data").joinpath("wltc_class3b.csv").read_text(encoding="utf-8")
    rows = [line.split(",") for line in text.splitlines() if line and not line.startswith("#")][1:]
    speeds = tuple(float(speed) for _, speed in rows)
    if [int(second) for second, _ in rows] != list(range(len(speeds))):
        raise ValueError("the WLTC trace does not run in steps of one second from zero")
    return speeds


def piece(start_s: int, end_s: int) -> list[tuple[int, float]]:
    """The trace from one second to another, both included, as (s, km/h).

    Raises:
        ValueError: the piece is not inside the trace.
    """
    speeds = trace()
    if not 0 <= start_s <= end_s < len(speeds):
        raise ValueError(f"{start_s} to {end_s} s is outside the trace's 0 to {len(speeds) - 1} s")
    return [(second, speeds[second]) for second in range(start_s, end_s + 1)]


def speed_at(time_s: float) -> float:
    """Speed at any time of the trace, km/h, linear between its points.

    Raises:
        ValueError: the time is outside the trace.
    """
    speeds = trace()
    last = len(speeds) - 1
    if not 0 <= time_s <= last:
        raise ValueError(f"{time_s} s is outside the trace's 0 to {last} s")
    second = min(int(time_s), last - 1)
    before = speeds[second]
    return before + (speeds[second + 1] - before) * (time_s - second)
