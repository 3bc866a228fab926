"""Examples beside a rule: a few lines of signal, and the alerts that must and must not sound.

A line of signal is `TIME: channel = VALUE, channel = VALUE in TIME`. A value is a number with its unit, `at least` or
`at most` one, `within` two of them (`within 6 psi to 9 psi`: not measured just then), or a quality (absent,
stale, warming, stuck, implausible, out of range); `± 0.2` behind it is its standard uncertainty; `in TIME` goes there
in a straight line. A line that must sound is `TIME to TIME`.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.model import USABLE, Frame, Quality, Value
from cabcanary.rules.engine import BLIND, Engine
from cabcanary.rules.urgency import alternatives
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cabcanary.rules.rule import Rule
    from cabcanary.settings.rule_schema import ExampleSpec

_NS = 1_000_000_000
TICK_NS = 20_000_000
#: An example is a few lines, and each of its ticks is worked through, s.
_LONGEST_S = 7200.0
#: Time simulated after the last line of signal, s, so that a late alert is still heard.
_AFTER_S = 5.0

_ASSIGN = re.compile(
    r"(?P<channel>[a-z][a-z0-9_]*)\s*=\s*(?P<end>at least |at most |within )?(?P<what>.+?)"
    r"(?:\s*±\s*(?P<band>[0-9.]+))?(?:\s+in\s+(?P<ramp>[0-9.]+\s*\w+))?"
)
_WRONG = {q.words: q for q in Quality if q not in USABLE}
_ENDS = {
    "at least ": Quality.SATURATED_HIGH,
    "at most ": Quality.SATURATED_LOW,
    "within ": Quality.WITHIN,
    None: Quality.GOOD,
}


class ExampleError(ValueError):
    """An example that cannot be read; the text says which line and what to write."""


@dataclass(frozen=True, slots=True)
class _Step:
    """One channel's value from a time on, or reached by `ramp_ns` later. `value` is in the channel's unit."""

    time_ns: int
    channel: str
    value: float | None
    quality: Quality
    band: float
    ramp_ns: int


@dataclass(frozen=True, slots=True)
class Outcome:
    """What became of one example: the faults in words, none if it holds; when it sounded, in seconds."""

    rule: str
    name: str
    faults: tuple[str, ...]
    sounded: tuple[float, ...]
    blind: tuple[tuple[str, float], ...]


def run_example(rule: Rule, example: ExampleSpec, channel_units: Mapping[str, str], running: str | None) -> Outcome:
    """Play one example to its rule.

    Raises:
        ExampleError: a line cannot be read, or a channel that the rule reads has no value.
    """
    steps = _read_signal(example.signal, channel_units)
    _check_complete(rule, steps)
    wanted = [_span(line) for line in example.sounds]
    wanted_blind = [_blind_span(line) for line in example.blind]
    given = {s.channel for s in steps}
    engine = Engine([rule], {}, channel_units, running if running in given else None)
    not_given = {c: Value(None, Quality.ABSENT, 0, reason="not in this example") for c in channel_units}
    last_ns = max(s.time_ns + s.ramp_ns for s in steps)
    if example.length is not None and example.length > _LONGEST_S:
        raise ExampleError(f"its length is more than {spelt(_LONGEST_S / 3600)} h; give a shorter one")
    length_ns = int((example.length if example.length is not None else last_ns / _NS + _AFTER_S) * _NS)
    sounded: list[float] = []
    blind: list[tuple[str, float]] = []
    for time_ns in range(0, length_ns + 1, TICK_NS):
        for change in engine.step(Frame(time_ns, not_given | _values(steps, time_ns))):
            if change.blind and change.sounds:
                blind.append((change.alert.removeprefix(BLIND), time_ns / _NS))
            elif change.sounds:
                sounded.append(time_ns / _NS)
    faults = _faults("it sounded", [("", t) for t in sounded], [("", *w) for w in wanted])
    faults += _faults("it said that it cannot see {}", blind, wanted_blind)
    return Outcome(rule.id, example.name, tuple(faults), tuple(sounded), tuple(blind))


def _faults(what: str, happened: Sequence[tuple[str, float]], wanted: Sequence[tuple[str, float, float]]) -> list[str]:
    """The alerts that came when none was wanted, and the wanted ones that did not come."""
    left = list(wanted)
    faults = []
    for name, time_s in happened:
        fits = next((w for w in left if w[0] == name and w[1] <= time_s <= w[2]), None)
        if fits is None:
            faults.append(f"{what.format(name)} at {time_s:.2f} s, when it must not")
        else:
            left.remove(fits)
    missing = what.format("{}").replace("it sounded", "it did not sound").replace("it said", "it did not say")
    return faults + [f"{missing.format(name)} from {spelt(first)} s to {spelt(last)} s" for name, first, last in left]


def _check_complete(rule: Rule, steps: Sequence[_Step]) -> None:
    from cabcanary.expressions.tree import channels_in

    at_start = {s.channel for s in steps if s.time_ns == 0}
    # Of several signs that make blindness urgent the first is enough: in many a vehicle the others are not there.
    urgent = alternatives(rule.urgent_when)[0] if rule.urgent_when is not None else None
    others = [c for c in (rule.suppress_when, urgent) if c is not None]
    excess = [rule.inverse_time.excess] if rule.inverse_time is not None else []
    needed = dict.fromkeys([*rule.channels, *(c for node in (*others, *excess) for c in channels_in(node))])
    missing = [c for c in needed if c not in at_start]
    if missing:
        raise ExampleError(f"gives no value at 0 s for {', '.join(missing)}; add it to the line '0 s: …'")


# --- reading ------------------------------------------------------------------------------------------------


def _time_ns(text: str) -> int:
    try:
        value, unit = units.parse_quantity(text)
    except units.UnitError as error:
        raise ExampleError(f"'{text.strip()}' is no time; write it as in '1.5 s'") from error
    if unit.dimension != units.TIME:
        raise ExampleError(f"'{text.strip()}' is no time; write it as in '1.5 s'")
    if unit.to_si(value) > _LONGEST_S:
        raise ExampleError(
            f"'{text.strip()}': an example lasts {spelt(_LONGEST_S / 3600)} h at most; give an earlier time"
        )
    return round(unit.to_si(value) * _NS)


def _span(line: str) -> tuple[float, float]:
    first, found, last = line.partition(" to ")
    if not found:
        raise ExampleError(f"'{line}' is no span of time; write it as in '2.1 s to 2.4 s'")
    return _time_ns(first) / _NS, _time_ns(last) / _NS


def _blind_span(line: str) -> tuple[str, float, float]:
    channel, found, span = line.partition(" at ")
    if not found:
        raise ExampleError(f"'{line}' names no channel; write it as in 'lambda at 2.1 s to 2.4 s'")
    return channel.strip(), *_span(span)


def _read_signal(lines: Sequence[str], channel_units: Mapping[str, str]) -> list[_Step]:
    steps = []
    for line in lines:
        time, found, rest = line.partition(":")
        if not found:
            raise ExampleError(f"'{line}' has no time; write it as in '1 s: boost = 5 psi'")
        time_ns = _time_ns(time)
        steps += [_read_step(time_ns, part.strip(), channel_units) for part in rest.split(",")]
    return sorted(steps, key=lambda s: s.time_ns)


def _read_step(time_ns: int, text: str, channel_units: Mapping[str, str]) -> _Step:
    match = _ASSIGN.fullmatch(text)
    if match is None:
        raise ExampleError(f"'{text}' is no value of a channel; write it as in 'boost = 5 psi'")
    channel = match["channel"]
    if channel not in channel_units:
        raise ExampleError(f"there is no channel '{channel}'")
    ramp_ns = _time_ns(match["ramp"]) if match["ramp"] else 0
    band = float(match["band"] or 0.0)
    if match["what"] in _WRONG:
        return _Step(time_ns, channel, None, _WRONG[match["what"]], 0.0, 0)
    unit, quality = units.unit(channel_units[channel]), _ENDS[match["end"]]
    if quality is not Quality.WITHIN:
        return _Step(time_ns, channel, _number(match["what"], unit, channel, text), quality, band, ramp_ns)
    first, found, last = match["what"].partition(" to ")
    if not found or match["band"]:
        raise ExampleError(f"'{text}': an interval is written as in 'boost = within 6 psi to 9 psi'")
    low, high = (_number(end, unit, channel, text) for end in (first, last))
    return _Step(time_ns, channel, (low + high) / 2, quality, (high - low) / 4, ramp_ns)


def _number(written: str, unit: units.Unit, channel: str, text: str) -> float:
    try:
        number, of = units.parse_quantity(written)
    except units.UnitError as error:
        raise ExampleError(f"'{text}': {error}") from error
    if of.dimension != unit.dimension:
        raise ExampleError(f"'{text}': '{channel}' is in {unit.symbol or 'plain numbers'}")
    return number if of.symbol in ("", unit.symbol) else unit.from_si(of.to_si(number))


def _values(steps: Sequence[_Step], time_ns: int) -> dict[str, Value]:
    values: dict[str, Value] = {}
    for step in steps:
        if step.time_ns > time_ns:
            break
        before = values.get(step.channel)
        value = step.value
        if value is not None and step.ramp_ns and before is not None and before.value is not None:
            share = min(1.0, (time_ns - step.time_ns) / step.ramp_ns)
            value = before.value + (value - before.value) * share
        reason = step.quality.words if step.quality else ""
        values[step.channel] = Value(value, step.quality, time_ns, step.band, reason)
    return values
