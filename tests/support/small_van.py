"""A small vehicle, and what its wires say in a drive by chance."""

from __future__ import annotations

import random

from cabcanary.model import Quality, Reading

SETTINGS = """\
rules = ["rules.toml"]
[vehicle]
name = "Test van"
stage = "low boost"
[sources.adc]
kind = "iio"
device = "converter"
[sources.wideband]
kind = "serial_text"
port = "/dev/null"
[channels.lambda]
measures = "lambda"
source = "wideband"
item = "lambda"
unit = "lambda"
ends = [0.65, 1.50]
stale_after = "0.15 s"
[channels.map]
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }
rails = [0.25, 4.75]
[channels.supply]
source = "adc"
item = "voltage1"
unit = "V"
divider = 4.0
[channels.air_pressure]
derive = "air_pressure"
unit = "kPa"
pressure = "map"
supply = "supply"
[channels.boost]
derive = "boost"
unit = "psi"
[channels.boost_as_burnt]
derive = "as_burnt"
of = "boost"
unit = "psi"
[channels.fuel_cut_gas]
derive = "fuel_cut_gas"
below_idle_kpa = 30.0
[channels.engine_running]
derive = "engine_running"
supply = "supply"
pressure = "map"
lambda_channel = "lambda"
[drive]
ends_after = "1 s"
kept_before = "2 s"
"""
RULES = """\
[[rule]]
id = "lean_under_boost"
priority = "warning"
say = "Lean under boost"
do = "Lift off gently"
when = "boost_as_burnt > 2 psi deadband 0.3 psi and lambda > 0.88 deadband 0.01"
suppress_when = "fuel_cut_gas"
on_delay = "0.12 s"
blind_delay = "0.2 s"
[[rule]]
id = "over_boost"
priority = "caution"
say = "Boost too high"
do = "Lift off gently"
when = "boost > 8 psi deadband 0.5 psi"
"""


def volts_of(kpa: float) -> float:
    """Millivolts of the manifold sensor at a pressure."""
    return 500.0 + (kpa - 20.0) / 230.0 * 4000.0


class Wires:
    """What the wires say, tick by tick: a drive by chance, the same for the same seed."""

    def __init__(self, seed: int) -> None:
        self._random = random.Random(seed)
        self._kpa, self._lambda = 100.0, 0.9
        self.newest: dict[tuple[str, str], Reading] = {}

    def put(self, source: str, item: str, value: float | None, now_ns: int, quality=Quality.GOOD, reason="") -> None:
        self.newest[source, item] = Reading(source, item, value, now_ns, quality, reason)

    def drive(self, now_ns: int, *, running: bool) -> dict[tuple[str, str], Reading]:
        """One tick on: pressure and mixture wander, wires now and then fail."""
        chance = self._random
        target = chance.choice([25.0, 40.0, 101.0, 140.0, 175.0]) if running else 100.0
        self._kpa += (target - self._kpa) * chance.random() * 0.4
        self._lambda += (chance.choice([0.7, 0.82, 0.95, 1.6]) - self._lambda) * chance.random() * 0.4
        self.put("adc", "voltage0", 20.0 if chance.random() < 0.05 else volts_of(self._kpa), now_ns - 1_000_000)
        self.put("adc", "voltage1", 3500.0 if running else 3100.0, now_ns - 1_000_000)
        if chance.random() < 0.6:
            if chance.random() < 0.1:
                self.put("wideband", "lambda", None, now_ns, Quality.ABSENT, "status=error")
            else:
                self.put("wideband", "lambda", min(1.5, max(0.65, self._lambda)), now_ns - 3_000_000)
        return dict(self.newest)
