"""What an idle that differs from before looks like: which signature it has, what is likely, and what would tell more.

Air that comes in behind a meter is not measured: the closed loop adds fuel for it, less and less as flow grows, since
the leak stays as it is. Where pressure and speed are the meter, such air is measured like any other: trims stay flat,
and speed and pressure rise. An exhaust leak ahead of the sensor draws air in at idle alone: trims rise and fade as
well, and the engine takes no other air than before (common practice).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

#: What counts as another: kPa, rpm, per cent of metered air, per cent of trim. Less comes with weather.
LEAST_KPA, LEAST_RPM, LEAST_AIR, LEAST_TRIM = 2.0, 40.0, 6.0, 3.0
#: A trim has faded where at most this share is left away from idle; from the next on it is everywhere.
_FADED, _EVERYWHERE, _GROWS = 0.5, 0.7, 1.5
NOTHING, BEHIND_METER, BY_DENSITY, EXHAUST = (
    "as before",
    "leak behind the meter",
    "leak on speed and density",
    "exhaust",
)
FUEL, DELIVERY, RICHER, MORE_AIR, WORK, UNKNOWN = "fuel", "delivery", "richer", "more metered air", "work", "can't tell"
LEAKS = (BEHIND_METER, BY_DENSITY, EXHAUST)
#: Whoever looks for a leak: where a person can be hurt.
_PARKED = "parked, outdoors, hands clear of belts and fans; stay off boost until it is found"


class Change(NamedTuple):
    """How far something lies above what it was, and between what."""

    middle: float
    low: float
    high: float

    def word(self, least: float) -> str:
        """Up or down: for certain and by more than counts; flat: certainly by no more than twice that; else unsure."""
        if self.low > 0.0 and self.middle > least:
            return "up"
        if self.high < 0.0 and self.middle < -least:
            return "down"
        return "flat" if max(-self.low, self.high) <= 2.0 * least else "unsure"


class Idle(NamedTuple):
    """The changes at a warm idle: pressure in kPa, speed in rpm, trims in per cent at idle and away from it, metered
    air in per cent of what it was. None: nobody measures it, or too little was seen."""

    pressure: Change | None = None
    speed: Change | None = None
    near: Change | None = None
    far: Change | None = None
    air: Change | None = None
    #: Pressure was measured by another sensor then.
    other_sensor: bool = False


@dataclass(frozen=True, slots=True)
class Signature:
    """What it looks like, in a sentence, and what to measure next; `kind` is one of the names above."""

    kind: str
    said: str
    next: str = ""


def signature(idle: Idle) -> Signature:
    """Which signature these changes have."""
    near, pressure, speed, air = (
        "unknown" if change is None else change.word(least)
        for change, least in (
            (idle.near, LEAST_TRIM), (idle.pressure, LEAST_KPA), (idle.speed, LEAST_RPM), (idle.air, LEAST_AIR),
        )
    )  # fmt: skip
    if near == "up":
        return _lean(idle, pressure, speed, air)
    if near == "down":
        return Signature(
            RICHER,
            "trims at idle take fuel away that they did not before: fuel from elsewhere, or more pressure behind it",
            "fuel pressure; trims with the purge valve's hose shut",
        )
    if pressure == "up" and speed == "up":
        return _fuller(near, air)
    if pressure == "up" and speed in ("flat", "down"):
        return _works(idle, near)
    if "up" in (pressure, speed) or "down" in (pressure, speed, air) or air == "up":
        return _cannot(near, pressure, speed)
    if "flat" in (near, pressure, speed) and "unsure" not in (near, pressure, speed):
        return Signature(NOTHING, "the idle is as before, as far as it is measured")
    return _cannot(near, pressure, speed)


def _lean(idle: Idle, pressure: str, speed: str, air: str) -> Signature:
    """Trims at idle add fuel that they did not before."""
    near, far = idle.near, idle.far
    if near is None or far is None:
        return Signature(
            UNKNOWN,
            "trims at idle add fuel: air, exhaust or fuel, and nothing away from idle tells which",
            "the same trims at 2500 rpm, parked: gone there, it is air; larger there, it is fuel",
        )
    if far.middle > _GROWS * near.middle and far.low > 0.0:
        return Signature(
            DELIVERY,
            "trims grow with flow: too little fuel where much is wanted, and no leak",
            "fuel pressure under load, filter and pump; stay off boost until it holds",
        )
    if far.middle >= _EVERYWHERE * near.middle and far.low > 0.0:
        return Signature(
            FUEL,
            "trims are up alike at every flow: fuel, its pressure, or the meter's scale, and no leak",
            "which fuel is in the tank, then fuel pressure",
        )
    if far.middle > _FADED * near.middle or far.high >= near.middle:
        return Signature(
            UNKNOWN,
            "trims at idle add fuel, and it can't be told yet whether that fades with flow",
            "more driving in closed loop away from idle, or trims at 2500 rpm, parked",
        )
    return _faded(pressure, speed, air)


def _faded(pressure: str, speed: str, air: str) -> Signature:
    """Trims that are up at idle and gone away from it."""
    if air == "down" or "up" in (pressure, speed):
        return Signature(
            BEHIND_METER,
            "trims are up at idle and fade with flow, and the engine takes air that its meter does not see: a leak "
            "behind the air meter is likely",
            f"smoke, or a hand and an ear, at each joint that the change touched, {_PARKED}",
        )
    if air == "flat" and pressure == "flat":
        return Signature(
            EXHAUST,
            "trims are up at idle and fade with flow, and the engine takes no other air than before: an exhaust leak "
            "ahead of the engine's sensor is likely",
            f"each gasket and weld ahead of the sensor, cold, with soapy water (exhaust gas poisons), {_PARKED}",
        )
    return Signature(
        UNKNOWN,
        "trims are up at idle and fade with flow: a leak behind the air meter, or an exhaust leak ahead of the "
        "engine's sensor; neither pressure nor metered air is known well enough to tell which",
        f"mass air at idle against before (less: behind the meter; the same: exhaust), or smoke, {_PARKED}",
    )


def _fuller(near: str, air: str) -> Signature:
    """Pressure and speed are up."""
    if air == "up" and near == "flat":
        return Signature(
            MORE_AIR,
            "pressure and speed are up and the meter sees the air: idle is set higher, or loads are on; no leak behind "
            "the meter",
            "idle with all loads off; whether the throttle shuts fully",
        )
    if near == "flat":
        return Signature(
            BY_DENSITY,
            "speed and pressure are up and trims stay flat, as where speed and density are the meter: a leak into the "
            "manifold is likely, or a throttle that does not shut",
            f"whether the throttle shuts, then smoke at each joint that the change touched, {_PARKED}",
        )
    return Signature(
        UNKNOWN,
        "speed and pressure are up: a leak is likely, and without trims at idle nobody can tell how the air is metered",
        "short and long trim of a warm idle in closed loop: up is air behind a meter, flat is speed and density",
    )


def _works(idle: Idle, near: str) -> Signature:
    """Pressure is up, and speed is not."""
    sensor = ", or the one pressure sensor against the other" if idle.other_sensor else ""
    said = f"pressure is up at the same speed: the engine works harder (belt, loads, oil, timing){sensor}"
    if near != "flat":
        return Signature(UNKNOWN, f"{said}, or a leak that idle control takes back",
                         "trims of a warm idle in closed loop")  # fmt: skip
    tell = "both sensors with the engine standing, key on: they agree, or the difference is theirs; then "
    return Signature(
        WORK,
        f"{said}; trims are flat, so no unmetered air; a small leak on speed and density looks the same",
        f"{tell if idle.other_sensor else ''}idle with the belt's drive and all loads off",
    )


def _cannot(near: str, pressure: str, speed: str) -> Signature:
    lacks = [words for words, state in (
        ("trims at idle", near), ("idle pressure", pressure), ("idle speed", speed),
    ) if state in ("unknown", "unsure")]  # fmt: skip
    if lacks:
        return Signature(
            UNKNOWN,
            f"it can't be told what changed: {' and '.join(lacks)} not known well enough",
            "more warm idles of a minute in both stages, and the items of the bus that are missing",
        )
    return Signature(
        UNKNOWN,
        "something changed at idle, and in no way that a leak has",
        "idle by ear and hand; loads off; whether the throttle shuts",
    )
