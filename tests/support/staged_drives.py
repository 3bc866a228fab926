"""Drives of the small van as a person would write them, in its archive."""

from __future__ import annotations

import random
from pathlib import Path

from small_drive import START_NS, TICK_NS, _write
from staged_van import AIR_KPA, PSI_KPA, RULES, SETTINGS, volts

from cabcanary.model import Reading
from cabcanary.plan.plan import load_plan
from cabcanary.store.manifest import MANIFEST_ENDING, AlertCount, Manifest, drive_folder, manifest_json

CEILING = """
[tables.ceiling]
of = "psi"
gives = "lambda"
points = [[0, 1.04], [2, 0.88], [8, 0.85]]
"""
BURNT = """
[channels.boost_as_burnt]
derive = "as_burnt"
of = "boost"
unit = "psi"
lambda_channel = "lambda"
transport_delay = "100 ms"
[channels.fuel_cut_gas]
derive = "fuel_cut_gas"
lambda_channel = "lambda"
pressure = "map"
below_idle_kpa = 28.0
"""
#: A drive as a person would write it: seconds, boost in psi (or the manifold's kPa), lambda.
Part = tuple[float, float, float]
IDLE = -9.8  # psi: 33.8 kPa at a standard atmosphere


def staged_config(folder: Path) -> Path:
    """Its settings and rules; what it keeps lies in a folder beside them."""
    (folder / "state").mkdir()
    (folder / "rules.toml").write_text(RULES + CEILING, encoding="utf-8")
    file = folder / "van.toml"
    file.write_text(SETTINGS.format(folder=folder / "state") + BURNT, encoding="utf-8")
    return file


class Archive:
    """The archive of one settings file."""

    def __init__(self, config: Path) -> None:
        self.config, self.made, self.rng = config, 0, random.Random(5)

    def drive(
        self,
        *parts: Part,
        stage: str = "low boost",
        alerts: tuple[tuple[str, str], ...] = (),
    ) -> str:
        """One drive of such parts; returns its name."""
        self.made += 1
        plan = load_plan(self.config)
        pipeline, frames, n = plan.pipeline(), [], 0
        for seconds, psi, mixture in parts:
            for _ in range(round(seconds * 50)):
                now = START_NS + n * TICK_NS
                noise = self.rng.gauss(0.0, 1.0)
                wires = {
                    "voltage0": volts(AIR_KPA + psi * PSI_KPA) + 3 * noise,
                    "voltage1": 500.0 + (mixture - 0.6) * 4000.0 + noise,
                    "voltage2": volts(AIR_KPA) + noise,
                }
                newest = {("adc", item): Reading("adc", item, mv, now - 1000) for item, mv in wires.items()}
                frames.append(pipeline.step(newest, now))
                n += 1
        start, name = f"2026-01-{self.made:02}T10:00:00Z", f"202601{self.made:02}T100000Z-0001"
        place = drive_folder(plan.settings.daemon.folder, "small van", start)
        place.mkdir(parents=True, exist_ok=True)
        _write(place / f"{name}.parquet", plan, frames, plan.engine().state())
        told = [AlertCount(alert=a, priority=p, count=1, first_s=1.0) for a, p in alerts]
        manifest = Manifest(
            drive=name, vehicle="small van", stage=stage, start=start, length_s=n / 50, ticks=n, recovered=False,
            lost_blocks=0, lost_ticks=0, software="0", alerts=told,
        )  # fmt: skip
        (place / f"{name}{MANIFEST_ENDING}").write_bytes(manifest_json(manifest))
        return name
