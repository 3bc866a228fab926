"""Fuels, pressures and the atmosphere as other programs compute them."""

import ambiance
import cantera
import fluids.atmosphere
import pytest
import scipy.constants

from cabcanary import units

#: Name here, name in GRI-Mech 3.0. It knows no gasoline and no ethanol.
SPECIES = [("methane", "CH4"), ("propane", "C3H8"), ("methanol", "CH3OH"), ("hydrogen", "H2")]


@pytest.fixture(scope="module")
def gas():
    return cantera.Solution("gri30.yaml")


@pytest.mark.parametrize(("name", "species"), SPECIES)
def test_the_balance_of_a_fuel_is_canteras_at_the_same_air(gas, name, species):
    # Cantera's nitrogen is N2, 28.014 g/mol; the textbook's is atmospheric nitrogen with its argon, 28.16.
    # 3.773 mol of the textbook's weigh as much as 3.7927 mol of N2.
    n2 = 3.773 * 28.16 / 28.014
    reference = gas.stoich_air_fuel_ratio(species, f"O2:1,N2:{n2}")
    assert units.fuel_ratio(name) == pytest.approx(reference, rel=2e-4)


@pytest.mark.parametrize(("name", "species"), SPECIES)
def test_the_air_of_the_textbook_is_dry_air_with_its_argon(gas, name, species):
    # Dry air by volume, from memory: 20.946 % oxygen, 78.084 % nitrogen, 0.93 % argon.
    reference = gas.stoich_air_fuel_ratio(species, "O2:20.946,N2:78.084,AR:0.93")
    assert units.fuel_ratio(name) == pytest.approx(reference, rel=5e-4)


@pytest.mark.parametrize(("name", "species"), SPECIES)
def test_leaving_the_argon_out_would_be_0_7_percent(gas, name, species):
    reference = gas.stoich_air_fuel_ratio(species, "O2:1,N2:3.76")
    assert units.fuel_ratio(name) / reference == pytest.approx(1.0067, abs=0.0003)


@pytest.mark.parametrize(
    ("symbol", "pascals", "relative"),
    [
        ("psi", scipy.constants.psi, 1e-14),
        ("bar", scipy.constants.bar, 1e-14),
        ("atm", scipy.constants.atm, 1e-14),
        # SciPy's is 13595.1 kg/m3 times standard gravity; NIST SP 811 prints seven figures.
        ("mmHg", scipy.constants.mmHg, 1e-6),
        ("inHg", scipy.constants.mmHg * 25.4, 1e-6),
    ],
)
def test_pressure_units_are_scipys(symbol, pascals, relative):
    assert units.convert(1, symbol, "Pa") == pytest.approx(pascals, rel=relative)


@pytest.mark.parametrize("metres", [-900, 0, 300, 1000, 1609.344, 2500, 4000, 8000, 10_900])
def test_the_atmosphere_is_that_of_two_other_programs(metres):
    here = units.standard_pressure_pa(metres)
    assert here == pytest.approx(fluids.atmosphere.ATMOSPHERE_1976(float(metres)).P, abs=0.1)
    assert here == pytest.approx(float(ambiance.Atmosphere(metres).pressure[0]), abs=0.1)
