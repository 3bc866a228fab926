"""Held against certified data sets, an annex of the GUM, and other people's regressions and distributions."""

from __future__ import annotations

import numpy as np
import pytest
import scipy.optimize
import scipy.stats

from cabcanary.calibration.least_squares import UnsolvableError, chance_above, solve
from cabcanary.student import student_95

# NIST Statistical Reference Datasets, linear regression (itl.nist.gov/div898/strd/lls/lls.shtml): data and certified
# values, as the tests of SciPy (Norris), the GNU Scientific Library (Pontius) and Apache Commons Math (Longley, NoInt1)
# have them.
NORRIS_X = [
    0.2, 337.4, 118.2, 884.6, 10.1, 226.5, 666.3, 996.3, 448.6, 777.0, 558.2, 0.4, 0.6, 775.5, 666.9, 338.0, 447.5,
    11.6, 556.0, 228.1, 995.8, 887.6, 120.2, 0.3, 0.3, 556.8, 339.1, 887.2, 999.0, 779.0, 11.1, 118.3, 229.2, 669.1,
    448.9, 0.5,
]  # fmt: skip
NORRIS_Y = [
    0.1, 338.8, 118.1, 888.0, 9.2, 228.1, 668.5, 998.5, 449.1, 778.9, 559.2, 0.3, 0.1, 778.1, 668.8, 339.3, 448.9,
    10.8, 557.7, 228.3, 998.0, 888.8, 119.6, 0.3, 0.6, 557.6, 339.3, 888.0, 998.5, 778.9, 10.2, 117.6, 228.9, 668.4,
    449.2, 0.2,
]  # fmt: skip
PONTIUS_X = [150_000.0 * n for n in range(1, 21)] * 2
PONTIUS_Y = [
    0.11019, 0.21956, 0.32949, 0.43899, 0.54803, 0.65694, 0.76562, 0.87487, 0.98292, 1.09146, 1.20001, 1.30822, 1.41599,
    1.52399, 1.63194, 1.73947, 1.84646, 1.95392, 2.06128, 2.16844, 0.11052, 0.22018, 0.32939, 0.43886, 0.54798, 0.65739,
    0.76596, 0.87474, 0.98300, 1.09150, 1.20004, 1.30818, 1.41613, 1.52408, 1.63159, 1.73965, 1.84696, 1.95445, 2.06177,
    2.16829,
]  # fmt: skip
LONGLEY = [
    (60323, 83.0, 234289, 2356, 1590, 107608, 1947), (61122, 88.5, 259426, 2325, 1456, 108632, 1948),
    (60171, 88.2, 258054, 3682, 1616, 109773, 1949), (61187, 89.5, 284599, 3351, 1650, 110929, 1950),
    (63221, 96.2, 328975, 2099, 3099, 112075, 1951), (63639, 98.1, 346999, 1932, 3594, 113270, 1952),
    (64989, 99.0, 365385, 1870, 3547, 115094, 1953), (63761, 100.0, 363112, 3578, 3350, 116219, 1954),
    (66019, 101.2, 397469, 2904, 3048, 117388, 1955), (67857, 104.6, 419180, 2822, 2857, 118734, 1956),
    (68169, 108.4, 442769, 2936, 2798, 120445, 1957), (66513, 110.8, 444546, 4681, 2637, 121950, 1958),
    (68655, 112.6, 482704, 3813, 2552, 123366, 1959), (69564, 114.2, 502601, 3931, 2514, 125368, 1960),
    (69331, 115.7, 518173, 4806, 2572, 127852, 1961), (70551, 116.9, 554894, 4007, 2827, 130081, 1962),
]  # fmt: skip

CERTIFIED = {
    "Norris": (
        np.vander(NORRIS_X, 2, increasing=True), NORRIS_Y,
        [-0.262323073774029, 1.00211681802045], [0.232818234301152, 0.429796848199937e-03], 0.884796396144373,
    ),
    "Pontius": (
        np.vander(PONTIUS_X, 3, increasing=True), PONTIUS_Y,
        [0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14],
        [0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16], 0.205177424076185e-03,
    ),
    "Longley": (
        np.column_stack([np.ones(16), np.array(LONGLEY)[:, 1:]]), [row[0] for row in LONGLEY],
        [-3482258.63459582, 15.0618722713733, -0.358191792925910e-01, -2.02022980381683, -1.03322686717359,
         -0.511041056535807e-01, 1829.15146461355],
        [890420.383607373, 84.9149257747669, 0.334910077722432e-01, 0.488399681651699, 0.214274163161675,
         0.226073200069370, 455.478499142212], 304.854073561965,
    ),
    "NoInt1": (
        np.arange(60.0, 71.0)[:, None], np.arange(130.0, 141.0),
        [2.07438016528926], [0.165289256198347e-01], 3.56753034006338,
    ),
}  # fmt: skip


@pytest.mark.parametrize("name", list(CERTIFIED))
def test_certified_regressions_come_out_to_nine_digits(name: str) -> None:
    design, data, parameters, deviations, left = CERTIFIED[name]
    found = solve(np.asarray(design, dtype=float), np.asarray(data, dtype=float), np.ones(len(data)))
    print(name, found.parameters / parameters - 1)
    assert found.parameters == pytest.approx(parameters, rel=1e-9)
    assert found.scale == pytest.approx(left, rel=1e-9)
    of_each = np.sqrt(np.diag(found.covariance(np.full(len(data), found.scale))))
    assert of_each == pytest.approx(deviations, rel=1e-9)


def test_the_guides_thermometer() -> None:
    # JCGM 100:2008, annex H.3, tables H.6 and H.7: readings t and corrections b, t0 = 20 °C; y1, y2, their
    # uncertainties and correlation, s, and the correction at 30 °C with its uncertainty.
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    found = solve(np.column_stack([np.ones(11), t - 20.0]), b, np.ones(11))
    covariance = found.covariance(np.full(11, found.scale))
    of_each = np.sqrt(np.diag(covariance))
    assert (round(found.parameters[0], 4), round(found.parameters[1], 5)) == (-0.1712, 0.00218)
    assert (round(of_each[0], 4), round(of_each[1], 5)) == (0.0029, 0.00067)
    assert round(covariance[0, 1] / of_each[0] / of_each[1], 3) == -0.930
    assert (round(found.scale, 4), found.degrees) == (0.0035, 9)
    at_30 = np.array([1.0, 10.0])
    assert round(float(at_30 @ found.parameters), 4) == -0.1494
    assert round(float(np.sqrt(at_30 @ covariance @ at_30)), 4) == 0.0041


def test_lines_are_those_of_three_other_programs() -> None:
    random = np.random.default_rng(3)
    for _ in range(20):
        number = int(random.integers(3, 9))
        x, u = np.sort(random.uniform(0.5, 4.5, number)), random.uniform(0.2, 3.0, number)
        y = 57.5 * x - 8.75 + random.normal(0.0, u)
        found = solve(np.column_stack([np.ones(number), x]), y, u)
        values, covariance = scipy.optimize.curve_fit(
            lambda w, a, b: a + b * w, x, y, p0=(0.0, 50.0), sigma=u, absolute_sigma=True
        )
        assert found.parameters == pytest.approx(values, rel=1e-6)
        assert found.covariance(u) == pytest.approx(covariance, rel=1e-5)
        plain = solve(np.column_stack([np.ones(number), x]), y, np.ones(number))
        line = scipy.stats.linregress(x, y)
        assert plain.parameters == pytest.approx([line.intercept, line.slope], rel=1e-10)
        of_each = np.sqrt(np.diag(plain.covariance(np.full(number, plain.scale))))
        assert of_each == pytest.approx([line.intercept_stderr, line.stderr], rel=1e-8)


def test_uncertain_readings_are_weighed_as_orthogonal_distance_regression_does() -> None:
    # What the wire is uncertain by counts in the value, by the slope: to first order that is what ODR does.
    odr = pytest.importorskip("scipy.odr")
    x, y = np.array([0.93, 1.91, 2.66, 3.9]), np.array([45.2, 100.9, 144.6, 215.1])
    of_x, of_y = np.array([0.004, 0.012, 0.02, 0.006]), np.array([0.3, 0.5, 0.3, 0.8])
    fitted = odr.ODR(odr.RealData(x, y, sx=of_x, sy=of_y), odr.unilinear, beta0=[57.0, -8.0]).run()
    found = solve(np.column_stack([np.ones(4), x]), y, np.hypot(of_y, 57.5 * of_x))
    assert found.parameters == pytest.approx(fitted.beta[::-1], rel=1e-3)
    deviations = np.sqrt(np.diag(fitted.cov_beta))[::-1]
    assert np.sqrt(np.diag(found.covariance(np.hypot(of_y, 57.5 * of_x)))) == pytest.approx(deviations, rel=5e-3)


@pytest.mark.parametrize("degrees", [1, 2, 3, 4, 5, 6, 7, 10, 30, 49, 200])
def test_both_distributions_are_those_of_scipy(degrees: int) -> None:
    assert student_95(degrees) == pytest.approx(scipy.stats.t.ppf(0.975, degrees), rel=1e-9)
    for chi_square in (0.0, 0.3, 1.0, 3.84, 9.2, 20.0, 45.0):
        assert chance_above(chi_square, degrees) == pytest.approx(scipy.stats.chi2.sf(chi_square, degrees), rel=1e-9)


def test_too_few_or_equal_points_decide_nothing() -> None:
    with pytest.raises(UnsolvableError, match="take 2 points"):
        solve(np.ones((1, 2)), np.ones(1), np.ones(1))
    with pytest.raises(UnsolvableError, match="too close"):
        solve(np.array([[1.0, 2.0]] * 3), np.ones(3), np.ones(3))
    with pytest.raises(UnsolvableError, match="one of the parameters"):
        solve(np.array([[1.0, 0.0]] * 3), np.ones(3), np.ones(3))
