"""What may be meant and hardly ever is: told by `cabcanary check` with the usual range, and no error."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from cabcanary import units
from cabcanary.expressions.bounds import Bounds, always_true, bounds, dimension
from cabcanary.expressions.tree import ChannelRef, Compare, Quantity, TableCall, Window, comparisons_in
from cabcanary.model import Priority
from cabcanary.plan.wires import measured_of, shared_wires
from cabcanary.settings.derived import AirPressureChannel, BoostChannel
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.spelling import spelt
from cabcanary.validation.problems import Problem

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from cabcanary.expressions.tree import Number
    from cabcanary.rules.rule import Rule
    from cabcanary.settings.load import Loaded
    from cabcanary.settings.rule_schema import RuleFile
    from cabcanary.settings.schema import Settings


class Usual(NamedTuple):
    """Between what limits on such a channel are usually set, in `unit`."""

    low: float
    high: float
    unit: str

    @property
    def words(self) -> str:
        """For a person."""
        return f"{spelt(self.low)} to {spelt(self.high)} {self.unit}".rstrip()

    def holds(self, low_si: float, high_si: float) -> bool:
        """Whether both ends lie in it, with a hair's breadth for rounding."""
        low, high = units.unit(self.unit).to_si(self.low), units.unit(self.unit).to_si(self.high)
        slack = 1e-9 * (high - low)
        return low - slack <= low_si and high_si <= high + slack


#: Where limits are usually set, by what a channel measures. Common practice of engines with spark ignition and up to
#: three bar of boost, wide on purpose: a slip of a unit or a digit lies outside, no engine that we know of does.
_BY_MEASURE = {
    "lambda": Usual(0.5, 2.0, "lambda"),
    "manifold_pressure": Usual(10, 450, "kPa"),
    "barometric_pressure": Usual(50, 110, "kPa"),
    "supply_voltage": Usual(5, 32, "V"),
    "voltage": Usual(0, 60, "V"),
    "engine_speed": Usual(0, 12_000, "rpm"),
    "throttle": Usual(0, 100, "%"),
    "load": Usual(0, 400, "%"),
    "trim": Usual(-50, 50, "%"),
    "temperature": Usual(-50, 1100, "°C"),
    "vehicle_speed": Usual(0, 350, "km/h"),
    "airflow": Usual(0, 1000, "g/s"),
}
#: The same of channels that go by a standard name: narrower, and for those that do not say what they measure.
_BY_NAME = {
    "coolant": Usual(-40, 130, "°C"),
    "oil_temperature": Usual(-40, 170, "°C"),
    "charge_temperature": Usual(-40, 200, "°C"),
    "intake_temperature": Usual(-40, 150, "°C"),
    "ambient_temperature": Usual(-40, 60, "°C"),
    "exhaust_temperature": Usual(0, 1100, "°C"),
    "board_temperature": Usual(-40, 110, "°C"),
    "short_trim": Usual(-50, 50, "%"),
    "long_trim": Usual(-50, 50, "%"),
    "fuel_trim": Usual(-60, 60, "%"),
    "oil_pressure": Usual(0, 1000, "kPa"),
    "boost": Usual(-15, 45, "psi"),
    "boost_as_burnt": Usual(-15, 45, "psi"),
    "pressure_ratio": Usual(0.1, 4, "ratio"),
}
_BOOST, _AIR = Usual(-15, 45, "psi"), Usual(50, 110, "kPa")
#: How long a reading may stand before it is stale, s: what a warning rests on, and what changes slowly.
_STALE_FAST, _STALE_SLOW = Usual(0.04, 2, "s"), Usual(0.04, 60, "s")
_FAST = ("lambda", "manifold_pressure")
_RESPONSE = Usual(0.005, 2, "s")
#: A warning that waits longer than this comes too late for an engine under boost, s.
_WARNING_WAITS = Usual(0, 10, "s")
#: Blindness of what changes slowly may wait longer.
_BLIND_WAITS = Usual(0, 30, "s")
#: The largest deadband of a temperature, K; others are held against their limit.
_WIDEST_TEMPERATURE_BAND_K = 50.0


def unusual(
    loaded: Loaded[Settings], rule_files: Sequence[Loaded[RuleFile]], rules: Sequence[Rule], reach: Mapping[str, Bounds]
) -> list[Problem]:
    """Everything in these files that hardly ever is meant, in the order of the files."""
    found = [loaded.problem(path, message, usual) for path, message, usual in _of_channels(loaded.model)]
    files = {r.file.name: r.file for r in rule_files}
    usual = usual_of(loaded.model)
    for rule in rules:
        told = dict.fromkeys(_of_rule(rule, usual, reach))
        found += [Problem(files[rule.file], rule.line, f"rule {rule.id}", *words) for words in told]
    return found


def usual_of(settings: Settings) -> dict[str, Usual]:
    """The usual range of limits for each channel that has one."""
    found = {}
    for name, spec in settings.channels.items():
        usual = _BY_NAME.get(name)
        if usual is None and isinstance(spec, MeasuredChannel):
            usual = _BY_MEASURE.get(spec.measures)
        elif usual is None and isinstance(spec, BoostChannel | AirPressureChannel):
            usual = _BOOST if isinstance(spec, BoostChannel) else _AIR
        if usual is not None and units.unit(usual.unit).dimension == units.unit(spec.unit).dimension:
            found[name] = usual
    return found


# --- channels -----------------------------------------------------------------------------------------------------


def _of_channels(settings: Settings) -> Iterator[tuple[tuple[str | int, ...], str, str]]:
    channels = measured_of(settings)
    for name, spec in channels.items():
        path = ("channels", name)
        stale = _STALE_FAST if spec.measures in _FAST else _STALE_SLOW
        if not stale.low <= spec.stale_after <= stale.high:
            yield (*path, "stale_after"), f"unusual: {spelt(spec.stale_after)} s until a reading is stale", stale.words
        every_s = _every_s(settings, spec)
        if every_s is not None and spec.stale_after < every_s:
            message = f"unusual: it is read every {spelt(every_s)} s, and stale after {spelt(spec.stale_after)} s"
            yield (*path, "stale_after"), message, f"longer than {spelt(every_s)} s"
        if spec.measures == "lambda" and not _RESPONSE.low <= spec.response_time <= _RESPONSE.high:
            yield (
                (*path, "response_time"),
                f"unusual: a wideband that takes {spelt(spec.response_time)} s",
                _RESPONSE.words,
            )
        if _falls(spec):
            message = "unusual: the value falls while the wire rises; were two points exchanged?"
            yield (*path, "curve", "points"), message, "it rises with the wire"
    for name, other in shared_wires(settings):
        if units.unit(channels[name].unit).dimension == units.unit(channels[other].unit).dimension:
            message = f"unusual: it reads the wire of '{other}'"
            yield ("channels", name, "item"), message, "each channel has a wire of its own"


def _every_s(settings: Settings, spec: MeasuredChannel) -> float | None:
    """How often the settings have it read, s between two readings; None: the wire decides."""
    source = settings.sources.get(spec.source)
    items = getattr(source, "items", None)
    rate = items.get(spec.item) if isinstance(items, dict) else getattr(source, "rate_hz", None)
    return 1.0 / rate if rate else None


#: What rises with the voltage of nearly every sensor.
_RISING = ("lambda", "manifold_pressure", "barometric_pressure", "pressure", "supply_voltage", "engine_speed")


def _falls(spec: MeasuredChannel) -> bool:
    curve = spec.curve
    if curve is None or curve.kind != "linear" or spec.measures not in _RISING or spec.pull_up is not None:
        return False
    (_, first), (_, last) = sorted(curve.points)
    return last < first


# --- rules --------------------------------------------------------------------------------------------------------


def _of_rule(rule: Rule, usual: Mapping[str, Usual], reach: Mapping[str, Bounds]) -> Iterator[tuple[str, str]]:
    for node in (rule.when, rule.suppress_when, rule.urgent_when):
        for compare in comparisons_in(node) if node is not None else ():
            yield from _of_comparison(compare, usual, reach)
    if rule.priority is Priority.WARNING:
        for key, ns, waits in (
            ("on_delay", rule.on_delay_ns, _WARNING_WAITS),
            ("blind_delay", rule.blind_delay_ns, _BLIND_WAITS),
        ):
            if ns / 1e9 > waits.high:
                yield f"unusual: a warning with {key} of {spelt(ns / 1e9)} s", waits.words


def _of_comparison(
    compare: Compare, usual: Mapping[str, Usual], reach: Mapping[str, Bounds]
) -> Iterator[tuple[str, str]]:
    for one, other in ((compare.left, compare.right), (compare.right, compare.left)):
        name, limit = _channel(one), _limit(other)
        if not name or limit is None:
            continue
        known = usual.get(name)
        if known is not None and not known.holds(*limit):
            shown = units.unit(known.unit).from_si(limit[0] if limit[0] == limit[1] else max(limit, key=abs))
            yield f"unusual: '{name}' against {spelt(shown, 4)} {known.unit}".rstrip(), known.words
        if _wide(compare.deadband_si, limit, dimension(other)):
            yield f"unusual: a deadband larger than the limit on '{name}'", "a small part of the limit"
    if always_true(compare, reach):
        # A number that stands for a state is compared with what lies half way to the next one.
        names = [n for side in (compare.left, compare.right) if (n := _channel(side)) in usual]
        if names:
            yield f"unusual: a comparison of '{names[0]}' that is always true", "a limit within what it can show"


def _channel(node: Number) -> str:
    """The channel whose value a number has, now or over a window."""
    if isinstance(node, Window) and node.kind != "rate":
        node = node.of
    return node.name if isinstance(node, ChannelRef) else ""


def _limit(node: Number) -> Bounds | None:
    """The ends of a limit that is written down."""
    return bounds(node, {}) if isinstance(node, Quantity | TableCall) else None


def _wide(band_si: float, limit: Bounds, of: units.Dimension) -> bool:
    if of == units.TEMPERATURE:
        return band_si > _WIDEST_TEMPERATURE_BAND_K
    least = min(abs(x) for x in limit)
    return 0.0 < least < band_si
