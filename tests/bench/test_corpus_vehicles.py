"""The corpus with any settings file: readings of its own wires, faults that it could not show, one table."""

from __future__ import annotations

import json
import math
import pickle
from collections import Counter, defaultdict
from dataclasses import replace
from functools import cache
from pathlib import Path

import ambiance
import numpy as np
import pytest
import small_van

from cabcanary.cli.main import main
from cabcanary.plan.plan import load_plan
from cabcanary.store.baselines import Baselines
from cabcanary_bench.corpus import vehicles
from cabcanary_bench.corpus.corpus import Job, run_job
from cabcanary_bench.corpus.corpus_grade import KindResult, Report
from cabcanary_bench.corpus.corpus_run import bench_baselines
from cabcanary_bench.corpus.learnt import with_learnt
from cabcanary_bench.corpus.seen import NEEDS, chance_of
from cabcanary_bench.corpus.vehicles import Graded, jobs_for, table
from cabcanary_bench.corpus.watched import (
    ALL_FAULTS,
    Watched,
    chance,
    fed_by_the_key,
    limits_of,
    plan_of,
    run_watched,
    watch,
)
from cabcanary_bench.drives import mountain as mountains
from cabcanary_bench.drives.mountain import mountain
from cabcanary_bench.drives.scenario import Phase, Scenario
from cabcanary_bench.fast.fast import drive
from cabcanary_bench.fast.fitted import Fitted, NoWireError, Wire
from cabcanary_bench.faults.faults import Fault, FaultKind
from cabcanary_bench.paths import config_folder
from cabcanary_bench.sensors.traits import Traits
from cabcanary_bench.van.build import Build

BENCH = config_folder() / "bench-van.toml"
#: The wideband of the small vehicle's settings, and usual analogue forms in its place.
SERIAL = 'source = "wideband"\nitem = "lambda"\nunit = "lambda"\nends = [0.65, 1.50]\n'
FORMS = {
    "0 to 5 V, no live zero": "curve = { kind = 'linear', points = [[0.0, 0.68], [5.0, 1.36]] }\nrails = [0.05, 5.4]",
    "AFR 10 to 20": "curve = { kind = 'linear', points = [[0.0, 10.0], [5.0, 20.0]] }\n"
    "afr_scale = 14.7\nrails = [0.05, 5.4]",
    "a live zero": "curve = { kind = 'linear', points = [[0.5, 0.65], [4.5, 1.3]] }\nrails = [0.25, 4.75]",
    "falling": "curve = { kind = 'linear', points = [[1.0, 1.5], [4.0, 0.65]] }\nrails = [0.25, 4.75]",
}


@pytest.fixture
def small(tmp_path: Path):
    """Writes the small vehicle's settings with changes: small((old, new), …)."""

    def make(*changes: tuple[str, str], rules: str = small_van.RULES) -> Path:
        text = small_van.SETTINGS
        for old, new in changes:
            assert text.count(old) == 1
            text = text.replace(old, new)
        (tmp_path / "rules.toml").write_text(rules, encoding="utf-8")
        file = tmp_path / "small.toml"
        file.write_text(text, encoding="utf-8")
        return file

    return make


def analogue(form: str) -> tuple[str, str]:
    return SERIAL, f'source = "adc"\nitem = "voltage2"\nunit = "lambda"\nwire_unit = "V"\n{FORMS[form]}\n'


def town(*faults: Fault) -> Scenario:
    phases = (
        Phase("key on", 0.0, 2.0, 0, hold=True),
        Phase("start", 2.0, 4.0, 0, hold=True, crank=True),
        Phase("drive", 4.0, 60.0, 11),
    )
    return Scenario("town", 60.0, phases, faults=faults, start_coolant_c=80.0)


def frames_of(file: Path, *faults: Fault):
    plan = load_plan(file)
    fitted = Fitted(plan.settings)
    recording = drive(town(*faults), 1, Traits(lambda_ends=fitted.lambda_ends), fitted=fitted)
    pipeline = plan.pipeline()
    return recording, [pipeline.step(newest, now).values for newest, now in recording.ticks()]


# --- readings ---------------------------------------------------------------------------------------------


@pytest.mark.parametrize("form", FORMS)
def test_an_analogue_wideband_of_any_form_shows_what_its_sensor_shows(small, form: str) -> None:
    recording, frames = frames_of(small(analogue(form)))
    assert set(recording.wires) == {("adc", "voltage0"), ("adc", "voltage1"), ("adc", "voltage2")}
    shown = recording.truth["shown_lambda"]
    ends = load_plan(small(analogue(form))).settings.channels["lambda"]
    assert ends.curve is not None
    inside = [
        (frame["lambda"].value, truth)
        for frame, truth in zip(frames, shown, strict=True)
        if 0.75 < truth < 1.2 and frame["lambda"].value is not None
    ]
    assert len(inside) > 1000
    # The newest reading is up to 40 ms old.
    assert np.mean([abs(value - truth) for value, truth in inside]) < 0.004


def test_an_analogue_wideband_stands_at_its_low_end_while_it_heats_and_on_the_rail_without_power(small) -> None:
    recording, _ = frames_of(small(analogue("a live zero")))
    volts = recording.wires["adc", "voltage2"].values
    assert volts[50] == pytest.approx(500.0, abs=0.2)  # heating
    assert volts.min() >= 499.0
    dead, _ = frames_of(small(analogue("a live zero")), Fault(FaultKind.WIDEBAND_UNPLUGGED, 30.0, 60.0))
    assert np.all(dead.wires["adc", "voltage2"].values[1600:] == 0.0)


def test_pressure_and_supply_come_back_as_they_are(small) -> None:
    recording, frames = frames_of(small())
    truth = recording.truth
    for channel, column, within in (("map", "shown_map_kpa", 0.6), ("supply", "supply_v", 0.05)):
        off = [
            abs(frame[channel].value - true)
            for frame, true in zip(frames, truth[column], strict=True)
            if frame[channel].value is not None and not math.isnan(true)
        ]
        assert len(off) > 2500
        assert np.median(off) < within


def test_a_broken_pressure_wire_is_on_its_rail(small) -> None:
    recording, _ = frames_of(small(), Fault(FaultKind.MAP_WIRE_OPEN, 30.0, 60.0, severity=0.2))
    assert recording.wires["adc", "voltage0"].values[1600] == 0.0
    recording, _ = frames_of(small(), Fault(FaultKind.MAP_WIRE_OPEN, 30.0, 60.0, severity=0.9))
    assert recording.wires["adc", "voltage0"].values[1600] == pytest.approx(5000.0, abs=0.2)


def test_a_channel_that_the_bench_cannot_make_is_named(small) -> None:
    file = small()
    settings = load_plan(file).settings
    spec = settings.channels["supply"]
    with pytest.raises(NoWireError, match="oil_level"):
        Wire("oil_level", spec, settings)


@cache
def both_ways(kind: FaultKind):
    job = Job(4, fault=kind)
    return run_job(job, BENCH, bench_baselines(), weaken=False), job


@pytest.mark.parametrize("kind", [FaultKind.FUEL_PUMP_LOST, FaultKind.WIDEBAND_SILENT])
def test_the_bench_van_by_its_settings_alone_sounds_as_the_bench_van(tmp_path: Path, kind: FaultKind) -> None:
    own, job = both_ways(kind)
    other = run_watched(job, watch(BENCH, Build(), tmp_path))
    assert [s.alert for s in other.sounds] == [s.alert for s in own.sounds]
    # Other noise and other phases of the same clocks: a reading or two.
    assert all(abs(a.at_s - b.at_s) < 0.1 for a, b in zip(own.sounds, other.sounds, strict=True))


def test_fed_by_the_key_a_monitor_sees_only_what_is_between_on_and_off(tmp_path: Path) -> None:
    vehicle = watch(config_folder() / "market-hatchback.toml", Build(), tmp_path)
    scenario = Scenario(
        "key",
        39.0,
        (
            Phase("off", 0.0, 4.0, 0, hold=True, key_on=False),
            Phase("on", 4.0, 34.0, 0, hold=True),
            Phase("off again", 34.0, 39.0, 0, hold=True, key_on=False),
        ),
    )
    recording = drive(scenario, 1, fitted=Fitted(load_plan(vehicle.file).settings, vehicle.build))
    on_s = [recording.drive_s(int(t)) for t in recording.tick_ns[recording.truth["key_on"] > 0]]
    for boots_s in (0.0, 15.0):
        (run,) = fed_by_the_key(recording, boots_s).runs
        first, last = (recording.drive_s(int(recording.tick_ns[n])) for n in (run[0], run[1] - 1))
        assert first == pytest.approx(on_s[0] + boots_s, abs=0.021)
        assert last == pytest.approx(on_s[-1], abs=0.021)
    assert fed_by_the_key(recording, 60.0).runs == ()


def test_a_level_without_a_throttle_is_held_to_what_it_could_show(tmp_path: Path) -> None:
    least = limits_of(watch(config_folder() / "market-hatchback.toml", Build("centrifugal"), tmp_path))
    van = limits_of(watch(BENCH, Build(), tmp_path))
    # Boost is unsure by 2 psi there; the stage before its compressor bears 2 psi (both settings' own numbers), and only
    # boost that is above that by what is unsure can be told for certain.
    assert (least.lean_from_psi, least.lost_from_psi, least.unmeant_psi) == (4.0, 4.0, 2.0 + 2.0)
    # Who has more is held to more.
    assert (van.lean_from_psi, van.lost_from_psi, van.unmeant_psi) == (2.0, None, None)
    estate = limits_of(watch(config_folder() / "hill-estate.toml", Build("centrifugal"), tmp_path))
    assert (estate.lean_from_psi, estate.unmeant_psi) == (2.0, None)


# --- what can be seen -------------------------------------------------------------------------------------


def test_what_a_vehicle_has_no_part_for_is_absent_and_what_no_sensor_shows_is_unseen(small) -> None:
    settings = load_plan(small()).settings
    assert chance_of(FaultKind.LEAN_MIXTURE, settings, "turbo") == "seen"
    assert chance_of(FaultKind.ALTERNATOR_DEAD, settings, "turbo") == "seen"
    # Boost that was never there takes the throttle, a lying pressure sensor the engine's own.
    assert chance_of(FaultKind.BYPASS_STUCK_OPEN, settings, "turbo") == "unseen"
    assert chance_of(FaultKind.HOSE_OFF, settings, "turbo") == "seen"
    assert chance_of(FaultKind.MAP_LINE_MELTED, settings, "turbo") == "unseen"
    assert chance_of(FaultKind.CAN_SILENT, settings, "turbo") == "absent"
    assert chance_of(FaultKind.BELT_SLIP, settings, "turbo") == "absent"
    assert chance_of(FaultKind.OVER_BOOST, settings, "none") == "absent"
    assert chance_of(FaultKind.CHARGE_SHORT, settings, "turbo") == "absent"
    assert chance_of(FaultKind.SERIAL_NOISE, settings, "turbo") == "seen"


def test_an_analogue_wideband_has_no_serial_line_to_be_disturbed(small) -> None:
    settings = load_plan(small(analogue("falling"))).settings
    assert chance_of(FaultKind.SERIAL_NOISE, settings, "turbo") == "absent"


def test_the_bench_van_can_have_and_show_everything(tmp_path: Path) -> None:
    van = watch(BENCH, Build(), tmp_path)
    blank = {k for k in ALL_FAULTS if chance(k, van) != "seen"}
    assert blank <= {FaultKind.UNMEANT_BOOST}
    assert set(NEEDS) <= set(ALL_FAULTS)


def test_a_vehicle_gets_no_job_for_what_it_cannot_show(small, tmp_path: Path) -> None:
    van = watch(small(), Build("turbo"), tmp_path)
    wanted = jobs_for(van, 0.0, len(ALL_FAULTS), 1)
    assert {j.fault for j in wanted} >= {FaultKind.LEAN_MIXTURE, FaultKind.OVER_BOOST}
    assert not {FaultKind.BYPASS_STUCK_OPEN, FaultKind.CAN_SILENT} & {j.fault for j in wanted}
    assert [j.fault for j in wanted if j.mountain] == [
        FaultKind.LEAN_MIXTURE, FaultKind.OVER_BOOST, FaultKind.WIDEBAND_SILENT,
    ]  # fmt: skip


def test_labels_go_by_the_vehicles_own_limits(small, tmp_path: Path) -> None:
    more = """
[tables.ceiling]
of = "kPa"
gives = "lambda"
points = [[13.79, 0.9], [55.16, 0.87]]
[stage_limits.hose_limit]
unit = "psi"
by_stage = { "low boost" = 10 }
"""
    limits = limits_of(watch(small(rules=small_van.RULES + more), Build("turbo"), tmp_path))
    assert limits.over_boost_psi == pytest.approx(10.0)
    assert limits.ceiling[0] == pytest.approx((2.0, 0.9), abs=0.01)


# --- the table ---------------------------------------------------------------------------------------------


def test_the_table_says_found_missed_unseen_and_false(small, tmp_path: Path) -> None:
    van = watch(small(), Build("turbo"), tmp_path)
    kinds = {
        "lean_mixture": KindResult(must=2, found=2, delays_s=[0.3, 0.5]),
        "over_boost": KindResult(must=2, found=1, delays_s=[0.2], missed=["17 (severity 0.90, onset 3.0 s)"]),
        "fuse_blown": KindResult(below=1),
    }
    false = defaultdict(Counter, {"warning": Counter({"over_boost": 1})})
    report = Report(hours=2.0, kinds=kinds, false=false, false_at=["town 3 at 4.0 s: over_boost, warning"])
    top = Report(kinds={"lean_mixture": KindResult(must=1, found=1)})
    lines = table([Graded(van, report, top)])
    cells = {line.split()[0]: " ".join(line.split()[1:]) for line in lines if line.strip()}
    assert cells["lean_mixture"] in ("2/2 0.4 s", "on a pass 1/1")
    assert "2/2 0.4 s" in "\n".join(lines)
    assert "1/2 0.2 s MISSED" in "\n".join(lines)
    assert cells["bypass_stuck_open"] == "cannot be seen"
    assert cells["can_silent"] == "-"
    assert cells["fuse_blown"] == "did not show"
    assert any(line.startswith("over_boost") and "0.50" in line and "warning" in line for line in lines)
    assert any("over_boost missed in 17" in line for line in lines)


def test_the_command_drives_another_compressor(capsys) -> None:
    arguments = ["--hours", "0", "--faults", "1", "--compressor", "turbo", "--cores", "1", "--json"]
    code = main(["bench", "corpus", *arguments])
    (graded,) = json.loads(capsys.readouterr().out)
    assert (graded["vehicle"], graded["compressor"], graded["drives"]) == ("bench-van", "turbo", 1)
    fault = graded["faults"]["lean_mixture"]
    assert fault["must"] == fault["found"]
    assert code == 0


def shorter(*asked) -> list[Job]:
    """The jobs of the corpus, the ordinary ones of three minutes."""
    return [replace(job, minutes=3.0) if job.kind else job for job in jobs_for(*asked)]


@pytest.mark.parametrize("whole", [False, pytest.param(True, marks=pytest.mark.long)], ids=["short", "whole"])
def test_without_a_fault_to_put_in_there_is_a_table_all_the_same(capsys, monkeypatch, whole: bool) -> None:
    # The same two drives, in town and over a pass, of 24 and 42 minutes or of a few.
    if not whole:
        monkeypatch.setattr(vehicles, "jobs_for", shorter)
        monkeypatch.setattr(mountains, "_CLIMB_M", (250.0, 250.0))
    code = main(["bench", "corpus", "--hours", "0.05", "--faults", "0", "--compressor", "turbo", "--cores", "1"])
    assert "false alarms per hour" in capsys.readouterr().out
    assert code == 0


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["--config", "/nowhere.toml"], "nowhere.toml"),
        (["--throttle", "80:15"], "--throttle takes two percentages"),
        (["--throttle", "open"], "--throttle takes two percentages"),
        (["--compressor", "turbo", "--keep", "drives"], "--keep: only for the bench van"),
        (["--all-vehicles", "--config", "x.toml"], "leave --config away"),
    ],
)
def test_a_wrong_command_is_answered_in_words(arguments, words, capsys) -> None:
    assert main(["bench", "corpus", "--hours", "0", "--faults", "1", *arguments]) == 2
    assert words in capsys.readouterr().err


# --- with what is normal learnt before ---------------------------------------------------------------------


@pytest.fixture(scope="module")
def knowing(tmp_path_factory) -> Watched:
    vehicle = watch(BENCH, Build("displacement"), tmp_path_factory.mktemp("knowing"))
    return with_learnt(vehicle, 5, drives=1)[0]


def test_what_drives_have_taught_is_in_force_in_its_stage_alone(knowing) -> None:
    taught = {b.name: b for b in Baselines.model_validate_json(knowing.learnt).baselines}
    supply = taught["supply_running"]
    # The bench van's alternator holds 14.2 V.
    assert all(13.0 < volts < 14.6 for _, volts in supply.points)
    assert (supply.stage, len(supply.drives)) == (knowing.stage, 1)
    assert plan_of(knowing).baselines.of_stage(knowing.stage)["supply_running"] == supply
    assert "supply_running" not in plan_of(knowing, without_boost=True).baselines.of_stage(knowing.before)


def test_a_vehicle_that_has_learnt_something_travels_to_other_processes(knowing) -> None:
    assert pickle.loads(pickle.dumps(knowing)) == knowing
    assert hash(knowing) != hash(replace(knowing, learnt=""))


def test_the_command_says_what_was_learnt(capsys, monkeypatch, knowing) -> None:
    monkeypatch.setattr(vehicles, "with_learnt", lambda *_: (knowing, ["idle_pressure", "full_ratio"]))
    arguments = ["--config", str(BENCH), "--learnt", "--hours", "0", "--faults", "1", "--cores", "1"]
    main(["bench", "corpus", *arguments])
    assert "bench-van, displacement: learnt idle_pressure, full_ratio" in capsys.readouterr().err


# --- over a pass -------------------------------------------------------------------------------------------


def test_a_pass_rises_as_far_as_it_says_and_the_air_thins_as_in_the_standard_atmosphere() -> None:
    scenario = mountain(3, 1500.0, down=False)
    heights = [m for _, m in scenario.altitude]
    assert max(heights) - heights[0] >= 1500.0
    vehicle = scenario.vehicle(0.005)
    top_s = next(p.start_s for p in scenario.phases if p.name == "pull")
    truth = vehicle.step(0.01, scenario.input(top_s))
    expected = ambiance.Atmosphere(scenario.altitude_at(top_s)).pressure[0] / 1000
    # The weather's share comes on top: -4 to 2.5 kPa.
    assert -4.1 < truth.baro_kpa - expected < 2.6


def test_a_pass_goes_down_again_and_pulls_at_its_top_alone() -> None:
    scenario = mountain(5, 800.0)
    heights = [m for _, m in scenario.altitude]
    pulls = [p.start_s for p in scenario.phases if p.name == "pull"]
    assert len(pulls) == 2
    assert all(scenario.altitude_at(s) > max(heights) - 60.0 for s in pulls)
    assert heights[-1] < heights[0] + 60.0
