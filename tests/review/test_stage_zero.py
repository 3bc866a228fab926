"""Stage 0: what the bus alone teaches, and the next stage's first idle held against it with another sensor."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from bus_van import OWN_SENSOR, BusArchive, Engine, bus_van, in_stage

from cabcanary.cli.main import main
from cabcanary.inspection.roles import roles_of
from cabcanary.plan.plan import load_plan
from cabcanary.plan.sensors import sensor_of
from cabcanary.review.rules.learning import learn
from cabcanary.store.baselines import read_baselines


def learnt(config: Path) -> dict[str, float]:
    return {b.name: b.points[0][1] for b in learn(load_plan(config))}


def add_sensor(config: Path, more: str = "") -> Path:
    config.write_text(config.read_text(encoding="utf-8") + OWN_SENSOR + more, encoding="utf-8")
    return config


@pytest.fixture
def driven(tmp_path: Path) -> BusArchive:
    """A van whose bus alone has been driven with until what is normal was learnt."""
    archive = BusArchive(bus_van(tmp_path))
    for _ in range(5):
        archive.drive(Engine())
    learn(load_plan(archive.config))
    return archive


def test_a_bus_alone_passes_check_and_is_told_what_it_can_not_warn_of(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    config = bus_van(tmp_path)
    assert main(["check", str(config)]) == 0
    said = capsys.readouterr().out
    assert "neither mixture nor boost is measured" in said
    assert "it can NOT warn of a lean mixture, of too much boost" in said
    # With a compressor it is no longer enough: that is said first, and is no pass.
    in_stage(config, "compressor, low boost")
    assert main(["check", str(config)]) == 1
    assert "NOT WATCHED for lean under boost" in capsys.readouterr().out
    in_stage(add_sensor(config), "sensors")
    assert main(["check", str(config)]) == 0


def test_new_makes_a_vehicle_of_its_bus_alone(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    answers = tmp_path / "answers.toml"
    answers.write_text(
        '[vehicle]\nname = "bus van"\nstages = ["untouched", "sensors"]\nstage = "untouched"\n'
        '[compressor]\nkind = "none"\n'
        '[bus]\ninterface = "slcan"\nchannel = "/dev/ttyACM0"\nbitrate = 500000\npressure_sensor = false\n',
        encoding="utf-8",
    )
    config = tmp_path / "van" / "bus.toml"
    config.parent.mkdir()
    assert main(["new", str(config), "--answers", str(answers)]) == 0
    plan = load_plan(config)
    # It has no pressure sensor: its meter's flow is asked in its place.
    assert {"mass_air", "fuel_trim", "engine_speed"} <= set(plan.channel_units)
    assert "engine_map" not in plan.channel_units
    capsys.readouterr()
    assert main(["check", str(config)]) == 0
    assert "it can NOT warn of a lean mixture" in capsys.readouterr().out


def test_the_bus_alone_teaches_idle_trims_and_supply(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    archive = BusArchive(bus_van(tmp_path))
    for _ in range(5):
        archive.drive(Engine(kpa=33.0, rpm=780.0, air=3.5, near=2.0, far=-1.0))
    found = learnt(archive.config)
    assert found["idle_pressure"] == pytest.approx(33.0, abs=1.0)
    assert found["idle_speed"] == pytest.approx(780.0, abs=10.0)
    assert found["idle_mass_air"] == pytest.approx(3.5, abs=0.1)
    assert found["trim_at_idle"] == pytest.approx(2.0, abs=0.6)
    by_load = read_baselines(load_plan(archive.config).settings.daemon.folder).of_stage("untouched")["trim_by_load"]
    trims = dict(by_load.points)
    assert trims[30.0] == pytest.approx(2.0, abs=0.6)
    assert trims[60.0] == pytest.approx(-1.0, abs=0.6)
    capsys.readouterr()
    assert main(["stage", str(archive.config)]) == 0
    said = capsys.readouterr().out
    assert "normal here: idle pressure 33 kPa" in said
    assert "measured by map of engine" in said
    assert "not learnt yet, drive on: supply_running" in said
    assert main(["stage", str(archive.config), "--json"]) == 0
    told = {b["name"]: b for b in json.loads(capsys.readouterr().out)["normal"]}
    assert told["idle_pressure"]["sensor"] == "map of engine"


def test_supply_is_learnt_at_the_module_where_nothing_else_measures_it(tmp_path: Path) -> None:
    archive = BusArchive(bus_van(tmp_path))
    for _ in range(3):
        archive.drive(Engine(), idle_s=20.0, cruise_s=230.0)
    # The lowest 0.5 % of 14.1 V with 0.02 V of noise.
    assert learnt(archive.config)["supply_running"] == pytest.approx(14.05, abs=0.02)


def test_what_was_learnt_once_is_held_so_that_what_creeps_is_seen(driven: BusArchive) -> None:
    before = read_baselines(load_plan(driven.config).settings.daemon.folder).of_stage("untouched")
    for _ in range(5):
        driven.drive(Engine(kpa=38.0, rpm=850.0))
    assert "idle_pressure" not in learnt(driven.config)
    after = read_baselines(load_plan(driven.config).settings.daemon.folder).of_stage("untouched")
    assert after["idle_pressure"] == before["idle_pressure"]


# --- the next stage ---------------------------------------------------------------------------------------------------


def test_the_first_idle_is_judged_across_the_change_of_sensor(driven: BusArchive) -> None:
    config = in_stage(add_sensor(driven.config), "sensors")
    (line,) = [line for line in load_plan(config).stage_lines() if "idle_pressure" in line]
    # 33 kPa by the bus, 2 that the change explains; 2.2 kPa of the bus and 1.5 % of 230 kPa are limits, so
    # 2 sqrt(2.2^2/3 + 3.45^2/3) = 4.7 kPa between the two (JCGM 100:2008, 4.3.7).
    assert "39.72 kPa at most; then map of engine, now voltage0 of adc: the two may differ by 4.7 kPa" in line
    # A sensor that shows 3 kPa more is no leak; one of 16 kPa is, at the first idle.
    assert "vacuum_leak" not in driven.first_idle(Engine(own_off=3.0))
    assert "vacuum_leak" not in driven.first_idle(Engine(kpa=39.0, own_off=3.0))
    assert "vacuum_leak" in driven.first_idle(Engine(kpa=49.0))


def test_a_better_sensor_leaves_less_unsure(driven: BusArchive) -> None:
    config = in_stage(add_sensor(driven.config, "accuracy = 0.5\n"), "sensors")
    (line,) = [line for line in load_plan(config).stage_lines() if "idle_pressure" in line]
    assert "37.61 kPa at most" in line
    # 12.5 kPa of a port left open, at the first idle.
    assert "vacuum_leak" in driven.first_idle(Engine(kpa=46.0))


def test_with_the_same_sensor_nothing_is_added(driven: BusArchive) -> None:
    config = in_stage(driven.config, "sensors")
    (line,) = [line for line in load_plan(config).stage_lines() if "idle_pressure" in line]
    assert line == "baseline idle_pressure is that of stage 'untouched' until it is measured here: 35 kPa at most"
    assert "vacuum_leak" in driven.first_idle(Engine(kpa=46.0))
    assert "vacuum_leak" not in driven.first_idle(Engine(kpa=34.0))


@pytest.mark.parametrize(("kpa", "learnt_here"), [(38.0, True), (42.0, False)])
def test_what_two_sensors_do_not_explain_is_not_learnt(driven: BusArchive, kpa: float, learnt_here: bool) -> None:
    config = in_stage(add_sensor(driven.config), "sensors")
    driven.drive(Engine(kpa=kpa))
    assert ("idle_pressure" in learnt(config)) is learnt_here


def test_a_sensor_of_the_same_stage_that_was_changed_is_not_taken_for_the_old_one(driven: BusArchive) -> None:
    config = add_sensor(driven.config)
    (line,) = [line for line in load_plan(config).stage_lines() if "idle_pressure" in line]
    # Nothing was changed but the sensor: nothing is explained by it but what the two may differ by.
    assert line.startswith("baseline idle_pressure is that of another sensor until it is measured here: 37.72 kPa")
    driven.drive(Engine(kpa=33.0, own_off=2.0), idle_s=90.0)
    assert learnt(config)["idle_pressure"] == pytest.approx(35.0, abs=1.2)
    assert not [line for line in load_plan(config).stage_lines() if "idle_pressure" in line]


def test_a_serial_number_makes_another_sensor(tmp_path: Path) -> None:
    config = add_sensor(bus_van(tmp_path))
    first = sensor_of(load_plan(config).settings, "map").name
    config.write_text(config.read_text() + '[parts.map]\nserial = "B7"\nfitted = 2026-02-01\n', encoding="utf-8")
    assert sensor_of(load_plan(config).settings, "map").name == f"{first}, serial B7"


def test_the_review_has_the_sensors_in_its_interval(driven: BusArchive, capsys: pytest.CaptureFixture[str]) -> None:
    config = in_stage(add_sensor(driven.config), "sensors")
    for _ in range(4):
        driven.drive(Engine(own_off=3.0))
    assert main(["stage", str(config), "review", "--json"]) == 1
    told = {c["criterion"]: c for c in json.loads(capsys.readouterr().out)["criteria"]}
    found = told["idle pressure"]
    assert "then map of engine, now voltage0 of adc: they may differ by 4.7 kPa" in found["figure"]
    # 3 kPa of a sensor's own error is no leak, and it is not proved that nothing changed either.
    assert found["verdict"] == "not enough yet"


def test_an_inspection_knows_what_was_normal_and_that_another_sensor_measured_it(driven: BusArchive) -> None:
    same = roles_of(load_plan(in_stage(driven.config, "sensors")))
    assert same.idle_unsure == 0.0
    assert {"pressure", "speed", "trim", "air"} == set(same.normals)
    assert same.normals["air"].value == pytest.approx(3.5, abs=0.1)
    other = roles_of(load_plan(add_sensor(driven.config)))
    assert other.idle_before is not None
    assert other.idle_before[0] == pytest.approx(33.0, abs=1.0)
    # As in the first idle above; of what has no other sensor nothing.
    assert other.idle_unsure == other.normals["pressure"].unsure == pytest.approx(4.72, abs=0.02)
    assert other.normals["speed"].unsure == 0.0


# --- what a leak looks like -------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("without", "after", "said", "verdict"),
    [
        # 15 % of the idle's air comes in behind the meter: the trim that corrects for it at idle is 15 %, and at six
        # times the flow a sixth of that.
        ((), Engine(kpa=33.4, air=3.0, near=16.0, far=3.0), "a leak behind the air meter is likely", "fail"),
        (("map",), Engine(air=3.0, near=16.0, far=3.0), "a leak behind the air meter is likely", "fail"),
        (("maf",), Engine(kpa=45.5, rpm=930.0), "as where speed and density are the meter", "fail"),
        ((), Engine(near=11.0, far=1.2), "an exhaust leak ahead of the engine's sensor is likely", "fail"),
        (("maf",), Engine(near=11.0, far=1.2), "or an exhaust leak ahead", "not enough yet"),
        ((), Engine(near=6.5, far=6.5), "alike at every flow", "not enough yet"),
        ((), Engine(), "as before", "pass"),
    ],
)
def test_the_review_says_what_the_idle_looks_like(
    tmp_path: Path, without: tuple[str, ...], after: Engine, said: str, verdict: str,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    archive = BusArchive(bus_van(tmp_path, *without))
    for _ in range(4):
        archive.drive(Engine(), idle_s=76.0, cruise_s=14.0)
    in_stage(archive.config, "sensors")
    for _ in range(4):
        archive.drive(after, idle_s=76.0, cruise_s=14.0)
    main(["stage", str(archive.config), "review", "--json"])
    told = {c["criterion"]: c for c in json.loads(capsys.readouterr().out)["criteria"]}
    found = told["what the idle looks like"]
    assert said in found["figure"], found
    assert found["verdict"] == verdict
