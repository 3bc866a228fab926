"""Each alert with the seconds before and after it: what its rule held against which limit."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary import units
from cabcanary.expressions import tree
from cabcanary.expressions.arrays import evaluate_condition
from cabcanary.expressions.bounds import dimension
from cabcanary.model import Quality
from cabcanary.review.figures.columns import spans
from cabcanary.review.report.looked import Section, Sounded, clock, length
from cabcanary.review.report.markup import el
from cabcanary.review.report.plot import plot
from cabcanary.review.report.scales import Scale, scale
from cabcanary.rules.blind import BLIND
from cabcanary.rules.figures import show

if TYPE_CHECKING:
    from cabcanary.review.figures.columns import Floats
    from cabcanary.review.report.looked import Looked
    from cabcanary.review.report.markup import Markup
    from cabcanary.rules.rule import Rule

#: Shown before and after the moment, s.
BEFORE_S, AFTER_S = 10.0, 10.0
#: More are listed and not drawn: the page must stay small enough to be sent.
MOST_DRAWN = 40
_HEIGHT = 190.0
_LATELY = 5


class Held(NamedTuple):
    """A quantity and the limit that it was held against, at every tick, in the unit in which they are shown."""

    name: str
    limit_name: str
    unit: str
    values: Floats
    limits: Floats
    #: Where the quantity is past its limit, and the rule not suppressed.
    past: Any
    suppresses: bool = False
    #: The rule says by this how bad it is.
    about: bool = False


def alerts(looked: Looked) -> Section:
    """Each alert with what led to it."""
    section = Section("Each alert, with the seconds before and after")
    if not looked.sounded:
        words = "No alert sounded" if looked.judged else "No rules watched this drive"
        section.sentences.append(f"{words}, so there is nothing to show here.")
        return section
    section.sentences.append(
        f"The moment of the alert is the upright line. Before it are {BEFORE_S:.0f} s, behind it {AFTER_S:.0f} s. "
        "Drawn is what the rule is about, or what came past its limit last; the dashed line is that limit."
    )
    if len(looked.sounded) > MOST_DRAWN:
        section.sentences.append(f"Drawn are the first {MOST_DRAWN} of {len(looked.sounded)}.")
    kept: dict[str, list[Held]] = {}
    drawn: list[dict[str, Any]] = []
    for number, alert in enumerate(looked.sounded[:MOST_DRAWN], 1):
        rows = _rows(looked, alert.at_s)
        held = _held(looked, alert, rows, kept)
        if held is not None and not np.isfinite(held.values[rows]).any():
            held = None
        section.parts.append(_one(looked, alert, number, held, rows))
        if held is not None:
            shown = {"alert": alert.alert, "at_s": round(alert.at_s, 3), "shown": held.name}
            drawn.append(shown | ({"past_limit_s": _past(looked, held, rows)} if held.limit_name else {}))
    section.figures = {"drawn": drawn}
    return section


def _one(looked: Looked, alert: Sounded, number: int, held: Held | None, rows: slice) -> Markup:
    until = "to the end of the drive" if alert.until_s is None else f"for {length(alert.until_s - alert.at_s)}"
    heading = el("h3", f"{number}. {clock(alert.at_s)} {alert.priority}: {alert.say}")
    story = f"It said “{alert.do}. {alert.say}.” and stood {until}."
    story += f" Why: {alert.why}." if alert.why else ""
    if held is None:
        name = looked.called(alert.alert.removeprefix(BLIND))
        words = f"There is nothing to draw: {name} had no value in these seconds."
        return el("section", heading, el("p", story), el("p", words), class_="alert")
    sentence = _sentence(looked, held, rows)
    picture = _drawn(looked, alert, held, rows, sentence, f"alert-{number}")
    return el("section", heading, el("p", story), el("figure", picture, el("figcaption", sentence)), class_="alert")


def _rows(looked: Looked, at_s: float) -> slice:
    seconds = looked.columns.seconds
    first, last = np.searchsorted(seconds, [at_s - BEFORE_S, at_s + AFTER_S])
    return slice(int(first), int(last))


def _held(looked: Looked, alert: Sounded, rows: slice, kept: dict[str, list[Held]]) -> Held | None:
    """What is drawn: the comparison that a rule is about, else the one that came true last; of a blind channel that."""
    if alert.alert.startswith(BLIND):
        return _channel(looked, alert.alert.removeprefix(BLIND))
    if alert.alert not in kept:
        kept[alert.alert] = _comparisons(looked, alert.alert)
    about = next((h for h in kept[alert.alert] if h.about and np.isfinite(h.values[rows]).any()), None)
    if about is not None:
        return about
    row = int(np.searchsorted(looked.columns.seconds, alert.at_s))
    best, best_since = None, -1
    for held in kept[alert.alert]:
        before = held.past[rows.start : row + 1]
        if not len(before) or not np.isfinite(held.values[rows]).any():
            continue
        # At the moment itself a channel may be gone already: what held in the last ticks has had its part.
        lately = np.flatnonzero(before[-_LATELY:])
        end = len(before) - min(_LATELY, len(before)) + int(lately[-1]) if len(lately) else 0
        never = np.flatnonzero(~before[: end + 1])
        since = (int(never[-1]) if len(never) else 0) if len(lately) else -1
        if since > best_since or best is None:
            best, best_since = held, since
    return best


def _channel(looked: Looked, name: str) -> Held | None:
    columns = looked.columns
    if not columns.has(name):
        return None
    symbol = columns.unit(name)
    more = (Quality.SATURATED_HIGH, Quality.SATURATED_LOW, Quality.WITHIN)
    values = _shown(looked, columns.good(name, "", *more), symbol)
    nothing = np.full(columns.rows, np.nan)
    return Held(looked.called(name), "", looked.display.unit_for(symbol), values, nothing, np.isnan(values))


def _comparisons(looked: Looked, rule_id: str) -> list[Held]:
    rule = next((r for r in looked.drive.plan.rules.rules if r.id == rule_id), None)
    if rule is None:
        return []
    held_back = np.zeros(looked.columns.rows, dtype=bool)
    if rule.suppress_when is not None:
        held_back = evaluate_condition(rule.suppress_when, looked.drive.signals).truths.true
    found = []
    for node, left, right in evaluate_condition(rule.when, looked.drive.signals).sides:
        symbol = _symbol(node)
        if symbol is None:
            continue
        unit = units.unit(symbol)
        # Of an interval its middle; of one that is open to a side the end that is known.
        values = np.where(left.known, _middle(left.low, left.high), np.nan)
        limits = np.where(right.known, right.high if node.comparison in (">", ">=") else right.low, np.nan)
        with np.errstate(invalid="ignore"):
            past = (values > limits if node.comparison in (">", ">=") else values < limits) & ~held_back
        numbers, ends = (_shown(looked, (x - unit.offset) / unit.factor, symbol) for x in (values, limits))
        found.append(
            Held(
                _plain(looked, node.left, symbol),
                _plain(looked, node.right, symbol),
                looked.display.unit_for(symbol),
                numbers,
                ends,
                past,
                bool(held_back.any()),
                _is_about(rule, node),
            )
        )
    return found


def _is_about(rule: Rule, node: tree.Compare) -> bool:
    """Whether a rule measures by this comparison how bad it is: its excess is the one side less the other."""
    of = [rule.inverse_time, rule.worse]
    sides = [
        (spec.excess.left, spec.excess.right)
        for spec in of
        if spec is not None and isinstance(spec.excess, tree.Arithmetic) and spec.excess.operation == "-"
    ]
    return (node.left, node.right) in sides or (node.right, node.left) in sides


def _plain(looked: Looked, node: tree.Number, symbol: str) -> str:
    """A channel as people call it, a number in the owner's unit, and anything else as the rule has it."""
    if isinstance(node, tree.Quantity):
        return f"its limit, {looked.display.show(units.unit(symbol).from_si(node.si), symbol)}"
    return looked.called(node.name) if isinstance(node, tree.ChannelRef) else show(node)


def _middle(low: Floats, high: Floats) -> Floats:
    return np.where(np.isinf(high), low, np.where(np.isinf(low), high, (low + high) / 2))


def _symbol(node: tree.Compare) -> str | None:
    """The unit of what is compared: that of the first channel of the same kind in it."""
    wanted = dimension(node.left)
    refs = [n for side in (node.left, node.right) for n in tree.walk(side) if isinstance(n, tree.ChannelRef)]
    same = next((n.unit.symbol for n in refs if n.unit.dimension == wanted), None)
    if same is not None:
        return same
    plain = {units.DIMENSIONLESS: "", units.TIME: "s"}
    return plain.get(wanted)


def _shown(looked: Looked, values: Floats, symbol: str) -> Floats:
    """Numbers of a unit in the unit in which they are shown: every one of these is a straight line."""
    zero, one = (looked.display.number(x, symbol) for x in (0.0, 1.0))
    return values * (one - zero) + zero


def _past(looked: Looked, held: Held, rows: slice) -> float:
    """For how many of the seconds shown it was past its limit, and the rule not suppressed."""
    return round(float(looked.columns.steps[rows][held.past[rows] & np.isfinite(held.values[rows])].sum()), 2)


def _sentence(looked: Looked, held: Held, rows: slice) -> str:
    if not held.limit_name:
        gap = float(looked.columns.steps[rows][np.isnan(held.values[rows])].sum())
        return f"{held.name}: in these {BEFORE_S + AFTER_S:.0f} s it was not seen for {gap:.1f} s, which is hatched."
    past = _past(looked, held, rows)
    unit = f" in {held.unit}" if held.unit not in ("", held.name) else ""
    left_out = ", what the rule suppresses left out" if held.suppresses else ""
    return f"{held.name}{unit} against {held.limit_name}: past it for {past:.1f} s of those shown{left_out}."


def _drawn(looked: Looked, alert: Sounded, held: Held, rows: slice, sentence: str, key: str) -> Markup:
    at = looked.columns.seconds[rows] - alert.at_s
    values, limits = held.values[rows], held.limits[rows]
    everything = np.concatenate([values, limits])
    y = scale(everything[np.isfinite(everything)].tolist(), 0, 1, _least(held.unit))
    p = plot(_HEIGHT, Scale(-BEFORE_S, AFTER_S, 0, 1), y)
    p.axes("seconds from the alert", held.name + (f", {held.unit}" if held.unit not in ("", held.name) else ""))
    for first, last in spans(np.isnan(values)):
        p.span(float(at[first]), float(at[last - 1]), "unseen")
    p.span(0.0, 0.0, "moment")
    p.line(at, values, "measured")
    p.line(at, np.where(held.past[rows], values, np.nan), "past")
    if held.limit_name:
        p.limit(at, limits, "limit")
    return p.svg(f"Alert {alert.alert} at {clock(alert.at_s)}", sentence, key)


def _least(unit: str) -> float:
    """The least that a scale spans, or noise would fill it."""
    return {"lambda": 0.1, "AFR": 1.5, "psi": 2.0, "kPa": 10.0, "bar": 0.1, "V": 1.0, "°C": 10.0}.get(unit, 1.0)
