"""What a rule does, in plain words and with its numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.expressions import tree
from cabcanary.model import Priority
from cabcanary.rules.figures import show
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.rules.rule import InverseTime, Rule, Worse

_PRIORITIES = {
    Priority.WARNING: "a warning: act at once",
    Priority.CAUTION: "a caution: know at once, act soon",
    Priority.ADVISORY: "an advisory: know, act some time",
}
_SURE = {"likely": "is likely", "possible": "is possibly", "certain": "is certainly"}
_SURE_MEANS = {
    "likely": "likely: more likely than not",
    "possible": "possibly: not to be ruled out within two standard uncertainties",
    "certain": "certainly: by more than two standard uncertainties",
}
_SIGNS = {">": "above", ">=": "at or above", "<": "below", "<=": "at or below"}
SAFETY = "This is a monitor, not protection. The numbers are limits for warnings; they come from a qualified tuner."


def explain(rule: Rule) -> list[str]:
    """The lines that say what a rule does."""
    lines = [f"{rule.id} ({rule.file}:{rule.line}) is {_PRIORITIES[rule.priority]}."]
    if rule.out_of_service:
        lines.append(f"It is out of service and does not run: {rule.out_of_service}.")
    lines.append(f'It says "{rule.say}" and what to do: "{rule.do}".')
    if rule.why:
        lines.append(rule.why)
    lines += ["", "It sounds when", *_condition(rule.when, "  ")]
    lines += _tables(rule.when)
    used = dict.fromkeys(c.sureness for c in tree.comparisons_in(rule.when))
    lines += [f"  ({'; '.join(_SURE_MEANS[s] for s in used)})"] if used else []
    lines += ["", *_timing(rule)]
    if rule.suppress_when is not None:
        lines += ["", *_suppression(rule)]
    lines += ["", *_blindness(rule), "", _ends(rule), SAFETY]
    return [line for n, line in enumerate(lines) if line or (n and lines[n - 1])]


def _condition(node: tree.Condition, indent: str) -> list[str]:
    match node:
        case tree.And(parts=parts):
            return [f"{indent}all of these hold:", *_bullets(parts, indent)]
        case tree.Or(parts=parts):
            return [f"{indent}one of these holds:", *_bullets(parts, indent)]
        case tree.Not(of=inner):
            return [f"{indent}this does not hold:", *_bullets((inner,), indent)]
        case _:
            return [indent + _plain(node)]


def _bullets(parts: tuple[tree.Condition, ...], indent: str) -> list[str]:
    lines = []
    for part in parts:
        inner = _condition(part, indent + "  ")
        lines += [f"{indent}- {inner[0].strip()}", *(f"  {line}" for line in inner[1:])]
    return lines


def _plain(node: tree.Condition) -> str:
    match node:
        case tree.Fixed(truth=truth, text=text):
            return f"{text} (in this stage: {'yes' if truth else 'no'})"
        case tree.Compare():
            return _comparison(node)
        case tree.Lost(name=name):
            return f"nothing is known of {name}"
        case _:
            return f"{show(node)} is on"


def _comparison(node: tree.Compare) -> str:
    words = f"{show(node.left)} {_SURE[node.sureness]} {_SIGNS[node.comparison]} {show(node.right)}"
    if not node.deadband_si:
        return words
    way = "below" if node.comparison in (">", ">=") else "above"
    return f"{words}; then until it is {_band(node)} {way} that"


def _band(node: tree.Compare) -> str:
    for inner in (*tree.walk(node.left), *tree.walk(node.right)):
        if isinstance(inner, tree.ChannelRef):
            unit = inner.unit
            name = "K" if unit.dimension == units.TEMPERATURE else unit.symbol
            factor = 1.0 if unit.dimension == units.TEMPERATURE else unit.factor
            return f"{spelt(node.deadband_si / factor, 3)} {'' if name in ('lambda', 'ratio') else name}".rstrip()
    return f"{spelt(node.deadband_si, 3)}"


def _tables(node: tree.Condition) -> list[str]:
    """The points of each table, in the units of what it is looked up by and held against."""
    lines = {}
    for compare in tree.comparisons_in(node):
        for call in tree.walk(compare):
            if isinstance(call, tree.TableCall) and call.name not in lines:
                lines[call.name] = f"  {call.name}: {_points(call, compare)}"
    return list(lines.values())


def _points(call: tree.TableCall, compare: tree.Compare) -> str:
    by = next((n.unit for n in tree.walk(call.argument) if isinstance(n, tree.ChannelRef)), units.unit(""))
    gives = next(
        (
            n.unit
            for n in tree.walk(compare)
            if isinstance(n, tree.ChannelRef) and n.unit.dimension == call.dimension and n.unit != by
        ),
        by if by.dimension == call.dimension else units.Unit("", call.dimension, 1.0),
    )
    pairs = [
        f"{spelt(gives.from_si(y), 4)} {'' if gives.symbol in ('lambda', 'ratio') else gives.symbol}".rstrip()
        + f" at {spelt(by.from_si(x), 4)} {by.symbol}"
        for x, y in zip(call.xs, call.ys, strict=True)
    ]
    return ", ".join(pairs) + "; straight lines between, held beyond the ends"


def _timing(rule: Rule) -> list[str]:
    if rule.inverse_time is not None:
        lines = _inverse(rule.inverse_time)
    elif rule.on_delay_ns:
        lines = [f"It must hold for {_s(rule.on_delay_ns)} without a break; unknown time does not count."]
    else:
        lines = ["It sounds at the first reading."]
    after = f"after {_s(rule.off_delay_ns)} without it" if rule.off_delay_ns else "as soon as it no longer holds"
    if rule.latching:
        lines.append(f"It is latched: {after} it still stands until somebody has acknowledged it.")
    else:
        lines.append(f"It ends {after}.")
    if rule.re_alarm_ns:
        times = "" if rule.re_alarm_count is None else f", at most {rule.re_alarm_count} times"
        lines.append(f"Acknowledged and still there, it sounds again every {_s(rule.re_alarm_ns)}{times}.")
    if rule.worse is not None:
        lines.append(_worse(rule.worse))
    return lines


def _worse(spec: Worse) -> str:
    of = show(spec.excess)
    if spec.step_si is None:
        return f"Acknowledged, it sounds again once {of} has grown to the next of its points and by half, or doubled."
    unit = next((n.unit for n in tree.walk(spec.excess) if isinstance(n, tree.ChannelRef)), units.unit(""))
    shown = "" if unit.symbol in ("lambda", "ratio") else f" {unit.symbol}"
    return f"Acknowledged, it sounds again once {of} has grown by {spelt(spec.step_si / unit.factor, 3)}{shown}."


def _inverse(spec: InverseTime) -> list[str]:
    head = f"The worse, the sooner. The excess is {show(spec.excess)}"
    if spec.formula is not None:
        k, alpha = spec.formula
        return [f"{head}, a multiple M of the setting; it is allowed for {spelt(k)} / (M^{spelt(alpha)} - 1) s."]
    unit = next((n.unit for n in tree.walk(spec.excess) if isinstance(n, tree.ChannelRef)), units.unit(""))
    shown = "" if unit.symbol in ("lambda", "ratio") else f" {unit.symbol}"
    pairs = ", ".join(f"{spelt(x / unit.factor, 3)}{shown} for {spelt(seconds)} s" for x, seconds in spec.points)
    return [f"{head}; allowed are {pairs}. Once it is gone, it is forgotten within {_s(spec.drain_ns)}."]


def _suppression(rule: Rule) -> list[str]:
    assert rule.suppress_when is not None
    ends = "no new alert; a standing one ends" if rule.suppress_ends else "no new alert; a standing one stays"
    return [f"It is suppressed while this holds ({ends}):", *_condition(rule.suppress_when, "  ")]


def _blindness(rule: Rule) -> list[str]:
    lines = [f'When it cannot tell for {_s(rule.blind_delay_ns)}, "Cannot see ..." sounds for the sensor behind that.']
    if rule.urgent_when is not None:
        lines.append(
            f"That is so if, as last known, {show(rule.urgent_when)}; otherwise it takes {_s(rule.blind_otherwise_ns)}."
        )
    return lines


def _ends(rule: Rule) -> str:
    if not rule.shelvable:
        return "Nobody can put it aside."
    return f"It can be put aside for at most {_s(rule.longest_shelve_ns)}."


def _s(ns: int) -> str:
    return f"{spelt(ns / 60e9)} min" if ns >= 120_000_000_000 else f"{spelt(ns / 1e9)} s"
