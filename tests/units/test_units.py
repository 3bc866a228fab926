"""Quantities, fuels and the atmosphere against literals from outside the code."""

import math

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from cabcanary import units
from cabcanary.units import FUELS, UnitError, convert, parse_quantity

SYMBOLS = [s for s in units.symbols() if s not in ("lambda", "ratio", "state", "%")]

# Pascals in one unit. NIST SP 811, appendix B.8; psi exactly from the pound, standard gravity and the inch.
PASCALS = [
    ("psi", 6894.757293168, 1e-12),
    ("bar", 100_000, 0),
    ("atm", 101_325, 0),
    ("inHg", 3386.389, 0),
    ("mmHg", 133.3224, 0),
    ("inH2O", 249.08891, 1e-12),  # 1000 kg/m3 * 9.80665 m/s2 * 0.0254 m
    ("mbar", 100, 0),
    ("hPa", 100, 0),
    ("kPa", 1000, 0),
]


@pytest.mark.parametrize(("symbol", "pascals", "relative"), PASCALS)
def test_pressure_units_have_their_published_size(symbol, pascals, relative):
    assert convert(1, symbol, "Pa") == pytest.approx(pascals, rel=max(relative, 1e-15))


@pytest.mark.parametrize(
    ("value", "source", "target", "expected", "tolerance"),
    [
        (1, "bar", "psi", 14.503774, 1e-6),  # NIST SP 811 B.8
        (1, "atm", "psi", 14.695949, 1e-6),
        (32, "°F", "°C", 0, 1e-9),
        (212, "°F", "°C", 100, 1e-9),
        (-40, "°C", "°F", -40, 1e-9),
        (25, "°C", "K", 298.15, 1e-9),
        (60, "mph", "km/h", 96.56064, 1e-9),  # the mile is 1609.344 m exactly
        (5280, "ft", "mi", 1, 1e-12),
        (60, "rpm", "rad", None, None),
        (180, "deg", "rad", math.pi, 1e-12),
        (3.6, "kg/h", "g/s", 1, 1e-12),
        (2.5, "min", "s", 150, 1e-12),
        (50, "%", "ratio", 0.5, 1e-12),
    ],
)
def test_a_conversion_gives_the_known_figure(value, source, target, expected, tolerance):
    if expected is None:
        with pytest.raises(UnitError, match="'rpm' is engine speed and 'rad' is angle"):
            convert(value, source, target)
        return
    assert convert(value, source, target) == pytest.approx(expected, abs=tolerance)


def test_a_step_of_temperature_leaves_the_zero_points_out():
    assert units.difference(9, "°F", "K") == pytest.approx(5)
    assert units.difference(10, "°C", "K") == 10
    with pytest.raises(UnitError, match="temperature"):
        units.difference(1, "°C", "s")


@given(st.sampled_from(SYMBOLS), st.sampled_from(SYMBOLS), st.floats(-1e6, 1e6))
def test_there_and_back_is_the_same_or_refused_both_ways(a, b, value):
    try:
        there = convert(value, a, b)
    except UnitError:
        with pytest.raises(UnitError):
            convert(value, b, a)
        return
    # Relative to the larger of the value and the offset between the two zero points.
    assert convert(there, b, a) == pytest.approx(value, rel=1e-9, abs=1e-6)


# --- messages ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("symbol", "hint"),
    [
        ("PSI", "did you mean psi?"),
        ("kpa", "did you mean kPa?"),
        ("mv", "did you mean mV?"),
        ("bars", "bar"),
        ("RPM", "did you mean rpm?"),
        ("AFR", "AFR means nothing without its fuel"),
        ("afr", "write the lambda value"),
    ],
)
def test_an_unknown_unit_is_answered_with_the_likely_one(symbol, hint):
    with pytest.raises(UnitError, match=hint.replace("?", r"\?")):
        units.unit(symbol)


def test_an_unknown_unit_that_resembles_none_is_named():
    with pytest.raises(UnitError, match=r"^unknown unit 'furlongs'; use a symbol such as kPa"):
        units.unit("furlongs")


def test_things_that_do_not_go_together_are_named_in_words():
    with pytest.raises(UnitError, match="'psi' is pressure and 'V' is voltage"):
        convert(1, "psi", "V")
    assert units.dimension_name((1, 0, -2, 0, 0, 0)) == "m^1·s^-2"


def test_symbols_come_longest_first_so_that_a_lexer_takes_the_whole_one():
    lengths = [len(s) for s in units.symbols()]
    assert lengths == sorted(lengths, reverse=True)
    for symbol in units.symbols():
        units.unit(symbol)


# --- parsing -----------------------------------------------------------------------------------------


@given(
    st.floats(allow_nan=False, allow_infinity=False),
    st.sampled_from(units.symbols()),
    st.sampled_from(["", " ", "  "]),
)
def test_a_number_with_its_unit_is_read_back(number, symbol, gap):
    assert parse_quantity(f" {number!r}{gap}{symbol} ") == (number, units.unit(symbol))


@given(st.text(max_size=20))
def test_any_text_is_a_finite_quantity_or_a_unit_error(text):
    try:
        number, unit = parse_quantity(text)
    except UnitError:
        return
    assert math.isfinite(number)
    assert unit.symbol in {"", *units.symbols()}


@pytest.mark.parametrize("text", ["", "psi", "nan psi", "inf", "-inf V", "1e999 V", "one psi", "2 psi 3", "2,5 V"])
def test_what_is_no_quantity_is_refused(text):
    with pytest.raises(UnitError):
        parse_quantity(text)


def test_a_number_alone_is_a_plain_number():
    assert parse_quantity("0.88") == (0.88, units.unit(""))


# --- fuels -------------------------------------------------------------------------------------------

# Air to fuel by mass at lambda 1, for air of 3.773 mol nitrogen to each mol of oxygen (Heywood, Internal
# Combustion Engine Fundamentals, 1st ed., ch. 3), by hand from the balance that is written there.
STOICHIOMETRIC = {
    "methane": 17.234, "propane": 15.675, "methanol": 6.472, "ethanol": 9.003, "butane": 15.460,
    "iso-octane": 15.128, "toluene": 13.503, "gasoline": 14.600, "diesel": 14.499, "cetane": 14.957,
    "hydrogen": 34.287,
}  # fmt: skip


@pytest.mark.parametrize("name", FUELS)
def test_a_fuel_has_its_textbook_stoichiometric_ratio(name):
    assert units.fuel_ratio(name) == pytest.approx(STOICHIOMETRIC[name], abs=0.005)


@pytest.mark.parametrize("name", [n for n, f in FUELS.items() if f.carbon and not f.oxygen])
def test_hydrocarbons_agree_with_the_short_form_of_the_textbook(name):
    # Heywood, eq. 3.6: 34.56 (4 + y) / (12.011 + 1.008 y) for CHy.
    y = FUELS[name].hydrogen / FUELS[name].carbon
    assert units.fuel_ratio(name) == pytest.approx(34.56 * (4 + y) / (12.011 + 1.008 * y), abs=0.001)


@pytest.mark.parametrize(
    ("fuel", "ratio"),
    # Mass-weighted means of 14.600 and 9.003, at 0.745 and 0.789 kg/L; by hand.
    [("E0", 14.600), ("E10", 14.011), ("E15", 13.719), ("E30", 12.853), ("E50", 11.721), ("E85", 9.802),
     ("E100", 9.003), ("e10", 14.011)],
)  # fmt: skip
def test_a_blend_is_the_mass_weighted_mean(fuel, ratio):
    assert units.fuel_ratio(fuel) == pytest.approx(ratio, abs=0.005)


@pytest.mark.parametrize("fuel", ["E101", "E-5", "petrol", "", "E", "E1.5", "E²"])
def test_an_unknown_fuel_is_refused(fuel):
    with pytest.raises(UnitError, match="unknown fuel"):
        units.fuel_ratio(fuel)


@pytest.mark.parametrize("fraction", [-0.01, 1.01, math.nan])
def test_a_blend_outside_0_to_1_is_refused(fraction):
    with pytest.raises(ValueError, match="outside 0 to 1"):
        units.ethanol_blend_ratio(fraction)


@pytest.mark.parametrize(
    ("lambda_", "on_14_7", "on_14_6", "on_14_08", "on_9_77"),
    # Products to two decimals, by hand. 14.08 and 9.77 are commonly printed display constants.
    [
        (0.75, 11.02, 10.95, 10.56, 7.33),
        (0.80, 11.76, 11.68, 11.26, 7.82),
        (0.82, 12.05, 11.97, 11.55, 8.01),
        (0.85, 12.49, 12.41, 11.97, 8.30),
        (0.88, 12.94, 12.85, 12.39, 8.60),
        (0.90, 13.23, 13.14, 12.67, 8.79),
        (1.00, 14.70, 14.60, 14.08, 9.77),
        (1.10, 16.17, 16.06, 15.49, 10.75),
    ],
)
def test_lambda_is_shown_as_the_ratio_of_the_fuel_in_the_tank(lambda_, on_14_7, on_14_6, on_14_08, on_9_77):
    shown = [units.lambda_to_afr(lambda_, ratio) for ratio in (14.7, 14.6, 14.08, 9.77)]
    assert shown == pytest.approx([on_14_7, on_14_6, on_14_08, on_9_77], abs=0.0051)


@given(st.floats(0.5, 2.0), st.sampled_from([*FUELS, *(f"E{n}" for n in range(101))]))
def test_showing_a_lambda_on_any_fuels_scale_and_back_changes_nothing(lambda_, fuel):
    ratio = units.fuel_ratio(fuel)
    assert units.afr_to_lambda(units.lambda_to_afr(lambda_, ratio), ratio) == pytest.approx(lambda_, rel=1e-12)


@given(st.floats(0, 1), st.floats(0, 1))
def test_more_ethanol_never_needs_more_air(a, b):
    assume(a < b)
    assert units.ethanol_blend_ratio(a) >= units.ethanol_blend_ratio(b)


# --- atmosphere --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("metres", "kilopascals"),
    # US Standard Atmosphere 1976.
    [(0, 101.325), (304.8, 97.717), (500, 95.461), (609.6, 94.214), (914.4, 90.813), (1000, 89.876),
     (1524, 84.311), (1609.344, 83.432), (2000, 79.501), (2133.6, 78.192), (2438.4, 75.271), (3000, 70.121),
     (3048, 69.695), (4000, 61.660), (4267.2, 59.546)],
)  # fmt: skip
def test_pressure_falls_with_altitude_as_the_standard_atmosphere_says(metres, kilopascals):
    assert units.standard_pressure_pa(metres) / 1000 == pytest.approx(kilopascals, abs=0.001)


@pytest.mark.parametrize("metres", [-1001, 11_001, math.nan])
def test_outside_the_first_layer_there_is_no_answer(metres):
    with pytest.raises(ValueError, match="outside -1000 to 11000"):
        units.standard_pressure_pa(metres)
