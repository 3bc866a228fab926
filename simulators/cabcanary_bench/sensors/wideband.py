"""The wide-range lambda sensor: gas on its way to it, heating, response, and what a bad one shows."""

from __future__ import annotations

import math
from collections import deque
from typing import TYPE_CHECKING

from cabcanary_bench.van.gas import GAS_J_KG_K

if TYPE_CHECKING:
    import random

    from cabcanary_bench.faults.effects import Effects
    from cabcanary_bench.sensors.traits import Traits
    from cabcanary_bench.van.vehicle import Truth

_EXHAUST_PA = 101_325.0
#: Exhaust pressure at the sensor at 100 g/s, kPa; it goes with the square of the flow (common practice).
_BACK_KPA, _BACK_FLOW_G_S = 10.0, 100.0
#: A controller that starts anew checks itself for this long, however hot its sensor is.
_SELF_TEST_S = 2.0
_COOLS_SHARE = 0.2  # of the rate at which it heats
_RESET_V = 7.5  # its controller starts anew below this supply
_STILL_G_S = 0.01


def exhaust_k(flow_g_s: float) -> float:
    """Exhaust temperature over flow, K: 600 at 3 g/s to 1150 at 150 g/s, logarithmic (from memory)."""
    share = math.log(max(flow_g_s, 0.5) / 3) / math.log(50)
    return 600 + 550 * min(1.1, max(-0.3, share))


def pipe_delay_s(volume_m3: float, flow_g_s: float) -> float:
    """Time that a steady flow takes through the pipe: volume times density over flow."""
    return volume_m3 * _EXHAUST_PA / (GAS_J_KG_K * exhaust_k(flow_g_s)) / (flow_g_s / 1000)


class GasColumn:
    """Carries gas from the cylinders to the sensor: one engine cycle, then plug flow through the pipe.

    The mixture is carried as 1/lambda, in which air is simply 0.
    """

    def __init__(self, pipe_m3: float = math.pi / 4 * 0.0635**2 * 0.70) -> None:
        self._pipe_m3 = pipe_m3
        self._leaving: deque[tuple[float, float]] = deque()
        self._pipe: deque[tuple[float, float]] = deque()
        self._at_port = 0.0
        self._moved_m3 = 0.0
        self._at_sensor = 0.0

    def step(self, dt_s: float, truth: Truth) -> float:
        """Advance; return 1/lambda of the gas at the sensor."""
        inverse = truth.port_share / truth.lambda_cylinder
        return self.advance(dt_s, truth.time_s, truth.rpm, truth.exhaust_flow_g_s, inverse)

    def advance(self, dt_s: float, time_s: float, rpm: float, flow_g_s: float, inverse: float) -> float:
        """As `step`, from the few things it needs; `inverse` is 1/lambda at the port."""
        # 720 degrees from being burnt to having been pushed out.
        leaving = self._leaving
        leaving.append((time_s + 120 / max(rpm, 100.0), inverse))
        while leaving and leaving[0][0] <= time_s:
            self._at_port = leaving.popleft()[1]
        if flow_g_s <= _STILL_G_S:
            return self._at_sensor
        density = _EXHAUST_PA / (GAS_J_KG_K * exhaust_k(flow_g_s))
        self._moved_m3 += flow_g_s / 1000 / density * dt_s
        pipe = self._pipe
        pipe.append((self._moved_m3 + self._pipe_m3, self._at_port))
        while pipe and pipe[0][0] <= self._moved_m3:
            self._at_sensor = pipe.popleft()[1]
        return self._at_sensor


class Wideband:
    """A wide-range lambda sensor with its controller. `advance` takes the gas, `show` gives the output sent."""

    def __init__(self, rng: random.Random, traits: Traits) -> None:
        self._rng, self._traits = rng, traits
        self._gas = GasColumn(traits.pipe_m3)
        self._felt = 0.0  # 1/lambda: pump current is about linear in it on the lean side
        self._heated_s = 0.0  # warm_up_s is hot
        self._powered_s = 0.0
        self._flow_g_s = 0.0
        self._last: float | None = None
        self._blend = (0.0, 0.0, 0.0)  # step, slowness, share

    def advance(
        self, dt_s: float, time_s: float, rpm: float, flow_g_s: float, inverse: float, effects: Effects
    ) -> None:
        """Move gas and sensor on; 1/lambda at the port is `inverse`."""
        arrived = self._gas.advance(dt_s, time_s, rpm, flow_g_s, inverse)
        if self._blend[:2] != (dt_s, effects.wideband_slow):
            share = 1 - math.exp(-dt_s / (self._traits.response_s * effects.wideband_slow))
            self._blend = (dt_s, effects.wideband_slow, share)
        self._felt += (arrived - self._felt) * self._blend[2]
        self._flow_g_s = flow_g_s

    def show(self, dt_s: float, powered: bool, supply_v: float, effects: Effects) -> tuple[float | None, str]:
        """Lambda shown, or None and why; the status is ok, heating, silent or off. `dt_s` since it last did."""
        noise = self._rng.gauss(0.0, self._traits.lambda_noise)
        hot = self._heat(dt_s, powered and supply_v >= _RESET_V, effects)
        if not powered or supply_v < _RESET_V:
            return None, "off"
        if effects.wideband_silent:
            return None, "silent"
        if not hot:
            return None, "heating"
        shown = effects.wideband_stuck
        if shown is None and effects.wideband_frozen:
            shown = self._last
        if shown is None:
            shown = self._measured(effects) + noise
        rich, lean = self._traits.lambda_ends
        self._last = min(lean, max(rich, shown))
        return self._last, "ok"

    def _heat(self, dt_s: float, powered: bool, effects: Effects) -> bool:
        """Whether the sensor is hot and its controller ready."""
        warm_up_s = self._traits.warm_up_s
        if powered and not effects.heater_off:
            self._heated_s = min(2 * warm_up_s, self._heated_s + dt_s)
        else:
            self._heated_s = max(0.0, min(warm_up_s, self._heated_s) - _COOLS_SHARE * dt_s)
        self._powered_s = self._powered_s + dt_s if powered else 0.0
        return self._heated_s >= warm_up_s and self._powered_s >= _SELF_TEST_S

    def _measured(self, effects: Effects) -> float:
        shown = 1 / max(self._felt, 1e-3)
        traits = self._traits
        if traits.lambda_error or traits.back_pressure:
            pressure = _BACK_KPA * (self._flow_g_s / _BACK_FLOW_G_S) ** 2
            shown = 1 + (shown - 1) * (1 + traits.lambda_error + traits.back_pressure * pressure)
        if effects.wideband_noise:
            shown += self._rng.gauss(0.0, effects.wideband_noise)
        return shown + effects.wideband_drift
