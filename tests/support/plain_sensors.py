"""What the sensors of a settings file would say of a `PlainEngine`: readings tick by tick.

Own dead time, own lag, own noise, own way back through the curves: straight lines between the points of the file.
"""

from __future__ import annotations

import math
import random
import tomllib
from collections import deque
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any

from plain_engine import TICK_S, PlainEngine, State

from cabcanary.model import Quality, Reading

if TYPE_CHECKING:
    from collections.abc import Iterator

#: From the cylinder to the sensor, s, and the sensor's own lag to 63 %, s (common practice).
DEAD_S, LAG_S = 0.08, 0.09
_WARM_S = 16.0
#: An engine computer that gives no answer for this long is silent, s.
_SILENT_S = 0.3
_BOOT_NS = 5_000_000_000
_STEP_MV = 5000 / 4096  # a converter of 12 bits
#: Item of the engine computer -> (how often a second, number).
_BUS: dict[str, Any] = {
    "rpm": lambda s: round(s.rpm * 4) / 4,
    "throttle": lambda s: round(s.throttle * 255) * 100 / 255,
    "speed": lambda s: float(round(s.speed)),
    "map": lambda s: float(min(115, round(s.map_kpa))),
    "coolant_temperature": lambda _s: 84.0,
    "intake_temperature": lambda _s: 31.0,
    "barometer": lambda s: float(round(s.air_kpa)),
    "module_voltage": lambda s: round(s.supply, 3),
    "fuel_system_1": lambda s: 4.0 if math.isinf(s.lambda_) or s.lambda_ < 0.99 else 2.0,
    "short_trim_1": lambda s: round(1.5 * math.sin(s.time_s), 2),
    "long_trim_1": lambda s: 2.34375 + 100.0 * s.trim,
}
_COMPUTER = {"clock_set": 1.0, "recording": 1.0, "board_temperature": 47.0, "late_ticks": 0.0}


class PlainSensors:
    """The wires of a settings file beside an engine; the same seed gives the same noise."""

    def __init__(self, config: Path, engine: PlainEngine, seed: int = 1) -> None:
        raw = tomllib.loads(config.read_text(encoding="utf-8"))
        self._channels = {n: c for n, c in raw["channels"].items() if "source" in c}
        self._sources = raw["sources"]
        self._engine, self._random = engine, random.Random(seed)
        self._gas: deque[float] = deque([0.0] * round(DEAD_S / TICK_S))
        self._seen = 0.0  # 1/lambda at the sensor's tip
        self._powered_s = 0.0
        self._silent_s = 0.0
        self._newest: dict[tuple[str, str], Reading] = {}

    def ticks(self) -> Iterator[tuple[State, dict[tuple[str, str], Reading], int]]:
        """The truth, the newest readings (one dictionary, changed from tick to tick), the tick's time in ns."""
        for _ in range(round(self._engine.length_s / TICK_S)):
            state = self._engine.step()
            self._smell(state)
            now_ns = _BOOT_NS + round(state.time_s * 1e9)
            for name, spec in self._channels.items():
                self._say(name, spec, state, now_ns)
            yield state, self._newest, now_ns

    def _smell(self, state: State) -> None:
        self._gas.append(0.0 if math.isinf(state.lambda_) else 1 / state.lambda_)
        self._seen += (self._gas.popleft() - self._seen) * (1 - math.exp(-TICK_S / LAG_S))
        self._powered_s = self._powered_s + TICK_S if state.key else 0.0

    def _broken(self, *names: str) -> bool:
        return self._engine.fault in names and self._engine.now.time_s >= self._engine.fault_s

    def _say(self, name: str, spec: dict[str, Any], state: State, now_ns: int) -> None:
        source, item = spec["source"], spec["item"]
        kind = self._sources[source]["kind"]
        if kind == "host":
            self._put(source, item, _COMPUTER[item], now_ns)
        elif kind == "can":
            self._ask(source, item, state, now_ns)
        elif kind == "serial_text":
            self._send(source, item, state, now_ns)
        elif kind == "iio":
            self._put(source, item, self._millivolts(name, spec, state), now_ns - 4_000_000)

    def _put(self, source: str, item: str, value: float, time_ns: int) -> None:
        self._newest[source, item] = Reading(source, item, value, time_ns)

    def _ask(self, source: str, item: str, state: State, now_ns: int) -> None:
        """The engine computer, asked for each item as often as the settings say; silent with the key off."""
        self._silent_s = 0.0 if state.key else self._silent_s + TICK_S / len(self._sources[source]["items"])
        if not state.key and self._silent_s > _SILENT_S:
            self._newest[source, item] = Reading(source, item, None, now_ns, Quality.ABSENT, "no answer")
            return
        every = round(1 / self._sources[source]["items"][item] / TICK_S)
        if state.key and round(state.time_s / TICK_S) % every == len(item) % every:
            self._put(source, item, _BUS[item](state), now_ns - 9_000_000)

    def _send(self, source: str, item: str, state: State, now_ns: int) -> None:
        """The wideband's line, at 50 Hz; nothing with its wire off."""
        if not state.key or self._broken("wideband_off", "wideband_pulled_up"):
            return
        if self._powered_s < _WARM_S:
            why = Quality.WARMING, "the sensor reports 'heating'"
            self._newest[source, item] = Reading(source, item, None, now_ns - 2_000_000, *why)
        else:
            self._put(source, item, round(min(1.5, max(0.65, self._lambda())), 3), now_ns - 2_000_000)

    def _lambda(self) -> float:
        return 1 / max(self._seen, 0.01) + self._random.uniform(-0.004, 0.004)

    def _millivolts(self, name: str, spec: dict[str, Any], state: State) -> float:
        """What the converter gives for one channel."""
        noise = self._random.uniform(-2.0, 2.0)
        volts = self._volts(name, spec, state) / spec.get("divider", 1.0)
        return max(0.0, round((volts * 1000 + noise) / _STEP_MV) * _STEP_MV)

    def _volts(self, name: str, spec: dict[str, Any], state: State) -> float:
        if name == "supply":
            return state.supply
        if not state.key:
            return 0.0
        if name == "lambda":
            if self._broken("wideband_off") or self._powered_s < _WARM_S:
                return 0.0
            return 5.0 if self._broken("wideband_pulled_up") else _back(spec, self._lambda())
        if name == "map":
            if self._broken("pressure_off", "pressure_pulled_up"):
                return 5.0 if self._broken("pressure_pulled_up") else 0.0
            return _back(spec, state.map_kpa)
        return _back(spec, {"engine_speed": state.rpm, "charge_temperature": 35.0}[name])


def _back(spec: dict[str, Any], value: float) -> float:
    """Volts for a value: straight lines between the points, held at the ends."""
    value *= spec.get("afr_scale", 1.0)
    points = sorted((v, w) for w, v in spec["curve"]["points"])
    if value <= points[0][0]:
        return points[0][1]
    for (v0, w0), (v1, w1) in pairwise(points):
        if value <= v1:
            return w0 + (w1 - w0) * (value - v0) / (v1 - v0)
    return points[-1][1]
