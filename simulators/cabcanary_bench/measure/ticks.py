"""What a tick costs, woken from sleep, on vehicles of many sizes: processor time beside its frame as JSON."""

from __future__ import annotations

import json
import time
from pathlib import Path
from statistics import median
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.model import Reading
from cabcanary.plan.plan import load_plan
from cabcanary_bench.measure.figures import Figure

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.plan.plan import Plan

#: Channels and rules of each vehicle: the least, an ordinary one, and more than anybody has.
SIZES = ((8, 10), (24, 10), (24, 40), (64, 40))
RATES_HZ = (50, 100, 200)
#: The first ticks find empty windows.
_SETTLE = 50
_SETTINGS = """\
rules = ["rules.toml"]
[vehicle]
name = "vehicle of {channels} channels"
stage = "measured"
[daemon]
folder = "drives"
[sources.adc]
kind = "iio"
device = "converter"
"""
_CHANNEL = """\
[channels.c{n}]
source = "adc"
item = "voltage{n}"
unit = "kPa"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }}
rails = [0.25, 4.75]
"""
_RUNNING = """\
[channels.engine_running]
derive = "engine_running"
pressure = "c0"
"""
#: As the shipped rules are: a limit with a deadband, a window, an alternative, two delays.
_RULE = """\
[[rule]]
id = "r{n}"
priority = "caution"
say = "Too high"
do = "Lift off gently"
when = "c{a} > {limit} kPa deadband 2 kPa and rate(c{b}, 0.3 s) > -{limit} kPa/s or lowest(c{b}, 0.5 s) > {more} kPa"
on_delay = "0.1 s"
blind_delay = "1 s"
blind_urgent_when = "possible c{a} > 110 kPa or rate(c0, 0.3 s) > 40 kPa/s"
blind_delay_otherwise = "20 s"
"""


def tick_figures(seconds: float) -> Iterator[Figure]:
    """Each size of vehicle at 50 Hz, and the ordinary one at every rate; so many seconds each."""
    asked = [(c, r, 50) for c, r in SIZES] + [(24, 40, hz) for hz in RATES_HZ if hz != 50]
    with TemporaryDirectory() as folder:
        for channels, rules, hz in asked:
            plan = _plan(Path(folder) / f"{channels}-{rules}-{hz}", channels, rules)
            spent_s = _woken(plan, hz, round(seconds * hz))
            times = spent_s / _as_json_s(channels)
            yield Figure(
                "A tick, woken from sleep (processor time, median)", f"{channels} channels, {rules} rules, {hz} Hz",
                spent_s * 1e6, "µs", "its frame as JSON", times,
            )  # fmt: skip
            yield Figure("A tick, woken from sleep (processor time, median)", "    of a core", spent_s * hz * 100, "%")


def _plan(folder: Path, channels: int, rules: int) -> Plan:
    folder.mkdir()
    text = _SETTINGS.format(channels=channels) + "".join(_CHANNEL.format(n=n) for n in range(channels - 1)) + _RUNNING
    (folder / "van.toml").write_text(text, encoding="utf-8")
    made = (
        _RULE.format(n=n, a=n % (channels - 1), b=(n + 1) % (channels - 1), limit=180 + n, more=230 + n / 10)
        for n in range(rules)
    )
    (folder / "rules.toml").write_text("".join(made), encoding="utf-8")
    return load_plan(folder / "van.toml")


def _woken(plan: Plan, hz: int, ticks: int) -> float:
    """Median processor time of a tick whose caches another program has had in between, s."""
    pipeline, engine, noise = plan.pipeline(), plan.engine(), np.random.default_rng(1)
    keys = [m.key for m in pipeline.measured]
    spent = []
    due = time.monotonic()
    for n in range(_SETTLE + ticks):
        now_ns = 1_000_000_000 + n * 1_000_000_000 // hz
        newest = {k: Reading(*k, 2000.0 + float(noise.normal(0.0, 4.0)), now_ns) for k in keys}
        due += 1 / hz
        time.sleep(max(0.0, due - time.monotonic()))
        begin = time.thread_time()
        engine.step(pipeline.step(newest, now_ns))
        spent.append(time.thread_time() - begin)
    return median(spent[_SETTLE:])


def _as_json_s(channels: int) -> float:
    frame = {f"c{n}": [100.0 + n / 7, "good"] for n in range(channels)}
    begin = time.thread_time()
    for _ in range(500):
        json.dumps(frame)
    return (time.thread_time() - begin) / 500
