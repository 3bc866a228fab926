"""What a vehicle is watched for with the channels and rules that it has."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING, Any, get_args

from cabcanary.expressions import tree
from cabcanary.model import Priority
from cabcanary.settings.derived import AirPressureChannel, BoostChannel, EngineRunningChannel
from cabcanary.settings.rule_schema import Subject
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from cabcanary.rules.rule import Rule
    from cabcanary.rules.rule_set import NotFitted, RuleSet
    from cabcanary.settings.schema import Settings

LEAN, OVER_BOOST, LOST = "lean under boost", "over-boost", "boost lost"
MIXTURE_BLIND, PRESSURE_BLIND, MONITOR = "mixture blind", "pressure blind", "the monitor itself"
#: Without one of these an engine under boost is not watched.
VITAL = (LEAN, OVER_BOOST, MIXTURE_BLIND, PRESSURE_BLIND)
_SUBJECTS = (*VITAL, *(s for s in get_args(Subject) if s not in VITAL))


class Watched(StrEnum):
    """How well something is watched for. The words go to people, the feed and MQTT."""

    YES = "yes"
    LESS = "less well"
    NO = "no"
    NOT_NEEDED = "not needed yet"


@dataclass(frozen=True, slots=True)
class Covered:
    """One thing that a vehicle is watched for, how well, and why not better."""

    subject: str
    watched: Watched
    why: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """For a person, in one line."""
        reason = {Watched.LESS: ", because ", Watched.NO: ", "}.get(self.watched, "; ")
        return f"{self.subject}: {self.watched}" + (reason + "; ".join(self.why) if self.why else "")

    def as_json(self) -> dict[str, Any]:
        """For a program."""
        return {"watched_for": self.subject, "watched": str(self.watched), "why": list(self.why)}


@dataclass(frozen=True, slots=True)
class Coverage:
    """All that a vehicle can be watched for, the vital ones first."""

    parts: tuple[Covered, ...]

    @property
    def gaps(self) -> tuple[Covered, ...]:
        """What an engine under boost must be watched for, and is not."""
        return tuple(p for p in self.parts if p.subject in VITAL and p.watched is Watched.NO)

    @property
    def gap_line(self) -> str:
        """What is missing, in one line; empty if nothing vital is."""
        if not self.gaps:
            return ""
        return "NOT WATCHED for " + "; ".join(f"{p.subject} ({', '.join(p.why)})" for p in self.gaps)

    @property
    def line(self) -> str:
        """All of it in one line."""
        return self.gap_line or "watched for " + ", ".join(
            f"{p.subject} ({p.watched})" if p.watched is not Watched.YES else p.subject
            for p in self.parts
            if p.watched in (Watched.YES, Watched.LESS)
        )

    def as_json(self) -> list[dict[str, Any]]:
        """For a program."""
        return [p.as_json() for p in self.parts]


def coverage(settings: Settings, rules: RuleSet, roots: Mapping[str, tuple[str, ...]]) -> Coverage:
    """What these rules watch for in this vehicle; `roots` are the measured channels behind each channel."""
    running = [r for r in rules.rules if not r.out_of_service]
    rich = _rich_ends(settings)
    found: dict[str, Covered] = {
        MIXTURE_BLIND: _blindness(MIXTURE_BLIND, _widebands(settings), "a wideband", running, roots, rich),
        PRESSURE_BLIND: _blindness(PRESSURE_BLIND, _pressures(settings), "a manifold pressure sensor", running, roots),
    }
    for subject in _SUBJECTS:
        if subject not in found:
            found[subject] = _by_rules(subject, running, rules, _facts(subject, settings))
    boosted = bool(settings.compressor_kind) or not running
    return Coverage(tuple(found[s] if boosted else _before_boost(found[s]) for s in _SUBJECTS))


def _before_boost(part: Covered) -> Covered:
    """Before there is a compressor nothing under boost needs to be watched."""
    if part.subject not in (*VITAL, LOST) or (part.watched is not Watched.NO and part.subject != LOST):
        return part
    return Covered(part.subject, Watched.NOT_NEEDED, part.why)


def _by_rules(subject: str, running: list[Rule], rules: RuleSet, facts: tuple[str, ...]) -> Covered:
    here = [r for r in running if r.covers == subject and not _is_for_others(r.when)]
    if not here:
        return Covered(subject, Watched.NO, _lacks(subject, rules))
    # Several rules for one thing: the best of them says how well it is watched.
    least = min(here, key=lambda r: len(r.lacks))
    why = (*(_cost(name, words) for name, words in least.lacks), *facts)
    return Covered(subject, Watched.LESS if why else Watched.YES, why)


def _is_for_others(when: tree.Condition) -> bool:
    """Whether it only ever holds on vehicles that have another channel, or lack one."""
    parts = when.parts if isinstance(when, tree.And) else (when,)
    fixed = [p for p in parts if isinstance(p, tree.Fixed) and not p.truth]
    return any(p.text.startswith(("fitted ", "not fitted ")) for p in fixed)


def _cost(name: str, words: str) -> str:
    fact = f"its {name} is not known yet" if name.startswith("baseline ") else f"it has no {name}"
    return f"{fact}: {words}" if words else fact


def _lacks(subject: str, rules: RuleSet) -> tuple[str, ...]:
    absent = [n for n in rules.not_fitted if n.covers == subject]
    idle = [r.id for r in rules.rules if r.covers == subject and r.out_of_service]
    reasons = [*(_absence(n) for n in absent), *(f"its rule {r} is out of service" for r in idle)]
    none = "it has no rule for it" if rules.rules else "it has no rules at all: name rule files in 'rules'"
    return tuple(dict.fromkeys(reasons)) or (none,)


def _absence(rule: NotFitted) -> str:
    hint = f" ({rule.hint})" if "did you mean" in rule.hint else ""
    return f"it lacks a baseline {rule.baseline}" if rule.baseline else f"it lacks {rule.channel}{hint}"


def _blindness(
    subject: str,
    channels: tuple[str, ...],
    what: str,
    running: Iterable[Rule],
    roots: Mapping[str, tuple[str, ...]],
    limits: tuple[str, ...] = (),
) -> Covered:
    running = list(running)
    if not running:
        return Covered(subject, Watched.NO, ("it has no rules at all: name rule files in 'rules'",))
    if not channels:
        return Covered(subject, Watched.NO, (f"it lacks {what}",))
    for rule in running:
        if rule.priority is Priority.WARNING and any(set(roots.get(c, (c,))) & set(channels) for c in rule.channels):
            return Covered(subject, Watched.LESS if limits else Watched.YES, limits)
    return Covered(subject, Watched.NO, (f"no warning depends on {' or '.join(channels)}",))


def _rich_ends(settings: Settings) -> tuple[str, ...]:
    """Where a wideband's voltage has no live zero, what is richer than its rail is taken for a broken wire."""
    told = []
    for name in _widebands(settings):
        spec = settings.channels[name]
        if not isinstance(spec, MeasuredChannel) or spec.curve is None or spec.curve.kind != "linear" or not spec.rails:
            continue
        (x0, y0), (x1, y1) = sorted(spec.curve.points)
        rich_end = x0 if y0 < y1 else x1
        rail = spec.rails[0] if y0 < y1 else spec.rails[1]
        if spec.rails[0] < rich_end < spec.rails[1]:
            continue
        richest = (y0 + (y1 - y0) * (rail - x0) / (x1 - x0)) / (spec.afr_scale or 1.0)
        told.append(f"{name} richer than {spelt(richest, 3)} is the voltage of a broken wire, and is told as blindness")
    return tuple(told)


def _widebands(settings: Settings) -> tuple[str, ...]:
    channels = settings.channels.items()
    return tuple(n for n, c in channels if isinstance(c, MeasuredChannel) and c.measures == "lambda")


def _pressures(settings: Settings) -> tuple[str, ...]:
    boosts = [c.pressure for c in settings.channels.values() if isinstance(c, BoostChannel)]
    return tuple(dict.fromkeys(p for p in boosts if p in settings.channels))


def bus_alone_line(settings: Settings) -> str:
    """What a vehicle cannot be warned of that measures neither mixture nor boost; empty for any other."""
    if _widebands(settings) or _pressures(settings):
        return ""
    return (
        "neither mixture nor boost is measured: it learns what is normal, and it can NOT warn of a lean mixture, of "
        "too much boost, or of a sensor for them that has died"
    )


def is_to_be_fed_by_the_key(settings: Settings) -> bool:
    """Whether nothing tells a key that is off from a fuse that has blown: the monitor is to be off with the key."""
    engines = [c for c in settings.channels.values() if isinstance(c, EngineRunningChannel)]
    return bool(engines) and not any(c.supply or c.engine_speed or c.ignition for c in engines)


def _monitor_facts(settings: Settings) -> tuple[str, ...]:
    told = []
    if settings.watcher is None:
        told.append("nothing beside it tells when it has stopped: add [watcher]")
    if is_to_be_fed_by_the_key(settings):
        told.append("two dark sensors may be the key or a blown fuse, and are told as blindness: feed it by the key")
        told.append("fed by the key, it says at a start with the engine off, or never, that it cannot record")
    return tuple(told)


def _facts(subject: str, settings: Settings) -> tuple[str, ...]:
    """What the settings say about how well something can be seen, whatever the rules are."""
    if subject == MONITOR:
        return _monitor_facts(settings)
    air = [c for c in settings.channels.values() if isinstance(c, AirPressureChannel)]
    if subject in (LEAN, OVER_BOOST) and air and not any(c.sensors for c in air):
        return ("the air's pressure is only seen while the engine stands: on a climb boost is known less and less",)
    return ()
