"""Compares a recorded drive with its replay over wires, alert change by alert change."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cabcanary.clock import NS_PER_S
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.host.host_settings import HostSource
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from cabcanary.plan.plan import Plan
    from cabcanary.review.replay.recording import Playable, Step

#: Greatest promised difference over wires, where bytes are timed anew: ticks.
PROMISED_TICKS = 2
_NEAR_S = 0.02


@dataclass(frozen=True, slots=True)
class Compared:
    """A recorded change of an alert beside the one that came now: by how many ticks it came later, and how many are
    allowed; `on_bus` says that it rests on something that the engine computer is asked for."""

    recorded: Step
    ticks: float
    allowed: float
    on_bus: bool


@dataclass(frozen=True, slots=True)
class Played:
    """How a drive was played: from which tick to which and when every wire had spoken (ns), how fast, how late the
    wires ever were (s), and by how much each PID was polled beside its recorded times (ns)."""

    first_ns: int
    settled_ns: int
    last_ns: int
    speed: float
    late_s: float
    misses_ns: Mapping[int, float]


def pair(recorded: list[Step], came: list[Step], tick_ns: float) -> Iterator[tuple[Step, float | None]]:
    """Each recorded change with how many ticks later it came now; None: it did not come.

    The first change of an alert to a state is held against the first one now, the second against the second.
    """
    times: dict[tuple[str, str], list[int]] = defaultdict(list)
    for step in came:
        times[step.alert, step.state].append(step.time_ns)
    for step in recorded:
        now = times[step.alert, step.state]
        yield step, (now.pop(0) - step.time_ns) / tick_ns if now else None


def compare(drive: Playable, plan: Plan, played: Played, came: list[Step]) -> dict[str, Any]:
    """The replay over wires compared with the recording, for a program to read."""
    whole = [s for s in drive.recorded() or [] if played.first_ns <= s.time_ns <= played.last_ns]
    before = {s.alert: s.state for s in whole if s.time_ns <= played.settled_ns}
    recorded, came = (_settled(steps, played.settled_ns, before) for steps in (whole, came))
    tick_ns = NS_PER_S / plan.settings.daemon.tick_hz
    pairs = list(pair(recorded, came, tick_ns))
    missing = [s for s, ticks in pairs if ticks is None]
    seen = {(s.alert, s.state): sum(1 for r in recorded if r[1:] == s[1:]) for s in recorded}
    new: list[Step] = []
    for step in came:
        left = seen.get((step.alert, step.state), 0)
        seen[step.alert, step.state] = left - 1
        if left <= 0:
            new.append(step)
    found = [Compared(s, t, *_rests_on(plan, s.alert)) for s, t in pairs if t is not None]
    worst = max((abs(c.ticks) for c in found), default=0.0)

    def listed(step: Step) -> dict[str, Any]:
        return {"s": round((step.time_ns - played.first_ns) / NS_PER_S, 3), "alert": step.alert, "state": step.state}

    return {
        "drive": drive.name,
        "speed": played.speed,
        "from_s": round((played.settled_ns - played.first_ns) / NS_PER_S, 3),
        "same": not missing and not new and all(abs(c.ticks) <= c.allowed for c in found),
        "worst_ticks": round(worst, 2),
        "worst_ticks_without_bus": round(max((abs(c.ticks) for c in found if not c.on_bus), default=0.0), 2),
        "changes": [
            {**listed(c.recorded), "ticks": round(c.ticks, 2), "allowed": c.allowed, "on_bus": c.on_bus} for c in found
        ],
        "missing": [listed(s) for s in missing],
        "new": [listed(s) for s in new],
        "polls_miss_s": {f"{pid:02X}": round(ns / NS_PER_S, 3) for pid, ns in sorted(played.misses_ns.items())},
        "wires_late_s": round(played.late_s, 3),
        "lost_ticks": drive.lost_ticks,
    }


def _settled(steps: list[Step], settled_ns: int, before: Mapping[str, str]) -> list[Step]:
    """The steps after every wire had spoken, without alerts that stood before: this daemon remembers none."""
    standing = {alert for alert, state in before.items() if state.startswith("active")}
    found = []
    for step in steps:
        if step.time_ns <= settled_ns:
            continue
        if step.alert not in standing:
            found.append(step)
        elif not step.state.startswith("active"):
            standing.discard(step.alert)
    return found


def _rests_on(plan: Plan, alert: str) -> tuple[float, bool]:
    """How many ticks an alert may be off, and whether it rests on something that the engine computer is asked for.

    The monitor's own computer is looked at now and then, at times that nobody can choose: one such interval more.
    """
    sources, channels = plan.settings.sources, plan.settings.channels
    wires_of = plan.pipeline().wires()
    rule = next((r for r in plan.rules.rules if r.id == alert), None)
    named = rule.channels if rule is not None else [c for c in wires_of if alert.endswith(f"_{c}")]
    measured = {root for channel in named for root in wires_of.get(channel, (channel,))}
    wires = [sources[c.source] for m in measured if isinstance(c := channels.get(m), MeasuredChannel)]
    looks_s = max((1 / wire.rate_hz for wire in wires if isinstance(wire, HostSource)), default=0.0)
    allowed = PROMISED_TICKS + looks_s * plan.settings.daemon.tick_hz
    return allowed, any(isinstance(wire, CanSource) for wire in wires)


def report_lines(answer: dict[str, Any]) -> Iterator[str]:
    """The same for a person."""
    yield f"{answer['drive']} over wires, clock ×{spelt(answer['speed'])}, from {answer['from_s']:.1f} s on"
    for c in answer["changes"]:
        bus = "  (rests on the polled bus)" if c["on_bus"] else ""
        more = f"  ({spelt(c['allowed'])} are allowed)" if c["allowed"] > PROMISED_TICKS else ""
        yield f"  {c['s']:9.2f} s  {c['ticks']:+6.1f} ticks  {c['alert']}: {c['state']}{bus}{more}"
    for word, steps in (("MISSING", answer["missing"]), ("NEW", answer["new"])):
        for s in steps:
            yield f"  {s['s']:9.2f} s  {word:>12}  {s['alert']}: {s['state']}"
    if answer["polls_miss_s"]:
        misses = [abs(s) for s in answer["polls_miss_s"].values()]
        near = sum(1 for s in misses if s <= _NEAR_S)
        words = f"{near} of {len(misses)} PIDs are polled within 20 ms of their recorded times"
        yield words + (f", the others within {max(misses):.2f} s" if near < len(misses) else "")
    yield f"the wires were never more than {answer['wires_late_s'] * 1000:.0f} ms of their clock late"
    if answer["lost_ticks"]:
        yield f"{answer['lost_ticks']} ticks were lost when it was recorded: alerts may differ there"
    kept = "the same alerts as live, within" if answer["same"] else "NOT the same alerts as live, or not within"
    yield f"{kept} {PROMISED_TICKS} ticks (worst {answer['worst_ticks']:.1f})"
