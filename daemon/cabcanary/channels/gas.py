"""The gas on its way to the wideband: the mask for fuel cuts, and other channels as they were when it was burnt."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.gas_delay import Pipe, gas_delay_s
from cabcanary.channels.usable import good, known
from cabcanary.model import Quality, Value

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.settings.derived import AsBurntChannel, FuelCutChannel, GasDelay
    from cabcanary.settings.derived import Pipe as PipeSettings


def pipe_of(spec: PipeSettings) -> Pipe:
    """The settings' pipe as the law takes it."""
    return Pipe(
        spec.volume,
        spec.displacement,
        spec.volumetric_efficiency,
        spec.intake_temperature,
        spec.longest,
        spec.dead_time,
    )


class Delay:
    """How old the gas at the wideband is, s: by volume over flow where that is known, else the settings' figure."""

    def __init__(self, spec: GasDelay, channel_units: Mapping[str, str]) -> None:
        self._constant_s = spec.transport_delay
        self._pipe: Pipe | None = None
        self.inputs: tuple[str, ...] = ()
        if spec.pipe is not None:
            p = spec.pipe
            self._pipe = pipe_of(p)
            self.inputs = (p.engine_speed, p.pressure)
            self._speed_factor = units.unit(channel_units[p.engine_speed]).factor / units.unit("rpm").factor
            self._pressure = units.unit(channel_units[p.pressure])

    def seconds(self, values: dict[str, Value]) -> float:
        """The delay at this tick."""
        if self._pipe is None:
            return self._constant_s
        speed, pressure = good(values, self.inputs[0]), known(values, self.inputs[1])
        if speed is None or pressure is None:
            return self._constant_s
        return gas_delay_s(self._pipe, speed * self._speed_factor, self._pressure.to_si(pressure))


class FuelCutGas:
    """1 while the gas at the wideband may have been burnt in an observed fuel cut, else 0.

    A cut is observed when manifold pressure is below idle and the throttle is shut, or the mixture is far
    lean of anything that burns. Gas needs its way to the sensor and the sensor about three response times,
    so the mask goes on for that long after the cut was last seen, and never longer than `longest`.
    Without a usable pressure no cut is observed and nothing is masked. Boost entry alone masks nothing.
    """

    #: Petrol engines misfire beyond about lambda 1.3 (common practice): such gas was not burnt for power.
    _FAR_LEAN = 1.3
    _RESPONSES = 3.0

    def __init__(
        self, name: str, spec: FuelCutChannel, channel_units: Mapping[str, str], response_time_s: float
    ) -> None:
        self.name, self.spec = name, spec
        self._delay = Delay(spec, channel_units)
        named = (spec.pressure, spec.lambda_channel, spec.throttle)
        self.inputs: tuple[str, ...] = (*(c for c in named if c is not None), *self._delay.inputs)
        self._pressure = units.unit(channel_units[spec.pressure])
        self._settle_s = self._RESPONSES * response_time_s
        self._ends_ns = -1
        self._latest_ns = -1

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """The mask at this tick; always known, because an unobserved fuel cut masks nothing."""
        # The delay counts at the flow of getting back on the throttle, so it is taken anew while the mask lasts.
        if self._cut(values):
            self._latest_ns = now_ns
        if self._latest_ns >= 0:
            hold_s = min(self._delay.seconds(values) + self._settle_s, self.spec.longest)
            self._ends_ns = self._latest_ns + int(hold_s * 1e9)
        return Value(1.0 if now_ns <= self._ends_ns else 0.0, Quality.GOOD, now_ns)

    def _cut(self, values: dict[str, Value]) -> bool:
        pressure = values[self.spec.pressure]
        if pressure.value is None or pressure.quality not in (Quality.GOOD, Quality.SATURATED_LOW):
            return False
        if self._pressure.to_si(pressure.value) / 1000 >= self.spec.below_idle_kpa:
            return False
        mixture = known(values, self.spec.lambda_channel)
        if mixture is not None and mixture >= self._FAR_LEAN:
            return True
        throttle = good(values, self.spec.throttle)
        return throttle is not None and throttle <= self.spec.shut_percent

    def state(self) -> dict[str, Any]:
        """When a cut was last seen, and until when it masks."""
        return {"latest": self._latest_ns, "ends": self._ends_ns}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._latest_ns, self._ends_ns = int(state["latest"]), int(state["ends"])


class AsBurnt:
    """A channel as it was when the gas now shown by the wideband was burnt: transport and response ago.

    A boost that rises within a sensor's delay would otherwise be compared with a mixture from before it, and
    a lean moment just before a lift with a boost that is already gone.
    """

    #: Nothing is looked up further back than this.
    _KEPT_NS = 3_000_000_000

    def __init__(
        self, name: str, spec: AsBurntChannel, channel_units: Mapping[str, str], response_time_s: float
    ) -> None:
        self.name, self.spec = name, spec
        self._delay = Delay(spec, channel_units)
        self.inputs: tuple[str, ...] = (spec.of, *self._delay.inputs)
        self._response_s = response_time_s
        self._history: deque[tuple[int, Value]] = deque()

    def step(self, values: dict[str, Value], now_ns: int) -> Value:
        """The newest value that is at least the delay old."""
        self._history.append((now_ns, values[self.spec.of]))
        while self._history[0][0] < now_ns - self._KEPT_NS:
            self._history.popleft()
        then = now_ns - int((self._delay.seconds(values) + self._response_s) * 1e9)
        for taken_ns, value in reversed(self._history):
            if taken_ns <= then:
                return value
        return Value(None, Quality.ABSENT, now_ns, reason="watched for too short a time yet")

    def state(self) -> dict[str, Any]:
        """The values that may still be looked up."""
        return {"history": [[t, *v] for t, v in self._history]}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._history = deque(
            (int(t), Value(value, Quality(quality), time_ns, uncertainty, reason))
            for t, value, quality, time_ns, uncertainty, reason in state["history"]
        )
