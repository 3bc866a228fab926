"""A spoiled session is refused, and the reason says what is wrong with it."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from calibration_sessions import (
    BETA,
    PRESSURE,
    sensor_of,
    session_of,
    spread_values,
    taken,
)

from cabcanary import units
from cabcanary.calibration.fit import Unfit
from cabcanary.calibration.points import Session
from cabcanary.calibration.refusals import calibrated
from cabcanary.calibration.sensor import Sensor

Spoiled = Callable[[np.random.Generator], tuple[Sensor, Session, str]]


def volts(kpa: float) -> float:
    return 0.5 + 4.0 * (kpa - 20.0) / 230.0


def healthy(random: np.random.Generator, number: int, reading: float = 0.7) -> tuple[Sensor, Session]:
    sensor = sensor_of(PRESSURE)
    values = spread_values(35.0, 225.0, number, random)
    return sensor, session_of(sensor, volts, values, random, limits=0.5, reading=reading)


def with_point(session: Session, n: int, **new: object) -> Session:
    points = list(session.points)
    points[n] = points[n]._replace(**new)
    return session._replace(points=tuple(points))


def leaking_pump(random: np.random.Generator) -> tuple[Sensor, Session, str]:
    """It loses 1.5 to 20 kPa while it is listened to; the gauge was read at the beginning."""
    sensor, session = healthy(random, int(random.integers(2, 7)))
    n = int(random.integers(len(session.points)))
    value, loses = session.points[n].reference, random.uniform(1.5, 20.0)
    fades = random.uniform(1.0, 10.0)

    def leaks(t: float) -> float:
        share = (1 - math.exp(-t / fades)) / (1 - math.exp(-5.0 / fades))
        return volts(value - loses * share)

    return sensor, with_point(session, n, readings=taken(sensor, leaks, 0.002, random)), "moved"


def swapped_points(random: np.random.Generator) -> tuple[Sensor, Session, str]:
    """Two neighbours have each other's reference."""
    sensor, session = healthy(random, int(random.integers(2, 7)))
    n = int(random.integers(len(session.points) - 1))
    a, b = (p.reference for p in session.points[n : n + 2])
    return sensor, with_point(with_point(session, n, reference=b), n + 1, reference=a), "swapped|must rise"


def slip_of_two(random: np.random.Generator) -> tuple[Sensor, Session, str]:
    """Two points, and tens and units of one exchanged so that it is 27 kPa off or more: 15 for 51, 103 for 130."""
    sensor = sensor_of(PRESSURE)
    wrong = [v for v in range(30, 226) if abs(exchanged(v) - v) >= 27]
    first = int(random.choice([v for v in wrong if v < 100]))
    second = int(random.integers(150, 220))
    session = session_of(sensor, volts, [first, second], random, limits=0.0, reading=0.7)
    return sensor, with_point(session, 0, reference=float(exchanged(first))), "slip|outside|slope"


def slip_of_four(random: np.random.Generator) -> tuple[Sensor, Session, str]:
    """Four to six points, and any digits of one exchanged: 9 kPa off or more."""
    sensor = sensor_of(PRESSURE)
    values = [float(round(v)) for v in spread_values(35.0, 225.0, int(random.integers(4, 7)), random)]
    n = int(random.integers(len(values)))
    while exchanged(int(values[n])) == int(values[n]):
        values[n] += 1
    session = session_of(sensor, volts, values, random, limits=0.5, reading=0.7)
    return sensor, with_point(session, n, reference=float(exchanged(int(values[n])))), "slip|outside|slope"


def exchanged(value: int) -> int:
    """Tens and units the other way round."""
    hundreds, tens, ones = value // 100, value // 10 % 10, value % 10
    return 100 * hundreds + 10 * ones + tens


def floating_wire(random: np.random.Generator) -> tuple[Sensor, Session, str]:
    """It picks up the mains or wanders, whatever the pressure."""
    sensor, session = healthy(random, int(random.integers(2, 7)))
    points = []
    for point in session.points:
        hum, rest, turn = random.uniform(0.04, 0.6), random.uniform(1.2, 3.8), random.uniform(0, 6.28)
        hertz = random.uniform(49.7, 50.3)

        def picks_up(t: float, hum=hum, rest=rest, turn=turn, hertz=hertz) -> float:
            return rest + hum * math.sin(2 * math.pi * hertz * t + turn)

        points.append(point._replace(readings=taken(sensor, picks_up, 0.002, random)))
    return sensor, session._replace(points=tuple(points)), "scatter|moved"


def cut_wire_that_rests(random: np.random.Generator) -> tuple[Sensor, Session, str]:
    """It rests at one voltage within the rails, whatever the pressure."""
    sensor, session = healthy(random, int(random.integers(2, 7)))
    rests = random.uniform(0.6, 4.3)
    points = [p._replace(readings=taken(sensor, lambda _: rests, 0.002, random)) for p in session.points]
    return sensor, session._replace(points=tuple(points)), "does not follow"


def saturated_end(random: np.random.Generator) -> tuple[Sensor, Session, str]:
    """One point beyond the sensor's end, or at the rail of a converter of less than 5 V."""
    sensor, session = healthy(random, int(random.integers(2, 7)))
    stands = float(random.choice([4.5, 4.62, 4.9, 0.31, 0.0]))
    n = len(session.points) - 1
    reads = taken(sensor, lambda _: stands, 0.002 if stands != 4.5 else 0.0, random)
    return sensor, with_point(session, n, readings=reads), "rail|end"


def wrong_unit(random: np.random.Generator) -> tuple[Sensor, Session, str]:
    """Typed as the gauge has it, which is another unit than the channel's."""
    if random.random() < 0.3:
        sensor = sensor_of(BETA, "charge_temperature")

        def at(celsius: float) -> float:
            ohm = 10_000 * math.exp(3950 / (celsius + 273.15) - 3950 / 298.15)
            return 5.0 * ohm / (ohm + 2490)

        session = session_of(
            sensor, at, [random.uniform(1, 10), random.uniform(60, 90)], random, limits=0.2, reading=0.3
        )
        symbol = "°F"
    else:
        sensor, session = healthy(random, int(random.integers(2, 7)))
        symbol = str(random.choice(["psi", "inHg", "bar", "mbar", "mmHg"]))
    points = [p._replace(reference=units.convert(p.reference, sensor.unit, symbol)) for p in session.points]
    return sensor, session._replace(points=tuple(points)), "unit"


SPOILED: dict[str, Spoiled] = {
    f.__name__: f
    for f in (
        leaking_pump, swapped_points, slip_of_two, slip_of_four, floating_wire, cut_wire_that_rests, saturated_end,
        wrong_unit,
    )
}  # fmt: skip


def campaign(number: int) -> dict[str, tuple[int, list[str]]]:
    """Of each kind: how many were refused, and what was let through or refused with other words."""
    told = {}
    for kind, spoil in SPOILED.items():
        refused, wrong = 0, []
        for n in range(number):
            sensor, session, words = spoil(np.random.default_rng([n, list(SPOILED).index(kind)]))
            try:
                result = calibrated(session, sensor)
            except Unfit as error:
                refused += 1
                if not any(word in str(error) for word in words.split("|")):
                    wrong.append(str(error))
                continue
            references = [(round(p.reference, 1), round(p.readings.mean, 3)) for p in session.points]
            wrong.append(f"seed {n} let through: {references}, within {result.within:.2f}")
        told[kind] = refused, wrong
    return told


def shown(told: dict[str, tuple[int, list[str]]], number: int) -> None:
    print(f"\n{'spoiled by':22} {'sessions':>8} {'refused':>8}")
    for kind, (refused, wrong) in told.items():
        print(f"{kind:22} {number:8} {refused:8}")
        for line in wrong[:4]:
            print(f"    {line}")


@pytest.mark.long
def test_a_thousand_spoiled_sessions_of_each_kind_are_refused() -> None:
    told = campaign(1000)
    shown(told, 1000)
    assert {kind: wrong for kind, (_, wrong) in told.items() if wrong} == {}


def test_a_sample_of_spoiled_sessions_is_refused() -> None:
    told = campaign(40)
    shown(told, 40)
    assert {kind: wrong for kind, (_, wrong) in told.items() if wrong} == {}
