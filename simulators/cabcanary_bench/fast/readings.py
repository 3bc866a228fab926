"""What the daemon's sources would make of the sensors' outputs: readings with realistic times, without wires."""

from __future__ import annotations

import random
from array import array
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from cabcanary.clock import NS_PER_S
from cabcanary.model import Quality

if TYPE_CHECKING:
    from cabcanary_bench.faults.effects import Effects
    from cabcanary_bench.sensors.outputs import Outputs
    from cabcanary_bench.van.vehicle import Truth

#: The bench van's sources by name, and the wideband's item.
ADC, WIDEBAND, ENGINE = "adc", "wideband", "engine"
_LAMBDA = "lambda"
_SCALE_MV = 0.1875  # of a count, as the bench's voltage tree has it
_TOP_COUNTS = 2**15 - 1
_HUNG_AFTER_NS = int(0.15 * NS_PER_S)  # after which the daemon says so
_PERIOD_NS = NS_PER_S // 50
_CHANNEL_NS, _JITTER_NS = 300_000, 200_000  # from one channel to the next, and by how much a read is late
_LINE_LATENCY_NS = 2_000_000
#: Serial port lost and found again: how soon the daemon opens it anew.
_REOPEN_NS = NS_PER_S


class Reasons:
    """Why there is no number, each once; 0 stands for a number."""

    def __init__(self) -> None:
        self.all: list[tuple[Quality, str]] = [(Quality.GOOD, "")]

    def index(self, quality: Quality, words: str) -> int:
        """The number that stands for a reason."""
        if (quality, words) not in self.all:
            self.all.append((quality, words))
        return self.all.index((quality, words))


@dataclass(slots=True)
class Track:
    """The readings of one wire, in order."""

    times_ns: array[int] = field(default_factory=lambda: array("q"))
    values: array[float] = field(default_factory=lambda: array("d"))
    why: array[int] = field(default_factory=lambda: array("B"))

    def put(self, time_ns: int, value: float) -> None:
        """A number."""
        self.times_ns.append(time_ns)
        self.values.append(value)
        self.why.append(0)

    def miss(self, time_ns: int, why: int) -> None:
        """No number, and why."""
        self.times_ns.append(time_ns)
        self.values.append(float("nan"))
        self.why.append(why)


class Wires:
    """Converter and wideband: one sample of each every 20 ms, somewhere within it."""

    def __init__(self, seed: int, reasons: Reasons) -> None:
        self._rng = random.Random(seed * 7919 + 1)  # noqa: S311  # reproducible is the point
        self.tracks: dict[tuple[str, str], Track] = {(ADC, f"voltage{n}"): Track() for n in range(3)}
        self._adc = tuple(self.tracks.values())
        self._line = self.tracks[WIDEBAND, _LAMBDA] = Track()
        # Two clocks that know nothing of each other, nor of the tick.
        self._adc_phase = self._rng.randrange(0, _PERIOD_NS - 2_000_000)
        self._line_phase = self._rng.randrange(0, _PERIOD_NS - 4_000_000)
        self._heating = reasons.index(Quality.WARMING, "the sensor reports 'heating'")
        self._lost = reasons.index(Quality.ABSENT, "the port is gone")
        self._hung = reasons.index(Quality.ABSENT, "the converter does not answer")
        self._hung_since: int | None = None
        self._told_hung = False
        self._unplugged = False
        self._open_from = 0
        self._counts = (0.0, 0.0, 0.0)

    def take(self, now_ns: int, _truth: Truth, shown: Outputs, effects: Effects) -> None:
        """The sensors' outputs of the 20 ms that begin now."""
        self._convert(now_ns, shown, effects)
        self._listen(now_ns, shown, effects)

    def _convert(self, now_ns: int, shown: Outputs, effects: Effects) -> None:
        if effects.converter_hung:
            self._hang(now_ns)
            return
        self._hung_since, self._told_hung = None, False
        if not effects.converter_frozen:
            volts = (shown.map_v, shown.supply_v, shown.charge_v)
            counts = tuple(min(_TOP_COUNTS, max(0, round(v * 1000 / _SCALE_MV))) * _SCALE_MV for v in volts)
            self._counts = (counts[0], counts[1], counts[2])
        at = now_ns + self._adc_phase + int(self._rng.random() * _JITTER_NS)
        for track, value in zip(self._adc, self._counts, strict=True):
            track.put(at, value)
            at += _CHANNEL_NS

    def _hang(self, now_ns: int) -> None:
        if self._hung_since is None:
            self._hung_since = now_ns
        if not self._told_hung and now_ns - self._hung_since >= _HUNG_AFTER_NS:
            self._told_hung = True
            for track in self._adc:
                track.miss(now_ns + self._adc_phase, self._hung)

    def _listen(self, now_ns: int, shown: Outputs, effects: Effects) -> None:
        at = now_ns + self._line_phase + int(self._rng.random() * _LINE_LATENCY_NS)
        if effects.wideband_unplugged:
            if not self._unplugged:
                self._line.miss(at, self._lost)
            self._unplugged, self._open_from = True, now_ns + _REOPEN_NS
            return
        self._unplugged = False
        if now_ns < self._open_from or (effects.serial_noise and self._rng.random() < effects.serial_noise):
            return
        if shown.wideband is not None:
            self._line.put(at, round(shown.wideband, 3))
        elif shown.wideband_status == "heating":
            self._line.miss(at, self._heating)
