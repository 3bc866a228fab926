"""What a calibration must know of a sensor: the converter's step as its curve sees it, its lean end, how it is told."""

from __future__ import annotations

import pytest
from calibration_sessions import BETA, PRESSURE, STEP_MV, sensor_of

from cabcanary.calibration.calibrate import calibrate
from cabcanary.calibration.lean_end import lean_end
from cabcanary.calibration.points import Point, Readings, Session

WIDEBAND = {
    "source": "adc", "item": "voltage1", "unit": "lambda", "wire_unit": "V", "measures": "lambda",
    "curve": {"kind": "linear", "points": [[0.0, 0.7], [5.0, 1.3]]}, "rails": [-0.2, 5.2],
}  # fmt: skip


@pytest.mark.parametrize("ohm", [300.0, 2490.0, 10_000.0])
def test_a_converters_step_is_so_many_ohms_under_a_pull_up(ohm: float) -> None:
    # 5 V over 2.49 kohm: the resistance that one step more of the converter would be.
    volts = 5.0 * ohm / (ohm + 2490.0)
    more = volts + STEP_MV / 1000
    step = 2490.0 * more / (5.0 - more) - ohm
    assert sensor_of(BETA, "charge_temperature").step_at(ohm) == pytest.approx(step, rel=0.01)


def test_a_converters_step_is_its_own_on_a_voltage() -> None:
    assert sensor_of(PRESSURE).step_at(2.5) == pytest.approx(STEP_MV / 1000)


def test_a_reading_that_still_moves_proves_no_lean_end() -> None:
    sensor = sensor_of(WIDEBAND, "lambda")
    still, moving = Readings(4.98, 0.002, 50), Readings(4.98, 0.002, 50, drift=0.3, drift_noise=0.01)
    assert not still.moves
    assert moving.moves
    assert lean_end(still, sensor).ok
    assert not lean_end(moving, sensor).ok


def test_a_curve_that_is_better_between_its_points_says_so() -> None:
    sensor = sensor_of(PRESSURE)

    def said(values: tuple[float, ...]) -> str:
        points = tuple(Point(v, Readings(0.5 + (v - 20.0) / 230.0 * 4.0, 0.002, 50), 0.7) for v in values)
        return "\n".join(calibrate(Session(points, 0.5), sensor).lines())

    # From end to end nothing lies beyond the points.
    assert "between the points within" in said((80.0, 110.0, 150.0))
    assert "between the points within" not in said((20.5, 130.0, 249.5))
