"""The monitor is started anew at random moments of drives with a fault: what follows must be told as if it had never
been away.

A restart takes two seconds in which nobody looks. The new monitor knows what the one before had written down (what it
has learnt, up to a minute old, and which wideband was hot), or only the second, as when it had never learnt anything.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.model import Priority
from cabcanary_bench.corpus.corpus_grade import names_of
from cabcanary_bench.corpus.watched import chance, limits_of, plan_of
from cabcanary_bench.drives.generator import cut_off, faulty
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.fast.fitted import Fitted
from cabcanary_bench.faults.kinds import FaultKind
from cabcanary_bench.sensors.traits import Traits

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cabcanary.channels.pipeline import Kept
    from cabcanary.plan.plan import Plan
    from cabcanary_bench.corpus.watched import Watched
    from cabcanary_bench.drives.labels import Label
    from cabcanary_bench.fast.fast import Recording

#: From the last look of the old monitor to the first of the new one, s (unit's restart, start and arming).
AWAY_S = 2.0
#: It may take so much longer than a monitor that was never away: windows begin empty, of 1.5 s in the lean rule, s.
LONGER_S = 1.5
#: What a new monitor may take where a sensor dies before it has seen how the engine runs (`blind_delay_otherwise` of
#: the lean rule), and of a wire whose moves in health it has not seen, s.
_NEVER_SEEN_S = 9.0
#: By then it has seen how the engine runs: sources speak within 2 s, and a manifold alone takes its time, s.
_SEES_AFTER_S = 6.0
_BY_HOW_IT_MOVES = (
    FaultKind.MAP_STUCK, FaultKind.MAP_NOISY, FaultKind.WIDEBAND_STUCK, FaultKind.WIDEBAND_NOISY,
    FaultKind.CONVERTER_FROZEN,
)  # fmt: skip
#: Boost that is over sooner has not been watched for long enough: the gas is still on its way to the wideband, s.
_HURTS_S = 1.0
_KPA_PER_PSI = 6.894757  # NIST SP 811
_TICK_S = 0.02
#: What channels have learnt is written down so often, and which wideband is hot, ticks.
_KEPT_EVERY, _HOT_EVERY = 3000, 250
_AFTER_S, _BEFORE_S = 8.0, 15.0
_TOLD = ("lean", "over_boost", "blind lambda", "blind map")


@dataclass(frozen=True, slots=True)
class Heard:
    """One alert that sounded, in seconds of the drive."""

    at_s: float
    alert: str
    warning: bool


@dataclass(frozen=True, slots=True)
class Written:
    """What a monitor had written down at a tick."""

    row: int
    learnt: dict[str, Kept]
    hot: list[str]


@dataclass(frozen=True, slots=True)
class Restarted:
    """One restart: `due_s` is when the fault has to have been told, `told_s` when it was (None: never)."""

    vehicle: str
    fault: str
    seed: int
    back_s: float
    knows: bool
    due_s: float
    told_s: float | None
    false: tuple[Heard, ...]

    def __str__(self) -> str:
        told = "never told" if self.told_s is None else f"told {self.told_s - self.due_s:+.2f} s of its time"
        known = "what was kept" if self.knows else "nothing"
        false = ", ".join(f"{h.alert} at {h.at_s:.1f} s" for h in self.false)
        where = f"{self.vehicle}, {self.fault} {self.seed}: back at {self.back_s:.2f} s with {known}"
        return f"{where}: {told}{f'; false: {false}' if false else ''}"


def kinds_for(vehicle: Watched) -> list[FaultKind]:
    """The faults of mixture, boost and blindness that the vehicle can have and show."""
    return [k for k in FaultKind if k.info.expects in _TOLD and chance(k, vehicle) == "seen"]


def restarts(vehicle: Watched, kind: FaultKind, seed: int, moments: int) -> list[Restarted]:
    """So many restarts in one drive with a fault; none where a monitor that is never away finds nothing either."""
    plan = plan_of(vehicle)
    recording = _driven(vehicle, plan, kind, seed)
    label = next(label for label in recording.labels if label.is_fault)
    always, written = _watched(plan, recording, 0, {}, ())
    onset_s = label.onset_sensor_s
    told_s = None if onset_s is None else _told(always, label, onset_s)
    if not label.must_be_found or onset_s is None or told_s is None:
        return []
    rng = random.Random(seed * 17 + len(vehicle.name))
    found = []
    for back_s in _moments(rng, onset_s, told_s, moments):
        needs_s = told_s - onset_s + _longer_s(kind, seen_s=onset_s - back_s)
        due_s = _due(vehicle, recording, label, max(onset_s, back_s), needs_s)
        if due_s > label.end_s:
            continue
        row = _row(recording, back_s)
        known = [w for w in written if w.row < row - AWAY_S / _TICK_S]
        learnt = [w.learnt for w in known if w.row % _KEPT_EVERY == 0]
        knows = bool(learnt) and rng.random() < 0.7
        heard, _ = _watched(plan, recording, row, learnt[-1] if knows else {}, known[-1:])
        false = tuple(h for h in heard if h.warning and h.at_s < min(onset_s, label.start_s))
        told = _told(heard, label, max(onset_s, back_s) - _TICK_S)
        found.append(Restarted(vehicle.title, kind, seed, back_s, knows, due_s, told, false))
    return found


def _moments(rng: random.Random, onset_s: float, told_s: float, count: int) -> Iterator[float]:
    """When the new monitor looks first: before the fault shows, or about when the old one would have told it."""
    for n in range(count):
        last_s = told_s + rng.choice([0.0, 1.0])
        yield rng.uniform(onset_s - (_BEFORE_S if n % 2 else AWAY_S), last_s)


def _longer_s(kind: FaultKind, *, seen_s: float) -> float:
    """How much longer it may take; the new monitor had so many seconds before the fault."""
    blind = kind.info.expects.startswith("blind")
    return _NEVER_SEEN_S if kind in _BY_HOW_IT_MOVES or (blind and seen_s < _SEES_AFTER_S) else LONGER_S


def _due(vehicle: Watched, recording: Recording, label: Label, from_s: float, needs_s: float) -> float:
    """When a fault is due that takes so long to tell: it hurts the engine under boost alone, by the vehicle's limits.
    Infinite where boost is over within a second."""
    time_s = recording.truth["time_s"]
    boosted = recording.truth["boost_kpa"] > limits_of(vehicle).lean_from_psi * _KPA_PER_PSI
    if label.expects.startswith("blind"):
        from_s = float(min(time_s[boosted & (time_s >= from_s)], default=math.inf))
    due_s = from_s + needs_s
    hurts_s = np.count_nonzero(boosted & (time_s >= from_s) & (time_s < due_s)) * _TICK_S
    return due_s if hurts_s >= _HURTS_S else math.inf


def late(cases: Sequence[Restarted]) -> list[str]:
    """What was told too late or never."""
    return [str(c) for c in cases if c.told_s is None or c.told_s > c.due_s]


def false(cases: Sequence[Restarted]) -> list[str]:
    """What warned before the fault was there."""
    return [str(c) for c in cases if c.false]


def _driven(vehicle: Watched, plan: Plan, kind: FaultKind, seed: int) -> Recording:
    fitted = Fitted(plan.settings, vehicle.build)
    ends = fitted.lambda_ends
    traits = Traits() if ends is None else Traits(lambda_ends=ends)
    scenario = faulty(seed, kind)
    scenario = cut_off(scenario, scenario.faults[0].end_s + _AFTER_S)
    return drive(scenario, seed, traits, fitted=fitted, limits=limits_of(vehicle))


def _row(recording: Recording, at_s: float) -> int:
    return next(n for n, tick_ns in enumerate(recording.tick_ns.tolist()) if recording.drive_s(tick_ns) >= at_s)


def _watched(
    plan: Plan, recording: Recording, row: int, learnt: dict[str, Kept], before: Sequence[Written]
) -> tuple[list[Heard], list[Written]]:
    """What a monitor that starts at a tick lets sound, and what it writes down; it knows what was learnt, and what was
    hot `before`."""
    pipeline, engine = plan.pipeline(), plan.engine()
    pipeline.recall(learnt, AWAY_S)
    heard: list[Heard] = []
    written: list[Written] = []
    for n, (newest, now_ns) in enumerate(recording.ticks(), recording.runs[0][0]):
        if n < row:
            continue
        if n == row:
            for w in before:
                pipeline.begin_hot(w.hot, now_ns - int(recording.tick_ns[w.row]), now_ns)
        at_s, changes = recording.drive_s(now_ns), engine.step(pipeline.step(newest, now_ns))
        heard += [Heard(at_s, c.alert, c.priority is Priority.WARNING) for c in changes if c.sounds]
        if n % _HOT_EVERY == 0:
            written.append(Written(n, pipeline.remembered(), pipeline.hot()))
    return heard, written


def _told(heard: Sequence[Heard], label: Label, from_s: float) -> float | None:
    """When the fault was told by its own name, or something else warned while it was there."""
    names = names_of(label)
    return next(
        (h.at_s for h in heard if from_s <= h.at_s <= label.end_s + _AFTER_S and (h.alert in names or h.warning)), None
    )
