"""How quantities are shown to a person: the owner's units, the trade's vacuum, the fuel's AFR, an uncertainty."""

from __future__ import annotations

import pytest
import scipy.constants

from cabcanary.display import AFR, Display
from cabcanary.plan.plan import load_plan
from cabcanary_bench.paths import config_folder

#: kPa of one psi and of one inch of mercury, by SciPy.
PSI_KPA = scipy.constants.psi / 1000
INHG_KPA = scipy.constants.mmHg * 25.4 / 1000


def test_without_a_choice_everything_is_as_its_channel_has_it() -> None:
    plain = Display()
    assert plain.show(6.04, "psi", above_air=True) == "6.0 psi"
    assert plain.show(-9.8, "psi", above_air=True) == "−9.8 psi"
    assert plain.show(101.325, "kPa") == "101.3 kPa"
    assert plain.show(0.9341, "lambda") == "lambda 0.934"
    assert plain.words == ""


def test_the_shipped_vehicles_choose_nothing() -> None:
    for name in ("bench-van", "harbour-pickup", "hill-estate", "market-hatchback"):
        settings = load_plan(config_folder() / f"{name}.toml").settings
        assert settings.shown_in == Display(fuel=settings.vehicle.fuel)


@pytest.mark.parametrize(
    ("pressure", "boost", "words"),
    [
        ("psi", 40.0, f"{40 / PSI_KPA:.1f} psi"),
        # The trade shows what lies below the air's pressure as inches of mercury.
        ("psi", -60.0, f"{60 / INHG_KPA:.1f} inHg vacuum"),
        ("kPa", -60.0, "−60.0 kPa"),
        ("bar", 40.0, "0.40 bar"),
        ("bar", -60.0, "−0.60 bar"),
    ],
)
def test_pressure_above_and_below_the_air(pressure: str, boost: float, words: str) -> None:
    assert Display(pressure).show(boost, "kPa", above_air=True) == words


def test_an_absolute_pressure_is_no_vacuum_whatever_it_is() -> None:
    assert Display("psi").show(35.0, "kPa") == f"{35 / PSI_KPA:.1f} psi"


def test_afr_is_that_of_the_fuel_in_the_tank() -> None:
    # Stoichiometric ratios: petrol 14.5 to 14.7, E10 about 14.1, E85 about 9.8, methanol 6.4 to 6.5 (Heywood, app. D).
    for fuel, low, high in (("gasoline", 14.5, 14.7), ("E10", 13.9, 14.2), ("E85", 9.7, 9.9), ("methanol", 6.4, 6.5)):
        display = Display(mixture=AFR, fuel=fuel)
        assert low <= display.number(1.0, "lambda") <= high
        assert display.show(0.85, "lambda") == f"AFR {0.85 * display.stoichiometric_ratio:.2f}"
        assert fuel in display.words


def test_an_uncertainty_is_converted_as_a_step_and_bounds_the_digits() -> None:
    assert Display().show(0.93, "lambda", 0.02) == "lambda 0.930 ± 0.020"
    assert Display().show(0.93, "lambda", 0.24) == "lambda 0.93 ± 0.24"
    assert Display("kPa").show(7.0, "psi", 1.2) == f"{7 * PSI_KPA:.1f} ± {1.2 * PSI_KPA:.1f} kPa"
    assert (
        Display("psi").show(-60.0, "kPa", 3.0, above_air=True)
        == f"{60 / INHG_KPA:.1f} ± {3 / INHG_KPA:.1f} inHg vacuum"
    )
    # A temperature's zero point is no part of how far it may be off.
    assert Display().size(2.0, "°C") == 2.0


def test_nothing_is_less_than_nothing() -> None:
    assert Display().show(-0.001, "psi") == "0.0 psi"
