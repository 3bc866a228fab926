"""Lost and low boost on each kind of compressor: healthy pulls are silent, a hose that comes off is heard.

The laws are of a handbook, from memory (Heywood, Internal Combustion Engine Fundamentals, 1st ed., ch. 6): a
displacement machine delivers the same air for each turn, so its ratio of pressures hardly depends on speed; the head of
a centrifugal one grows with the square of its speed; a turbo follows the exhaust within seconds and is held by its
wastegate.
"""

import itertools
import math
from pathlib import Path

import pytest

from cabcanary.model import Frame, Quality, Value
from cabcanary.plan.plan import load_plan
from cabcanary.store.baselines import Baseline, Baselines, write_baselines

CONFIG = Path(__file__).parents[2] / "config"
PSI = 6.894757
AIR = 101.325
BOOST_RULES = ("boost_lost", "boost_halved", "boost_low", "boost_not_built")
KINDS = ("displacement", "centrifugal", "turbo")


def settled(kind, rpm):
    """The ratio of pressures that the machine makes once it has had its time."""
    if kind == "displacement":
        return 1.36 + 0.04 * rpm / 6000
    if kind == "centrifugal":
        return 1.0 + 0.45 * (rpm / 6000) ** 2
    return 1.0 + 0.5 / (1 + math.exp(-(rpm - 2600) / 250))


def pull(kind, *, first=1800, last=5500, seconds=6.0, air=AIR, slip=0.0, hose_off_s=None):
    """Throttle wide open from 1 s on; per tick: throttle, speed, ratio."""
    ratio = 0.5
    for n in itertools.count():
        t = n * 0.02
        if t > seconds + 2.0:
            return
        throttle = 95.0 if 1.0 <= t < 1.0 + seconds else 8.0
        rpm = first + (last - first) * min(max(t - 1.0, 0.0), seconds) / seconds
        if throttle > 50:
            target = settled(kind, rpm * (1 - slip))
            if kind == "displacement":
                target = 1 + (target * (1 - slip)) - 1
        else:
            target = 0.35
        if hose_off_s is not None and t > 1.0 + hose_off_s and throttle > 50:
            target = 0.99
        lag = 1.2 if kind == "turbo" and target > ratio and ratio > 0.9 else 0.08
        ratio += (target - ratio) * (1 - math.exp(-0.02 / lag))
        yield t, throttle, rpm, ratio, air


@pytest.fixture
def watching(tmp_path):
    """The rules of a vehicle with everything fitted, and this compressor."""

    def make(kind, learnt=False, full_from=None):
        text = (CONFIG / "bench-van.toml").read_text(encoding="utf-8")
        text = text.replace('kind = "displacement"', f'kind = "{kind}"').replace(
            'folder = "$', f'folder = "{tmp_path}"#'
        )
        (tmp_path / "rules").mkdir(exist_ok=True)
        for file in (CONFIG / "rules").glob("*.toml"):
            rules = file.read_text(encoding="utf-8")
            if full_from:
                rules = rules.replace('full_boost_from = "2200 rpm"', f'full_boost_from = "{full_from} rpm"')
            (tmp_path / "rules" / file.name).write_text(rules, encoding="utf-8")
        (tmp_path / "van.toml").write_text(text, encoding="utf-8")
        if learnt:
            points = [(float(rpm), settled(kind, rpm)) for rpm in range(1750, 6000, 250)]
            # Nobody holds a throttle wide open at low speed for long: there nothing is learnt.
            points = [p for p in points if p[0] >= {"turbo": 3500, "centrifugal": 3000}.get(kind, 0)]
            full = Baseline(
                name="full_ratio", stage="compressor, low boost", of="pressure_ratio", unit="ratio",
                by="engine_speed", by_unit="rpm", points=points,
            )  # fmt: skip
            write_baselines(tmp_path, Baselines(baselines=[full]))
        return load_plan(tmp_path / "van.toml")

    return make


def heard(plan, ticks):
    engine = plan.engine()
    units = plan.channel_units
    found = []
    for t, throttle, rpm, ratio, air in ticks:
        now = {
            "throttle": throttle, "engine_speed": rpm, "pressure_ratio": ratio, "map": ratio * air, "air_pressure": air,
            "boost": (ratio - 1) * air / PSI, "boost_as_burnt": (ratio - 1) * air / PSI, "lambda": 0.82,
            "coolant": 90.0,
            "supply": 14.1, "module_voltage": 14.1, "engine_running": 1.0, "engine_map": min(ratio * air, 115.0),
            "recording": 1.0, "clock_set": 1.0, "vehicle_speed": 60.0, "barometer": air, "charge_temperature": 40.0,
            "fuel_system": 4.0,
        }  # fmt: skip
        values = {c: Value(now.get(c, 0.0), Quality.GOOD, 0) for c in units}
        found += [(t, c.alert) for c in engine.step(Frame(int(t * 1e9), values)) if c.sounds and c.alert in BOOST_RULES]
    return found


@pytest.mark.parametrize("learnt", [False, True])
@pytest.mark.parametrize(
    ("kind", "full_from"),
    # The last two with the number that was right for another kind.
    [("displacement", 2200), ("centrifugal", 4500), ("turbo", 3500), ("centrifugal", 2200), ("turbo", 2200)],
)
@pytest.mark.parametrize("air", [101.3, 79.5])  # at the sea and at 2000 m (US Standard Atmosphere 1976)
def test_healthy_pulls_of_every_kind_are_silent(watching, kind, learnt, air, full_from):
    plan = watching(kind, learnt, full_from)
    assert ("boost_low" in [r.id for r in plan.rules.rules]) is learnt
    for first, seconds in itertools.product((1200, 1800, 2600, 3800), (4.0, 8.0)):
        last = min(first + 500 * seconds, 5800)
        assert heard(plan, pull(kind, first=first, last=last, seconds=seconds, air=air)) == [], (first, seconds)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("learnt", [False, True])
def test_a_hose_that_comes_off_in_a_pull_is_heard_within_a_second_and_a_half(watching, kind, learnt):
    plan = watching(kind, learnt, {"centrifugal": 4500, "turbo": 3500}.get(kind))
    found = heard(plan, pull(kind, first=3800, last=5500, seconds=8.0, hose_off_s=5.0))
    assert found
    assert found[0][1] in ("boost_lost", "boost_not_built")
    assert 0 < found[0][0] - 6.0 < 1.5


@pytest.mark.parametrize(
    ("full_from", "first", "last", "how"),
    # None at all from the number that the owner gave on; a quarter a third above that; above 4000 rpm under 1 psi.
    [
        (2200, 2400, 2800, {"hose_off_s": 0.0}),
        (2200, 3000, 3050, {"slip": 0.5}),
        (4500, 4600, 5500, {"slip": 0.6}),
    ],
)
def test_a_centrifugal_compressor_with_next_to_no_boost_is_heard_before_anything_is_learnt(
    watching, full_from, first, last, how
):
    found = heard(watching("centrifugal", False, full_from), pull("centrifugal", first=first, last=last, **how))
    assert [alert for _, alert in found] == ["boost_lost"]


def test_a_wet_belt_of_a_centrifugal_compressor_at_low_speed_is_no_boost_lost(watching):
    # At 2350 rpm it makes 1 psi; a belt that loses two fifths of its speed leaves 0.36.
    assert heard(watching("centrifugal", False, 2200), pull("centrifugal", first=2350, last=2351, slip=0.4)) == []


@pytest.mark.parametrize("kind", ["displacement", "centrifugal"])
def test_a_belt_that_slips_by_a_tenth_is_heard_once_what_is_normal_has_been_learnt(watching, kind):
    plan = watching(kind, learnt=True, full_from=4500)
    found = heard(plan, pull(kind, first=3200, last=5500, seconds=6.0, slip=0.10))
    assert [alert for _, alert in found] == ["boost_low"]


def test_a_bypass_that_opens_by_half_in_a_pull_is_told_before_anything_has_been_learnt(watching):
    def half(ticks):
        for t, throttle, rpm, ratio, air in ticks:
            yield t, throttle, rpm, 1 + 0.42 * (ratio - 1) if t > 5.0 and ratio > 1 else ratio, air

    found = heard(watching("displacement"), half(pull("displacement", first=3000, last=4500, seconds=8.0)))
    assert [alert for _, alert in found] == ["boost_halved"]
    assert 1.4 < found[0][0] - 5.0 < 1.8


def test_a_hose_that_comes_off_is_told_as_that_and_not_a_second_time(watching):
    found = heard(watching("displacement"), pull("displacement", first=3800, last=5500, seconds=8.0, hose_off_s=5.0))
    assert [alert for _, alert in found] == ["boost_lost"]


@pytest.mark.parametrize(
    ("kind", "learnt", "left"),
    # What is left of the boost. Learnt, a fall to a third of what just was is still one that no wet belt makes.
    [("displacement", False, 0.42), ("displacement", True, 0.38), ("centrifugal", True, 0.38)],
)
def test_a_wet_belt_that_slips_for_a_second_is_not_lost_boost(watching, kind, learnt, left):
    # It slips for a second, and comes back (common practice, no source).
    def wet(ticks):
        for t, throttle, rpm, ratio, air in ticks:
            yield t, throttle, rpm, 1 + left * (ratio - 1) if 0.0 <= t % 4.0 < 1.0 and ratio > 1 else ratio, air

    plan = watching(kind, learnt, full_from=4500)
    assert heard(plan, wet(pull(kind, first=3000, last=4500, seconds=12.0))) == []


@pytest.mark.parametrize("kind", ["displacement", "centrifugal"])
def test_a_shift_with_the_throttle_open_loses_no_boost(watching, kind):
    # An automatic gearbox takes the engine from 5500 to 3700 rpm in 0.4 s.
    def shifted():
        for n in range(500):
            t = n * 0.02
            rpm = 5500 - 4500 * min(max(t - 5.0, 0.0), 0.4)
            yield t, 95.0 if t > 1.0 else 8.0, rpm, settled(kind, rpm) if t > 1.1 else 0.4, AIR

    assert heard(watching(kind, full_from=4500), shifted()) == []


def test_before_the_compressor_is_on_no_boost_is_missed(watching, tmp_path):
    watching("displacement")
    file = tmp_path / "van.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace('stage = "compressor, low boost"\n', 'stage = "plumbing"\n'), encoding="utf-8")
    ticks = (
        (t, throttle, rpm, 0.97 if throttle > 50 else 0.4, air) for t, throttle, rpm, _, air in pull("displacement")
    )
    assert heard(load_plan(file), ticks) == []
