"""What so many points decide: the curve goes through as many of them as it has parameters, whatever its kind."""

from __future__ import annotations

import pytest
from calibration_sessions import BETA, PLATINUM, PRESSURE, STEINHART, SUPPLY, TABLE, sensor_of

from cabcanary.calibration.fit import Unfit, fit
from cabcanary.calibration.points import Point, Readings, Session
from cabcanary.calibration.refusals import calibrated
from cabcanary.calibration.sensor import Sensor

PCHIP = {**TABLE, "curve": {**TABLE["curve"], "between": "pchip"}}
POLYNOMIAL = {
    **PRESSURE,
    "curve": {"kind": "polynomial", "coefficients": [-8.75, 57.5, 0.3], "range": [0.5, 4.5]},
}


def fitted(settings: dict, points: list[tuple[float, float]], **more: float) -> tuple[Sensor, object]:
    sensor = sensor_of({**settings, **more})
    result = fit(Session(tuple(Point(y, Readings(x), 0.1) for x, y in points)), sensor)
    return Sensor("map", result.channel, sensor.source_unit), result


@pytest.mark.parametrize(
    ("settings", "points", "words"),
    [
        (PRESSURE, [(1.9, 103.0)], "offset alone"),
        (PRESSURE, [(0.9, 44.0), (3.7, 203.0)], "straight line"),
        (SUPPLY, [(12.0, 12.1)], "offset alone"),
        (SUPPLY, [(8.0, 8.1), (14.0, 14.3)], "straight line"),
        (TABLE, [(0.9, 44.0), (3.7, 193.0)], "over the old table"),
        (PCHIP, [(0.9, 44.0), (3.7, 193.0)], "over the old table"),
        (POLYNOMIAL, [(0.9, 44.0), (3.7, 210.0)], "over the old curve"),
        (BETA, [(10_500.0, 25.0)], "resistance at 25 °C"),
        (BETA, [(31_000.0, 1.0), (1300.0, 80.0)], "and its beta"),
        (BETA, [(32_650.0, 0.0), (3603.0, 49.986), (678.6, 99.991)], "Steinhart and Hart"),
        (STEINHART, [(10_200.0, 25.0)], "offset of 1/T"),
        (STEINHART, [(31_000.0, 1.0), (1250.0, 80.0)], "offset and slope of 1/T"),
        (PLATINUM, [(1100.0, 25.5)], "resistance at 0 °C"),
        (
            TABLE,
            [(0.5001, 21.0), (1.4, 72.0), (2.6, 131.0), (3.7, 197.0), (4.4999, 252.0)],
            "every value of the table",
        ),
    ],
)
def test_it_goes_through_its_points(settings: dict, points: list[tuple[float, float]], words: str) -> None:
    new, result = fitted(settings, points)
    assert words in result.form.words
    for wire, value in points:
        assert new.old(wire) == pytest.approx(value, abs=2e-3)


def test_three_points_of_a_thermistor_give_its_published_coefficients() -> None:
    # 0.00, 49.986 and 99.991 °C are what A = 1.129241e-3, B = 2.341077e-4, C = 8.775468e-8 make of these resistances.
    curve = fitted(BETA, [(32_650.0, 0.0), (3603.0, 49.986), (678.6, 99.991)])[1].channel.curve
    assert curve.a == pytest.approx(1.129241e-3, rel=1e-3)
    assert curve.b == pytest.approx(2.341077e-4, rel=1e-3)
    assert curve.c == pytest.approx(8.775468e-8, rel=5e-3)


def test_three_points_that_bend_the_other_way_are_no_thermistor() -> None:
    with pytest.raises(Unfit, match="as no thermistor does"):
        fitted(BETA, [(32_650.0, 0.0), (3603.0, 44.0), (678.6, 99.991)])


def test_a_slip_among_as_many_points_as_parameters_is_not_fitted() -> None:
    # 56 °C in place of 49.986: a curve goes through it, and no thermistor has it.
    sensor = sensor_of(BETA)
    points = [(32_650.0, 0.0), (3603.0, 56.0), (678.6, 99.991)]
    session = Session(tuple(Point(y, Readings(x), 0.1) for x, y in points))
    with pytest.raises(Unfit, match="bend otherwise than the old curve"):
        calibrated(session, sensor)
    healthy = Session((*session.points[::2], Point(49.986, Readings(3603.0), 0.1)))
    assert "Steinhart" in calibrated(healthy, sensor).form.words


def test_one_point_is_as_uncertain_elsewhere_as_the_data_sheet_leaves_it() -> None:
    # 4 kPa at both ends of 230 kPa: a slope of 8/230, so 8/230 of the way from 101 kPa to the far end, less or more.
    _, near = fitted(PRESSURE, [(1.91, 101.0)], accuracy=0.0)
    _, far = fitted(PRESSURE, [(1.91, 101.0)], accuracy=4.0)
    assert near.holds == pytest.approx((101.0, 101.0), abs=0.05 * 230 + 15)
    assert near.within < 0.2
    assert far.holds == pytest.approx((20.0, 250.0))
    # 95 % of a rectangle is 0.95 of its half.
    assert far.within == pytest.approx(0.95 * (8.0 / 230.0) * (250.0 - 101.0), rel=0.03)
