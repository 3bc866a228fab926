"""A hunt for silence: sensors are lost at random moments of random drives, one or two at once, on a shipped vehicle.

A loss leaves the mixture or the boost unwatched while it lasts. Once the engine has been under boost for a second of
that, something must have sounded.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.model import Reading
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.can.can_settings import CanSource
from cabcanary.sources.host.host_settings import HostSource
from cabcanary.sources.kernel.kernel_settings import HwmonSource, IioSource
from cabcanary_bench.corpus.watched import limits_of, plan_of
from cabcanary_bench.drives.generator import DriveKind, ordinary
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.fast.fitted import Fitted
from cabcanary_bench.sensors.traits import Traits

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from cabcanary.plan.plan import Plan
    from cabcanary.rules.states import Change
    from cabcanary_bench.corpus.watched import Watched

#: Boost that counts, kPa (2 psi of the shipped numbers and their deadband; 1 psi is 6.895 kPa, NIST SP 811), and how
#: long it may go unwatched, s.
BOOSTED_KPA, UNWATCHED_S = 2.3 * 6.895, 1.0
_TICK_S = 0.02
#: A wire that shows "lean" is found by the lean rule: its longest permitted time and the gas on its way, s.
_OWN_DELAYS_S = 0.5
#: A branch of the drive is followed for so long after a loss, s.
_FOLLOWED_S = 40.0
_KINDS = (DriveKind.HILL, DriveKind.TOWING, DriveKind.COUNTRY)
_VITAL = ("lambda", "map")


@dataclass(frozen=True, slots=True)
class Loss:
    """What is lost: a wire or all of a source; `how` is silent, short (0 V) or open (5 V)."""

    name: str
    keys: frozenset[tuple[str, str]]
    how: str
    #: Whether the mixture or the pressure is among it.
    vital: bool

    def __str__(self) -> str:
        return f"{self.name} {self.how}"


@dataclass(frozen=True, slots=True)
class Hunted:
    """One branch: what was lost when, and when enough was unwatched; `sounded_s` is None where nothing ever did."""

    vehicle: str
    seed: int
    at_s: float
    losses: tuple[Loss, ...]
    due_s: float
    sounded_s: float | None
    alert: str
    #: The pressure was lost before boost came, and no engine speed or throttle is fitted that shows a pull without it.
    unshown: bool

    @property
    def found(self) -> bool:
        """Whether something sounded by the time that it was due, and the rules' own delays."""
        return self.sounded_s is not None and self.sounded_s <= self.due_s + _OWN_DELAYS_S

    def __str__(self) -> str:
        lost = " and ".join(map(str, self.losses))
        told = "never" if self.sounded_s is None else f"{self.sounded_s - self.due_s:+.2f} s ({self.alert})"
        where = f"{self.vehicle} drive {self.seed} at {self.at_s:.2f} s"
        return f"{where}: {lost}; due {self.due_s - self.at_s:.2f} s later, sounded {told}"


def hunt(vehicle: Watched, seed: int, losses: int) -> list[Hunted]:
    """So many losses in one drive; those after which the engine was not under boost for a second are left out."""
    chance = random.Random(seed * 31 + len(vehicle.name))
    plan = plan_of(vehicle)
    fitted = Fitted(plan.settings, vehicle.build)
    ends = fitted.lambda_ends
    recording = drive(
        ordinary(seed, chance.choice(_KINDS), 5.0),
        seed,
        Traits() if ends is None else Traits(lambda_ends=ends),
        fitted=fitted,
        limits=limits_of(vehicle),
    )
    boosted = np.flatnonzero(recording.truth["boost_kpa"][: recording.runs[0][1]] > BOOSTED_KPA)
    if not len(boosted):
        return []
    last = int(boosted[-1])
    rows = sorted(_row(chance, boosted) for _ in range(losses))
    found, todo = [], [(max(row, 50), _losses(plan, chance)) for row in rows]
    pipeline, engine = plan.pipeline(), plan.engine()
    ticks = [(dict(newest), now_ns) for newest, now_ns in recording.ticks()]
    for row, (newest, now_ns) in enumerate(ticks[: last + 1]):
        while todo and todo[0][0] == row:
            _, lost = todo.pop(0)
            branch = plan.pipeline(), plan.engine()
            branch[0].restore(pipeline.state())
            branch[1].restore(engine.state())
            boost_kpa = recording.truth["boost_kpa"]
            unshown = "engine_speed" not in plan.settings.channels and _pressure_lost_before(plan, lost, row, boost_kpa)
            found += _follow(branch, ticks, boost_kpa, row, lost, (vehicle.title, seed), unshown)
        engine.step(pipeline.step(newest, now_ns))
    return found


def _row(chance: random.Random, boosted: NDArray[np.int64]) -> int:
    """A moment: mostly within five seconds before boost or in it, else anywhere in the warm drive."""
    if chance.random() < 0.6:
        return int(chance.choice(boosted)) - chance.randrange(0, 250)
    return chance.randrange(1500, int(boosted[-1]))


def _losses(plan: Plan, chance: random.Random) -> tuple[tuple[Loss, float], ...]:
    """One loss or two, at least one of them of the mixture or the pressure; each with its time after the first, s."""
    every = list(_units(plan))
    first = chance.choice([loss for loss in every if loss.vital])
    if chance.random() < 0.5:
        return ((first, 0.0),)
    second = chance.choice([loss for loss in every if not loss.keys & first.keys] or [first])
    lag_s = chance.choice([0.0, chance.uniform(0.0, 3.0)])
    pair = [first, second]
    chance.shuffle(pair)
    return ((pair[0], 0.0), (pair[1], lag_s))


def _pressure_lost_before(
    plan: Plan, lost: tuple[tuple[Loss, float], ...], row: int, boost_kpa: NDArray[np.float64]
) -> bool:
    """Whether the manifold's pressure is lost while there is no boost yet."""
    channel = plan.settings.channels["map"]
    assert isinstance(channel, MeasuredChannel)
    times = [lag_s for loss, lag_s in lost if (channel.source, channel.item) in loss.keys]
    return any(boost_kpa[min(row + round(lag_s / _TICK_S), len(boost_kpa) - 1)] < BOOSTED_KPA for lag_s in times)


def _units(plan: Plan) -> Iterator[Loss]:
    """All that can be lost by itself in a vehicle."""
    settings = plan.settings
    measured = {n: c for n, c in settings.channels.items() if isinstance(c, MeasuredChannel)}
    for source, spec in settings.sources.items():
        if isinstance(spec, HostSource):
            continue
        mine = {n: (source, c.item) for n, c in measured.items() if c.source == source}
        vital = any(n in _VITAL for n in mine)
        if mine:
            yield Loss(source, frozenset(mine.values()), "silent", vital)
        if isinstance(spec, CanSource):
            continue
        for name, key in mine.items():
            volts = isinstance(spec, IioSource | HwmonSource)
            for how in ("short", "open") if volts else ("silent",):
                yield Loss(name, frozenset([key]), how, name in _VITAL)


def _follow(
    branch, ticks, boost_kpa, row: int, lost: tuple[tuple[Loss, float], ...], drive_of: tuple[str, int], unshown: bool
) -> list[Hunted]:
    """The drive from a loss on; nothing where it was not under boost for long enough."""
    pipeline, engine = branch
    begun_ns, unwatched_s, heard = ticks[row][1], 0.0, None
    kept: dict[tuple[str, str], Reading] = {}
    for n, (newest, now_ns) in enumerate(ticks[row : row + round(_FOLLOWED_S / _TICK_S)], row):
        gone_s = (now_ns - begun_ns) / 1e9
        here = [loss for loss, lag_s in lost if gone_s >= lag_s]
        shown = _without(newest, here, kept, now_ns)
        changes: list[Change] = engine.step(pipeline.step(shown, now_ns))
        for change in changes:
            if change.sounds and heard is None:
                heard = (now_ns, change.alert)
        unwatched_s += _TICK_S if boost_kpa[n] > BOOSTED_KPA and any(loss.vital for loss in here) else 0.0
        if unwatched_s > UNWATCHED_S + 0.5 * _TICK_S and (heard is not None or unwatched_s > UNWATCHED_S + 10.0):
            due_s = _due_s(ticks, boost_kpa, row, lost)
            told_s = None if heard is None else heard[0] / 1e9
            told = "" if heard is None else heard[1]
            return [Hunted(*drive_of, begun_ns / 1e9, tuple(loss for loss, _ in lost), due_s, told_s, told, unshown)]
    if unwatched_s <= UNWATCHED_S + 0.5 * _TICK_S:
        return []
    due_s = _due_s(ticks, boost_kpa, row, lost)
    return [Hunted(*drive_of, begun_ns / 1e9, tuple(loss for loss, _ in lost), due_s, None, "", unshown)]


def _due_s(ticks, boost_kpa, row: int, lost: tuple[tuple[Loss, float], ...]) -> float:
    """When a second under boost had gone unwatched."""
    from_s = min(lag_s for loss, lag_s in lost if loss.vital)
    left_s = UNWATCHED_S
    for n in range(row, len(ticks)):
        if (ticks[n][1] - ticks[row][1]) / 1e9 >= from_s and boost_kpa[n] > BOOSTED_KPA:
            left_s -= _TICK_S
            if left_s <= 0.5 * _TICK_S:
                return float(ticks[n][1] / 1e9)
    raise AssertionError("never a second under boost")


def _without(newest, lost: list[Loss], kept, now_ns: int) -> dict[tuple[str, str], Reading]:
    """What the wires say with these lost: the last reading grows old, or a voltage is that of a broken wire."""
    shown = dict(newest)
    for loss in lost:
        for key in loss.keys & newest.keys():
            if loss.how == "silent":
                shown[key] = kept.setdefault(key, newest[key])
            else:
                shown[key] = Reading(*key, 0.0 if loss.how == "short" else 5000.0, now_ns)
    return shown
