"""The vehicles of `config/` stepped by hand: what the engine does goes in as engineering values, by channel."""

from __future__ import annotations

import copy
import random
import re
from itertools import pairwise
from pathlib import Path
from typing import Any, NamedTuple

from cabcanary.model import Frame, Quality, Reading
from cabcanary.plan.plan import load_plan
from cabcanary.settings.sensors import MeasuredChannel

CONFIG = Path(__file__).parents[2] / "config"
VEHICLES = ("market-hatchback", "harbour-pickup", "hill-estate", "bench-van")
TICK_NS = 20_000_000
AIR_KPA = 101.325  # US Standard Atmosphere 1976
KPA_PER_PSI = 6.894757  # NIST SP 811

#: What the sensors of a warm engine say at idle; 0 rpm and the air's pressure with the key on.
IDLE = {
    "lambda": 1.0, "map": 33.0, "supply": 14.1, "charge_temperature": 30.0, "engine_speed": 800.0, "throttle": 0.0,
    "vehicle_speed": 0.0, "engine_map": 33.0, "coolant": 88.0, "barometer": AIR_KPA, "module_voltage": 14.1,
    "fuel_system": 2.0, "short_trim": 1.0, "long_trim": 1.0, "clock_set": 1.0, "recording": 1.0,
    "board_temperature": 50.0, "late_ticks": 0.0,
}  # fmt: skip
KEY_ON = IDLE | {"lambda": 1.5, "map": AIR_KPA, "engine_map": AIR_KPA, "supply": 12.5, "engine_speed": 0.0}
PULL = IDLE | {
    "lambda": 0.82, "map": AIR_KPA + 5 * KPA_PER_PSI, "engine_map": 115.0, "engine_speed": 3200.0, "throttle": 95.0,
    "vehicle_speed": 70.0, "fuel_system": 4.0,
}  # fmt: skip
CRUISE = IDLE | {
    "map": 60.0, "engine_map": 60.0, "engine_speed": 2400.0, "throttle": 20.0, "vehicle_speed": 70.0
}  # fmt: skip
#: Sensors that a feed of the monitor's own powers.
FED = ("lambda", "map", "supply", "charge_temperature")
#: What comes over the vehicle's bus.
BUS = (
    "engine_speed", "throttle", "vehicle_speed", "engine_map", "coolant", "barometer", "module_voltage",
    "fuel_system", "short_trim", "long_trim",
)  # fmt: skip

NOISE = {"lambda": 0.003, "map": 0.2, "supply": 0.02, "engine_speed": 8.0, "engine_map": 0.3, "charge_temperature": 0.1}


def _wire(spec: MeasuredChannel, number: float) -> float:
    """The number on the wire (mV for voltages) at which a sensor shows this."""
    number *= spec.afr_scale or 1.0
    if spec.curve is not None:
        points = sorted(spec.curve.points, key=lambda p: p[1])
        number = max(points[0][1], min(points[-1][1], number))
        for (volts, low), (more, high) in pairwise(points):
            if low <= number <= high:
                return (volts + (more - volts) * (number - low) / (high - low)) * 1000.0
    if spec.divider != 1.0:
        return number / spec.divider * 1000.0
    return number


class Mark(NamedTuple):
    """How a ride stood at a moment."""

    pipeline: dict[str, Any]
    engine: dict[str, Any]
    now_ns: int
    newest: dict[tuple[str, str], Reading]
    told: list[tuple[float, str, str, str, str]]
    frame: Frame | None
    chance: tuple[Any, ...]


class Ride:
    """A shipped vehicle, its rules, and what they told: `told` holds (s, alert, state, priority, text)."""

    def __init__(self, vehicle: str, folder: Path, change=None, kept=None) -> None:
        text = (CONFIG / f"{vehicle}.toml").read_text(encoding="utf-8")
        text = text.replace('folder = "${CABCANARY_BENCH:-', f'folder = "{folder}" # ')
        text = re.sub(r'^stage = ".*"', 'stage = "compressor, low boost"', text, flags=re.MULTILINE)
        rules = folder / "rules"
        rules.mkdir(parents=True, exist_ok=True)
        for file in (CONFIG / "rules").glob("*.toml"):
            (rules / file.name).write_text(file.read_text(encoding="utf-8"), encoding="utf-8")
        path = folder / f"{vehicle}.toml"
        path.write_text(text if change is None else change(text), encoding="utf-8")
        self.plan = load_plan(path)
        self.pipeline, self.engine = self.plan.pipeline(), self.plan.engine()
        self.specs = {n: s for n, s in self.plan.settings.channels.items() if isinstance(s, MeasuredChannel)}
        self.now_ns = 10_000_000_000
        self.newest: dict[tuple[str, str], Reading] = {}
        self.told: list[tuple[float, str, str, str, str]] = []
        self.frame = None
        self._chance = random.Random(1)
        if kept is not None:
            self.pipeline.recall({"air_pressure": kept}, None)

    @property
    def seconds(self) -> float:
        return self.now_ns / 1e9

    def hold(self, seconds: float, shown=None, **channels):
        """Some time of this; numbers, or functions of the seconds gone. None: silent (a grounded wire, nothing said); a
        quality: a sensor that says so of itself."""
        shown = dict(shown or {}) | channels
        for n in range(round(seconds * 1e9 / TICK_NS)):
            self.now_ns += TICK_NS
            for name, spec in self.specs.items():
                what = shown.get(name)
                what = what(n * TICK_NS / 1e9) if callable(what) else what
                self._put(name, spec, what)
            self.frame = self.pipeline.step(dict(self.newest), self.now_ns)
            for c in self.engine.step(self.frame):
                self.told.append((self.seconds, c.alert, c.state, c.priority.word, c.say))
        return self

    def ramp(self, seconds: float, first, last, **channels):
        """From one state of the engine to another in straight lines."""

        def between(name):
            return lambda s: first[name] + (last[name] - first[name]) * s / seconds

        return self.hold(seconds, {n: between(n) for n in first} | channels)

    def _put(self, name: str, spec: MeasuredChannel, what) -> None:
        key = (spec.source, spec.item)
        if isinstance(what, Quality):
            self.newest[key] = Reading(*key, None, self.now_ns, what, "the sensor reports so")
        elif what is not None:
            number = what + self._chance.gauss(0.0, NOISE.get(name, 0.0))
            if spec.ends is not None:
                number = min(spec.ends[1], max(spec.ends[0], number))
            self.newest[key] = Reading(*key, _wire(spec, number), self.now_ns)
        elif spec.curve is not None or spec.divider != 1.0:
            self.newest[key] = Reading(*key, 0.0, self.now_ns)

    def started(self):
        """Key on, cranked, warm and idling; half a minute."""
        return self.hold(4.0, KEY_ON).hold(26.0, IDLE, map=self.wave(33.0, 0.5))

    def mark(self) -> Mark:
        """How all of it stands."""
        states = copy.deepcopy((self.pipeline.state(), self.engine.state()))
        return Mark(*states, self.now_ns, dict(self.newest), list(self.told), self.frame, self._chance.getstate())

    def go_on_from(self, mark: Mark):
        """Take up where a ride of the same vehicle stood."""
        self.pipeline.restore(copy.deepcopy(mark.pipeline))
        self.engine.restore(copy.deepcopy(mark.engine))
        self.now_ns, self.newest, self.told, self.frame = mark.now_ns, dict(mark.newest), list(mark.told), mark.frame
        self._chance.setstate(mark.chance)
        return self

    @staticmethod
    def wave(middle: float, half: float):
        """An engine that turns is never still."""
        return lambda s: middle + (half if s % 1.0 < 0.5 else -half)

    def value(self, channel: str):
        return self.frame.values[channel]

    def raised(self, since: float = 0.0) -> list[tuple[float, str, str]]:
        """(s since then, alert, priority) of all that began to sound after that second."""
        active = "active, unacknowledged"
        return [(t[0] - since, t[1], t[3]) for t in self.told if t[2] == active and t[0] > since]

    def first(self, since: float, priority: str = "warning") -> tuple[float, str] | None:
        """When the first sound of a priority began after that second, and for what."""
        return next(((at, alert) for at, alert, p in self.raised(since) if p == priority), None)


_STARTED: dict[str, Mark] = {}


def started(vehicle: str, folder: Path) -> Ride:
    """A ride whose start is driven once for all tests of a process; each goes on from there by itself."""
    ride = Ride(vehicle, folder)
    if vehicle not in _STARTED:
        _STARTED[vehicle] = ride.started().mark()
        return ride
    return ride.go_on_from(_STARTED[vehicle])
