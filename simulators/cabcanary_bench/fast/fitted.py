"""Readings of the sources that a settings file has: each channel's true value through the inverse of its curve.

The channel's name says what its wire measures. A converter's voltages carry noise, lifted grounds, stuck and swapped
wires as those of the bench van do; an analogue wideband has a low end, where it also stands without power.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.channels.chain import Chain, Known, Surroundings
from cabcanary.clock import NS_PER_S
from cabcanary.model import Quality
from cabcanary.plan.cross_checks import wanted_item
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.host.host_settings import HostSource
from cabcanary.sources.kernel.kernel_settings import HwmonSource, IioSource
from cabcanary.sources.kinds import wire_of
from cabcanary_bench.fast.obd_readings import Polled
from cabcanary_bench.fast.readings import Track
from cabcanary_bench.van.build import BENCH_VAN

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from cabcanary.settings.schema import Settings
    from cabcanary_bench.fast.readings import Reasons
    from cabcanary_bench.faults.effects import Effects
    from cabcanary_bench.sensors.outputs import Outputs
    from cabcanary_bench.van.build import Build
    from cabcanary_bench.van.vehicle import Truth

_PERIOD_NS = NS_PER_S // 50
_CHANNEL_NS, _JITTER_NS, _LINE_LATENCY_NS = 300_000, 200_000, 2_000_000
_HUNG_AFTER_NS = int(0.15 * NS_PER_S)
_REOPEN_NS = NS_PER_S
#: A step of the converter, mV, as on the bench; and what a wire that is pulled up reads at the sensor, V.
_STEP_MV = 0.1875
_SENSOR_5V = 5.0
#: How far the engine's own pressure sensor reaches, kPa: a factory part of an engine built without boost.
_ENGINE_MAP_KPA = 115.0

#: Channel name -> the unit of the number and the number.
_MEASURED: Mapping[str, tuple[str, Callable[[Truth, Outputs, Build], float]]] = {
    "map": ("kPa", lambda _t, o, _b: o.line_kpa),
    "supply": ("V", lambda t, _o, _b: t.supply_v),
    "module_voltage": ("V", lambda t, _o, _b: t.supply_v),
    "engine_speed": ("rpm", lambda t, _o, _b: t.rpm),
    "throttle": ("%", lambda t, _o, b: b.throttle_shown(t.throttle_percent)),
    "vehicle_speed": ("km/h", lambda t, _o, _b: t.speed_km_h),
    "coolant": ("°C", lambda t, _o, _b: t.coolant_c),
    "charge_temperature": ("°C", lambda t, _o, _b: t.charge_c),
    "engine_map": ("kPa", lambda t, _o, _b: min(t.map_kpa, _ENGINE_MAP_KPA)),
    "barometer": ("kPa", lambda t, _o, _b: t.baro_kpa),
}
_LAMBDA = "lambda"


class NoWireError(ValueError):
    """The bench cannot make readings for a channel; the message names it and says why."""


class Wire:
    """One measured channel's wire: a number in its source's unit.

    Raises:
        NoWireError: nobody knows what the channel measures.
    """

    def __init__(self, name: str, spec: MeasuredChannel, settings: Settings) -> None:
        self.name, self.spec = name, spec
        self.key = (spec.source, spec.item)
        wire, self.live = wire_of(spec.source, settings.sources[spec.source], wanted_item(spec))
        self._chain = Chain(spec, wire)
        if name != _LAMBDA and name not in _MEASURED:
            known = ", ".join((_LAMBDA, *_MEASURED))
            raise NoWireError(f"channel '{name}': the bench does not know what it measures; it knows {known}")
        symbol, self._number = _MEASURED.get(name, ("lambda", lambda _t, _o, _b: 1.0))
        self._from, self._to = units.unit(symbol), units.unit(spec.unit)
        nominal = spec.ratiometric.nominal if spec.ratiometric else spec.pull_up.supply if spec.pull_up else _SENSOR_5V
        self._around = Surroundings(Known(nominal), Known(spec.ground.fixed), Known(25.0))
        #: A sensor that is fed from the 5 V follows it.
        self.fed = self.live and name not in ("supply", _LAMBDA)

    @property
    def ends(self) -> tuple[float, float] | None:
        """The lowest and highest value of the channel, in its unit."""
        return self._chain.ends

    @property
    def low_end(self) -> float:
        """The lowest that the wire gives while its sensor works, in the source's unit."""
        ends = self._chain.ends or (0.65, 1.5)
        return min(self._chain.inverse(end, self._around) for end in ends)

    def of(self, number: float) -> float:
        """The number on the wire, in the source's unit, for a value in the bench's unit."""
        return self._chain.inverse(self._to.from_si(self._from.to_si(number)), self._around)

    def value(self, number: float) -> float:
        """The value in the bench's unit that a number on the wire means."""
        return self._from.from_si(self._to.to_si(self._chain.convert(number, self._around).value))

    def now(self, truth: Truth, shown: Outputs, build: Build) -> float:
        """The number on the wire now, all wires being well."""
        return self.of(self._number(truth, shown, build))

    def at_converter(self, volts: float) -> float:
        """Millivolts at the converter for volts at the sensor."""
        return volts * 1000 / self.spec.divider


@dataclass(frozen=True, slots=True)
class Fitted:
    """A vehicle of other settings: which wires it has and what it is built of."""

    settings: Settings
    build: Build = BENCH_VAN

    def wires(self) -> list[Wire]:
        """The wires of all channels that are no part of the monitor's own computer and not behind a bus.

        Raises:
            NoWireError: the bench knows no such channel.
        """
        return [
            Wire(name, spec, self.settings)
            for name, spec in self.settings.channels.items()
            if isinstance(spec, MeasuredChannel)
            and not isinstance(self.settings.sources[spec.source], CanSource | HostSource)
        ]

    def bus(self) -> tuple[str, dict[str, float]] | None:
        """The engine computer's source and how often each item is asked for, Hz; None without one."""
        for name, source in self.settings.sources.items():
            if isinstance(source, CanSource):
                return name, dict(source.items)
        return None

    def polled(self, seed: int, reasons: Reasons) -> Polled | None:
        """The engine computer as it would be polled; None without one."""
        bus = self.bus()
        return None if bus is None else Polled(seed, reasons, bus[1], bus[0], self.build)

    @property
    def lambda_ends(self) -> tuple[float, float] | None:
        """What the wideband can show; None without one."""
        wire = next((w for w in self.wires() if w.name == _LAMBDA), None)
        return None if wire is None else wire.ends


class FittedWires:
    """Converters and lines of a vehicle: one sample of each every 20 ms, somewhere within it."""

    def __init__(self, fitted: Fitted, seed: int, reasons: Reasons) -> None:
        self._rng = random.Random(seed * 7919 + 3)  # noqa: S311  # reproducible is the point
        wires = fitted.wires()
        self.tracks: dict[tuple[str, str], Track] = {w.key: Track() for w in wires}
        self._sources: list[_Converter | _Line] = []
        for name, source in fitted.settings.sources.items():
            mine = [w for w in wires if w.spec.source == name]
            if not mine:
                continue
            kind = _Converter if isinstance(source, IioSource | HwmonSource) else _Line
            tracks = [self.tracks[w.key] for w in mine]
            self._sources.append(kind(mine, tracks, fitted.build, self._rng, reasons))

    def take(self, now_ns: int, truth: Truth, shown: Outputs, effects: Effects) -> None:
        """The sensors' outputs of the 20 ms that begin now."""
        for source in self._sources:
            source.take(now_ns, truth, shown, effects)


class _Converter:
    """Voltages that are looked at 50 times a second, one after the other."""

    def __init__(
        self, wires: list[Wire], tracks: list[Track], build: Build, rng: random.Random, reasons: Reasons
    ) -> None:
        self._wires, self._tracks, self._build, self._rng = wires, tracks, build, rng
        self._phase = rng.randrange(0, _PERIOD_NS - 2_000_000)
        self._hung = reasons.index(Quality.ABSENT, "the converter does not answer")
        self._hung_since: int | None = None
        self._told = False
        self._last = [0.0] * len(wires)
        self._map_v: float | None = None

    def take(self, now_ns: int, truth: Truth, shown: Outputs, effects: Effects) -> None:
        if effects.converter_hung:
            self._hang(now_ns)
            return
        self._hung_since, self._told = None, False
        if not effects.converter_frozen:
            numbers = [self._pin(wire, truth, shown, effects) for wire in self._wires]
            self._last = self._swapped(numbers) if effects.swapped else numbers
        at = now_ns + self._phase + int(self._rng.random() * _JITTER_NS)
        for track, value in zip(self._tracks, self._last, strict=True):
            track.put(at, value)
            at += _CHANNEL_NS

    def _hang(self, now_ns: int) -> None:
        self._hung_since = now_ns if self._hung_since is None else self._hung_since
        if not self._told and now_ns - self._hung_since >= _HUNG_AFTER_NS:
            self._told = True
            for track in self._tracks:
                track.miss(now_ns + self._phase, self._hung)

    def _swapped(self, numbers: list[float]) -> list[float]:
        names = [w.name for w in self._wires]
        if "map" in names and "charge_temperature" in names:
            a, b = names.index("map"), names.index("charge_temperature")
            numbers[a], numbers[b] = numbers[b], numbers[a]
        return numbers

    def _pin(self, wire: Wire, truth: Truth, shown: Outputs, effects: Effects) -> float:
        """What the converter gives for one wire, in its source's unit."""
        if not wire.live:  # a frequency, a speed: no voltage that a ground could lift
            return wire.now(truth, shown, self._build)
        if wire.name == _LAMBDA:
            number = self._wideband(wire, shown, effects)
        elif wire.name == "supply":
            number = self._supply(wire, truth, effects)
        else:
            number = self._fed(wire, truth, shown, effects) if shown.powered else 0.0
        return max(0.0, round(number / _STEP_MV) * _STEP_MV)

    def _wideband(self, wire: Wire, shown: Outputs, effects: Effects) -> float:
        if shown.wideband_status in ("off", "silent") or effects.wideband_unplugged:
            return 0.0
        number = wire.low_end if shown.wideband is None else wire.of(shown.wideband)
        return number + wire.at_converter(effects.ground_v)

    def _supply(self, wire: Wire, truth: Truth, effects: Effects) -> float:
        if effects.supply_sense_v is not None:
            return effects.supply_sense_v * 1000
        noise = self._rng.gauss(0.0, 0.01)
        return wire.of(truth.supply_v + noise + min(0.0, effects.ground_v))

    def _fed(self, wire: Wire, truth: Truth, shown: Outputs, effects: Effects) -> float:
        stuck = {"map": effects.map_stuck_v, "charge_temperature": effects.charge_stuck_v}.get(wire.name)
        if stuck is not None:
            return wire.at_converter(stuck)
        number = wire.now(truth, shown, self._build)
        if wire.name != "engine_speed":  # a tacho converter makes its own voltage
            number *= shown.five_v / _SENSOR_5V
        volts = number * wire.spec.divider / 1000 + effects.ground_v
        if wire.name != "map":
            return wire.at_converter(volts + self._rng.gauss(0.0, 0.002))
        volts += self._rng.gauss(0.0, effects.map_noise_v) if effects.map_noise_v else 0.0
        if effects.map_frozen and self._map_v is not None:
            volts = self._map_v
        self._map_v = volts
        return wire.at_converter(volts)


class _Line:
    """Numbers that come by themselves 50 times a second, as text or in frames."""

    def __init__(
        self, wires: list[Wire], tracks: list[Track], build: Build, rng: random.Random, reasons: Reasons
    ) -> None:
        self._wires, self._tracks, self._build, self._rng = wires, tracks, build, rng
        self._phase = rng.randrange(0, _PERIOD_NS - 4_000_000)
        self._heating = reasons.index(Quality.WARMING, "the sensor reports 'heating'")
        self._lost = reasons.index(Quality.ABSENT, "the port is gone")
        self._has_wideband = any(w.name == _LAMBDA for w in wires)
        self._unplugged, self._open_from = False, 0

    def take(self, now_ns: int, truth: Truth, shown: Outputs, effects: Effects) -> None:
        at = now_ns + self._phase + int(self._rng.random() * _LINE_LATENCY_NS)
        if effects.wideband_unplugged and self._has_wideband:
            if not self._unplugged:
                for track in self._tracks:
                    track.miss(at, self._lost)
            self._unplugged, self._open_from = True, now_ns + _REOPEN_NS
            return
        self._unplugged = False
        noisy = effects.serial_noise and self._rng.random() < effects.serial_noise
        if not shown.powered or now_ns < self._open_from or noisy:
            return
        for wire, track in zip(self._wires, self._tracks, strict=True):
            self._say(wire, track, at, truth, shown)

    def _say(self, wire: Wire, track: Track, at: int, truth: Truth, shown: Outputs) -> None:
        if wire.name != _LAMBDA:
            track.put(at, round(wire.now(truth, shown, self._build), 3))
        elif shown.wideband is not None:
            track.put(at, round(wire.of(shown.wideband), 3))
        elif shown.wideband_status == "heating":
            track.miss(at, self._heating)
