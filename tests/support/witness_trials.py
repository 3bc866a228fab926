"""Trials of the second witness: many vehicles of `witness_engines`, each with a truth that no estimator knows."""

from __future__ import annotations

import dataclasses
from collections import Counter
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
from witness_engines import Faults, Metering, Vehicle

from cabcanary.review.witness.belt import belt
from cabcanary.review.witness.fuel_rate import under_boost
from cabcanary.review.witness.heat import heat
from cabcanary.review.witness.leak import leak
from cabcanary.review.witness.wideband import bias, cause

if TYPE_CHECKING:
    from cabcanary.review.witness.drive_signals import DriveSignals
    from cabcanary.review.witness.estimate import Estimate

BEFORE, JUDGED = 8, 3
#: Estimators were tuned on seeds from 0 on; they are graded on those from here on as well, which nobody has tuned on.
FRESH = 100_000


class Covered(NamedTuple):
    """Of so many trials the intervals that held the truth, those that claimed something, and the usual width."""

    trials: int
    held: int
    told: int
    width: float

    @property
    def share(self) -> float:
        return self.held / self.trials


def _covered(found: list[tuple[Estimate, float, bool]]) -> Covered:
    held = sum(e.low <= true <= e.high for e, true, _ in found)
    return Covered(len(found), held, sum(t for *_, t in found), float(np.median([e.high - e.low for e, *_ in found])))


def belts(engine: type[Vehicle], kind: str, trials: int, most: float, first: int = 0) -> Covered:
    """Slips of nothing up to a share `most`."""
    found = []
    for n in range(first, first + trials):
        rng = np.random.default_rng((11, n))
        van, slip = engine(rng, kind=kind), rng.uniform(0.0, most)
        before, judged = [van.drive() for _ in range(BEFORE)], [van.drive(Faults(slip=slip)) for _ in range(JUDGED)]
        told = belt(kind, before, judged)
        found.append((told.estimates["slip_percent"], 100 * slip, told.verdict == "seen"))
    return _covered(found)


def leaks(
    engine: type[Vehicle], metering: Metering, trials: int, most: float, takes_back: float = 0.0, first: int = 0
) -> Covered:
    """Holes of nothing up to `most` mm²."""
    found = []
    for n in range(first, first + trials):
        rng = np.random.default_rng((12, n))
        van, mm2 = engine(rng, metering=metering, pulls=0), rng.uniform(0.0, most)
        fault = Faults(leak_mm2=mm2, takes_back=takes_back)
        before, judged = [van.drive() for _ in range(BEFORE)], [van.drive(fault) for _ in range(JUDGED)]
        told = leak(before, judged)
        found.append((told.estimates["area_mm2"], mm2, told.verdict == "seen"))
    return _covered(found)


def under_boost_drives(
    engine: type[Vehicle], seed: int, fault: Faults
) -> tuple[list[DriveSignals], list[DriveSignals]]:
    """Drives before and those judged, of one vehicle."""
    van = engine(np.random.default_rng((20, seed)))
    return [van.drive() for _ in range(BEFORE)], [van.drive(fault) for _ in range(JUDGED)]


def under_boosts(
    engine: type[Vehicle], trials: int, most: float, *, injectors: bool = False, first: int = 0
) -> tuple[Covered, Covered]:
    """Gauges that show up to a share `most` too much or too little under boost alone, or injectors that deliver so much
    too little there: where it lies now, and by how much it has moved."""
    now, moved = [], []
    for n in range(first, first + trials):
        rng = np.random.default_rng((19, n))
        van, share = engine(rng), rng.uniform(0.0 if injectors else -most, most)
        before = [van.drive() for _ in range(BEFORE)]
        fault = Faults(injector_at_load=share) if injectors else Faults(pressured=share)
        told = under_boost(before, [van.drive(fault) for _ in range(JUDGED)])
        now.append((told.estimates["apart_percent"], 100 * share, told.verdict == "seen"))
        moved.append((told.estimates["moved_percent"], 100 * share, told.verdict == "seen"))
    return _covered(now), _covered(moved)


def heats(engine: type[Vehicle], kind: str, trials: int, most: float, first: int = 0) -> Covered:
    """Charges that warm by up to a share `most` more, or a third of it less, by a sensor of 1 to 12 s."""
    found = []
    for n in range(first, first + trials):
        rng = np.random.default_rng((21, n))
        van, share = engine(rng, kind=kind), rng.uniform(-most / 3, most)
        slow_s = rng.uniform(1.0, 12.0)
        before = [_slowly(van.drive(), slow_s) for _ in range(BEFORE)]
        # Wind, the bay's own heat and where the cooler begins are others in that week, and nobody's fault.
        week = (1 + share) * (1 + rng.uniform(-0.05, 0.05)) - 1
        told = heat(before, [_slowly(van.drive(Faults(heats=week)), slow_s) for _ in range(JUDGED)])
        found.append((told.estimates["warms_more_percent"], 100 * share, told.verdict == "seen"))
    return _covered(found)


def _slowly(drive: DriveSignals, slow_s: float) -> DriveSignals:
    """With a charge temperature as a sensor of this time constant has it."""
    seen = np.array(drive.charge_k)
    for n in range(1, len(seen)):
        seen[n] = seen[n - 1] + (drive.charge_k[n] - seen[n - 1]) * -np.expm1(-0.5 / slow_s)
    return dataclasses.replace(drive, charge_k=seen)


def biases(engine: type[Vehicle], trials: int, drift: float, first: int = 0) -> Covered:
    """A gauge that is off by up to 6 %, and drifts from drive to drive by steps of this standard deviation."""
    found = []
    for n in range(first, first + trials):
        rng = np.random.default_rng((13, n))
        van, off, drives = engine(rng, pulls=0), rng.uniform(-0.06, 0.06), []
        for _ in range(BEFORE + JUDGED):
            # Now and then, and not at each drive as a random walk has it.
            off += rng.normal(0.0, drift) if rng.random() < 0.5 else 0.0
            drives.append(van.drive(Faults(wideband=off)))
        told = bias(drives)
        true = 100 * ((1 + off) * (1 + van.gauge) - 1)
        found.append((told.estimates["shows_too_much_percent"], true, told.verdict == "seen"))
    return _covered(found)


#: The fault, and the answer that is right for it. Air that gets in ahead of the meter is metered: nothing is wrong with
#: the mixture. A blend and weak injectors look alike; both are the fuel's.
RIGHT = {
    "nothing": "nothing", "wideband drifted": "wideband", "air behind the meter": "air let in",
    "air ahead of the meter": "nothing", "exhaust leak": "exhaust leak", "fuel blend": "fuel", "injectors": "fuel",
    "air meter": "air meter",
}  # fmt: skip


def fault_of(name: str, rng: np.random.Generator) -> Faults:
    """One of a size that matters, drawn."""
    sign = rng.choice([-1.0, 1.0])
    match name:
        case "wideband drifted":
            return Faults(wideband=sign * rng.uniform(0.03, 0.10))
        case "air behind the meter":
            return Faults(leak_mm2=rng.uniform(1.5, 8.0))
        case "air ahead of the meter":
            return Faults(ahead_mm2=rng.uniform(1.5, 8.0))
        case "exhaust leak":
            return Faults(exhaust=rng.uniform(0.05, 0.20))
        case "fuel blend":
            return Faults(blend=rng.uniform(0.05, 0.35))  # E5 up to about E85
        case "injectors" if rng.random() < 0.3:
            return Faults(injector_at_load=rng.uniform(0.08, 0.20))
        case "injectors":
            return Faults(injector=rng.uniform(0.05, 0.15))
        case "air meter":
            return Faults(meter=sign * rng.uniform(0.05, 0.15))
    return Faults()


#: Where speed and density are the meter, a leak is fuelled for and there is no meter that could be wrong.
RIGHT_BY_DENSITY = RIGHT | {"air behind the meter": "nothing"}
del RIGHT_BY_DENSITY["air meter"]


def confusion(
    engine: type[Vehicle], name: str, trials: int, metering: Metering = "mass_air", first: int = 0
) -> Counter[str]:
    """What was answered for one fault."""
    answers: Counter[str] = Counter()
    for n in range(first, first + trials):
        rng = np.random.default_rng((14, n, len(name)))
        van, fault = engine(rng, metering=metering), fault_of(name, rng)
        told = cause([van.drive() for _ in range(BEFORE)], [van.drive(fault) for _ in range(JUDGED)])
        answers[told.figures.get("cause") or "can't tell"] += 1
    return answers


def blended(engine: type[Vehicle], trials: int) -> tuple[Counter[str], int]:
    """Healthy vehicles whose tank takes a fifth more fuel, as half of E85 does: what is claimed, named fuel."""
    claims: Counter[str] = Counter()
    fuel = 0
    for n in range(trials):
        kind, metering = ("centrifugal", "displacement", "turbo")[n % 3], ("mass_air", "speed_density")[n % 2]
        van = engine(np.random.default_rng((33, n)), kind=kind, metering=metering, weather=0.15)  # type: ignore[arg-type]
        before, judged = [van.drive() for _ in range(BEFORE)], []
        for _ in range(JUDGED):
            day = van.day()
            day.fuel += 0.20
            judged.append(van.drive(day=day))
        asked = (belt(kind, before, judged), heat(before, judged), leak(before, judged))
        for told in (*asked, under_boost(before, judged), bias([*before, *judged])):
            claims[told.name] += told.verdict == "seen"
        fuel += cause(before, judged).figures["cause"] == "fuel"
    return claims, fuel


def masquerades(engine: type[Vehicle], trials: int, first: int = 0) -> Counter[str]:
    """Healthy vehicles that were driven at home, and are judged elsewhere: 0 to 2200 m, 0 to 35 C, E5 to E10."""
    claims: Counter[str] = Counter()
    for n in range(first, first + trials):
        rng = np.random.default_rng((15, n))
        kind, metering = ("centrifugal", "displacement", "turbo")[n % 3], ("mass_air", "speed_density")[n % 2]
        van = engine(rng, kind=kind, metering=metering, weather=0.15)  # type: ignore[arg-type]
        before = [van.drive() for _ in range(BEFORE)]
        van.home_kpa, van.home_k, fuel = (
            rng.uniform(77.5, 102.0),
            rng.uniform(273.0, 308.0),
            rng.choice([-0.018, 0.0, 0.018]),
        )
        judged = []
        for _ in range(JUDGED):
            day = van.day()
            day.fuel += fuel
            judged.append(van.drive(day=day))
        asked = (belt(kind, before, judged), heat(before, judged), leak(before, judged), cause(before, judged))
        for told in (*asked, under_boost(before, judged)):
            claims[told.name] += told.verdict == "seen"
    return claims
