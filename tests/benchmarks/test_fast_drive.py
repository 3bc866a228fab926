"""How fast a drive without wires is, beside the same van step by step. Nothing here can fail by time."""

import time
from pathlib import Path

import pytest

from cabcanary.plan.plan import load_plan
from cabcanary_bench.drives.generator import DriveKind, ordinary
from cabcanary_bench.drives.scenario import FIRST_DRIVE
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.sensors.outputs import Sensors

pytestmark = pytest.mark.in_time


_CONFIG = Path(__file__).parents[2] / "config" / "bench-van.toml"
_STEP_S = 0.01


def test_how_many_times_real_time_a_drive_without_wires_is(capsys) -> None:
    country = ordinary(1, DriveKind.COUNTRY, minutes=1)

    def fast() -> float:
        begin = time.process_time()
        drive(country, 1)
        return country.length_s / (time.process_time() - begin)

    def stepwise() -> float:
        vehicle, sensors = FIRST_DRIVE.vehicle(), Sensors(1)
        begin = time.process_time()
        for n in range(round(FIRST_DRIVE.length_s / _STEP_S)):
            sensors.step(vehicle.step(_STEP_S, FIRST_DRIVE.input(n * _STEP_S)), vehicle.effects)
        return FIRST_DRIVE.length_s / (time.process_time() - begin)

    def judged() -> float:
        recording = drive(FIRST_DRIVE, 1)
        plan = load_plan(_CONFIG)
        pipeline, engine = plan.pipeline(), plan.engine()
        begin = time.process_time()
        for newest, now_ns in recording.ticks():
            engine.step(pipeline.step(newest, now_ns))
        return FIRST_DRIVE.length_s / (time.process_time() - begin)

    rows = {
        "drive without wires, as made up for the corpus": fast(),
        "the van and its sensors, every 10 ms": stepwise(),
        "channels and rules over a recording, tick by tick": judged(),
    }
    with capsys.disabled():
        print()
        for name, times in rows.items():
            print(f"  {name:<52} ×{times:5.0f} real time")
    assert all(times > 1 for times in rows.values())
