"""A drive in arrays is the drive tick by tick, to the last bit: values, qualities, uncertainties, what is kept."""

import json
import random

import numpy as np
import pytest

from cabcanary.model import Quality, Reading
from cabcanary.plan.plan import load_plan
from cabcanary.recorder.frame_columns import FrameColumns
from cabcanary.store.sample_columns import columns_of

MS = 1_000_000

SETTINGS = """\
rules = []
[vehicle]
name = "Van"
stage = "s"
[sources.adc]
kind = "iio"
device = "converter"
[sources.text]
kind = "serial_text"
port = "/dev/null"
[channels.map]
measures = "manifold_pressure"
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }
rails = [0.25, 4.75]
accuracy = 1.0
resolution = 0.005
[channels.other_map]
measures = "manifold_pressure"
source = "adc"
item = "voltage1"
unit = "psi"
wire_unit = "V"
plausible = [2.0, 30.0]
curve = { kind = "table", points = [[0.5, 2.0], [2.0, 12.0], [4.5, 36.0]] }
[channels.oil]
measures = "temperature"
source = "adc"
item = "voltage2"
unit = "°C"
pull_up = { supply = "5 V", resistance = "2200 ohm" }
curve = { kind = "thermistor_beta", r25 = "2200 ohm", beta = 3500.0, range = [-30.0, 150.0] }
[channels.ratio]
measures = "pressure"
source = "adc"
item = "voltage3"
unit = "kPa"
wire_unit = "V"
ratiometric = { nominal = "5 V", measured = "five" }
curve = { kind = "linear", points = [[0.5, 0.0], [4.5, 700.0]] }
[channels.five]
measures = "voltage"
source = "adc"
item = "voltage4"
unit = "V"
[channels.supply]
source = "adc"
item = "voltage5"
unit = "V"
measures = "supply_voltage"
divider = 4.0
[channels.lambda]
measures = "lambda"
source = "text"
item = "lambda"
unit = "lambda"
ends = [0.65, 1.50]
stale_after = "0.15 s"
[channels.air_pressure]
derive = "air_pressure"
unit = "kPa"
pressure = "map"
supply = "supply"
[channels.boost]
derive = "boost"
unit = "psi"
[channels.engine_running]
derive = "engine_running"
supply = "supply"
pressure = "map"
lambda_channel = "lambda"
[checks.maps]
kind = "agree"
channel = "other_map"
witness = "map"
within = 1.5
for_longer_than = "0.5 s"
"""
KEYS = [("adc", f"voltage{c}") for c in range(6)] + [("text", "lambda")]
ALONE = {"map", "other_map", "oil", "five", "supply"}


@pytest.fixture
def plan(tmp_path):
    (tmp_path / "van.toml").write_text(SETTINGS)
    return load_plan(tmp_path / "van.toml")


def story(seed, count):
    """Wires that jump, stand still, fall silent, come without a number, at equal times and out of their range."""
    chance = random.Random(seed)
    newest, now, level = {}, 10**12, 2000.0
    ticks = []
    still_until = dict.fromkeys(KEYS, 0)
    for n in range(count):
        now += 20 * MS + chance.randrange(-200, 200) * 1000
        level += chance.gauss(0.0, 30.0)
        level = min(max(level, 100.0), 4900.0)
        for c, key in enumerate(KEYS):
            before = newest.get(key)
            if n < still_until[key]:
                # The same number again and again, or nothing at all.
                if before is not None and c % 2 == 0:
                    newest[key] = before._replace(time_ns=now)
                continue
            luck = chance.random()
            if luck < 0.003:
                still_until[key] = n + chance.randrange(5, 700)
            elif luck < 0.02:
                why = chance.choice(["", "no answer"])
                newest[key] = Reading(*key, None, now, chance.choice([Quality.WARMING, Quality.ABSENT]), why)
            elif luck < 0.05:
                newest[key] = Reading(*key, chance.choice([0.0, -0.0, 5000.0, 249.9, 4990.0, 700.0]), now)
            elif luck < 0.07 and before is not None:
                newest[key] = Reading(*key, 1234.0, before.time_ns - chance.choice([0, 0, 7 * MS]))
            elif c == len(KEYS) - 1:
                newest[key] = Reading(*key, round(chance.gauss(0.95, 0.2), 2), now - 3 * MS)
            else:
                newest[key] = Reading(
                    *key, round(level + 10 * c + chance.gauss(0, 3)) * 1.0, now - chance.randrange(9) * MS
                )
        ticks.append((now, tuple(newest.get(k) for k in KEYS)))
    return ticks


def bits(numbers):
    return np.asarray(numbers, dtype=float).view(np.int64).tolist()


@pytest.mark.parametrize("seed", range(4))
def test_arrays_give_every_value_and_every_state_of_the_live_code(plan, seed):
    live, fast = plan.pipeline(), plan.pipeline()
    order = [(m.name, *m.key) for m in live.measured]
    places = [KEYS.index(m.key) for m in live.measured]
    ticks = [(t, tuple(row[p] for p in places)) for t, row in story(seed, 2500)]
    columns = FrameColumns(fast, order)
    chance, at = random.Random(seed), 0
    seen = set()
    while at < len(ticks):
        some = ticks[at : at + chance.choice([1, 2, 17, 300])]
        at += len(some)
        found = columns.step(columns_of(some, len(order)))
        for n, (now, row) in enumerate(some):
            newest = {m.key: r for m, r in zip(live.measured, row, strict=True) if r is not None}
            for name, value in live.step(newest, now).values.items():
                wanted = (float("nan") if value.value is None else value.value, value.uncertainty)
                got = (found.values[name][n], found.doubts[name][n])
                assert bits(got) == bits(wanted), (name, now)
                assert found.qualities[name][n] == value.quality, (name, now)
                seen.add((name, value.quality))
        assert json.dumps(fast.state()) == json.dumps(live.state())
    # The story has come to what is worth comparing.
    assert {q for name, q in seen if name in ALONE} >= {
        Quality.GOOD,
        Quality.OUT_OF_RANGE,
        Quality.IMPLAUSIBLE,
        Quality.ABSENT,
        Quality.STALE,
    }
    assert ("other_map", Quality.IMPLAUSIBLE) in seen


def test_a_number_that_stands_still_is_stuck_at_the_same_tick(plan):
    live, fast = plan.pipeline(), plan.pipeline()
    order = [(m.name, *m.key) for m in live.measured]
    ticks = []
    for n in range(1500):
        now = 10**12 + n * 20 * MS
        ticks.append((now, tuple(Reading(*m.key, 2000.0, now) for m in live.measured)))
    found = FrameColumns(fast, order).step(columns_of(ticks, len(order)))
    wanted = [live.step({r[:2]: r for r in row}, now).values["map"].quality for now, row in ticks]
    assert found.qualities["map"].tolist() == wanted
    assert wanted.index(Quality.STUCK) == 500
    assert json.dumps(fast.state()) == json.dumps(live.state())


def test_most_channels_go_by_arrays_and_what_depends_on_others_does_not(plan):
    alone = {m.name for m in plan.pipeline().measured if m.by_number_alone}
    assert alone == ALONE
