"""Settings -> channels in an order that works, and every problem on the way."""

from __future__ import annotations

from collections.abc import Callable
from graphlib import CycleError, TopologicalSorter
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.channels.air import AirPressure
from cabcanary.channels.boost import Boost, Vacuum
from cabcanary.channels.cross import CrossCheck
from cabcanary.channels.engine import Afr, Airflow, EngineRunning
from cabcanary.channels.formula import Formula
from cabcanary.channels.gas import AsBurnt, FuelCutGas
from cabcanary.channels.measured import Measured
from cabcanary.channels.pipeline import Pipeline
from cabcanary.channels.shapes import CurveError
from cabcanary.expressions.names import ConditionError
from cabcanary.settings.derived import (
    AfrChannel,
    AirflowChannel,
    AirPressureChannel,
    AsBurntChannel,
    BoostChannel,
    DerivedChannel,
    EngineRunningChannel,
    FormulaChannel,
    FuelCutChannel,
    VacuumChannel,
)
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.spelling import spelt
from cabcanary.validation.problems import nearest

if TYPE_CHECKING:
    from cabcanary.channels.derive import Derived
    from cabcanary.settings.schema import Settings

#: Notes a problem: the key's path, the fault, and the remedy.
Note = Callable[[tuple[str | int, ...], str, str], None]
#: The unit in which its source gives a channel's item, and whether it is a converter's own voltage; None, and noted,
#: where the source has no such item.
WireOf = Callable[[str, MeasuredChannel], tuple[units.Unit, bool] | None]

#: No engine burns, and no sensor shows, a lambda outside these; AFR lies far above.
_LOWEST_LAMBDA, _HIGHEST_LAMBDA = 0.3, 5.0
#: A wire that is broken or shorted to ground stands below the one, one shorted to a 5 V supply above the other.
_DEAD_VOLTS, _FULL_VOLTS = 0.1, 4.9

#: What the channel behind each key must measure, by an example of its unit.
_KEYS = {
    "pressure": "kPa",
    "air": "kPa",
    "barometer": "kPa",
    "engine_speed": "rpm",
    "supply": "V",
    "throttle": "%",
    "vehicle_speed": "km/h",
    "lambda_channel": "lambda",
    "temperature": "°C",
    "ethanol": "%",
    "ignition": "state",
}


def build_pipeline(settings: Settings, wire_of: WireOf, note: Note) -> Pipeline:
    """The pipeline of these settings; what cannot be built is noted and left out."""
    return _Builder(settings, wire_of, note).build()


class _Builder:
    def __init__(self, settings: Settings, wire_of: WireOf, note: Note) -> None:
        self._settings, self._wire_of, self._note = settings, wire_of, note
        self._units = {name: c.unit for name, c in settings.channels.items()}
        self._measured = {n: c for n, c in settings.channels.items() if isinstance(c, MeasuredChannel)}
        self._others = {n: c for n, c in settings.channels.items() if not isinstance(c, MeasuredChannel)}

    def build(self) -> Pipeline:
        measured = {name: m for name, spec in self._measured.items() if (m := self._one_measured(name, spec))}
        measured_order = self._in_order({name: m.needs for name, m in measured.items()})
        checks = {n: CrossCheck(spec, self._units) for n, spec in self._settings.checks.items() if self._checks_out(n)}
        derived = {name: d for name, spec in self._others.items() if (d := self._one_derived(name, spec))}
        derived_order = self._in_order({name: d.inputs for name, d in derived.items()})
        known = [measured[n] for n in measured_order]
        return Pipeline(known, checks, [derived[n] for n in derived_order], self._units)

    def _in_order(self, needs: dict[str, tuple[str, ...]]) -> list[str]:
        """Names so that each comes after what it needs; a ring is noted and left out."""
        graph = {name: [n for n in wanted if n in needs] for name, wanted in needs.items()}
        try:
            return list(TopologicalSorter(graph).static_order())
        except CycleError as error:
            ring = error.args[1]
            self._note(
                ("channels", ring[0]), f"is made from itself, by way of {' and '.join(ring[1:])}", "break the ring"
            )
            return []

    # --- measured ---------------------------------------------------------------------------------------

    def _one_measured(self, name: str, spec: MeasuredChannel) -> Measured | None:
        path = ("channels", name)
        if spec.source not in self._settings.sources:
            fix = nearest(spec.source, self._settings.sources)
            self._note((*path, "source"), f"there is no source '{spec.source}'", fix)
            return None
        if not self._refers_well(path, spec):
            return None
        wire_live = self._wire_of(name, spec)
        if wire_live is None:
            return None
        wire, live = wire_live
        if not self._wideband_has_its_curve(path, spec, live=live):
            return None
        try:
            built = Measured(name, spec, wire, self._units, live=live)
            return built if self._mixture_is_lambda(path, spec, built) else None
        except CurveError as error:
            points = spec.curve is not None and spec.curve.kind in ("linear", "table")
            fix = "give points as [wire, value], rising along the wire" if points else "correct what the curve is given"
            self._note((*path, "curve", "points" if points else "kind"), str(error), fix)
        except units.UnitError as error:
            self._note_unit(path, wire, str(error))
        return None

    def _note_unit(self, path: tuple[str, str], wire: units.Unit, words: str) -> None:
        if "wire_unit" in words:
            example = "V" if wire.dimension == units.VOLTAGE else wire.symbol
            fix = f'write the unit of the wire, such as wire_unit = "{example}"'
            self._note((*path, "wire_unit"), words, fix)
        elif "pull_up" in words:
            self._note((*path, "pull_up"), words, "take an item that is a voltage")
        elif wire.dimension != units.VOLTAGE:
            what = units.dimension_name(wire.dimension)
            fix = f'write a unit of {what}, such as unit = "{wire.symbol}", or add a curve over it'
            self._note((*path, "unit"), words, fix)
        else:
            fix = 'add curve = { kind = "linear", points = [[0.5, 20.0], [4.5, 250.0]] } and wire_unit = "V"'
            self._note((*path, "curve"), words, fix)

    def _wideband_has_its_curve(self, path: tuple[str, str], spec: MeasuredChannel, *, live: bool) -> bool:
        if spec.measures == "lambda" and live and spec.curve is not None:
            return self._rich_end_is_guarded(path, spec)
        if spec.measures != "lambda" or spec.curve is not None or (not live and spec.ends is not None):
            return True
        if live:
            self._note(path, "a wideband has no curve of its own here, and none is ever assumed", _CURVE_FIX)
        else:
            fix = "add ends = [0.65, 1.50], from its data sheet"
            self._note(path, "the ends of this wideband's range are not given", fix)
        return False

    def _mixture_is_lambda(self, path: tuple[str, str], spec: MeasuredChannel, built: Measured) -> bool:
        ends = built.chain.ends
        if spec.measures != "lambda" or ends is None or (ends[0] >= _LOWEST_LAMBDA and ends[1] <= _HIGHEST_LAMBDA):
            return True
        message = f"a mixture from {spelt(ends[0])} to {spelt(ends[1])} is no lambda"
        fix = "if these numbers are AFR, add afr_scale = 14.7 or whatever scale the sensor was set to"
        self._note((*path, "curve" if spec.curve is not None else "ends"), message, fix)
        return False

    def _rich_end_is_guarded(self, path: tuple[str, str], spec: MeasuredChannel) -> bool:
        """Where the rich end of a voltage is also what a broken wire gives, only rails keep it from sounding safe."""
        if spec.curve is None or spec.curve.kind not in ("linear", "table"):
            return True
        points = sorted(spec.curve.points)
        (low, at_low), (high, at_high) = points[0], points[-1]
        factor = units.unit(spec.wire_unit or "V").factor
        rails = spec.rails
        if at_low < at_high and low * factor <= _DEAD_VOLTS and (rails is None or rails[0] <= low):
            message, side = (
                f"{spelt(low)} on the wire is its rich end, and a broken or grounded wire gives the same",
                "above",
            )
        elif at_low > at_high and high * factor >= _FULL_VOLTS and (rails is None or rails[1] >= high):
            message, side = f"{spelt(high)} on the wire is its rich end, and a shorted wire gives the same", "below"
        else:
            return True
        # The lean end must stay within the rails: there the sensor says "at least this lean".
        example = (
            f"[{spelt(low + 0.05)}, {spelt(high + 0.4)}]"
            if side == "above"
            else f"[{spelt(low - 0.4)}, {spelt(high - 0.05)}]"
        )
        fix = f"add rails with an end {side} it, such as rails = {example}: rich would silence the rule for lean"
        self._note((*path, "rails" if rails else "curve"), message, fix)
        return False

    def _refers_well(self, path: tuple[str, str], spec: MeasuredChannel) -> bool:
        """Channels that a measured channel refers to must be measured ones, of the right kind."""
        wanted: list[tuple[tuple[str | int, ...], str | None, str]] = [
            (("wideband", "engine_speed"), spec.wideband.engine_speed, "rpm"),
            (("ground", "measured"), spec.ground.measured, "V"),
        ]
        if spec.ratiometric is not None:
            wanted.append((("ratiometric", "measured"), spec.ratiometric.measured, "V"))
        if spec.pull_up is not None:
            wanted.append((("pull_up", "measured"), spec.pull_up.measured, "V"))
        if spec.curve is not None and spec.curve.kind == "thermocouple_k":
            wanted.append((("curve", "cold_junction"), spec.curve.cold_junction, "°C"))
        fed_with = spec.wideband.fed_with
        if fed_with is not None and not self._is_there((*path, "wideband", "fed_with"), fed_with, self._measured):
            return False
        return all(self._is(path + key, name, unit, self._measured) for key, name, unit in wanted if name)

    # --- checks and derived -------------------------------------------------------------------------------

    def _checks_out(self, name: str) -> bool:
        spec = self._settings.checks[name]
        path = ("checks", name)
        unit = self._units.get(spec.channel, "")
        keys: dict[str, str] = {"channel": unit}
        if spec.kind == "agree":
            keys["witness"] = unit
        else:
            keys |= {k: v for k, v in _KEYS.items() if getattr(spec, k, None)}
        return all(self._is((*path, k), getattr(spec, k), u, self._measured) for k, u in keys.items())

    def _one_derived(self, name: str, spec: DerivedChannel) -> Derived | None:
        path = ("channels", name)
        fine = [
            self._is((*path, key), wanted, unit, self._settings.channels)
            for key, unit in _KEYS.items()
            if (wanted := getattr(spec, key, None))
        ]
        if isinstance(spec, AirPressureChannel):
            fine += [self._is((*path, "sensors", n), c, "kPa", self._measured) for n, c in enumerate(spec.sensors)]
        if isinstance(spec, FuelCutChannel | AsBurntChannel) and spec.pipe is not None:
            fine.append(self._is((*path, "pipe", "engine_speed"), spec.pipe.engine_speed, "rpm", self._measured))
            fine.append(self._is((*path, "pipe", "pressure"), spec.pipe.pressure, "kPa", self._measured))
        fine.append(self._own_unit_fits(path, spec))
        if not all(fine):
            return None
        return self._make(path, name, spec)

    def _make(self, path: tuple[str, str], name: str, spec: DerivedChannel) -> Derived | None:
        match spec:
            case AirPressureChannel():
                return AirPressure(name, spec, self._units, self._settings.compressor_kind)
            case BoostChannel():
                return Boost(name, spec, self._units, self._reference(spec.pressure))
            case VacuumChannel():
                return Vacuum(name, spec, self._units)
            case AirflowChannel():
                return Airflow(name, spec, self._units)
            case AfrChannel():
                return Afr(name, spec, self._units, units.fuel_ratio(self._settings.vehicle.fuel))
            case EngineRunningChannel():
                return EngineRunning(name, spec, self._units, self._reference(spec.pressure or ""))
            case FuelCutChannel():
                return FuelCutGas(name, spec, self._units, self._response(spec.lambda_channel))
            case AsBurntChannel():
                return AsBurnt(name, spec, self._units, self._response(spec.lambda_channel))
            case FormulaChannel():
                return self._formula(path, name, spec)

    def _formula(self, path: tuple[str, str], name: str, spec: FormulaChannel) -> Formula | None:
        try:
            return Formula(name, spec, self._units)
        except ConditionError as error:
            self._note((*path, "formula"), error.message, error.fix)
            return None

    def _own_unit_fits(self, path: tuple[str, str], spec: DerivedChannel) -> bool:
        if isinstance(spec, AirPressureChannel | BoostChannel | VacuumChannel):
            wanted, example = units.PRESSURE, 'unit = "psi" or unit = "kPa"'
        elif isinstance(spec, AirflowChannel):
            wanted, example = units.MASS_FLOW, 'unit = "g/s"'
        elif isinstance(spec, AsBurntChannel):
            return self._as_burnt_fits(path, spec)
        else:
            return True
        if units.unit(spec.unit).dimension == wanted:
            return not (isinstance(spec, VacuumChannel) and self._is_gauge(path, spec.pressure))
        self._note((*path, "unit"), f"{spec.derive} cannot be in '{spec.unit}'", f"write {example}")
        return False

    def _is_gauge(self, path: tuple[str, str], pressure: str) -> bool:
        if self._reference(pressure) == "absolute":
            return False
        message = f"'{pressure}' is a gauge sensor: it ends at the air's pressure and never shows a vacuum"
        self._note((*path, "pressure"), message, "take an absolute sensor")
        return True

    def _as_burnt_fits(self, path: tuple[str, str], spec: AsBurntChannel) -> bool:
        if spec.of not in self._settings.channels:
            self._note((*path, "of"), f"there is no channel '{spec.of}'", nearest(spec.of, self._settings.channels))
            return False
        if self._units[spec.of] != spec.unit:
            self._note((*path, "unit"), f"'{spec.of}' is in {self._units[spec.of]}", "give both the same unit")
            return False
        return True

    def _is(self, path: tuple[Any, ...], name: str, example: str, among: Any) -> bool:
        """Whether `name` is one of those channels and measures what the example's unit measures."""
        if not self._is_there(path, name, among):
            return False
        wanted = units.unit(example).dimension
        if units.unit(self._units[name]).dimension != wanted:
            fix = f"{path[-1]} takes {units.dimension_name(wanted)}"
            self._note(path, f"'{name}' is in {self._units[name]}", fix)
            return False
        return True

    def _is_there(self, path: tuple[Any, ...], name: str, among: Any) -> bool:
        if name in among:
            return True
        kind = "measured channel" if among is self._measured else "channel"
        self._note(path, f"needs the {kind} '{name}', which is not there", nearest(name, among))
        return False

    def _reference(self, pressure: str) -> str:
        spec = self._settings.channels.get(pressure)
        return spec.reference if isinstance(spec, MeasuredChannel) else "absolute"

    def _response(self, mixture: str) -> float:
        spec = self._settings.channels[mixture]
        return spec.response_time if isinstance(spec, MeasuredChannel) else 0.1


_CURVE_FIX = (
    'add wire_unit = "V" and curve = { kind = "linear", points = [[volts, lambda], [volts, lambda]] } '
    "from its data sheet or your own calibration"
)
