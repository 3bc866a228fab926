"""The labelled corpus: seeded drives without wires, through the daemon's own channels and rules; what each one gave.

A drive goes through `Pipeline.step` tick by tick, as live, and its columns through the rules as a whole drive, which is
held equal to the live engine elsewhere. Nothing is kept of a drive but what sounded in it.
"""

from __future__ import annotations

import random
from array import array
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.clock import NS_PER_S
from cabcanary.expressions.arrays import Column, Signals
from cabcanary.model import Reading
from cabcanary.plan.plan import Plan, plan_in_stage
from cabcanary.rules.whole_drive import WholeDrive
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.host.host_settings import HostSource
from cabcanary_bench.corpus.corpus_kept import Driven, load, mark_of, save
from cabcanary_bench.corpus.injected import INJECTED, Injected
from cabcanary_bench.drives.generator import DriveKind, cut_off, errand, faulty, ordinary, with_fault
from cabcanary_bench.drives.mountain import mountain
from cabcanary_bench.fast.fast import COMPUTER, drive
from cabcanary_bench.faults.circumstances import CircumstanceKind

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from cabcanary.channels.pipeline import Kept
    from cabcanary.rules.rule import Rule
    from cabcanary.store.baselines import Baselines
    from cabcanary_bench.drives.labels import Label
    from cabcanary_bench.drives.scenario import Scenario
    from cabcanary_bench.fast.fast import Recording
    from cabcanary_bench.faults.kinds import FaultKind

#: How much slower a rule is made to see whether the corpus can tell, and by how much an inverse time is stretched.
WEAKER_NS, WEAKER_TIMES = 5_000_000_000, 20.0
#: Driving time after a fault has ended, s.
_AFTER_S = 20.0


@dataclass(frozen=True, slots=True)
class Job:
    """One drive of the corpus; `fault` is a kind of fault, `injected` the name of one put into the readings."""

    seed: int
    kind: DriveKind | None = None
    fault: FaultKind | None = None
    injected: str | None = None
    minutes: float | None = None
    #: Over a pass, and the fault, if there is one, at its top.
    mountain: bool = False

    @property
    def name(self) -> str:
        """What it is."""
        return str(self.kind or self.fault or self.injected or "mountain")


class Sound(NamedTuple):
    """One alert that asked for attention, at seconds of the drive."""

    at_s: float
    alert: str
    priority: str


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one drive gave. `down` are the stretches in which the monitor's computer had no power.

    `unmasked_s` is, for a drive with a fault, the sensor's onset or the end of the fuel-cut mask that covers it.
    `weakened` has, for each rule made slower, its own trips; only asked for in drives with a fault.
    """

    job: Job
    hours: float
    sounds: tuple[Sound, ...]
    labels: tuple[Label, ...]
    down: tuple[tuple[float, float], ...]
    unmasked_s: float | None
    weakened: dict[str, tuple[float, ...]]


def jobs(hours: float, faults: int, seed: int, shown: tuple[FaultKind, ...]) -> Iterator[Job]:
    """Ordinary drives of at least so many hours, every kind in turn, then so many faults, every kind in turn."""
    kinds, left_s, n = list(DriveKind), hours * 3600, 0
    while left_s > 0:
        job = Job(seed * 1_000_003 + n, kind=kinds[n % len(kinds)], minutes=20.0)
        left_s -= scenario_of(job)[0].length_s
        n += 1
        yield job
    every: list[FaultKind | str] = [*shown, *(i.name for i in INJECTED)]
    for m in range(faults):
        what = every[m % len(every)]
        number = seed * 2_000_003 + m
        if isinstance(what, str) and any(what == i.name for i in INJECTED):
            yield Job(number, injected=what)
        else:
            yield Job(number, fault=what)  # type: ignore[arg-type]


def run_job(job: Job, config: Path, baselines: Baselines | None, *, weaken: bool, keep: Path | None = None) -> Outcome:
    """Drive one job and say what sounded; a drive that lies in the folder `keep` is not driven again."""
    scenario, injected = scenario_of(job)
    without_boost = any(c.kind is CircumstanceKind.STAGE_WITHOUT_BOOST for c in scenario.circumstances)
    plan = plan_in_stage(config, "plumbing" if without_boost else None, baselines)
    if keep is None:
        driven = _drive(scenario, job.seed, injected, plan)
    else:
        path = keep / f"{job.name}-{job.seed}.parquet"
        mark = mark_of(scenario, job.seed, repr(injected and injected.words))
        kept = load(path, mark)
        driven = kept or _drive(scenario, job.seed, injected, plan)
        if kept is None:
            save(path, mark, driven)
    return judge(job, driven, plan, weaken=weaken)


def judge(job: Job, driven: Driven, plan: Plan, *, weaken: bool) -> Outcome:
    """What the rules of a plan say to a drive."""
    sounds: list[Sound] = []
    weakened: dict[str, list[float]] = {}
    rules = {r.id: slower(r) for r in plan.rules.rules} if weaken else {}
    for run in driven.runs:
        whole = WholeDrive(run, plan.pipeline().roots(), plan.channel_units, plan.running)
        sounds += [
            Sound(driven.at_s(c.time_ns), c.alert, c.priority.word) for c in whole.run(plan.rules.rules) if c.sounds
        ]
        for name, rule in rules.items():
            trips = [driven.at_s(c.time_ns) for c in whole.run([rule]) if c.sounds and c.alert == name]
            weakened.setdefault(name, []).extend(trips)
    trips_of = {name: tuple(trips) for name, trips in weakened.items()}
    return Outcome(job, driven.hours, tuple(sounds), driven.labels, driven.down, _unmasked(driven), trips_of)


def _drive(scenario: Scenario, seed: int, injected: Injected | None, plan: Plan) -> Driven:
    return driven_of(drive(scenario, seed, obd_rates=_obd_rates(plan)), injected, plan)


def driven_of(
    recording: Recording, injected: Injected | None, plan: Plan, kept: Mapping[str, Kept] | None = None
) -> Driven:
    """What the channels of a plan make of a recording; `kept` is what they have kept from the drive before."""
    labels = recording.labels
    if injected is not None:
        recording, label = injected.into(recording)
        labels = (*labels, label)
    runs = tuple(_signals(recording, run, plan, injected, kept or {}) for run in range(len(recording.runs)))
    return Driven(runs, recording.zero_ns, recording.scenario.length_s / 3600, labels, _down(recording))


def _unmasked(driven: Driven) -> float | None:
    """The first fault's onset at the sensor's output, or the end of the mask in which it falls, s of the drive."""
    onset_s = next((label.onset_sensor_s for label in driven.labels if label.is_fault), None)
    if onset_s is None:
        return None
    onset_ns = driven.zero_ns + round(onset_s * NS_PER_S)
    for run in driven.runs:
        if "fuel_cut_gas" not in run.columns:
            return onset_s
        masked = run.columns["fuel_cut_gas"].values == 1.0
        first = int(np.searchsorted(run.times_ns, onset_ns))
        if first == len(run) or run.times_ns[0] > onset_ns:
            continue
        open_again = np.flatnonzero(~masked[first:])
        if masked[first] and len(open_again):
            return driven.at_s(int(run.times_ns[first + open_again[0]]))
    return onset_s


def slower(rule: Rule) -> Rule:
    """The rule, several seconds slower."""
    if rule.inverse_time is None:
        return replace(rule, on_delay_ns=rule.on_delay_ns + WEAKER_NS)
    spec = rule.inverse_time
    points = tuple((x, seconds * WEAKER_TIMES) for x, seconds in spec.points)
    return replace(rule, inverse_time=replace(spec, points=points))


def scenario_of(job: Job) -> tuple[Scenario, Injected | None]:
    """The drive of a job, and what is put into its readings."""
    if job.mountain:
        return _over_the_pass(job), None
    if job.kind is not None:
        return ordinary(job.seed, job.kind, job.minutes), None
    if job.fault is not None:
        scenario = faulty(job.seed, job.fault)
        return cut_off(scenario, scenario.faults[0].end_s + _AFTER_S), None
    injected = next(i for i in INJECTED if i.name == job.injected)
    scenario = errand(job.seed) if injected.pulls else ordinary(job.seed, DriveKind.TOWN, 3.0)
    return scenario, injected


def _over_the_pass(job: Job) -> Scenario:
    if job.fault is None:
        return mountain(job.seed, down=job.seed % 2 == 0)
    scenario = with_fault(mountain(job.seed, down=False), job.fault, random.Random(job.seed))  # noqa: S311
    return cut_off(scenario, scenario.faults[0].end_s + _AFTER_S)


def _obd_rates(plan: Plan) -> dict[str, float]:
    source = plan.settings.sources["engine"]
    assert isinstance(source, CanSource)
    return dict(source.items)


def computer_of(plan: Plan) -> str:
    """The name of the source that is the monitor's own computer."""
    return next((n for n, s in plan.settings.sources.items() if isinstance(s, HostSource)), "computer")


def _down(recording: Recording) -> tuple[tuple[float, float], ...]:
    ends = [recording.drive_s(int(recording.tick_ns[last - 1])) for _, last in recording.runs]
    starts = [recording.drive_s(int(recording.tick_ns[first])) for first, _ in recording.runs]
    return tuple(zip(ends[:-1], starts[1:], strict=True))


def _signals(
    recording: Recording, run: int, plan: Plan, injected: Injected | None, kept: Mapping[str, Kept]
) -> Signals:
    """The drive's columns, made tick by tick by the live path's channels."""
    pipeline = plan.pipeline()
    pipeline.recall(kept, None)
    names = list(plan.channel_units)
    # Arrays and not lists: a number in a list takes four times the memory, and two drives are made at a time.
    times = array("q")
    values = [array("d") for _ in names]
    qualities = [array("B") for _ in names]
    uncertainties = [array("d") for _ in names]
    columns = list(zip(names, values, qualities, uncertainties, strict=True))
    nan = float("nan")
    own = computer_of(plan)
    computer = {**COMPUTER, **({} if injected is None else injected.computer)}
    for newest, now_ns in recording.ticks(run):
        for item, number in computer.items():
            newest[own, item] = Reading(own, item, number, now_ns)
        frame = pipeline.step(newest, now_ns).values
        times.append(now_ns)
        for name, numbers, states, bands in columns:
            value, quality, _, band, _ = frame[name]
            numbers.append(nan if value is None else value)
            states.append(quality)
            bands.append(band)
    return Signals(
        np.array(times, np.int64),
        {n: Column(np.array(v), np.array(q, np.uint8), np.array(u)) for n, v, q, u in columns},
    )
