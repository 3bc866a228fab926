"""Drives of `witness_engines` as an archive of a shipped vehicle has them, columns and manifest."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq

from cabcanary.plan.plan import load_plan
from cabcanary.store.archive import METADATA_KEY
from cabcanary.store.manifest import MANIFEST_ENDING, Manifest, drive_folder, manifest_json
from cabcanary_bench.paths import config_folder

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from numpy.typing import NDArray

    from cabcanary.plan.plan import Plan
    from cabcanary.review.witness.drive_signals import DriveSignals
    from cabcanary.review.witness.lifts import GasSignals

    Floats = NDArray[np.float64]

#: The bench van's bus with an air meter, as many have it.
METER = """
[channels.mass_air]
source = "engine"
item = "maf"
unit = "g/s"
stale_after = "2 s"

[channels.burnt]
source = "engine"
item = "fuel_rate"
unit = "L/h"
stale_after = "5 s"
"""
_EACH = 5  # ticks for each row of half a second
_START_NS = 5_000_000_000_000


def vehicle(folder: Path, name: str, *, metered: bool = False) -> Path:
    """A shipped vehicle's settings with its archive below `folder`."""
    text = (config_folder() / f"{name}.toml").read_text(encoding="utf-8")
    text = text.replace("${CABCANARY_BENCH:-/var/lib/cabcanary}", str(folder / "state")).replace('"2.5 L"', '"2.0 L"')
    text = text.replace('"rules/', f'"{config_folder()}/rules/')
    file = folder / f"{name}.toml"
    if metered:
        text = text.replace("rpm = 10\n", "rpm = 10\nmaf = 4\nfuel_rate = 1\n") + METER
    file.write_text(text, encoding="utf-8")
    (folder / "state").mkdir(exist_ok=True)
    return file


def archive(
    config: Path, drives: list[DriveSignals], stage: str = "", first_day: int = 1, each: int = _EACH
) -> list[Path]:
    """Write them, a day each, in a stage (that in force), each half second in so many ticks of a tenth."""
    return [
        _archived(config, stage, day, lambda path, plan, drive=drive: _write(path, plan, drive, stage, each))
        for day, drive in enumerate(drives, first_day)
    ]


def archive_ticks(config: Path, drives: list[GasSignals], first_day: int = 1) -> list[Path]:
    """Write drives of `gas_engines`, a day each, tick by tick."""

    def write(path: Path, plan: Plan, drive: GasSignals) -> int:
        running = np.ones(len(drive.seconds))
        known = {"lambda": drive.mixture, "map": drive.map_kpa, "engine_speed": drive.rpm, "engine_running": running}
        return _columns(path, plan, known, drive.seconds - drive.seconds[0], "")

    return [
        _archived(config, "", day, lambda path, plan, drive=drive: write(path, plan, drive))
        for day, drive in enumerate(drives, first_day)
    ]


def _archived(config: Path, stage: str, day: int, write: Callable[[Path, Plan], int]) -> Path:
    plan = load_plan(config)
    start, name = f"2026-03-{day:02}T10:00:00Z", f"202603{day:02}T100000Z-0001"
    place = drive_folder(plan.settings.daemon.folder, plan.settings.vehicle.name, start)
    place.mkdir(parents=True, exist_ok=True)
    samples = place / f"{name}.parquet"
    ticks = write(samples, plan)
    manifest = Manifest(
        drive=name, vehicle=plan.settings.vehicle.name, stage=stage or plan.settings.vehicle.stage, start=start,
        length_s=ticks / 10, ticks=ticks, recovered=False, lost_blocks=0, lost_ticks=0, software="0",
    )  # fmt: skip
    (place / f"{name}{MANIFEST_ENDING}").write_bytes(manifest_json(manifest))
    return samples


def _write(path: Path, plan: Plan, drive: DriveSignals, stage: str, each: int) -> int:
    boost = (drive.map_kpa - drive.air_kpa) / 6.894757
    known = {
        "lambda": drive.mixture, "map": drive.map_kpa, "engine_speed": drive.rpm, "throttle": drive.throttle,
        "charge_temperature": drive.charge_k - 273.15, "coolant": drive.coolant_c, "mass_air": drive.mass_air,
        "barometer": drive.air_kpa, "air_pressure": drive.air_kpa, "short_trim": 100 * drive.trim,
        "long_trim": np.zeros(len(boost)), "boost": boost, "boost_as_burnt": boost, "engine_running": drive.running,
        "fuel_cut_gas": drive.masked, "fuel_system": np.where(drive.closed > 0.5, 2.0, 4.0),
        "supply": np.full(len(boost), 14.1),
        "burnt": np.full(len(boost), np.nan) if drive.fuel_rate is None else drive.fuel_rate,
    }  # fmt: skip
    # A minute of idle goes before, in which a cold sensor comes up.
    lead, ticks = 600, 600 + each * len(boost)
    known = {n: np.concatenate((np.full(lead, v[0]), np.repeat(v, each))) for n, v in known.items()}
    return _columns(path, plan, known, np.arange(ticks) / 10, stage)


def _columns(path: Path, plan: Plan, known: dict[str, Floats], seconds: Floats, stage: str) -> int:
    ticks = len(seconds)
    columns = {"time_s": pa.array(seconds), "tick_ns": pa.array(_START_NS + (seconds * 1e9).astype(np.int64))}
    for name in plan.channel_units:
        values = known.get(name, np.full(ticks, np.nan))
        seen = np.isfinite(values)
        columns[name] = pa.array(values, mask=~seen)
        columns[f"{name}_quality"] = pa.array(np.where(seen, "good", "absent")).dictionary_encode()
        columns[f"{name}_uncertainty"] = pa.array(np.full(ticks, 0.005 if name == "lambda" else 0.0))
    about = {
        "drive": path.stem, "vehicle": plan.settings.vehicle.name, "stage": stage or plan.settings.vehicle.stage,
        "settings": plan.settings_text, "rules": plan.rule_texts, "baselines": plan.baselines.model_dump(),
        "rules_state": {},
    }  # fmt: skip
    table = pa.table(columns).replace_schema_metadata({METADATA_KEY: json.dumps(about).encode()})
    pq.write_table(table, path)
    return ticks
