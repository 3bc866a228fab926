"""A wire that shows no engine speed is not believed beside a manifold that a turning engine draws on."""

import pytest

from cabcanary.channels.speed_wire import SpeedWire


def follow(wire, seconds, turns, kpa, begin_s=0.0):
    """So long of this, the pressure a number or a function of the seconds; returns when it was denied, s."""
    denied = []
    for n in range(round(seconds / 0.02)):
        s = begin_s + n * 0.02
        wire.step(turns, kpa(s) if callable(kpa) else kpa, round(s * 1e9))
        if wire.denied:
            denied.append(s)
    return denied


def waving(s):
    return 45.0 + (s % 1.0) * 4.0


def test_a_drawn_manifold_beside_no_speed_denies_the_wire_after_longer_than_a_manifold_fills():
    denied = follow(SpeedWire(), 6.0, turns=False, kpa=waving)
    assert 3.4 < denied[0] < 3.6


def test_boost_above_any_air_does_too():
    assert follow(SpeedWire(), 5.0, turns=False, kpa=lambda s: waving(s) + 80.0)


@pytest.mark.parametrize(
    ("turns", "kpa"),
    # It turns; it shows nothing; no pressure is known; the manifold fills; the line is frozen; the engine stands.
    [
        (True, waving),
        (None, waving),
        (False, None),
        (False, lambda s: min(33.0 + 25.0 * s, 100.0)),
        (False, 40.0),
        (False, 99.0),
    ],
)
def test_else_it_is_believed(turns, kpa):
    assert follow(SpeedWire(), 20.0, turns=turns, kpa=kpa) == []


def test_it_stays_denied_where_the_manifold_shows_an_air_for_a_moment():
    wire = SpeedWire()
    follow(wire, 5.0, turns=False, kpa=waving)
    assert len(follow(wire, 4.0, turns=False, kpa=lambda s: waving(s) + 40.0, begin_s=5.0)) == 200


def test_until_the_wire_shows_an_engine_that_turns():
    wire = SpeedWire()
    follow(wire, 5.0, turns=False, kpa=waving)
    assert follow(wire, 1.0, turns=True, kpa=waving, begin_s=5.0) == []


def test_or_the_manifold_one_that_stands():
    wire = SpeedWire()
    follow(wire, 5.0, turns=False, kpa=waving)
    denied = follow(wire, 10.0, turns=False, kpa=99.0, begin_s=5.0)
    assert 5.9 < denied[-1] - 5.0 < 6.2


def test_it_goes_on_over_a_saved_state():
    wire, other = SpeedWire(), SpeedWire()
    follow(wire, 3.0, turns=False, kpa=waving)
    other.restore(wire.state())
    assert follow(other, 1.0, turns=False, kpa=waving, begin_s=3.0) == follow(
        wire, 1.0, turns=False, kpa=waving, begin_s=3.0
    )
    assert other.state() == wire.state()
    assert other.denied
