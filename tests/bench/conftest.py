from __future__ import annotations

from typing import NamedTuple

import pytest

from cabcanary_bench.drives.scenario import FIRST_DRIVE, DriverInput
from cabcanary_bench.sensors.outputs import Outputs, Sensors
from cabcanary_bench.van.vehicle import Truth, Vehicle

STEP_S = 0.01


class Moment(NamedTuple):
    time_s: float
    wanted: DriverInput
    truth: Truth
    shown: Outputs
    phase: str


@pytest.fixture(scope="session")
def first_drive() -> list[Moment]:
    vehicle = Vehicle(faults=FIRST_DRIVE.faults, start_coolant_c=FIRST_DRIVE.start_coolant_c)
    sensors = Sensors(seed=1)
    moments = []
    for n in range(round(FIRST_DRIVE.length_s / STEP_S)):
        time_s = n * STEP_S
        wanted = FIRST_DRIVE.input(time_s)
        truth = vehicle.step(STEP_S, wanted)
        shown = sensors.step(truth, vehicle.effects)
        moments.append(Moment(time_s, wanted, truth, shown, FIRST_DRIVE.phase_at(time_s).name))
    return moments
