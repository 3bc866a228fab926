"""What a tick and a step of the van cost, beside work that everybody knows. Nothing here can fail by time."""

import json
import time
from collections.abc import Callable
from pathlib import Path

from cabcanary.model import Reading
from cabcanary.plan import load_plan
from cabcanary_bench.vehicle import DriverInput, Vehicle

_ROUNDS = 2000
_CONFIG = Path(__file__).parents[2] / "config" / "bench-van.toml"


def _microseconds(work: Callable[[int], object]) -> float:
    """CPU per call, the best of three rounds."""

    def once() -> float:
        begin = time.process_time()
        for n in range(_ROUNDS):
            work(n)
        return (time.process_time() - begin) / _ROUNDS * 1e6

    return min(once() for _ in range(3))


def test_what_a_tick_costs_beside_writing_its_frame_as_json(capsys) -> None:
    plan = load_plan(_CONFIG)
    pipeline, engine = plan.pipeline(), plan.engine()
    keys = [m.key for m in pipeline.measured]
    clock = [0]

    def tick(_n: int) -> object:
        clock[0] += 20_000_000
        newest = {k: Reading(*k, 2500.0, clock[0]) for k in keys}
        return engine.step(pipeline.step(newest, clock[0]))

    newest = {k: Reading(*k, 2500.0, 1) for k in keys}
    frame = pipeline.step(newest, 1)
    values = {n: [v.value, v.quality.words] for n, v in frame.values.items()}
    vehicle = Vehicle()
    rows = {
        "tick: channels and rules of the bench van": _microseconds(tick),
        "the same frame as JSON": _microseconds(lambda _n: json.dumps(values)),
        "10 ms of the simulated van": _microseconds(lambda n: vehicle.step(0.01, DriverInput(True, n < 80, 30.0))),
    }
    base = rows["the same frame as JSON"]
    with capsys.disabled():
        print()
        for name, cost in rows.items():
            print(f"  {name:<44} {cost:7.1f} µs  ×{cost / base:.1f}")
    assert all(cost > 0 for cost in rows.values())
