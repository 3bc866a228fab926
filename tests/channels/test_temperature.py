"""Temperature sensors against the published tables."""

import math

import pytest
import thermocouple_its90
from hypothesis import given, settings
from hypothesis import strategies as st

from cabcanary.channels.temperature import Beta, Platinum, SteinhartHart, TypeK, type_k_millivolts

# NIST Monograph 175 / IEC 60584-1, type K, reference junction 0 °C: °C, mV.
TYPE_K = [
    (-100, -3.554),
    (-50, -1.889),
    (25, 1.000),
    (100, 4.096),
    (200, 8.138),
    (300, 12.209),
    (400, 16.397),
    (500, 20.644),
    (600, 24.905),
    (700, 29.129),
    (800, 33.275),
    (900, 37.326),
    (1000, 41.276),
    (1200, 48.838),
    (1372, 54.886),
]

# IEC 60751, Pt100: °C, ohm.
PT100 = [
    (-200, 18.52),
    (-100, 60.26),
    (-50, 80.31),
    (0, 100.00),
    (25, 109.73),
    (100, 138.51),
    (200, 175.86),
    (300, 212.05),
    (600, 313.71),
    (850, 390.48),
]


@pytest.mark.parametrize(("celsius", "millivolts"), TYPE_K)
def test_type_k_follows_the_its_90_table(celsius: float, millivolts: float) -> None:
    assert type_k_millivolts(celsius) == pytest.approx(millivolts, abs=0.0006)
    assert TypeK().forward(millivolts) == pytest.approx(celsius, abs=0.02)


def test_type_k_agrees_with_a_reference_library_over_its_range() -> None:
    other = thermocouple_its90.get("K")
    for celsius in range(-190, 1370, 7):
        assert type_k_millivolts(celsius) == pytest.approx(other.emf(celsius), abs=1e-4)


def test_a_cold_junction_is_added_as_a_voltage_not_as_a_temperature() -> None:
    # A probe at 600 °C with its plug at 50 °C: 24.905 - 2.023 mV on the wire (NIST table, K). Adding temperatures
    # to the table's inverse of 22.882 mV would give 552 + 50 = 602 °C.
    wire = 24.9055 - 2.0231
    assert TypeK().forward(wire + type_k_millivolts(50.0)) == pytest.approx(600.0, abs=0.05)


@pytest.mark.parametrize(("celsius", "ohm"), PT100)
def test_platinum_follows_iec_60751(celsius: float, ohm: float) -> None:
    assert Platinum(100).inverse(celsius) == pytest.approx(ohm, abs=0.0051)
    assert Platinum(1000).inverse(celsius) == pytest.approx(10 * ohm, abs=0.051)
    assert Platinum(100).forward(Platinum(100).inverse(celsius)) == pytest.approx(celsius, abs=1e-6)


# Worked from R = R25 exp(B (1/T - 1/298.15)), the definition of beta; 10 kohm, B 3950 and 3435.
@pytest.mark.parametrize(
    ("beta", "celsius", "ohm"),
    [
        (3950, -20, 105385),
        (3950, 0, 33621),
        (3950, 60, 2486.2),
        (3950, 120, 407.1),
        (3435, 0, 28704),
        (3435, 60, 2980.9),
        (3435, 100, 987.0),
    ],
)
def test_a_beta_thermistor_follows_its_definition(beta: float, celsius: float, ohm: float) -> None:
    assert Beta(10_000, beta).inverse(celsius) == pytest.approx(ohm, rel=2e-4)
    assert Beta(10_000, beta).forward(ohm) == pytest.approx(celsius, abs=0.02)


# Steinhart and Hart, Deep-Sea Research 15 (1968), with the coefficients of a common 10 kohm part (from memory).
@pytest.mark.parametrize(("ohm", "celsius"), [(32650, 0.00), (10000, 25.00), (3603, 49.99), (678.6, 99.99)])
def test_a_thermistor_follows_steinhart_and_hart(ohm: float, celsius: float) -> None:
    law = SteinhartHart(1.129241e-3, 2.341077e-4, 8.775468e-8)
    assert law.forward(ohm) == pytest.approx(celsius, abs=0.01)


@settings(deadline=None)
@given(celsius=st.floats(-40, 150))
def test_every_law_has_its_inverse(celsius: float) -> None:
    for law in (
        Beta(10_000, 3950),
        SteinhartHart(1.129241e-3, 2.341077e-4, 8.775468e-8),
        Platinum(100),
        TypeK(),
    ):
        assert math.isclose(law.forward(law.inverse(celsius)), celsius, abs_tol=1e-6)
