"""The forms in config/curves are settings that work, and mean what their comments say."""

from pathlib import Path

import pytest

from cabcanary.channels.chain import Known, Surroundings
from cabcanary.plan.plan import load_plan

FOLDER = Path(__file__).parents[2] / "config" / "curves"
AROUND = """
[vehicle]
name = "bench van"
stage = "sensors only"
[sources.adc]
kind = "iio"
device = "converter"
[channels.engine_running]
derive = "engine_running"
"""
NOMINAL = Surroundings(Known(5.0), Known(0.0), Known(25.0))


def conversion(name: str, channel: str, folder: Path):
    file = folder / "van.toml"
    file.write_text(AROUND + (FOLDER / name).read_text())
    return next(m.chain for m in load_plan(file).pipeline().measured if m.name == channel)


@pytest.mark.parametrize("file", sorted(FOLDER.glob("*.toml")), ids=lambda f: f.stem)
def test_every_form_is_accepted_and_none_is_of_a_wideband(file: Path, tmp_path: Path) -> None:
    settings = tmp_path / "van.toml"
    settings.write_text(AROUND + file.read_text())
    plan = load_plan(settings)
    assert all(getattr(c, "measures", "") != "lambda" for c in plan.settings.channels.values())
    assert file.name in (FOLDER / "README.md").read_text()


# Millivolts at the converter, value: worked by hand from the form (10 to 90 %, NE 43's 4 to 20 mA, a divider of 4), the
# definition of beta, IEC 60751 (1385.05 ohm at 100 °C) and the NIST ITS-90 table of type K (600 °C less 25 °C).
@pytest.mark.parametrize(
    ("file", "channel", "millivolts", "value", "within"),
    [
        ("ratiometric-10-90.toml", "fuel_pressure", 2500.0, 25.0, 1e-9),
        ("linear-0-5-volt.toml", "oil_pressure", 2500.0, 500.0, 1e-9),
        ("current-loop-4-20.toml", "oil_pressure", 3000.0, 500.0, 1e-9),
        ("thermistor-pull-up.toml", "charge_temperature", 1094.0, 100.0, 0.05),
        ("platinum-pull-up.toml", "oil_temperature", 2903.6, 100.0, 0.05),
        ("thermocouple-k.toml", "exhaust_temperature", 24.9055 - 1.0002, 600.0, 0.05),
        ("divider-4-to-1.toml", "supply", 3500.0, 14.0, 1e-9),
    ],
)
def test_every_form_reads_as_worked_by_hand(
    file: str, channel: str, millivolts: float, value: float, within: float, tmp_path: Path
) -> None:
    assert conversion(file, channel, tmp_path).convert(millivolts, NOMINAL).value == pytest.approx(value, abs=within)
