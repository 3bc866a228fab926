"""The settings of a small van with two sensors, a barometer and three stages, and its converter's voltages."""

from __future__ import annotations

#: A standard atmosphere, kPa (ISO 2533).
AIR_KPA = 101.325
PSI_KPA = 6.894757
SETTINGS = """\
# A vehicle of two sensors and a barometer.
rules = ["rules.toml"]
[vehicle]
name = "small van" # ours
stage = "low boost"
stages = ["no boost", "low boost", "more boost"]
fuel = "E10"
[compressor]
kind = "centrifugal"
from = "low boost"
[daemon]
folder = "{folder}"
[sources.adc]
kind = "iio"
device = "converter"
[channels.lambda]
measures = "lambda"
source = "adc"
item = "voltage1"
unit = "lambda"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 0.6], [4.5, 1.6]] }}
rails = [0.25, 4.75]
[channels.map]
measures = "manifold_pressure"
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }}
rails = [0.25, 4.75]
[channels.barometer]
measures = "barometric_pressure"
source = "adc"
item = "voltage2"
unit = "kPa"
wire_unit = "V"
curve = {{ kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }}
rails = [0.25, 4.75]
[channels.air_pressure]
derive = "air_pressure"
unit = "kPa"
sensors = ["barometer"]
[channels.boost]
derive = "boost"
unit = "psi"
[channels.engine_running]
derive = "engine_running"
pressure = "map"
lambda_channel = "lambda"
"""
RULES = """\
[stage_limits.hose_limit]
unit = "psi"
[stage_limits.hose_limit.by_stage]
"no boost" = 2
"low boost" = 8
"more boost" = 12
[baselines.idle_pressure]
of = "map"
when = "map < 60 kPa"
at_least = "1 s"
depends_on = ["tune", "compressor"]
[[rule]]
id = "over_boost"
priority = "warning"
say = "Boost too high"
do = "Lift off"
when = "boost > hose_limit deadband 0.2 psi"
"""
JOINT = '[[joints]]\nname = "{name}" # a hose\nheld_by = "{held_by}"\n{more}\n'
SEEN = 'confirmed_by = "the owner"\nconfirmed = 2026-11-20'
STEPS = '[built."low boost"]\nboost_steps = ["4 psi", "6 psi", "8 psi"]\nclean = "10 s"\n'


def volts(kpa: float) -> float:
    """Millivolts of its pressure sensors."""
    return 500.0 + (kpa - 20.0) / (250.0 - 20.0) * 4000.0
