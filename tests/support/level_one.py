"""A vehicle with a wideband and a manifold pressure sensor and nothing else, and drives for it."""

from __future__ import annotations

import random

from cabcanary.model import Quality, Reading

SETTINGS = """\
rules = ["rules.toml"]
[vehicle]
name = "Level one"
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
[channels.map]
measures = "manifold_pressure"
source = "adc"
item = "voltage0"
unit = "kPa"
wire_unit = "V"
curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] }
rails = [0.25, 4.75]
[channels.air_pressure]
derive = "air_pressure"
unit = "kPa"
pressure = "map"
lambda_channel = "lambda"
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
pressure = "map"
lambda_channel = "lambda"
air = "air_pressure"
"""
RULES = """\
[[rule]]
id = "lean_under_boost"
priority = "warning"
say = "Lean under boost"
do = "Lift off gently"
when = "boost_as_burnt > 2 psi deadband 0.3 psi and lambda > 0.88 deadband 0.01"
suppress_when = "fuel_cut_gas"
on_delay = "0.2 s"
off_delay = "0.5 s"
blind_delay = "0.2 s"
blind_urgent_when = "boost > 1 psi"
blind_delay_otherwise = "8 s"
[[rule]]
id = "over_boost"
priority = "warning"
say = "Boost too high"
do = "Lift off gently"
when = "boost > 8 psi deadband 0.5 psi"
on_delay = "0.1 s"
off_delay = "0.5 s"
blind_delay = "0.2 s"
blind_urgent_when = "boost > 1 psi"
blind_delay_otherwise = "8 s"
"""
#: NIST SP 811.
KPA_PER_PSI = 6.894757
TICK_NS = 20_000_000


def isa_kpa(metres: float) -> float:
    """US Standard Atmosphere 1976, below 11 km: 101.325 kPa at the sea, 89.87 at 1000 m, 79.50 at 2000 m."""
    return 101.325 * (1.0 - 0.0065 * metres / 288.15) ** 5.2559


def save(folder):
    """The settings and rules as files; the settings' path."""
    (folder / "rules.toml").write_text(RULES)
    (folder / "van.toml").write_text(SETTINGS)
    return folder / "van.toml"


class Wires:
    """What the two wires say at a tick, with the noise of ordinary sensors: 0.15 kPa and lambda 0.002."""

    def __init__(self) -> None:
        self._chance = random.Random(1)
        self.newest: dict[tuple[str, str], Reading] = {}

    def set(self, kpa: float | None, mixture: float | None, now_ns: int) -> None:
        """A manifold pressure and a mixture; None: the wire is silent."""
        kpa = None if kpa is None else kpa + self._chance.gauss(0.0, 0.15)
        mixture = None if mixture is None else min(1.5, mixture + self._chance.gauss(0.0, 0.002))
        for key, number in (
            (("adc", "voltage0"), None if kpa is None else 500.0 + (kpa - 20.0) / 230.0 * 4000.0),
            (("wideband", "lambda"), mixture),
        ):
            quality = Quality.ABSENT if number is None else Quality.GOOD
            self.newest[key] = Reading(*key, number, now_ns, quality, "" if number is not None else "silent")


class Ride:
    """The pipeline and the rules of such a vehicle, stepped by hand. `told` is (s, alert, state, priority, text)."""

    def __init__(self, plan, tick_ns: int = TICK_NS) -> None:
        self.pipeline, self.engine = plan.pipeline(), plan.engine()
        self.wires, self.now_ns, self.tick_ns = Wires(), 1_000_000_000, tick_ns
        self.told, self.frame = [], None

    @property
    def seconds(self) -> float:
        return self.now_ns / 1e9

    def hold(self, seconds: float, kpa, mixture=1.0, wave=2.0):
        """Some time at a pressure and a mixture (numbers, or functions of the seconds gone); an engine that turns is
        never still: `wave` kPa up and down once a second."""
        for n in range(round(seconds * 1e9 / self.tick_ns)):
            self.now_ns += self.tick_ns
            gone = n * self.tick_ns / 1e9
            at = kpa(gone) if callable(kpa) else kpa
            if at is not None:
                at += wave * (1 if gone % 1.0 < 0.5 else -1) / 2
            self.wires.set(at, mixture(gone) if callable(mixture) else mixture, self.now_ns)
            self.frame = self.pipeline.step(dict(self.wires.newest), self.now_ns)
            for c in self.engine.step(self.frame):
                self.told.append((self.seconds, c.alert, c.state, c.priority.word, c.say, c.figures))
        return self

    def value(self, channel):
        return self.frame.values[channel]

    def raised(self):
        """The alerts that were raised, in order."""
        return [t[1] for t in self.told if t[2].startswith("active")]
