"""The idle of an inspection beside what was normal before the install: which signature its change has."""

from __future__ import annotations

from cabcanary.inspection import judging_running
from cabcanary.inspection.evidence import Evidence
from cabcanary.inspection.judging import judge_sensors
from cabcanary.inspection.roles import Moment, Normal, Role, Roles, Told
from cabcanary.inspection.steps import STEPS
from cabcanary.units import unit

KPA = Role("map", unit("kPa"), 1000.0, rails=(0.25, 4.75))


def _idled(kpa: float, rpm: float, trim: float, normals: dict[str, Normal]) -> dict[str, str]:
    percent = unit("%")
    roles = Roles(
        pressure=KPA,
        engine_speed=Role("rpm", unit("rpm"), unit("rpm").factor),
        short_trim=Role("short", percent, percent.factor),
        normals=normals,
    )
    e = Evidence(roles, figures={"air": 100.0})
    told = {"map": Told(kpa, "good"), "rpm": Told(rpm, "good"), "short": Told(trim, "good")}
    moments = [Moment(n / 25, told) for n in range(100)]
    found = next(s for s in STEPS if s.key == "idle").judge(e, moments)
    return {f.what: f.verdict + ": " + f.figure + f.limit for f in found}


def test_the_idle_is_held_to_what_was_learnt_before_and_its_change_has_a_signature() -> None:
    normals = {"pressure": Normal(33.0, 0.5, 0.0), "speed": Normal(780.0, 15.0, 0.0), "trim": Normal(1.0, 1.0, 0.0)}
    what = "what the idle looks like"
    assert what not in _idled(33.0, 780.0, 1.0, {})
    assert _idled(33.4, 785.0, 1.2, normals)[what].startswith("pass: the idle is as before")
    # Of one idle alone, what a day makes is taken off first: 2.4 kPa and 50 rpm are no leak yet.
    assert not _idled(35.4, 830.0, 1.2, normals)[what].startswith("fail")
    leak = _idled(45.5, 930.0, 1.2, normals)[what]
    assert leak.startswith("fail: speed and pressure are up and trims stay flat")
    assert "stay off boost" in leak
    # Trims alone: gas of the exhaust or air, which an idle alone cannot tell.
    assert "at 2500 rpm" in _idled(33.0, 780.0, 14.0, normals)[what]
    # What two sensors may differ by is no leak.
    apart = normals | {"pressure": Normal(33.0, 0.5, 14.0)}
    assert not _idled(45.5, 930.0, 1.2, apart)[what].startswith("fail")


def test_a_trim_that_is_silent_is_no_flat_one() -> None:
    # With one of the two trims nobody knows what the closed loop adds.
    percent = unit("%")
    roles = Roles(
        pressure=KPA,
        engine_speed=Role("rpm", unit("rpm"), unit("rpm").factor),
        short_trim=Role("short", percent, percent.factor),
        long_trim=Role("long", percent, percent.factor),
        normals={
            "pressure": Normal(33.0, 0.5, 0.0), "speed": Normal(780.0, 15.0, 0.0), "trim": Normal(1.0, 1.0, 0.0),
        },
    )  # fmt: skip
    told = {"map": Told(45.5, "good"), "rpm": Told(930.0, "good"), "short": Told(1.0, "good")}
    moments = [Moment(n / 25, told) for n in range(100)]
    found = next(s for s in STEPS if s.key == "idle").judge(Evidence(roles, figures={"air": 100.0}), moments)
    (look,) = [f for f in found if f.what == "what the idle looks like"]
    assert look.verdict == "skipped"
    assert "short and long trim of a warm idle" in look.limit


def test_metered_air_is_held_to_what_it_was_in_per_cent() -> None:
    roles = Roles(
        pressure=KPA,
        engine_speed=Role("rpm", unit("rpm"), unit("rpm").factor),
        short_trim=Role("short", unit("%"), unit("%").factor),
        mass_air=Role("maf", unit("g/s"), unit("g/s").factor),
        normals={
            "pressure": Normal(33.0, 0.5, 0.0), "speed": Normal(780.0, 15.0, 0.0), "trim": Normal(1.0, 1.0, 0.0),
            "air": Normal(3.5, 0.05, 0.0),
        },
    )  # fmt: skip
    for air, said in ((4.5, "the meter sees the air"), (3.5, "as where speed and density are the meter")):
        told = {n: Told(v, "good") for n, v in (("map", 45.5), ("rpm", 930.0), ("short", 1.0), ("maf", air))}
        moments = [Moment(n / 25, told) for n in range(100)]
        found = next(s for s in STEPS if s.key == "idle").judge(Evidence(roles, figures={"air": 100.0}), moments)
        (look,) = [f for f in found if f.what == "what the idle looks like"]
        assert said in look.figure + look.limit, air


def test_a_wideband_that_is_still_heating_is_cold_and_not_blind() -> None:
    role = Role("lambda", unit("lambda"))
    for quality, word in (("warming", "stays cold"), ("absent", "blind")):
        e = Evidence(Roles(mixture=role), figures={"air": 100.0})
        moments = [Moment(n / 25, {"lambda": Told(None, quality)}) for n in range(100)]
        judge_sensors(e, moments)
        assert e.observed["warm_up"] == word


def test_an_idle_that_passes_and_is_rather_high_is_a_sign() -> None:
    """Of 18 to 46 kPa; the bench van with a port open at its tee idles at 45.5."""
    words = {kpa: judging_running._idle_word(kpa, 18.0, 46.0, 100.0) for kpa in (33.0, 40.0, 41.0, 45.5, 46.5)}
    assert list(words.values()) == ["as it should", "as it should", "rather high", "rather high", "high"]
