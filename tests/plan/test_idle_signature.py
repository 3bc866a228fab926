"""The signature of an idle that differs: what a leak does to trims, speed and pressure by how the air is metered."""

from __future__ import annotations

import pytest

from cabcanary.plan import idle_signature as signs
from cabcanary.plan.idle_signature import Change, Idle, signature


def about(middle: float, half: float = 0.5) -> Change:
    return Change(middle, middle - half, middle + half)


FLAT, FLAT_RPM = about(0.0), about(0.0, 10.0)


@pytest.mark.parametrize(
    ("idle", "kind"),
    [
        # Unmetered air leans idle most, and less and less as flow grows.
        (Idle(FLAT, FLAT_RPM, about(12.0), about(2.0), about(-15.0, 2.0)), signs.BEHIND_METER),
        (Idle(about(5.0), about(80.0, 10.0), about(12.0), about(2.0)), signs.BEHIND_METER),
        # The engine takes the air that it took: what leans the sensor came in behind the valves.
        (Idle(FLAT, FLAT_RPM, about(8.0), about(0.5), about(0.0, 2.0)), signs.EXHAUST),
        # Nobody knows how much air it takes.
        (Idle(FLAT, FLAT_RPM, about(8.0), about(0.5)), signs.UNKNOWN),
        (Idle(None, FLAT_RPM, about(8.0), about(0.5), about(0.0, 2.0)), signs.UNKNOWN),
        # Air that pressure and speed meter: no trim.
        (Idle(about(12.5), about(150.0, 10.0), FLAT, FLAT), signs.BY_DENSITY),
        (Idle(about(12.5), about(150.0, 10.0)), signs.UNKNOWN),
        # The meter sees it: no leak behind it.
        (Idle(about(5.0), about(150.0, 10.0), FLAT, FLAT, about(30.0, 3.0)), signs.MORE_AIR),
        # Alike at every flow, or growing with it: fuel.
        (Idle(FLAT, FLAT_RPM, about(6.0), about(5.5), FLAT), signs.FUEL),
        (Idle(FLAT, FLAT_RPM, about(4.0), about(9.0), FLAT), signs.DELIVERY),
        (Idle(FLAT, FLAT_RPM, about(8.0), about(5.0), FLAT), signs.UNKNOWN),
        (Idle(FLAT, FLAT_RPM, about(8.0), about(3.0, 7.0), FLAT), signs.UNKNOWN),
        (Idle(FLAT, FLAT_RPM, about(8.0), None, FLAT), signs.UNKNOWN),
        (Idle(FLAT, FLAT_RPM, about(-8.0), about(0.0), FLAT), signs.RICHER),
        # A belt that drags: more air at the same speed, all of it metered.
        (Idle(about(5.0), FLAT_RPM, FLAT, FLAT), signs.WORK),
        (Idle(about(5.0), FLAT_RPM, None, None), signs.UNKNOWN),
        (Idle(FLAT, FLAT_RPM, FLAT, FLAT, about(0.0, 2.0)), signs.NOTHING),
        (Idle(FLAT, about(150.0, 10.0), FLAT, FLAT), signs.UNKNOWN),
        (Idle(), signs.UNKNOWN),
        (Idle(about(1.0, 9.0), FLAT_RPM, FLAT, FLAT), signs.UNKNOWN),
    ],
)
def test_the_signature_is_that_of_the_metering(idle: Idle, kind: str) -> None:
    assert signature(idle).kind == kind


def test_what_cannot_be_told_says_what_would_tell() -> None:
    for idle in (Idle(), Idle(FLAT, FLAT_RPM, about(8.0), about(0.5)), Idle(about(12.5), about(150.0, 10.0))):
        assert signature(idle).next
    assert "mass air at idle" in signature(Idle(FLAT, FLAT_RPM, about(8.0), about(0.5))).next
    assert "short and long trim" in signature(Idle(about(12.5), about(150.0, 10.0))).next


def test_whoever_looks_for_a_leak_is_told_how_not_to_be_hurt() -> None:
    exhaust = signature(Idle(FLAT, FLAT_RPM, about(8.0), about(0.5), about(0.0, 2.0)))
    density = signature(Idle(about(12.5), about(150.0, 10.0), FLAT, FLAT))
    for found in (exhaust, density):
        assert "parked, outdoors, hands clear of belts and fans; stay off boost" in found.next
    assert "exhaust gas poisons" in exhaust.next
    assert "safe" not in (exhaust.said + exhaust.next + density.said + density.next).lower()


def test_two_sensors_are_named_where_they_may_be_all_of_it() -> None:
    other = Idle(about(5.0), FLAT_RPM, FLAT, FLAT, other_sensor=True)
    assert "or the one pressure sensor against the other" in signature(other).said
    assert "with the engine standing" in signature(other).next
    assert "sensor" not in signature(other._replace(other_sensor=False)).said
