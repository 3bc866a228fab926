"""A van before anything is fitted: its bus alone, and what its archive has of it; later with a pressure sensor of its
own. The drives are a warm idle and a stretch of cruising, as a person would write them."""

from __future__ import annotations

import random
from dataclasses import dataclass
from pathlib import Path

from small_drive import START_NS, _write

from cabcanary.model import Frame, Reading
from cabcanary.plan.plan import Plan, load_plan
from cabcanary.store.manifest import MANIFEST_ENDING, Manifest, drive_folder, manifest_json

RULES = Path(__file__).parents[2] / "config" / "rules"
_TICK_NS = 100_000_000
_HEAD = """\
rules = ["{rules}/bench-van.toml", "{rules}/mixture.toml", "{rules}/boost.toml", "{rules}/engine.toml",
    "{rules}/supply.toml"]
[vehicle]
name = "bus van"
stage = "untouched"
stages = ["untouched", "sensors", "plumbing", "compressor, low boost", "more boost"]
[compressor]
kind = "displacement"
from = "compressor, low boost"
[daemon]
tick_hz = 10
folder = "{folder}"
[sources.engine]
kind = "can"
interface = "slcan"
channel = "/dev/ttyACM0"
bitrate = 500000
[sources.engine.items]
{items}
"""
#: Item, channel, unit, what it measures.
_ITEMS = (
    ("rpm", "engine_speed", "rpm", "engine_speed"),
    ("throttle", "throttle", "%", "throttle"),
    ("speed", "vehicle_speed", "km/h", "vehicle_speed"),
    ("map", "engine_map", "kPa", "other"),
    ("maf", "mass_air", "g/s", "airflow"),
    ("coolant_temperature", "coolant", "°C", "temperature"),
    ("module_voltage", "module_voltage", "V", "voltage"),
    ("fuel_system_1", "fuel_system", "", "other"),
    ("short_trim_1", "short_trim", "%", "other"),
    ("long_trim_1", "long_trim", "%", "other"),
)
_DERIVED = """
[channels.fuel_trim]
derive = "formula"
unit = "%"
formula = "short_trim + long_trim"
[channels.engine_running]
derive = "engine_running"
engine_speed = "engine_speed"
"""
#: A ratiometric sensor of the owner's own, 20 to 250 kPa over 0.5 to 4.5 V.
OWN_SENSOR = """
[sources.adc]
kind = "iio"
device = "converter"
[channels.map]
measures = "manifold_pressure"
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }
rails = [0.25, 4.75]
"""


@dataclass(frozen=True)
class Engine:
    """How it idles and cruises: kPa, rpm, g/s, trims in per cent."""

    kpa: float = 33.0
    rpm: float = 780.0
    air: float = 3.5
    near: float = 1.0
    far: float = 1.0
    #: What the owner's own sensor shows over the truth, kPa.
    own_off: float = 0.0


def bus_van(folder: Path, *without: str, own: bool = False) -> Path:
    """Its settings; `without` these items of the bus, and with the owner's own pressure sensor from the beginning."""
    (folder / "state").mkdir(exist_ok=True)
    kept = [row for row in _ITEMS if row[0] not in without]
    text = _HEAD.format(rules=RULES, folder=folder / "state", items="\n".join(f"{item} = 2" for item, *_ in kept))
    for item, name, unit, measures in kept:
        text += (
            f'[channels.{name}]\nmeasures = "{measures}"\nsource = "engine"\nitem = "{item}"\nunit = "{unit}"\n'
            'stale_after = "3 s"\n'
        )
    file = folder / "bus.toml"
    file.write_text(text + _DERIVED + (OWN_SENSOR if own else ""), encoding="utf-8")
    return file


def in_stage(file: Path, stage: str) -> Path:
    """The same in another stage."""
    text = file.read_text(encoding="utf-8").splitlines()
    at = next(n for n, line in enumerate(text) if line.startswith("stage = "))
    text[at] = f'stage = "{stage}"'
    file.write_text("\n".join(text) + "\n", encoding="utf-8")
    return file


class BusArchive:
    """The archive of one settings file."""

    def __init__(self, config: Path, seed: int = 7) -> None:
        self.config, self.made, self.rng = config, 0, random.Random(seed)

    def frames(self, plan: Plan, engine: Engine, idle_s: float, cruise_s: float) -> list[Frame]:
        """What the pipeline makes of it. A day differs from the next by half a kPa, some rpm and a little of trim."""
        rng, pipeline, frames = self.rng, plan.pipeline(), []
        day_kpa, day_rpm, day_trim = rng.gauss(0.0, 0.4), rng.gauss(0.0, 6.0), rng.gauss(0.0, 0.3)
        day_air = 1.0 + rng.gauss(0.0, 0.01)
        for n in range(round((idle_s + cruise_s) * 10)):
            now, idles = START_NS + n * _TICK_NS, n < idle_s * 10
            trim = day_trim + (engine.near if idles else engine.far)
            kpa = engine.kpa + day_kpa if idles else 60.0
            values = {
                "rpm": (engine.rpm + day_rpm if idles else 2400.0) + rng.gauss(0.0, 4.0),
                "throttle": 1.0 if idles else 20.0,
                "speed": 0.0 if idles else 80.0,
                # Whole kPa on the bus.
                "map": float(round(kpa + rng.gauss(0.0, 0.3))),
                "maf": (engine.air * day_air if idles else 20.0) + rng.gauss(0.0, 0.05),
                "coolant_temperature": 88.0,
                "module_voltage": 14.1 + rng.gauss(0.0, 0.02),
                "fuel_system_1": 2.0,
                "short_trim_1": rng.gauss(0.0, 0.5),
                "long_trim_1": trim,
            }
            newest = {("engine", item): Reading("engine", item, v, now - 1000) for item, v in values.items()}
            mv = 500.0 + (kpa + engine.own_off + rng.gauss(0.0, 0.1) - 20.0) / 230.0 * 4000.0
            newest["adc", "voltage0"] = Reading("adc", "voltage0", mv, now - 1000)
            frames.append(pipeline.step(newest, now))
        return frames

    def drive(self, engine: Engine, idle_s: float = 70.0, cruise_s: float = 80.0) -> str:
        """One drive in the stage that the settings have now; returns its name."""
        self.made += 1
        plan = load_plan(self.config)
        frames = self.frames(plan, engine, idle_s, cruise_s)
        start, name = f"2026-02-{self.made:02}T10:00:00Z", f"202602{self.made:02}T100000Z-0001"
        place = drive_folder(plan.settings.daemon.folder, "bus van", start)
        place.mkdir(parents=True, exist_ok=True)
        _write(place / f"{name}.parquet", plan, frames, plan.engine().state())
        manifest = Manifest(
            drive=name, vehicle="bus van", stage=plan.settings.vehicle.stage, start=start, length_s=len(frames) / 10,
            ticks=len(frames), recovered=False, lost_blocks=0, lost_ticks=0, software="0",
        )  # fmt: skip
        (place / f"{name}{MANIFEST_ENDING}").write_bytes(manifest_json(manifest))
        return name

    def first_idle(self, engine: Engine, seconds: float = 40.0) -> list[str]:
        """The alerts that the rules raise in the first idle with the settings as they are now."""
        plan = load_plan(self.config)
        judge, raised = plan.engine(), []
        for frame in self.frames(plan, engine, seconds, 0.0):
            raised += [c.alert for c in judge.step(frame) if c.sounds]
        return raised
