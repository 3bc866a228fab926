"""Drives go out to other programs and logs come in from them, through those programs' own readers and writers."""

from __future__ import annotations

import contextlib
import io
import json
import os
import re
import subprocess
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import mf4_rs
import numpy as np
import pandas as pd
import polars as pl
import pytest
from asammdf import MDF, Signal
from harness import command
from live_drive import TICK_NS, Live
from plain_mdf import PlainMdf
from small_van import RULES, SETTINGS, Wires, volts_of

from cabcanary.alerts import arrival
from cabcanary.alerts.words import arrival_line
from cabcanary.cli.main import main
from cabcanary.plan.plan import load_plan
from cabcanary.recorder.archived_drive import ArchivedDrive
from cabcanary.recorder.archiver import archive_all
from cabcanary.review.exchange import export
from cabcanary.review.exchange.reconvert import state_under
from cabcanary.store.manifest import read_manifests
from cabcanary_bench.paths import config_folder

if TYPE_CHECKING:
    from pathlib import Path

#: NIST SP 811: 1 psi is 6.894757 kPa.
KPA_PER_PSI = 6.894757


@dataclass
class Answer:
    returncode: int
    stdout: str
    stderr: str


def cabcanary(*arguments: object) -> Answer:
    """The command line, without a process of its own for each of so many commands."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(a) for a in arguments])
    return Answer(code, out.getvalue(), err.getvalue())


def done(*arguments: object) -> str:
    answer = cabcanary(*arguments)
    assert answer.returncode == 0, answer.stderr
    return answer.stdout


@pytest.fixture
def settings(tmp_path: Path) -> Path:
    folder = tmp_path / "settings"
    folder.mkdir()
    (folder / "van.toml").write_text(SETTINGS)
    (folder / "rules.toml").write_text(RULES)
    return folder / "van.toml"


@pytest.fixture
def folder(tmp_path: Path, settings: Path) -> Path:
    """A state folder with one drive in it, in which a sensor is lost at the end."""
    folder = tmp_path / "van"
    live = Live(load_plan(settings), folder, Wires(1))
    live.run(150, running=False)
    live.run(300, running=True)
    live.key_off(30)
    live.finish()
    archive_all(folder)
    return folder


def samples(folder: Path, drive: str = "") -> Path:
    return next(p.with_name(f"{m.drive}.parquet") for p, m in read_manifests(folder)[0] if m.drive.startswith(drive))


# --- out ------------------------------------------------------------------------------------------------------------


def test_a_csv_holds_what_is_to_be_relied_on_and_nothing_else(folder: Path, tmp_path: Path) -> None:
    output = tmp_path / "drive.csv"
    assert f"wrote {output}" in done("export", "last", "--to", "csv", "--folder", folder, "--output", output)
    found, archive = pd.read_csv(output), pl.read_parquet(samples(folder))
    assert list(found.columns)[:3] == ["time_s", "lambda [lambda]", "map [kPa]"]
    assert len(found) == len(archive)
    believed = archive["map_quality"].cast(pl.String).is_in(["good", "saturated high", "saturated low"]).to_list()
    assert not all(believed)
    assert found["map [kPa]"].notna().tolist() == believed
    shown = [v for v, good in zip(archive["map"].to_list(), believed, strict=True) if good]
    assert found["map [kPa]"].dropna().tolist() == shown
    events = [json.loads(line) for line in (tmp_path / "drive.events.jsonl").read_text().splitlines()]
    assert {"clock", "drive"} >= {e["kind"] for e in events}


def test_an_mdf4_opens_elsewhere_with_units_and_what_is_not_to_be_relied_on_marked(
    folder: Path, tmp_path: Path
) -> None:
    output = tmp_path / "drive.mf4"
    done("export", "last", "--to", "mdf4", "--folder", folder, "--output", output)
    archive = pl.read_parquet(samples(folder))
    with MDF(output) as file:
        signal = file.get("map", ignore_invalidation_bits=True)
        comment = file.header.comment
    assert signal.unit == "kPa"
    assert signal.timestamps == pytest.approx(archive["time_s"].to_numpy())
    believed = archive["map_quality"].cast(pl.String).is_in(["good", "saturated high", "saturated low"]).to_numpy()
    assert np.asarray(signal.invalidation_bits, dtype=bool).tolist() == (~believed).tolist()
    assert signal.samples[believed].tolist() == archive["map"].to_numpy()[believed].tolist()
    assert "Test van, low boost" in comment


def test_two_readers_of_mdf4_see_the_same_start_and_what_is_missing_as_missing(folder: Path, tmp_path: Path) -> None:
    output = tmp_path / "drive.mf4"
    done("export", "last", "--to", "mdf4", "--folder", folder, "--output", output)
    archive, (drive,) = pl.read_parquet(samples(folder)), listed(folder)
    start = datetime.fromisoformat(drive["start"])
    plain = PlainMdf(output)
    assert plain.version >= 410
    # To the millisecond that the drive's start is known to, and in UTC.
    assert (plain.start_ns, plain.offset_minutes) == (round(start.timestamp() * 1000) * 1_000_000, 0)
    assert f"drive {drive['drive']}" in plain.comment
    with MDF(output) as file:
        assert abs((file.header.start_time - start).total_seconds()) < 1e-6
        for name in ("lambda", "map", "boost", "boost_as_burnt", "air_pressure"):
            words = archive[f"{name}_quality"].cast(pl.String)
            missing = ~words.is_in(["good", "saturated high", "saturated low"]).to_numpy()
            theirs, own = file.get(name, ignore_invalidation_bits=True), plain.signals[name]
            assert own.unit == theirs.unit != ""
            assert own.time_s.tolist() == theirs.timestamps.tolist()
            # By the number alone, and by the bit alone.
            for numbers, invalid in ((own.numbers, own.invalid), (theirs.samples, theirs.invalidation_bits)):
                assert np.isnan(numbers).tolist() == missing.tolist(), name
                assert np.asarray(invalid, dtype=bool).tolist() == missing.tolist(), name
                assert numbers[~missing].tolist() == archive[name].to_numpy()[~missing].tolist()
            assert len(file.get(name).samples) == (~missing).sum()
    assert plain.signals["lambda"].invalid.any()


def test_a_library_from_elsewhere_reads_the_same_mdf4(folder: Path, tmp_path: Path) -> None:
    """mf4-rs (MIT), written in Rust, shares no line with the library that wrote the file."""
    output = tmp_path / "drive.mf4"
    done("export", "last", "--to", "mdf4", "--uncompressed", "--folder", folder, "--output", output)
    archive, (drive,) = pl.read_parquet(samples(folder)), listed(folder)
    file = mf4_rs.Mdf(str(output))
    start = pd.Timestamp(drive["start"]).tz_localize(None)
    for name in ("lambda", "map", "boost", "air_pressure"):
        words = archive[f"{name}_quality"].cast(pl.String)
        missing = ~words.is_in(["good", "saturated high", "saturated low"]).to_numpy()
        numbers, dated = file.values(name), file.read(name)
        assert np.isnan(numbers).tolist() == missing.tolist(), name
        assert numbers[~missing].tolist() == archive[name].to_numpy()[~missing].tolist()
        assert file.channel(name).unit == {"lambda": "lambda", "boost": "psi"}.get(name, "kPa")
        times_s = (dated.index - start).total_seconds().to_numpy()
        # To the millisecond that the drive's start is known to.
        assert times_s == pytest.approx(archive["time_s"].to_numpy(), abs=0.002)
    assert np.isnan(file.values("lambda")).any()


def test_the_installed_command_exports(folder: Path, tmp_path: Path) -> None:
    words = ["export", "last", "--folder", str(folder)]
    answer = subprocess.run(command(*words), capture_output=True, text=True, timeout=60, check=False, cwd=tmp_path)
    assert (answer.returncode, answer.stderr) == (0, "")
    assert (tmp_path / samples(folder).with_suffix(".csv").name).exists()


def test_nothing_is_written_over(folder: Path, tmp_path: Path) -> None:
    output = tmp_path / "drive.parquet"
    done("export", "last", "--to", "parquet", "--folder", folder, "--output", output)
    assert output.read_bytes() == samples(folder).read_bytes()
    answer = cabcanary("export", "last", "--to", "parquet", "--folder", folder, "--output", output)
    assert (answer.returncode, "is there already" in answer.stderr) == (2, True)


@pytest.mark.parametrize("to", ["csv", "parquet", "mdf4"])
@pytest.mark.parametrize("place", [".", "..", "/", "/tmp"])
def test_a_folder_is_no_file_to_write(to: str, place: str, folder: Path) -> None:
    answer = cabcanary("export", "last", "--to", to, "--folder", folder, "--output", place)
    assert (answer.returncode, answer.stdout) == (2, "")
    assert answer.stderr == f"{place} is a folder; name a file in it with --output\n"


def test_the_events_beside_a_csv_are_not_written_over_either(folder: Path, tmp_path: Path) -> None:
    mine = tmp_path / "drive.events.jsonl"
    mine.write_text("mine")
    answer = cabcanary("export", "last", "--folder", folder, "--output", tmp_path / "drive.csv")
    assert (answer.returncode, answer.stdout) == (2, "")
    assert f"{mine} is there already" in answer.stderr
    assert mine.read_text() == "mine"
    assert not (tmp_path / "drive.csv").exists()


@pytest.mark.parametrize("to", ["csv", "parquet", "mdf4"])
def test_nothing_is_exported_into_the_archive_itself(folder: Path, to: str, monkeypatch: pytest.MonkeyPatch) -> None:
    month = samples(folder).parent
    before = {p: p.read_bytes() for p in month.iterdir()}
    monkeypatch.chdir(month)
    for more in ([], ["--output", month / "other.csv"]):
        answer = cabcanary("export", "last", "--to", to, "--folder", folder, *more)
        assert (answer.returncode, "name a place outside it" in answer.stderr) == (2, True), answer.stderr
    assert {p: p.read_bytes() for p in month.iterdir()} == before


def test_an_mdf4_is_written_under_the_name_that_is_told_and_over_nothing(folder: Path, tmp_path: Path) -> None:
    said = done("export", "last", "--to", "mdf4", "--folder", folder, "--output", tmp_path / "x2")
    assert said == f"wrote {tmp_path / 'x2.mf4'}\n"
    before = (tmp_path / "x2.mf4").read_bytes()
    answer = cabcanary("export", "last", "--to", "mdf4", "--folder", folder, "--output", tmp_path / "x2")
    assert (answer.returncode, "x2.mf4 is there already" in answer.stderr) == (2, True)
    assert (tmp_path / "x2.mf4").read_bytes() == before


@pytest.mark.parametrize("to", ["csv", "parquet", "mdf4"])
def test_an_export_that_fails_leaves_nothing_and_names_its_target(
    folder: Path, tmp_path: Path, to: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "card"
    place.mkdir()

    def full(*_: object, **__: object) -> None:
        next(place.rglob("drive*"), place).touch()
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(export.json, "dumps", full)
    monkeypatch.setattr(export.shutil, "copyfile", full)
    monkeypatch.setattr(MDF, "save", full)
    output = place / f"drive.{'mf4' if to == 'mdf4' else to}"
    answer = cabcanary("export", "last", "--to", to, "--folder", folder, "--output", output)
    assert (answer.returncode, answer.stderr) == (1, f"{output}: No space left on device\n")
    assert list(place.iterdir()) == []


def test_a_place_that_is_not_there_is_said(folder: Path, tmp_path: Path) -> None:
    answer = cabcanary("export", "last", "--folder", folder, "--output", tmp_path / "no" / "drive.csv")
    assert (answer.returncode, answer.stderr.startswith(f"there is no folder {tmp_path / 'no'};")) == (2, True)


# --- out and in again -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("to", "ending"), [("csv", "csv"), ("parquet", "parquet"), ("mdf4", "mf4")])
def test_what_went_out_comes_in_again_with_the_same_values(folder: Path, tmp_path: Path, to: str, ending: str) -> None:
    output, other = tmp_path / f"drive.{ending}", tmp_path / "other"
    done("export", "last", "--to", to, "--folder", folder, "--output", output)
    start = "2025-03-01T10:15:00Z"
    done("import", output, "--folder", other, "--vehicle", "Test van", "--start", start)
    ((_, manifest),), _ = read_manifests(other)
    assert (manifest.start, manifest.clock) == ("2025-03-01T10:15:00.000Z", "imported")
    before, after = pl.read_parquet(samples(folder)), pl.read_parquet(samples(other))
    assert after["time_s"].to_numpy() == pytest.approx(before["time_s"].to_numpy(), abs=1e-6)
    for name in ("lambda", "map", "boost"):
        good = (before[f"{name}_quality"].cast(pl.String) == "good").to_numpy()
        assert good.any()
        assert after[name].to_numpy()[good].tolist() == before[name].to_numpy()[good].tolist()


def test_a_brought_in_drive_can_be_played_frame_by_frame(folder: Path, tmp_path: Path) -> None:
    output, other = tmp_path / "drive.csv", tmp_path / "other"
    done("export", "last", "--folder", folder, "--output", output)
    done("import", output, "--folder", other, "--vehicle", "Test van")
    frames = list(ArchivedDrive(samples(other)).kept_frames())
    assert len(frames) == len(pl.read_parquet(samples(folder)))
    assert (frames[1].time_ns - frames[0].time_ns) == pytest.approx(TICK_NS, abs=1000)
    assert {v.quality.words for f in frames for v in f.values.values()} >= {"good"}


# --- in, from other writers -----------------------------------------------------------------------------------------


def imported(tmp_path: Path, file: Path, *more: object) -> pl.DataFrame:
    done("import", file, "--folder", tmp_path / "in", "--vehicle", "Van", "--start", "2025-03-01", *more)
    return pl.read_parquet(samples(tmp_path / "in"))


def test_a_parquet_of_another_writer(tmp_path: Path) -> None:
    file = tmp_path / "log.parquet"
    pl.DataFrame(
        {"time_s": [0.0, 0.1, 0.2], "map [psi]": [14.5, None, 15.0], "engine_speed [rpm]": [800, 810, 820]}
    ).write_parquet(file)
    table = imported(tmp_path, file)
    # A cell that is empty holds the value before it, as a wire's newest reading does.
    assert table["map"].to_list() == [14.5, 14.5, 15.0]
    assert table["engine_speed"].to_list() == [800.0, 810.0, 820.0]


def test_rows_that_are_closer_than_a_millisecond_stay_apart(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text("time_s,map [kPa]\n0,100\n0.0004,101\n0.0008,102\n")
    assert imported(tmp_path, file)["time_s"].to_list() == [0.0, 0.0004, 0.0008]


@pytest.mark.parametrize("to", ["csv", "parquet", "mdf4"])
def test_what_goes_out_and_in_again_keeps_times_to_the_microsecond(tmp_path: Path, to: str) -> None:
    file, out = tmp_path / "log.csv", tmp_path / f"out.{'mf4' if to == 'mdf4' else to}"
    file.write_text("time_s,map [kPa]\n0,100\n0.020412,101\n0.041099,102\n")
    assert imported(tmp_path, file)["time_s"].to_list() == [0.0, 0.02, 0.041]
    done("export", "last", "--to", to, "--folder", tmp_path / "in", "--output", out)
    done("import", out, "--folder", tmp_path / "again", "--vehicle", "Van")
    again = pl.read_parquet(samples(tmp_path / "again"))["tick_ns"]
    assert ((again - again[0]) / 1000).to_list() == pytest.approx([0, 20412, 41099], abs=0.5)


def test_an_mdf4_of_another_writer_with_two_rates(tmp_path: Path) -> None:
    file = tmp_path / "log.mf4"
    fast, slow = np.arange(0, 2, 0.02), np.arange(0, 2, 0.5)
    with MDF(version="4.10") as made:
        made.append([Signal(100.0 + fast, fast, name="map", unit="kPa")])
        made.append([Signal(np.array([20, 21, 22, 23], np.int16), slow, name="coolant", unit="°C")])
        made.save(file)
    table = imported(tmp_path, file)
    assert len(table) == 100
    assert table["map"].to_numpy() == pytest.approx(100.0 + fast)
    assert table["coolant"].to_list()[::25] == [20.0, 21.0, 22.0, 23.0]


def test_a_mapping_names_foreign_columns_and_units(tmp_path: Path, settings: Path) -> None:
    file, mapping = tmp_path / "log.csv", tmp_path / "mapping.toml"
    file.write_text("Time,Boost Pressure,AFR Target,Lambda 1\n0,14.5,12.5,0.85\n20,15.5,12.5,0.86\n40,20.0,12.5,0.9\n")
    mapping.write_text(
        'time = "Time"\ntime_unit = "ms"\n[columns]\n'
        '"Boost Pressure" = { channel = "map", unit = "psi" }\n"Lambda 1" = { channel = "lambda", unit = "lambda" }\n'
    )
    said = done("import", file, "--folder", tmp_path / "in", "--mapping", mapping, "--config", settings)
    assert "left out: AFR Target" in said
    table = pl.read_parquet(samples(tmp_path / "in"))
    assert table["time_s"].to_list() == pytest.approx([0.0, 0.02, 0.04])
    # In the unit of the settings' channel, and what is derived from it worked out by the live code.
    assert table["map"].to_list() == pytest.approx([14.5 * KPA_PER_PSI, 15.5 * KPA_PER_PSI, 20 * KPA_PER_PSI], rel=1e-6)
    assert "worked out of them" in said
    assert {"boost", "boost_as_burnt", "fuel_cut_gas", "engine_running"} <= set(table.columns)


def test_a_channel_that_falls_silent_becomes_stale(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    rows = [f"{n / 10},{100 if n < 20 else ''},{n}" for n in range(50)]
    file.write_text("\n".join(["time_s,map [kPa],engine_speed [rpm]", *rows]))
    table = imported(tmp_path, file)
    quality = table["map_quality"].cast(pl.String).to_list()
    # 100 ms is usual, the last value is of 1.9 s: fresh for a second more.
    assert quality[:29] == ["good"] * 29
    assert quality[31:] == ["stale"] * 19


@pytest.fixture
def bare(folder: Path, tmp_path: Path) -> Path:
    """A folder with a log, brought in without settings: the engine stands for 3 s, then 200 kPa for 2 s, in psi."""
    file, other = tmp_path / "log.csv", tmp_path / "bare"
    values = [(100.0, 12.4) if n <= 150 else (200.0, 14.0) for n in range(250)]
    rows = [f"{n / 50:.2f},{kpa / KPA_PER_PSI:.4f},{volts},0.82" for n, (kpa, volts) in enumerate(values)]
    file.write_text("\n".join(["time_s,map [psi],supply [V],lambda [lambda]", *rows]))
    done("import", file, "--folder", other, "--vehicle", "Van", "--start", "2025-03-01")
    return other


def test_a_drive_that_no_rules_watched_is_not_judged(bare: Path, folder: Path, settings: Path, tmp_path: Path) -> None:
    line = done("drives", "--folder", bare).splitlines()[1]
    assert re.search(r"  -  +not judged +not judged  ", line), line
    assert [d["judged"] for d in listed(bare)] == [False]
    # With settings the mixture is masked and aligned as the rules have it; its alerts are still nobody's.
    log = samples(bare).with_suffix(".csv").name
    done("export", "last", "--folder", bare, "--output", tmp_path / log)
    done("import", tmp_path / log, "--folder", tmp_path / "set", "--config", settings)
    line = done("drives", "--folder", tmp_path / "set").splitlines()[1]
    assert "lambda 0.820 at 14.5 psi, 95 % up to 0.820" in line
    assert re.search(r" not judged  ", line)
    # One's own drive is, and so is one of which an earlier version wrote no such word.
    assert [d["judged"] for d in listed(folder)] == [True]
    (path, _), *_ = read_manifests(folder)[0]
    later = ("judged", "lambda_95_under_boost", "checksum")
    older = {k: v for k, v in json.loads(path.read_text()).items() if k not in later}
    path.write_text(json.dumps({**older, "leanest_under_boost": 1.5, "leanest_at_boost": 6.1}))
    assert "lambda 1.500 at 6.1 psi  " in done("drives", "--folder", folder)


def test_list_arrival_and_export_tell_the_same_figures(tmp_path: Path, settings: Path) -> None:
    live = Live(load_plan(settings), tmp_path / "van", Wires(1))
    live.run(150, running=False)
    for ticks, mixture in ((60, 0.82), (20, 0.87), (60, 0.81)):
        for _ in range(ticks):
            live.now_ns += TICK_NS
            live.wires.put("adc", "voltage0", volts_of(140.0), live.now_ns)
            live.wires.put("adc", "voltage1", 3500.0, live.now_ns)
            live.wires.put("wideband", "lambda", mixture, live.now_ns)
            live.step()
    live.finish()
    folder = tmp_path / "van"
    archive_all(folder)
    (drive,) = listed(folder)
    assert drive["leanest_under_boost"] == 0.87
    done("export", "last", "--to", "mdf4", "--folder", folder, "--output", tmp_path / "drive.mf4")
    told = arrival.summary(folder, drive["drive"])
    assert told is not None
    words = f"lambda {drive['leanest_under_boost']:.3f} at {drive['leanest_at_boost']:.1f} psi, 95 % up to "
    words += f"{drive['lambda_95_under_boost']:.3f}"
    with MDF(tmp_path / "drive.mf4") as file:
        comment = file.header.comment
    for place in (done("drives", "--folder", folder), arrival_line(told), comment):
        assert words in place
    assert f"peak boost {drive['peak_boost']:.1f} psi" in comment


def test_rules_can_be_traced_through_a_log_without_settings_by_those_that_are_named(bare: Path, settings: Path) -> None:
    told = json.loads(done("rules", "trace", "last", "over_boost", "--folder", bare, "--config", settings, "--json"))
    # 200 kPa over 100 kPa are 14.5 psi of boost, from 3.02 s on.
    assert told["instant"].startswith("its first trip, at 3.0"), told["instant"]
    # The archive stays as it is.
    assert len(read_manifests(bare)[0]) == 1


def test_a_log_without_settings_is_said_to_be_one(bare: Path) -> None:
    for words in (["rules", "trace", "last", "over_boost"], ["replay", "last"], ["backtest", "last"]):
        answer = cabcanary(*words, "--folder", bare)
        assert answer.returncode in (1, 2), words
        assert "was brought in without settings" in answer.stderr, words
        assert "import its log again with --config" in answer.stderr, words


def test_a_log_without_settings_is_played_with_those_that_are_named(bare: Path, settings: Path) -> None:
    said = done("replay", "last", "--folder", bare, "--config", settings, "--speed", "max")
    assert "over_boost" in said


def test_rules_for_other_units_are_not_traced_through_a_drive(folder: Path, settings: Path) -> None:
    settings.write_text(SETTINGS.replace('unit = "psi"', 'unit = "kPa"'))
    answer = cabcanary("rules", "trace", "last", "over_boost", "--folder", folder, "--config", settings)
    assert answer.returncode == 2
    assert "'boost' is in psi in this drive and in kPa in" in answer.stderr


#: 25 November 2026, 06:30 UTC, in seconds since 1970 (date -d "2026-11-25T06:30Z" +%s).
EPOCH_S = 1_795_588_200


def test_seconds_since_1970_are_counted_from_the_first_row(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text(f"time_s,map [kPa]\n{EPOCH_S}.00,1\n{EPOCH_S}.02,2\n{EPOCH_S}.04,3\n")
    table = imported(tmp_path, file)
    assert table["time_s"].to_list() == pytest.approx([0.0, 0.02, 0.04], abs=1e-6)
    assert table["tick_ns"][0] == 0
    assert table["map"].to_list() == [1.0, 2.0, 3.0]


@pytest.mark.parametrize("first", [0, EPOCH_S * 1000, EPOCH_S * 1_000_000, EPOCH_S * 10**9, -(2**62)])
def test_times_that_are_no_seconds_are_refused_with_what_to_write(tmp_path: Path, first: int) -> None:
    file = tmp_path / "log.csv"
    file.write_text("time_s,map [kPa]\n" + "".join(f"{first + n * 1000},{n}\n" for n in range(40)))
    answer = cabcanary("import", file, "--folder", tmp_path / "in", "--vehicle", "Van")
    assert (answer.returncode, answer.stdout) == (2, "")
    assert 'time_unit = "ms"' in answer.stderr
    assert not list((tmp_path / "in").rglob("*.parquet"))


def test_what_was_to_be_written_is_enough(tmp_path: Path) -> None:
    file, mapping = tmp_path / "log.csv", tmp_path / "unit.toml"
    file.write_text("time_s,map [kPa]\n" + "".join(f"{EPOCH_S * 1000 + n * 20},{n}\n" for n in range(40)))
    mapping.write_text('time_unit = "ms"\n')
    table = imported(tmp_path, file, "--mapping", mapping)
    assert table["time_s"].to_list() == pytest.approx([n * 0.02 for n in range(40)], abs=1e-6)
    # A log that is as slow as that, as somebody says.
    file.write_text("time_s,map [kPa]\n0,1\n60,2\n120,3\n")
    mapping.write_text('time_unit = "s"\n')
    done("import", file, "--folder", tmp_path / "slow", "--vehicle", "Van", "--mapping", mapping)
    assert pl.read_parquet(samples(tmp_path / "slow"))["time_s"].to_list() == [0.0, 60.0, 120.0]
    mapping.write_text('time_unit = "kPa"\n')
    answer = cabcanary("import", file, "--folder", tmp_path / "slow", "--vehicle", "Van", "--mapping", mapping)
    assert (answer.returncode, "time_unit: 'kPa' is" in answer.stderr) == (2, True), answer.stderr


def test_a_file_brought_in_again_takes_its_own_place_and_keeps_mark_and_notes(tmp_path: Path) -> None:
    file, words = tmp_path / "log.csv", ["--folder", tmp_path / "in", "--start", "2025-03-01"]
    file.write_text("time_s,map [kPa]\n0,1\n0.1,2\n")
    assert "takes the place" not in done("import", file, *words, "--vehicle", "Van")
    done("drives", "keep", "last", "--folder", tmp_path / "in")
    done("drives", "note", "last", "a", "good", "pull", "--folder", tmp_path / "in")
    said = done("import", file, *words, "--vehicle", "Van", "--stage", "no boost")
    assert "replaces the earlier import of the same file" in said
    ((_, manifest),), _ = read_manifests(tmp_path / "in")
    assert (manifest.stage, manifest.kept, manifest.notes) == ("no boost", True, ["a good pull"])


def test_what_is_brought_in_lies_where_the_folders_owner_can_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    given: list[Path] = []
    monkeypatch.setattr(os, "chown", lambda path, *_: given.append(path))
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    file = tmp_path / "log.csv"
    file.write_text("time_s,map [kPa]\n0,1\n")
    imported(tmp_path, file)
    assert samples(tmp_path / "in").parent in given


BAD = {
    "no time": ("map [kPa],time_s\n1,2\n", "the first column must be headed 'time_s'"),
    "no unit": ("time_s,map\n0,1\n", "column 'map' says no unit; head it 'map [unit]'"),
    "unknown unit": ("time_s,map [smoots]\n0,1\n", "smoots"),
    "odd name": ("time_s,MAP 1 [kPa]\n0,1\n", "'MAP 1' is no channel's name"),
    "word": ("time_s,map [kPa]\n0,1\n0.1,off\n", "line 3, column 'map [kPa]': 'off' is no number"),
    "comma": ('time_s,map [kPa]\n0,"1,5"\n', "write decimals with a point"),
    "short row": ("time_s,map [kPa]\n0,1\n0.1\n", "line 3 has 1 cells, the heading 2"),
    "back": ("time_s,map [kPa]\n0,1\n1,1\n0.5,1\n", "row 4: time does not go on (0.5 s after 1 s)"),
    "empty": ("", "the first column must be headed 'time_s'"),
    "only a heading": ("time_s,map [kPa]\n", "has a heading and no rows"),
    "twice": ("time_s,map [kPa],map [psi]\n0,1,2\n", "two columns are the channel 'map'"),
    "nothing": ("time_s\n0\n", "none of its columns is a channel"),
}


@pytest.mark.parametrize("case", BAD)
def test_a_bad_file_is_refused_with_the_place_and_leaves_nothing(tmp_path: Path, case: str) -> None:
    text, words = BAD[case]
    file = tmp_path / "log.csv"
    file.write_text(text)
    answer = cabcanary("import", file, "--folder", tmp_path / "in", "--vehicle", "Van")
    assert answer.returncode == 2
    assert words in answer.stderr
    assert "Traceback" not in answer.stderr
    assert not list((tmp_path / "in").rglob("*.parquet"))


@pytest.mark.parametrize("ending", ["parquet", "mf4", "xlsx"])
def test_a_file_that_is_not_what_it_is_called_is_refused(tmp_path: Path, ending: str) -> None:
    file = tmp_path / f"log.{ending}"
    file.write_bytes(b"no such thing" * 100)
    answer = cabcanary("import", file, "--folder", tmp_path / "in", "--vehicle", "Van")
    assert answer.returncode == 2
    assert str(file) in answer.stderr
    assert "Traceback" not in answer.stderr


def test_a_channel_of_another_dimension_than_the_settings_is_refused(tmp_path: Path, settings: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text("time_s,map [V]\n0,1\n")
    answer = cabcanary("import", file, "--folder", tmp_path / "in", "--config", settings)
    assert answer.returncode == 2
    assert "'map' is in V here and in kPa in the settings" in answer.stderr


# --- a better curve -------------------------------------------------------------------------------------------------


def test_a_drive_converted_again_leaves_the_original_in_place(folder: Path, tmp_path: Path) -> None:
    original = samples(folder)
    before = {p: p.read_bytes() for p in original.parent.iterdir()}
    curve = tmp_path / "better.toml"
    # Twice the pressure of the first one at the same voltage.
    curve.write_text('[channels.map]\ncurve = { kind = "linear", points = [[0.5, 40.0], [4.5, 500.0]] }\n')
    said = done("reconvert", "last", "--curve", curve, "--folder", folder)
    assert f"{original.stem}-r1 is {original.stem} with" in said
    assert {p: p.read_bytes() for p in before} == before
    old, new = pl.read_parquet(original), pl.read_parquet(samples(folder, f"{original.stem}-r1"))
    assert new["map_raw"].to_list() == old["map_raw"].to_list()
    good = ((old["map_quality"].cast(pl.String) == "good") & (new["map_quality"].cast(pl.String) == "good")).to_numpy()
    assert good.sum() > 100
    assert new["map"].to_numpy()[good] == pytest.approx(2 * old["map"].to_numpy()[good])
    (made,) = [m for _, m in read_manifests(folder)[0] if m.made_from]
    assert made.made_from == original.stem
    assert tuple(made.start) == tuple(read_manifests(folder)[0][0][1].start)


def test_the_curve_that_a_calibration_prints_converts_a_drive_and_says_how_uncertain_it_is(
    folder: Path, settings: Path, tmp_path: Path
) -> None:
    points = tmp_path / "points.toml"
    # 0.926 V are 45.5 kPa and 3.66 V 202.7 kPa: by the old curve 44.5 and 201.7, so everything is 1 kPa more.
    points.write_text(
        "[[point]]\nraw = 926.0\nreference = 45.495\nuncertainty = 0.5\n"
        "[[point]]\nraw = 3660.0\nreference = 202.7\nuncertainty = 0.5\n"
    )
    told = json.loads(done("calibrate", "map", "--config", settings, "--points", points, "--json"))
    curve = tmp_path / "calibrated.toml"
    curve.write_text(told["fragment"])
    original = samples(folder)
    done("reconvert", "last", "--curve", curve, "--folder", folder)
    old, new = pl.read_parquet(original), pl.read_parquet(samples(folder, f"{original.stem}-r1"))
    good = ((old["map_quality"].cast(pl.String) == "good") & (new["map_quality"].cast(pl.String) == "good")).to_numpy()
    assert good.sum() > 100
    assert new["map"].to_numpy()[good] == pytest.approx(old["map"].to_numpy()[good] + 1.0, abs=0.01)
    assert new["map_uncertainty"].to_numpy()[good] == pytest.approx(told["residual"], rel=1e-5)


def test_the_same_curve_gives_the_same_drive_to_the_last_bit(folder: Path, tmp_path: Path) -> None:
    original = samples(folder)
    curve = tmp_path / "same.toml"
    curve.write_text("[channels.supply]\ndivider = 4.0\n")
    done("reconvert", "last", "--curve", curve, "--folder", folder)
    old, new = pl.read_parquet(original), pl.read_parquet(samples(folder, f"{original.stem}-r1"))
    assert old.equals(new)


#: The drive begins 6 s after the sensor came on: 8 s, of which 2 are kept.
@pytest.mark.parametrize(("warm_up", "left_s"), [("4 s", 0.0), ("10 s", 4.0)])
def test_another_curve_begins_no_warm_up_anew_and_cuts_none_short(
    settings: Path, tmp_path: Path, warm_up: str, left_s: float
) -> None:
    text = settings.read_text()
    settings.write_text(text.replace("[channels.map]", f'wideband = {{ warm_up = "{warm_up}" }}\n[channels.map]'))
    live = Live(load_plan(settings), tmp_path / "van", Wires(1))
    live.run(400, running=False)
    live.run(400, running=True)
    live.finish()
    archive_all(tmp_path / "van")
    original = samples(tmp_path / "van")
    curve = tmp_path / "better.toml"
    curve.write_text("[channels.lambda]\nends = [0.60, 1.60]\n")
    done("reconvert", "last", "--curve", curve, "--folder", tmp_path / "van")
    converted = samples(tmp_path / "van", f"{original.stem}-r1")
    old, new = (pl.read_parquet(p) for p in (original, converted))
    warming = [(table["lambda_quality"].cast(pl.String) == "warming").to_list() for table in (old, new)]
    assert warming[1] == warming[0]
    assert max((t for t, w in zip(new["time_s"], warming[1], strict=True) if w), default=0.0) <= left_s
    assert any(warming[1]) is (left_s > 0)
    assert (new["lambda_quality"].cast(pl.String) == "good").sum() > 100


def test_another_curve_gives_every_verdict_that_rests_on_it_up_and_no_other() -> None:
    plan = load_plan(config_folder() / "bench-van.toml")
    before = plan.pipeline().state()
    after = state_under(plan, before, {"map"})
    # What the bench van's file says of these: four compare the manifold's pressure, one two voltages.
    assert {n for n in before if n.startswith("check ")} == {
        f"check {n}" for n in ("line", "key_on", "feed", "overrun", "follows_load")
    }
    assert {n for n in after if n.startswith("check ")} == {"check feed"}
    assert "boost" not in after
    assert after["supply"] == before["supply"]


def test_settings_with_words_of_any_kind_are_converted_again(settings: Path, tmp_path: Path) -> None:
    # TOML 1.0.0, "String": a control character such as U+007F may only stand there escaped.
    odd = 'stage = "low\\u007f \\"boost\\", \\u00b0C"'
    settings.write_text(settings.read_text().replace('stage = "low boost"', odd))
    live = Live(load_plan(settings), tmp_path / "van", Wires(1))
    live.run(200, running=True)
    live.finish()
    archive_all(tmp_path / "van")
    curve = tmp_path / "same.toml"
    curve.write_text("[channels.supply]\ndivider = 4.0\n")
    done("reconvert", "last", "--curve", curve, "--folder", tmp_path / "van")
    found = {m.made_from != "": m.stage for _, m in read_manifests(tmp_path / "van")[0]}
    assert found == {False: 'low\x7f "boost", °C', True: 'low\x7f "boost", °C'}


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[channels.mapp]\ndivider = 2.0\n", "no measured channel 'mapp'; there are: lambda, map, supply"),
        ('[channels.map]\ncurve = { kind = "linear", points = [[1.0, 2.0]] }\n', "these settings cannot be used"),
        ("curve = 1\n", "says nothing of a channel"),
        ("[channels\n", "better.toml"),
    ],
)
def test_a_curve_file_that_is_wrong_is_refused(folder: Path, tmp_path: Path, text: str, words: str) -> None:
    curve = tmp_path / "better.toml"
    curve.write_text(text)
    answer = cabcanary("reconvert", "last", "--curve", curve, "--folder", folder)
    assert answer.returncode == 2
    assert words in answer.stderr
    assert len(read_manifests(folder)[0]) == 1


# --- one's own drives -----------------------------------------------------------------------------------------------


def listed(folder: Path, *more: str) -> list[dict[str, Any]]:
    answer: list[dict[str, Any]] = json.loads(done("drives", "--folder", folder, "--json", *more))
    return answer


def test_a_drive_is_kept_noted_and_removed_only_when_that_is_meant(folder: Path) -> None:
    (drive,) = listed(folder)
    name = drive["drive"]
    done("drives", "note", name, "new", "hose", "clamps", "--folder", folder)
    done("drives", "keep", name[:8], "--folder", folder)
    assert [(d["kept"], d["notes"]) for d in listed(folder, "--kept")] == [(True, ["new hose clamps"])]
    assert "note: new hose clamps" in done("drives", "--folder", folder)
    answer = cabcanary("drives", "remove", "last", "--yes", "--folder", folder)
    assert (answer.returncode, "marked as kept" in answer.stderr) == (2, True)
    done("drives", "release", "last", "--folder", folder)
    answer = cabcanary("drives", "remove", "last", "--folder", folder)
    assert (answer.returncode, "add --yes" in answer.stderr) == (2, True)
    assert len(listed(folder)) == 1
    done("drives", "remove", "last", "--yes", "--folder", folder)
    assert listed(folder) == []
    assert [p for p in (folder / "drives").rglob("*") if p.is_file()] == []


def test_the_list_is_narrowed(folder: Path) -> None:
    (drive,) = listed(folder)
    day = drive["start"][:10]
    for fits in (["--since", day], ["--until", day], ["--vehicle", "test van"], ["--stage", "boost"]):
        assert len(listed(folder, *fits)) == 1, fits
    for not_one in (
        ["--since", "2999-01-01"],
        ["--until", "2001-01-01"],
        ["--vehicle", "x"],
        ["--alert", "x"],
        ["--kept"],
    ):
        assert listed(folder, *not_one) == [], not_one


def test_a_drive_that_is_not_there_is_said(folder: Path) -> None:
    answer = cabcanary("drives", "keep", "1999", "--folder", folder)
    assert (answer.returncode, answer.stderr) == (
        2,
        f"there is no drive '1999' in {folder}; cabcanary drives lists them\n",
    )


# --- what a foreign file holds ------------------------------------------------------------------------------------


def foreign(folder: Path, kind: str) -> Path:
    """120 rows of a pressure in a unit, a speed, and a column of words."""
    rows = 120
    time_s = np.arange(rows) * 0.1
    boost, speed = np.linspace(-60.0, 40.0, rows), np.linspace(800.0, 3200.0, rows)
    file = folder / f"log.{kind}"
    if kind == "csv":
        lines = [f"{t:.1f},{b:.3f},{s:.1f},word" for t, b, s in zip(time_s, boost, speed, strict=True)]
        file.write_text("Time,Boost Pressure,Speed,Remark\n" + "\n".join(lines) + "\n")
    elif kind == "parquet":
        columns = {"Time": time_s, "Boost Pressure": boost, "Speed": speed, "Remark": ["word"] * rows}
        pl.DataFrame(columns).write_parquet(file)
    else:
        with MDF(version="4.10") as made:
            made.append([Signal(boost, time_s, name="Boost Pressure", unit="kPa")])
            made.append([Signal(speed, time_s, name="Speed", unit="rpm")])
            made.save(file, overwrite=True)
    return file


@pytest.mark.parametrize("kind", ["csv", "parquet", "mf4"])
def test_what_a_file_holds_is_a_mapping_to_begin_with(tmp_path: Path, kind: str) -> None:
    file = foreign(tmp_path, kind)
    told = done("import", file, "--columns")
    line = next(x for x in told.splitlines() if "Boost Pressure" in x)
    assert line.endswith("# 120 numbers from -60 to 40")
    assert "Remark" not in told
    assert ('time = "Time"' in told.splitlines()) is (kind != "mf4")
    # As somebody would who goes on from it: the # away, and the unit named where the file does not say it.
    assert 'channel = "boost"' in line
    assert line.startswith("# ") is (kind != "mf4")
    named = line.removeprefix("# ").replace('unit = "…"', 'unit = "kPa"')
    mapping = tmp_path / "map.toml"
    mapping.write_text("\n".join(x for x in told.splitlines() if x != line) + "\n" + named + "\n")
    said = done("import", file, "--mapping", mapping, "--vehicle", "bench van", "--folder", tmp_path / "van")
    assert "0.2 minutes, boost" in said


def test_what_cannot_be_read_holds_nothing_and_says_why(tmp_path: Path) -> None:
    torn = tmp_path / "torn.mf4"
    torn.write_bytes(b"MDF     4.10    " + b"\0" * 100)
    damaged, empty = tmp_path / "damaged.parquet", tmp_path / "empty.csv"
    damaged.write_bytes(b"PAR1" + b"\0" * 100)
    empty.write_bytes(b"")
    for file, words in (
        (torn, "cannot be read as MDF"),
        (damaged, "no Parquet file"),
        (empty, "cannot be read as CSV"),
        (tmp_path / "no.csv", "no file"),
        (tmp_path / "a.xyz", "unknown kind"),
    ):
        answer = cabcanary("import", file, "--columns")
        assert (answer.returncode, answer.stdout) == (2, "")
        assert words in answer.stderr


def test_a_column_of_plain_numbers_has_empty_brackets_and_comes_in(tmp_path: Path) -> None:
    file = tmp_path / "log.csv"
    file.write_text("time_s,late_ticks [],map [kPa]\n0.0,3,100\n0.1,4,101\n")
    assert "late_ticks" in done("import", file, "--vehicle", "bench van", "--folder", tmp_path / "van")
