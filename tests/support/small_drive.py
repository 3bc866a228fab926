"""A drive of a small vehicle without wires: driven through the live path, and written as the archive writes it."""

from __future__ import annotations

import json
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from cabcanary.model import Reading
from cabcanary.plan.plan import load_plan
from cabcanary.store.archive import METADATA_KEY

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.rules.states import Change

TICK_NS = 20_000_000
START_NS = 5_000_000_000_000

SETTINGS = """\
rules = ["rules.toml"]
[vehicle]
name = "small van"
stage = "low boost"
stages = ["no boost", "low boost"]
[daemon]
folder = "{folder}"
[sources.adc]
kind = "iio"
device = "converter"
[sources.wideband]
kind = "serial_text"
port = "/dev/null"
[channels.lambda]
measures = "lambda"
source = "wideband"
item = "lambda"
unit = "lambda"
ends = [0.65, 1.50]
stale_after = "0.15 s"
[channels.map]
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }}
rails = [0.25, 4.75]
accuracy = 2.0
[channels.coolant]
source = "adc"
item = "voltage1"
unit = "°C"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.0, 0.0], [5.0, 150.0]] }}
[channels.engine_running]
derive = "engine_running"
pressure = "map"
lambda_channel = "lambda"
"""


@dataclass(slots=True)
class SmallDrive:
    """What was driven: the file, the plan, and every change that the live engine told."""

    samples: Path
    plan: Plan
    told: list[Change]
    frames: list[Frame]


def settings_of(folder: Path, rules: str) -> Path:
    """Write the small vehicle's files; returns the settings file."""
    (folder / "rules.toml").write_text(rules, encoding="utf-8")
    config = folder / "van.toml"
    config.write_text(SETTINGS.format(folder=folder), encoding="utf-8")
    return config


def small_drive(
    folder: Path,
    rules: str,
    seconds: float,
    values: Callable[[float], dict[str, float | None]],
    acknowledge_s: float | None = None,
    begin_s: float = 0.0,
) -> SmallDrive:
    """Drive: `values(s)` gives lambda, MAP in kPa and coolant in °C at a time; None is a wire that is silent.

    What goes before `begin_s` is driven and not recorded, as before the start of a drive.
    """
    plan = load_plan(settings_of(folder, rules))
    pipeline, engine = plan.pipeline(), plan.engine()
    noise = random.Random(1)
    frames: list[Frame] = []
    told: list[Change] = []
    events: list[dict[str, Any]] = []
    newest: dict[tuple[str, str], Reading] = {}
    state: dict[str, Any] = {}
    for n in range(int(seconds * 50)):
        at_s, now_ns = n / 50, START_NS + n * TICK_NS
        if at_s == begin_s:
            state = json.loads(json.dumps(engine.state()))
        for key, volts in _wires(values(at_s), noise).items():
            newest[key] = Reading(*key, volts, now_ns - 1_000_000)
        if acknowledge_s is not None and abs(at_s - acknowledge_s) < 0.01:
            changes = engine.acknowledge(now_ns - 1)
            told += changes
            events.append({"t": now_ns - 1, "kind": "acknowledge", "what": "button"})
        frame = pipeline.step(newest, now_ns)
        changes = engine.step(frame)
        if at_s >= begin_s:
            frames.append(frame)
            told += changes
    samples = folder / "drives" / "20260101T000000Z-0001.parquet"
    samples.parent.mkdir(exist_ok=True)
    _write(samples, plan, frames, state)
    lines = "".join(json.dumps(e) + "\n" for e in events)
    samples.with_name(f"{samples.stem}.events.jsonl").write_text(lines, encoding="utf-8")
    return SmallDrive(samples, plan, told, frames)


def _wires(values: dict[str, float | None], noise: random.Random) -> dict[tuple[str, str], float]:
    """Numbers on the wires, in millivolts where a converter gives them; each with its own noise."""
    found: dict[tuple[str, str], float] = {}
    mixture, pressure, coolant = values["lambda"], values["map"], values["coolant"]
    if mixture is not None:
        found["wideband", "lambda"] = round(mixture + noise.gauss(0, 0.002), 3)
    if pressure is not None:
        found["adc", "voltage0"] = round((0.5 + (pressure - 20) * 4 / 230) * 1000 + noise.gauss(0, 2), 1)
    if coolant is not None:
        found["adc", "voltage1"] = round(coolant / 30 * 1000 + noise.gauss(0, 2), 1)
    return found


def _write(path: Path, plan: Plan, frames: list[Frame], state: dict[str, Any]) -> None:
    columns: dict[str, Any] = {
        "time_s": pa.array([(f.time_ns - frames[0].time_ns) / 1e9 for f in frames]),
        "tick_ns": pa.array([f.time_ns for f in frames], type=pa.int64()),
    }
    for name in plan.channel_units:
        values = [f.values[name] for f in frames]
        columns[name] = pa.array([v.value for v in values], type=pa.float64())
        columns[f"{name}_quality"] = pa.array([v.quality.words for v in values]).dictionary_encode()
        columns[f"{name}_uncertainty"] = pa.array(np.array([v.uncertainty for v in values]))
    about = {
        "drive": path.stem,
        "vehicle": plan.settings.vehicle.name,
        "stage": plan.settings.vehicle.stage,
        "settings": plan.settings_text,
        "rules": plan.rule_texts,
        "baselines": plan.baselines.model_dump(),
        "rules_state": state,
    }
    table = pa.table(columns).replace_schema_metadata({METADATA_KEY: json.dumps(about).encode()})
    pq.write_table(table, path)
