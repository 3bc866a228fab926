"""Fuel cuts of two kinds of vehicle, for grading what the second witness learns of the wideband's timing.

They share no equation with the estimator, nor with each other. In `Diffusing` gas goes through a mixing volume and a
plug, and is shown by a sensor of diffusion through a porous layer (a series of exponentials) with a controller's
filter, that follows more or less far into free air. `Cascade` has a plug alone and up to three equal lags that work
in lambda behind a clipping. Both burn cylinder by cylinder with a film of fuel on the ports' walls; half of each send
two digits over a serial line at 10 to 20 Hz with jitter, half are read by a converter at each tick. Nobody tells the
estimator the exhaust's volume and temperature, when a computer cuts and resumes, noise, or how the driver opens the
throttle. All magnitudes are common practice.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import dataclass

import numpy as np
import scipy.signal
from numpy.typing import NDArray

from cabcanary.channels.gas_delay import Pipe
from cabcanary.review.witness.lifts import GasSignals

Floats = NDArray[np.float64]
FINE_S, TICK_S = 0.002, 0.02
#: How old a converter's reading is at a tick, s, and its step.
CONVERTED_S, CONVERTER_STEP = 0.004, 0.0003
DISPLACEMENT_M3, EFFICIENCY, INTAKE_K = 2.0e-3, 0.85, 313.15
#: What the settings believe of the engine; their volume is what is to be learnt.
BELIEVED = Pipe(1.0e-3, DISPLACEMENT_M3, EFFICIENCY, INTAKE_K, 1.0)


@dataclass
class Cut:
    """One lift and re-entry on a grid of `FINE_S`: what the engine did. Times in s, pressure in kPa, flow in m³/s."""

    seconds: Floats
    kpa: Floats
    rpm: Floats
    flow: Floats
    cut_s: float
    resumed_s: float
    target: float


class GasVehicle(ABC):
    """What is true of one vehicle and unknown to the estimator."""

    def __init__(self, rng: np.random.Generator) -> None:
        self.rng = rng
        self.volume_m3 = rng.uniform(0.8e-3, 4.5e-3)
        self.cylinders = int(rng.choice([3, 4, 4, 4, 6]))
        self.hot = rng.normal(1.0, 0.06)
        self.breathes = EFFICIENCY * rng.normal(1.0, 0.07)
        self.lean_end = rng.uniform(1.34, 1.9)
        self.noise = rng.uniform(0.002, 0.010)
        self.kpa_noise = rng.uniform(0.1, 0.6)
        self.cut_kpa = rng.uniform(22.0, 34.0)
        #: Between the throttle's opening and the first injection; from it to the first gas at the port, turns.
        self.resumes_s = rng.uniform(0.0, 0.03)
        self.turns = rng.uniform(1.2, 1.9)
        self.filling_s = rng.uniform(0.03, 0.09)
        #: Half of them send numbers of two digits at 10 to 20 Hz, with jitter.
        self.serial = bool(rng.random() < 0.5)
        self.rate_hz, self.latency_s = rng.uniform(10.0, 20.0), rng.uniform(0.005, 0.02)
        self.slow = 1.0
        #: Share of fuel that the ports' walls keep back, and for how long.
        self.film, self.film_s = rng.uniform(0.0, 0.06), rng.uniform(0.1, 0.4)

    # --- what the two do each in their own way ---

    @abstractmethod
    def at_sensor(self, cut: Cut) -> tuple[Floats, float]:
        """1/lambda of the gas at the sensor on the grid, and how long the way of re-entry was, s."""

    @abstractmethod
    def shown(self, gas: Floats) -> Floats:
        """Lambda on the grid, clipped, without noise."""

    @abstractmethod
    def response_s(self) -> float:
        """Time to 63 % of a step of the sensor alone, lean to rich."""

    # --- a drive ---

    def cut(self) -> Cut:
        """Cruise, lift, fuel cut, back on the throttle."""
        r = self.rng
        rpm0, before, lift = r.uniform(1500, 3400), r.uniform(45.0, 75.0), 3.0 + r.uniform(0.0, 0.02)
        back = lift + r.uniform(1.6, 4.0)
        seconds = np.arange(0.0, back + 3.2, FINE_S)
        rpm = rpm0 * np.where(seconds < lift, 1.0, np.exp(-np.maximum(np.minimum(seconds, back) - lift, 0.0) / 14.0))
        high, opening = r.uniform(50.0, 98.0), r.uniform(0.03, 0.30)
        wanted = np.where(seconds < lift, before, self.cut_kpa)
        wanted = np.where(
            seconds >= back, high + (self.cut_kpa - high) * np.clip(1 - (seconds - back) / opening, 0, 1), wanted
        )
        kpa = filtered(wanted, self.filling_s)
        mass = self.breathes * kpa * 1e3 / (287.0 * INTAKE_K) * DISPLACEMENT_M3 / 2 * rpm / 60
        # What leaves was taken in three quarters of a cycle ago.
        mass = np.interp(seconds - 90.0 / rpm, seconds, mass)
        flow = mass * 287.0 * self.gas_k(mass) / 101_325.0
        # A computer resumes at the switch of the pedal, which a slow foot leaves later.
        resumed = back + self.resumes_s + 0.04 * opening
        return Cut(seconds, kpa, rpm, flow, lift + r.uniform(0.1, 0.9), resumed, 1.0 + r.normal(0.0, 0.02))

    def gas_k(self, mass_kg_s: Floats) -> Floats:
        """Temperature of the exhaust: by the logarithm of flow, and by this vehicle."""
        return self.hot * np.clip(
            560.0 + 190.0 * np.log(np.maximum(mass_kg_s, 5e-4) / 0.003) / math.log(3.5), 450, 1250
        )

    def ports(self, cut: Cut) -> Floats:
        """1/lambda behind the ports: cylinders change one after the other, each once in two turns."""
        turns = np.cumsum(cut.rpm / 60.0) * FINE_S
        burnt = np.zeros(len(turns))
        off = float(np.interp(cut.cut_s, cut.seconds, turns))
        on = float(np.interp(cut.resumed_s, cut.seconds, turns))
        for n in range(self.cylinders):
            later = self.turns + 2.0 * (n + self.rng.random()) / self.cylinders
            burnt += np.where((turns < off + later) | (turns >= on + later), 1.0, 0.0)
        gas = burnt / self.cylinders / cut.target
        return (1 - self.film) * gas + self.film * filtered(gas, self.film_s)

    def plug(self, gas: Floats, cut: Cut, volume_m3: float) -> tuple[Floats, float]:
        """Pushed through a volume; and how long the gas of the re-entry took."""
        moved = np.cumsum(cut.flow) * FINE_S
        entered = np.interp(moved - volume_m3, moved, cut.seconds, left=0.0)
        out = cut.resumed_s + self.cycle_s(cut)
        left = float(np.interp(np.interp(out, cut.seconds, moved) + volume_m3, moved, cut.seconds))
        return np.interp(entered, cut.seconds, gas), left - out

    def cycle_s(self, cut: Cut) -> float:
        """Two turns at the re-entry's speed."""
        return 120.0 / float(np.interp(cut.resumed_s, cut.seconds, cut.rpm))

    def drive(self, cuts: int, slow: float = 1.0) -> tuple[GasSignals, list[float]]:
        """A drive's columns, and of each re-entry the delay as the settings mean it: way, a cycle, line. `slow`: how
        many times its own response the sensor's is."""
        self.slow = slow
        rows: list[tuple[Floats, ...]] = []
        delays, at = [], 0.0
        for _ in range(cuts):
            cut = self.cut()
            gas, way = self.at_sensor(cut)
            shown = self.shown(gas)
            ticks = np.arange(0.5, cut.seconds[-1], TICK_S) + self.rng.uniform(0, TICK_S)
            ticks = ticks[ticks < cut.seconds[-1]]
            mixture = self.line(cut.seconds, shown, ticks)
            kpa = np.interp(ticks, cut.seconds, cut.kpa) + self.rng.normal(0.0, self.kpa_noise, len(ticks))
            rpm = np.round(np.interp(ticks - self.rng.uniform(0.0, 0.1), cut.seconds, cut.rpm) / 4) * 4
            rows.append((at + ticks, mixture, kpa, rpm))
            delays.append(way + self.cycle_s(cut) + self.dead_s())
            at += float(cut.seconds[-1]) + 1.0
        columns = [np.concatenate(c) for c in zip(*rows, strict=True)]
        return GasSignals(f"drive {self.rng.integers(1 << 40)}", *columns), delays

    def dead_s(self) -> float:
        """Of the line and its reading."""
        return self.latency_s + 0.5 * TICK_S if self.serial else CONVERTED_S

    def line(self, seconds: Floats, shown: Floats, ticks: Floats) -> Floats:
        """What the daemon's ticks have of it: the newest of a serial line's numbers, or a converter's."""
        r = self.rng
        if not self.serial:
            seen = np.interp(ticks - CONVERTED_S, seconds, shown) + r.normal(0.0, self.noise, len(ticks))
            return np.minimum(np.round(seen / CONVERTER_STEP) * CONVERTER_STEP, self.lean_end)
        every = 1.0 / self.rate_hz
        sent = np.cumsum(r.uniform(0.85 * every, 1.15 * every, int(seconds[-1] / every) + 2))
        sent = np.concatenate(([0.0], sent[sent < seconds[-1]]))
        values = np.interp(sent, seconds, shown) + r.normal(0.0, self.noise, len(sent))
        values = np.round(np.minimum(values, self.lean_end), 2)
        row = np.searchsorted(sent + self.latency_s, ticks, side="right") - 1
        return values[np.maximum(row, 0)]


class Diffusing(GasVehicle):
    """Mixing, diffusion, a controller's filter, a serial line."""

    def __init__(self, rng: np.random.Generator) -> None:
        super().__init__(rng)
        self.mixed = rng.uniform(0.0, 0.2)
        self.layer_s, self.filter_s = rng.uniform(0.05, 0.16), rng.uniform(0.005, 0.05)
        #: How far beyond the end that it shows the pump's controller still follows: not at all to free air.
        self.follows = rng.uniform(0.0, 1.0)

    def at_sensor(self, cut: Cut) -> tuple[Floats, float]:
        gas, way = self.plug(self.ports(cut), cut, self.volume_m3 * (1 - self.mixed))
        mixed, state = np.empty(len(gas)), gas[0]
        share = 1 - np.exp(-cut.flow * FINE_S / max(self.volume_m3 * self.mixed, 1e-6))
        for n, (g, s) in enumerate(zip(gas.tolist(), share.tolist(), strict=True)):
            state += (g - state) * s
            mixed[n] = state
        stay = (
            self.volume_m3
            * self.mixed
            / float(np.interp(cut.resumed_s + self.cycle_s(cut) + way, cut.seconds, cut.flow))
        )
        return mixed, way + stay

    def modes(self) -> list[tuple[float, float]]:
        """Weight and time constant: a layer closed at its far side (Crank, The Mathematics of Diffusion, ch. 4)."""
        return [(8 / math.pi**2 / (2 * n + 1) ** 2, self.layer_s * self.slow / (2 * n + 1) ** 2) for n in range(5)]

    def diffused(self, gas: Floats) -> Floats:
        """What comes through the layer."""
        modes = self.modes()
        total = sum(w for w, _ in modes)
        return sum((w / total * filtered(gas, tau) for w, tau in modes), start=np.zeros(len(gas)))

    def shown(self, gas: Floats) -> Floats:
        gas = np.maximum(gas, (1.0 - self.follows) / self.lean_end)
        felt = self.diffused(gas)
        return 1.0 / np.maximum(filtered(felt, self.filter_s * self.slow), 1.0 / self.lean_end)

    def response_s(self) -> float:
        gas = np.where(np.arange(6000) > 0, 1.0, 0.0)
        felt = self.diffused(gas)
        return FINE_S * float(np.interp(1 - math.exp(-1), filtered(felt, self.filter_s * self.slow), np.arange(6000)))


class Cascade(GasVehicle):
    """A plug, a film of fuel, equal lags in lambda behind the clipping, a converter."""

    def __init__(self, rng: np.random.Generator) -> None:
        super().__init__(rng)
        self.lags, self.whole_s = int(rng.choice([1, 2, 3])), rng.uniform(0.05, 0.22)
        self.clips = self.lean_end * rng.uniform(1.0, 1.4)

    def at_sensor(self, cut: Cut) -> tuple[Floats, float]:
        return self.plug(self.ports(cut), cut, self.volume_m3)

    def shown(self, gas: Floats) -> Floats:
        felt = np.minimum(1.0 / np.maximum(gas, 1e-3), self.clips)
        for _ in range(self.lags):
            felt = filtered(felt, self.whole_s * self.slow / self.lags)
        return np.minimum(felt, self.lean_end)

    def response_s(self) -> float:
        felt = np.where(np.arange(6000) > 0, 1.0, 0.0)
        for _ in range(self.lags):
            felt = filtered(felt, self.whole_s * self.slow / self.lags)
        return FINE_S * float(np.interp(1 - math.exp(-1), felt, np.arange(6000)))


def filtered(values: Floats, lag_s: float) -> Floats:
    """A lag of first order on the grid, by the filter of another library."""
    share = 1 - math.exp(-FINE_S / max(lag_s, 1e-6))
    found: Floats = scipy.signal.lfilter([share], [1, share - 1], values, zi=[values[0] * (1 - share)])[0]
    return found


ENGINES = (Diffusing, Cascade)
