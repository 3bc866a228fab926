"""A leak at idle, as an area: what flows more than on earlier drives, through a hole from the air to the manifold.

By trims where the air is metered: unmetered air over metered air is the trim that corrects for it, so that its flow is
the trim times the metered flow, less what a trim shows at every flow alike (fuel, a meter's error). By speed and
density elsewhere: pressure and engine speed at idle say how much air the engine takes, its volumetric efficiency given
(Heywood, Internal Combustion Engine Fundamentals, 1st ed., 2.10 and 6.2; from memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.review.witness.estimate import DRAWS, NOTHING, TOLD, Finding, cannot_tell, generator, of_draws, shift
from cabcanary.review.witness.orifice import R_AIR, flux
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cabcanary.review.witness.drive_signals import DriveSignals

    Floats = NDArray[np.float64]

NAME = "leak at idle"
LEAST_BEFORE = 4
_LEAST_S, _ROW_S = 10.0, 0.5
_IDLE_RPM, _SHUT_PERCENT, _IDLE_KPA, _LEAN = 1400.0, 4.0, 65.0, 1.25
#: A trim is looked at away from idle where at least so many times the idle's air flows.
_FAR = 2.5
#: Nobody measures these: what a change of manifold pressure is worth in charge, at idle with its burnt gas; discharge
#: of a torn hose or an open port; the displacement that is written down. Ranges of common practice.
_VOLUMETRIC, _DISCHARGE, _DISPLACEMENT = (0.64, 0.91), (0.61, 0.79), 0.015
#: Temperature of the charge at idle and of the air where they are not measured, K: mean and standard uncertainty.
_AIR_KPA = 98.0
_CHARGE_K, _AIR_K = (315.0, 12.0), (293.0, 10.0)
#: Idle pressure follows the air's: with mean effective pressure c times manifold pressure less friction and pumping,
#: by 1/(1 + c), c 8 to 13 (Heywood, ch. 5 and 13: friction and pumping; magnitudes from memory).
_BY_AIR = (0.07, 0.112)
#: A warmer charge needs as much air (0), or as much pressure (1) where the ports' walls make its temperature; a colder
#: engine's friction and a sensor that soaks go beyond both.
_BY_WARMTH = (-0.3, 1.3)
#: A drive's idle is not known better: share of flow, and of fuel. Lights, fans and compressors of air conditioning.
_LEAST_FLOW, _LEAST_TRIM = 0.008, 0.001
_MM2 = 1e6


class Idle(NamedTuple):
    """One drive's idle: flow for a volumetric efficiency of 1 over displacement (kg/s by m³), the pressures, Pa."""

    flow: float
    manifold_pa: float
    air_pa: float
    air_k: float
    charge_k: float
    charge_known: bool


class Trimmed(NamedTuple):
    """One drive's trims in closed loop: log of (1 + trim) at idle less away from it, both trims, and what a leak of
    1 kg/s at idle would be as a share of the metered air at idle and away from it."""

    apart: float
    near: float
    far: float
    at_idle: float
    away: float
    manifold_pa: float
    air_pa: float
    air_k: float


def idle_rows(drive: DriveSignals) -> NDArray[np.bool_]:
    """Rows of a warm idle."""
    with np.errstate(invalid="ignore"):
        rows = drive.warm & ~(drive.mixture > _LEAN) & ~(drive.rpm > _IDLE_RPM)
        if drive.seen("throttle"):
            rows &= drive.throttle < _SHUT_PERCENT
        # Where a meter stands for the pressure, a shut throttle and a known speed are an idle.
        if drive.seen("map_kpa") or not drive.seen("throttle", "rpm"):
            rows &= drive.map_kpa < _IDLE_KPA
    found: NDArray[np.bool_] = rows
    return found


def idle_of(drive: DriveSignals) -> Idle | None:
    """The drive's idle by speed and density; None where there were less than ten seconds of it."""
    rows = idle_rows(drive) & np.isfinite(drive.rpm)
    if rows.sum() * _ROW_S < _LEAST_S:
        return None
    kpa, rpm = float(np.median(drive.map_kpa[rows])), float(np.median(drive.rpm[rows]))
    warm = _median(drive.charge_k[rows])
    charge_k = _CHARGE_K[0] if warm is None else warm
    flow = kpa * 1000.0 / (R_AIR * charge_k) / 2.0 * rpm / 60.0
    return Idle(flow, kpa * 1000.0, *_air(drive, rows), charge_k, warm is not None)


def _air(drive: DriveSignals, rows: NDArray[np.bool_]) -> tuple[float, float]:
    """The air's pressure, Pa, and temperature, K; common ones where nobody measures them."""
    air, kelvin = _median(drive.air_kpa[rows]), _median(drive.air_k[rows])
    return (_AIR_KPA if air is None else air) * 1000.0, _AIR_K[0] if kelvin is None else kelvin


def _median(values: Floats) -> float | None:
    values = values[np.isfinite(values)]
    return float(np.median(values)) if len(values) else None


def closed_near_and_far(drive: DriveSignals) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Rows in closed loop at a warm idle, and away from it: where several times the idle's air flows. Without a meter
    the product of pressure and speed stands for the flow."""
    flow = drive.mass_air if drive.seen("mass_air") else drive.map_kpa * drive.rpm
    closed = drive.warm & (drive.closed > 0.99) & np.isfinite(drive.trim) & (flow > 0.0)
    near = closed & idle_rows(drive)
    far = closed & (flow > _FAR * float(np.median(flow[near]))) if near.any() else near
    return near, far


def trimmed_of(drive: DriveSignals) -> Trimmed | None:
    """The drive's trims in closed loop at idle and away from it, by metered flow; None where too little was seen."""
    near, far = closed_near_and_far(drive)
    if min(near.sum(), far.sum()) * _ROW_S < _LEAST_S or not drive.seen("mass_air"):
        return None
    idle = float(np.median(drive.mass_air[near]))
    flows, manifold = drive.mass_air[far], float(np.median(drive.map_kpa[near])) * 1000.0
    air_pa, air_k = _air(drive, near)
    away = np.nan_to_num(drive.map_kpa[far], nan=60.0) * 1000.0
    # The same hole passes less where the manifold is fuller; beyond its own pressure nothing.
    at_idle = float(flux(np.array(air_pa), np.array(air_k), np.array(manifold)))
    share = flux(np.full_like(away, air_pa), np.full_like(away, air_k), np.minimum(away, air_pa)) / at_idle
    away_share = 1000.0 * float(np.mean(share / flows))
    trims = float(np.mean(drive.trim[near])), float(np.mean(drive.trim[far]))
    apart = float(np.log1p(trims[0]) - np.log1p(trims[1]))
    return Trimmed(apart, *trims, 1000.0 / idle, away_share, manifold, air_pa, air_k)


def leak(before: Sequence[DriveSignals], judged: Sequence[DriveSignals]) -> Finding:
    """The area of the hole that the drives judged have and those before had not, mm².

    "At least", by speed and density: idle control takes back what it can by shutting its own passage.
    """
    trims = [trimmed_of(d) for d in before], [trimmed_of(d) for d in judged]
    old, new = ([t for t in side if t is not None] for side in trims)
    if len(old) >= LEAST_BEFORE and new:
        return _by_trims(old, new)
    every = [*before, *judged]
    if not any(d.seen("rpm", "map_kpa") for d in every):
        return cannot_tell(NAME, "the air that an idling engine takes needs engine speed", "a wire for engine speed")
    volume = next((d.displacement_m3 for d in every if d.displacement_m3), None)
    if volume is None:
        return cannot_tell(NAME, "no channel says the engine's displacement", "pipe = { displacement } in the settings")
    idles = [i for d in before if (i := idle_of(d))], [i for d in judged if (i := idle_of(d))]
    if len(idles[0]) < LEAST_BEFORE or not idles[1]:
        seen = f"{len(idles[0])} drives before and {len(idles[1])} judged idled warm for {_LEAST_S:.0f} s"
        return cannot_tell(NAME, seen, f"{LEAST_BEFORE} drives before, and one judged")
    return _by_density(volume, *idles, _flat(before, judged))


def _by_trims(old: Sequence[Trimmed], new: Sequence[Trimmed]) -> Finding:
    rng = generator()
    apart = shift([t.apart for t in old], [t.apart for t in new], _LEAST_TRIM)
    draws = apart.draws(rng)
    area = _areas(_unmetered(draws, new), new, rng, air_known=True)
    bare = _areas(_unmetered(draws - apart.middle, new), new, rng, air_known=True)
    near, far = (
        float(np.mean([getattr(t, k) for t in new]) - np.mean([getattr(t, k) for t in old])) for k in ("near", "far")
    )
    metering = "the air is metered: trims grew by {} % at idle and {} % away from it".format(
        *(spelt(100 * x, 2, "+") for x in (near, far))
    )
    return _told(area, bare, metering, "trims", (len(old), len(new)))


def _unmetered(apart: Floats, new: Sequence[Trimmed]) -> Floats:
    """The leak's flow at idle, kg/s: (1 + flow a) / (1 + flow b) is what the trims have grown by, solved for flow."""
    grown = np.exp(np.minimum(apart, _MOST_GROWN))
    a, b = (float(np.mean([getattr(t, k) for t in new])) for k in ("at_idle", "away"))
    found: Floats = (grown - 1.0) / (a - np.minimum(grown * b, 0.5 * a))
    return found


#: Trims end at about a half; beyond twice that nothing is meant.
_MOST_GROWN = 1.0


def _by_density(volume: float, old: Sequence[Idle], new: Sequence[Idle], flat: str) -> Finding:
    rng = generator()
    air_pa, manifold_pa, warm = (
        float(np.mean([getattr(i, k) for i in old])) for k in ("air_pa", "manifold_pa", "charge_k")
    )

    def level(idle: Idle) -> float:
        """As it would be in the weather and at the height of the drives before, by the middle of what is likely."""
        by_air = float(np.mean(_BY_AIR)) * (idle.air_pa - air_pa) / manifold_pa
        return float(np.log(idle.flow) + np.mean(_BY_WARMTH) * np.log(idle.charge_k / warm) - by_air)

    rise = shift([level(i) for i in old], [level(i) for i in new], _LEAST_FLOW)
    mean = float(np.exp(np.mean([np.log(i.flow) for i in old])))
    thinner = float(np.mean([i.air_pa for i in new])) - air_pa
    warmer = float(np.mean([np.log(i.charge_k / warm) for i in new]))
    # What is left is how far the truth may lie from that middle.
    expected = (rng.uniform(*_BY_AIR, DRAWS) - np.mean(_BY_AIR)) * thinner / manifold_pa
    expected = expected - (rng.uniform(*_BY_WARMTH, DRAWS) - np.mean(_BY_WARMTH)) * warmer
    if not all(i.charge_known for i in (*old, *new)):
        expected = expected + _CHARGE_K[1] / _CHARGE_K[0] * rng.standard_normal(DRAWS)
    scale = mean * volume * rng.uniform(*_VOLUMETRIC, DRAWS) * (1 + _DISPLACEMENT * rng.standard_normal(DRAWS))
    draws = rise.draws(rng)
    area = _areas((np.expm1(draws) - expected) * scale, new, rng, air_known=False)
    none = np.expm1(draws - rise.middle) - (expected - expected.mean())
    bare = _areas(none * scale, new, rng, air_known=False)
    return _told(area, bare, flat, "speed and density", (len(old), len(new)))


def _areas(
    flow: Floats, new: Sequence[Idle] | Sequence[Trimmed], rng: np.random.Generator, *, air_known: bool
) -> Floats:
    """From kg/s to mm² of a real hole."""
    pressures = (np.array([float(np.mean([getattr(i, k) for i in new]))]) for k in ("air_pa", "air_k", "manifold_pa"))
    through = float(flux(*pressures)[0])
    warm = 1.0 if air_known else 1.0 + 0.5 * _AIR_K[1] / _AIR_K[0] * rng.standard_normal(DRAWS)
    found: Floats = flow / through / rng.uniform(*_DISCHARGE, DRAWS) * warm * _MM2
    return found


def _flat(before: Sequence[DriveSignals], judged: Sequence[DriveSignals]) -> str:
    """What the trims say of the metering where nothing measures the air."""
    sets = []
    for side in (before, judged):
        values = [
            np.nanmean(d.trim[rows])
            for d in side
            if (rows := idle_rows(d) & (d.closed > 0.99) & np.isfinite(d.trim)).any()
        ]
        sets.append([float(v) for v in values])
    if len(sets[0]) < 2 or not sets[1]:
        return "how the air is metered nobody can tell: there are no trims at idle"
    grown = shift(sets[0], sets[1], _LEAST_TRIM).middle
    if grown > _METERED:
        return (
            f"trims at idle grew by {spelt(100 * grown, 2)} %: the air is metered, but the bus does not give the flow"
        )
    return "trims stayed flat, as where speed and density are the meter"


#: Trims that grow by more are those of a meter that does not see the air.
_METERED = 0.04


def _told(area: object, bare: object, words: str, by: str, drives: tuple[int, int]) -> Finding:
    found, none = of_draws(np.asarray(area)), of_draws(np.asarray(bare))
    smallest = none.sure[1]
    figures = {"smallest_mm2": smallest, "by": by, "drives": list(drives)}
    could = f"the smallest hole that these drives could show has {spelt(smallest, 2)} mm²"
    if found.sure[0] <= 0.0:
        return Finding(NAME, NOTHING, f"no more air than before was seen; {could}.", "", {"area_mm2": found}, figures)
    least = "at least " if by != "trims" else ""
    across = 2.0 * float(np.sqrt(found.middle / np.pi))
    said = f"air comes in through {least}{found.spelt(2)} mm², a round hole of {spelt(across, 2)} mm; {words}; {could}."
    return Finding(NAME, TOLD, said, "", {"area_mm2": found}, figures)
