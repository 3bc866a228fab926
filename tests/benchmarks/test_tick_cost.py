"""What a tick and a step of the van cost, beside work that everybody knows. Nothing here can fail by time."""

import json
import random
import re
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from cabcanary.model import Reading
from cabcanary.plan.plan import Plan, load_plan
from cabcanary.rules.engine import Engine
from cabcanary.rules.rule import Rule
from cabcanary.rules.rule_set import Setting, build_rules
from cabcanary.settings.load import rules_from_text
from cabcanary_bench.van.vehicle import DriverInput, Vehicle

pytestmark = pytest.mark.in_time


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


_RULES_WANTED = 40
#: Enough for a 99.9th percentile with some ticks beyond it; and what CI takes.
_TICKS, _FEW_TICKS = 5_500, 1_500


def _moved(text: str, shift: int) -> str:
    """Every figure a little larger: no comparison is shared, and none is easier than the shipped one."""
    moved = re.sub(r"(?<=[<>] )(\d+(?:\.\d+)?)", lambda m: f"{float(m[1]) * (1 + shift / 100):g}", text)
    return re.sub(r'id = "(\w+)"', lambda m: f'id = "{m[1]}_{shift}"', moved)


def _forty_rules(plan: Plan) -> list[Rule]:
    """The shipped rules, and as many again with other limits as it takes: no two ask the same."""
    numbers, *sets = plan.rule_texts.values()
    rules = list(plan.rules.rules)
    vehicle = plan.settings.vehicle
    setting = Setting(plan.channel_units, plan.pipeline().ends(), vehicle.all_stages, vehicle.stage)
    for shift, text in enumerate(sets, 1):
        moved = rules_from_text(_moved(text, shift), Path("more.toml"))
        # A limit that is moved beyond what its sensor can show is a problem, and that rule is left out.
        more, _ = build_rules([rules_from_text(numbers, Path("numbers.toml")), moved], setting)
        rules += more.rules
    assert len(rules) >= _RULES_WANTED
    return rules[:_RULES_WANTED]


def _pull(at_s: float) -> dict[tuple[str, str], float]:
    """The van's wires in town with a pull every 20 s: numbers in the unit of each wire."""
    pulls = at_s % 20 > 14
    return {
        ("wideband", "lambda"): 0.81 if pulls else 1.0,
        ("adc", "voltage0"): 2500.0 if pulls else 900.0,
        ("adc", "voltage1"): 3500.0,
        ("adc", "voltage2"): 2700.0,
        ("engine", "rpm"): 3200.0 if pulls else 1800.0,
        ("engine", "throttle"): 90.0 if pulls else 18.0,
        ("engine", "speed"): 60.0,
        ("engine", "map"): 115.0 if pulls else 43.0,
        ("engine", "coolant_temperature"): 88.0,
        ("engine", "barometer"): 101.0,
        ("engine", "module_voltage"): 14.0,
        ("engine", "fuel_system_1"): 4.0 if pulls else 2.0,
        ("engine", "short_trim_1"): 1.6,
        ("engine", "long_trim_1"): 2.3,
        ("computer", "clock_set"): 1.0,
        ("computer", "recording"): 1.0,
        ("computer", "board_temperature"): 51.0,
        ("computer", "late_ticks"): 0.0,
    }


def _costs(hz: int, ticks: int, sleeping: bool) -> dict[str, list[float]]:
    """Thread CPU of each tick, s: rules alone, and with the channels. Asleep in between, as the daemon is."""
    plan = load_plan(_CONFIG)
    rules = _forty_rules(plan)
    pipeline = plan.pipeline()
    engine = Engine(rules, pipeline.roots(), plan.channel_units, plan.running)
    assert len(plan.channel_units) == 25
    noise = random.Random(1)
    keys = [m.key for m in pipeline.measured]
    found: dict[str, list[float]] = {"rules": [], "channels": [], "both": []}
    due = time.monotonic()
    for n in range(ticks if sleeping else 2 * ticks):
        now_ns = 1_000_000_000 + n * 1_000_000_000 // hz
        wires = _pull(n / hz)
        newest = {k: Reading(*k, wires[k] + noise.gauss(0, 0.002 * wires[k]), now_ns) for k in keys}
        if sleeping:
            due += 1 / _SLEEP_HZ
            time.sleep(max(0.0, due - time.monotonic()))
        begin = time.thread_time()
        frame = pipeline.step(newest, now_ns)
        middle = time.thread_time()
        engine.step(frame)
        end = time.thread_time()
        found["channels"].append(middle - begin)
        found["rules"].append(end - middle)
        found["both"].append(end - begin)
    return {name: costs[500:] for name, costs in found.items()}


#: As fast as ticks may come: a cold start of the caches at every tick, as in the daemon, in a bearable time.
_SLEEP_HZ = 200


@pytest.mark.parametrize("sleeping", [True, False], ids=["asleep-between-ticks", "in-a-tight-loop"])
@pytest.mark.parametrize("ticks", [_FEW_TICKS, pytest.param(_TICKS, marks=pytest.mark.long)])
def test_what_forty_rules_on_twenty_four_channels_cost(capsys, ticks: int, sleeping: bool) -> None:
    found = _costs(50, ticks, sleeping)
    begin = time.thread_time()
    for _ in range(2000):
        json.dumps(_FRAME)
    base = (time.thread_time() - begin) / 2000
    with capsys.disabled():
        print(f"\n  40 rules, 24 channels, {'asleep between ticks' if sleeping else 'in a tight loop'}:")
        print(f"  {'':<10}{'mean':>8}{'median':>9}{'99.9 %':>9}{'at 50 Hz':>10}{'at 200 Hz':>11}  to a frame as JSON")
        for name, costs in found.items():
            ordered = sorted(costs)
            mean, median, tail = sum(costs) / len(costs), ordered[len(costs) // 2], ordered[int(len(costs) * 0.999)]
            print(
                f"  {name:<10}{mean * 1e6:6.0f} µs{median * 1e6:6.0f} µs{tail * 1e6:6.0f} µs"
                f"{mean * 50:10.2%}{mean * 200:11.2%}  ×{mean / base:.1f}"
            )
    assert len(found["both"]) >= ticks - 500


_FRAME = {f"channel_{n}": [100.0 + n, "good"] for n in range(24)}
