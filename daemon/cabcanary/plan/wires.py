"""Wires and curves that cannot be meant as they are written: one wire for two quantities, curves beyond their rails."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.kinds import kind_of
from cabcanary.spelling import spelt
from cabcanary.validation.base import same_pin

if TYPE_CHECKING:
    from cabcanary.settings.load import Loaded
    from cabcanary.settings.schema import Settings
    from cabcanary.validation.problems import Problem

#: No sensor of a vehicle gives more to a converter, divider included, V.
_MOST_VOLTS = 60.0


def measured_of(settings: Settings) -> dict[str, MeasuredChannel]:
    """The channels that are measured."""
    return {n: c for n, c in settings.channels.items() if isinstance(c, MeasuredChannel)}


def check_wires(loaded: Loaded[Settings]) -> list[Problem]:
    """One wire for two quantities, one port or pin for two sources, curves with their columns exchanged."""
    return [*_shared_wires(loaded), *_shared_places(loaded), *_shared_pins(loaded), *_curves(loaded)]


def shared_wires(settings: Settings) -> list[tuple[str, str]]:
    """Channels that read the wire of another one: (channel, the first one of that wire)."""
    first: dict[tuple[str, str], str] = {}
    found = []
    for name, spec in measured_of(settings).items():
        other = first.setdefault((spec.source, spec.item), name)
        if other != name:
            found.append((name, other))
    return found


def _shared_wires(loaded: Loaded[Settings]) -> list[Problem]:
    channels, problems = measured_of(loaded.model), []
    for name, other in shared_wires(loaded.model):
        one, two = (units.unit(channels[c].unit).dimension for c in (name, other))
        if one != two:
            what = f"{units.dimension_name(one)}, and '{other}' takes {units.dimension_name(two)}"
            message = f"'{channels[name].item}' of {channels[name].source} is one wire: this takes {what} from it"
            problems.append(loaded.problem(("channels", name, "item"), message, "name the item of its own wire"))
    return problems


def _shared_places(loaded: Loaded[Settings]) -> list[Problem]:
    """A port that two sources would open: each would get half of the bytes."""
    taken: dict[tuple[str, str], str] = {}
    problems = []
    for name, source in loaded.model.sources.items():
        for key in ("port", "channel"):
            place = getattr(source, key, None)
            other = taken.setdefault((key, str(place)), name) if place else name
            if other != name:
                message, fix = f"'{place}' is that of sources.{other} too", "give each source a port of its own"
                problems.append(loaded.problem(("sources", name, key), message, fix))
    return problems


def _shared_pins(loaded: Loaded[Settings]) -> list[Problem]:
    taken: dict[int | str, str] = {}
    problems = []
    for name, source in loaded.model.sources.items():
        for item, pin in kind_of(source).pins(source).items():
            mine = f"sources.{name}.pins.{item}"
            other = taken.setdefault(same_pin(pin), mine)
            if other != mine:
                message, fix = f"pin {pin} is that of {other} too", "wire it to a pin of its own, and write that here"
                problems.append(loaded.problem(("sources", name, "pins", item), message, fix))
    return problems


def _curves(loaded: Loaded[Settings]) -> list[Problem]:
    problems = []
    for name, spec in measured_of(loaded.model).items():
        fault = _curve_fault(spec)
        if fault is not None:
            problems.append(loaded.problem(("channels", name, "curve", "points"), *fault))
    return problems


def _curve_fault(spec: MeasuredChannel) -> tuple[str, str] | None:
    """A curve over wires that never come, or one that gives what is never believed; its columns may be exchanged."""
    curve = spec.curve
    if curve is None or curve.kind not in ("linear", "table"):
        return None
    wires, values = sorted(p[0] for p in curve.points), sorted(p[1] for p in curve.points)
    apart = _apart(wires, spec.rails)
    if apart:
        swapped = not _apart(values, spec.rails)
        message = f"the curve is over {spelt(wires[0])} to {spelt(wires[-1])} on the wire, and the rails are {apart}"
        return message, _EXCHANGED if swapped else "give the points where the wire is, between the rails"
    scale = spec.afr_scale or 1.0
    apart = _apart([v / scale for v in values], spec.plausible)
    if apart:
        message = (
            f"the curve gives {spelt(values[0])} to {spelt(values[-1])}, and plausible is {apart}: none is believed"
        )
        return message, _EXCHANGED if not _apart(wires, spec.plausible) else "correct the curve, or what is plausible"
    volts = spec.wire_unit in ("V", "mV") and units.unit(spec.wire_unit).to_si(wires[-1]) > _MOST_VOLTS
    if volts and spec.pull_up is None:
        return f"{spelt(wires[-1])} {spec.wire_unit} on the wire is more than any sensor gives", _EXCHANGED
    return None


_EXCHANGED = "a point is [wire, value]: the wire first"


def _apart(ends: list[float], span: tuple[float, float] | None) -> str:
    """The span in words where nothing of the ends lies in it; empty where something does."""
    if span is None or (ends[0] <= span[1] and ends[-1] >= span[0]):
        return ""
    return f"{spelt(span[0])} to {spelt(span[1])}"
