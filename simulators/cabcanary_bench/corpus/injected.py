"""Faults outside the van itself: in how it is driven, in its engine computer, in the monitor's own computer.

Each is put into the readings of an ordinary drive: the numbers on the wire are what they would be.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from cabcanary_bench.drives.labels import Label

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary_bench.fast.fast import Readings, Recording

Wire = tuple[str, str]
#: Numbers on a wire -> what they are while it goes on.
Change = Callable[["NDArray[np.float64]"], "NDArray[np.float64]"]

_KPA_PER_PSI = 6.894757
#: A pull counts from this boost on.
_PULL_PSI = 2.5
_ADC = "adc"
#: Millivolts of the thermistor under its pull-up at 95 °C and 76 °C, from the table of its curve (beta 3950).
_CHARGE_95_C, _CHARGE_76_C = 1240.0, 1830.0
#: 30 over 10 kohm: a quarter of the supply.
_SUPPLY_12_3_V = 12.3 / 4 * 1000


def _to(number: float, noise: float) -> Change:
    """Another number, with the noise that a wire has."""
    rng = np.random.default_rng(7)
    return lambda values: number + rng.normal(0.0, noise, len(values))


def _set(number: float) -> Change:
    return lambda values: np.full(len(values), number)


def _leaner(by: float) -> Change:
    return lambda values: values + by


@dataclass(frozen=True, slots=True)
class Injected:
    """One thing that goes wrong: what it changes on which wires, and the rule that should say so.

    `pulls`: to be found at the first pull of a short drive; otherwise it is there for all of a drive through town.
    """

    name: str
    words: str
    rule: str
    wires: Mapping[Wire, Change]
    computer: Mapping[str, float]
    pulls: bool = True

    def into(self, recording: Recording) -> tuple[Recording, Label]:
        """The drive with it, and its label; it must be found if the drive has what it takes to see it."""
        wires = dict(recording.wires)
        for wire, change in self.wires.items():
            wires[wire] = _changed(wires[wire], change)
        onset = _first_pull(recording) if self.pulls else 0.0
        end = recording.scenario.length_s
        label = Label(
            self.name, "injected", self.words, True, 0.0, end, 1.0, self.rule, onset is not None, onset, onset
        )
        return replace(recording, wires=wires), label


def _changed(readings: Readings, change: Change) -> Readings:
    there = ~np.isnan(readings.values)
    values = readings.values.copy()
    values[there] = change(values[there])
    return replace(readings, values=values)


def _first_pull(recording: Recording) -> float | None:
    """When boost has stood for two seconds for the first time, s."""
    boosted = recording.truth["boost_kpa"] > _PULL_PSI * _KPA_PER_PSI
    lasting = np.convolve(boosted, np.ones(100), "full")[: len(boosted)] >= 100
    found = np.flatnonzero(lasting)
    return float(recording.truth["time_s"][found[0]]) - 2.0 if len(found) else None


INJECTED = (
    Injected(
        "closed_loop_carried",
        "the engine computer stays in closed loop under boost",
        "closed_loop_boosted",
        {("engine", "fuel_system_1"): _set(2.0)},
        {},
    ),
    Injected(
        "negative_trim_carried",
        "a long trim of -14 % is carried into boost",
        "lean_trim_boosted",
        {("engine", "long_trim_1"): _set(-14.0625)},
        {},
    ),
    Injected(
        "charge_overheated",
        "the charge is at 95 °C",
        "charge_hot",
        {(_ADC, "voltage2"): _to(_CHARGE_95_C, 1.0)},
        {},
        pulls=False,
    ),
    Injected(
        "hot_boosted_lean",
        "hot charge, boost and a mixture at the edge",
        "knock_prone",
        {(_ADC, "voltage2"): _to(_CHARGE_76_C, 1.0), ("wideband", "lambda"): _leaner(0.045)},
        {},
    ),
    Injected(
        "supply_sags_in_pulls",
        "the supply is at 12.3 V under boost",
        "supply_low_boosted",
        {(_ADC, "voltage1"): _to(_SUPPLY_12_3_V, 2.0), ("engine", "module_voltage"): _set(12.3)},
        {},
    ),
    Injected(
        "boosted_while_cold",
        "the driver boosts a cold engine",
        "cold_engine_boosted",
        {("engine", "coolant_temperature"): _set(32.0)},
        {},
    ),
    Injected("card_dead", "the card cannot be written", "recorder_not_recording", {}, {"recording": 0.0}, pulls=False),
    Injected("clock_lost", "the clock is never set", "clock_never_set", {}, {"clock_set": 0.0}, pulls=False),
    Injected(
        "board_cooks",
        "the monitor is too hot and comes late",
        "board_hot",
        {},
        {"board_temperature": 86.0, "late_ticks": 60.0},
        pulls=False,
    ),
)
