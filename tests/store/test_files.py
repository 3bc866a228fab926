"""Manifests and archives: whole or not at all, and readable by others."""

import errno
import json
import os
import zlib

import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest

from cabcanary.model import Quality
from cabcanary.store import manifest as manifests
from cabcanary.store.archive import Column, SampleWriter
from cabcanary.store.manifest import (
    AlertCount,
    Manifest,
    drive_folder,
    make_folder,
    manifest_json,
    read_manifests,
    slug,
    write_atomically,
)
from cabcanary.store.rows import Gathered, Rows

MANIFEST = Manifest(
    drive="20250301T101500Z-ab12",
    vehicle="Bench van",
    stage="sensors only",
    start="2025-03-01T10:15:00.000Z",
    length_s=12.5,
    ticks=625,
    recovered=False,
    lost_blocks=0,
    lost_ticks=0,
    software="0.1.0",
    alerts=[AlertCount(alert="over_boost", priority="warning", count=2, first_s=3.5)],
)


def keep(folder, manifest=MANIFEST, **more):
    target = drive_folder(folder, manifest.vehicle, manifest.start)
    target.mkdir(parents=True, exist_ok=True)
    path = target / f"{manifest.drive}.manifest.json"
    content = {k: v for k, v in json.loads(manifest_json(manifest)).items() if k != "checksum"} | more
    # As ARCHIVE.md says it: CRC-32 of the other keys, sorted, as JSON without spaces and in ASCII.
    crc = zlib.crc32(json.dumps(content, sort_keys=True, separators=(",", ":")).encode("ascii"))
    path.write_text(json.dumps(content | {"checksum": f"{crc:08x}"}))
    return path


def test_a_manifest_comes_back_as_it_went(tmp_path):
    path = keep(tmp_path)
    assert read_manifests(tmp_path) == ([(path, MANIFEST)], [])


def test_folders_that_root_makes_belong_to_the_owner_of_the_folder_above(tmp_path, monkeypatch):
    given, above = [], tmp_path.stat()
    monkeypatch.setattr(os, "chown", lambda path, user, group: given.append((path, user, group)))
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    month = drive_folder(tmp_path, "Bench van", "2025-03-01")
    make_folder(month)
    make_folder(month)
    assert month.is_dir()
    assert given == [(p, above.st_uid, above.st_gid) for p in (month.parents[1], month.parents[0], month)]
    # Who is not root cannot, and need not.
    monkeypatch.setattr(os, "geteuid", lambda: 1000)
    make_folder(drive_folder(tmp_path, "Bench van", "2025-04-01"))
    assert len(given) == 3


def test_a_card_that_knows_no_owners_gets_its_folders_all_the_same(tmp_path, monkeypatch):
    def refuse(*_):
        raise PermissionError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "chown", refuse)
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    make_folder(tmp_path / "drives" / "vehicle=van")
    assert (tmp_path / "drives" / "vehicle=van").is_dir()


def test_keys_of_a_newer_version_are_left_alone(tmp_path):
    keep(tmp_path, weather="rain", alerts=[{**MANIFEST.alerts[0].model_dump(), "loudness": 3}])
    ((_, manifest),), faults = read_manifests(tmp_path)
    assert (manifest, faults) == (MANIFEST, [])


def test_a_manifest_that_cannot_be_read_is_named_and_hides_no_other(tmp_path):
    keep(tmp_path).with_name("broken.manifest.json").write_bytes(b'{"drive": ')
    found, faults = read_manifests(tmp_path)
    assert [m for _, m in found] == [MANIFEST]
    assert len(faults) == 1
    assert "broken.manifest.json" in faults[0]


def test_drives_are_listed_oldest_first(tmp_path):
    later = MANIFEST.model_copy(update={"drive": "b", "start": "2025-04-01T10:15:00.000Z"})
    earlier = MANIFEST.model_copy(update={"drive": "z", "start": "2024-12-31T23:59:59.000Z", "vehicle": "Another"})
    for manifest in (later, MANIFEST, earlier):
        keep(tmp_path, manifest)
    assert [m.drive for _, m in read_manifests(tmp_path)[0]] == ["z", MANIFEST.drive, "b"]


def test_drives_lie_in_folders_that_name_their_column_as_hive_does(tmp_path):
    folder = drive_folder(tmp_path, "Bench van / No. 2", "2025-03-01T10:15:00.000Z")
    assert folder.relative_to(tmp_path).as_posix() == "drives/vehicle=bench-van-no-2/month=2025-03"


@pytest.mark.parametrize("name", ["../../etc", "a/b", "..", "", "λ"])
def test_no_name_leads_out_of_its_folder(name):
    assert set(slug(name)) <= set("abcdefghijklmnopqrstuvwxyz0123456789-")
    assert slug(name)


# --- whole or not at all ------------------------------------------------------------------------------------------


def test_a_file_is_synced_before_it_takes_the_place_of_the_old_one(tmp_path, monkeypatch):
    steps = []
    path = tmp_path / "file"
    path.write_bytes(b"old")
    real = os.fsync

    def fsync(descriptor):
        steps.append((os.path.isdir(f"/proc/self/fd/{descriptor}"), path.read_bytes()))  # noqa: PTH112
        real(descriptor)

    monkeypatch.setattr(manifests.os, "fsync", fsync)
    write_atomically(path, b"new")
    # First the new content while the old file still stands, then the folder with the new name in it.
    assert steps == [(False, b"old"), (True, b"new")]
    assert [p.name for p in tmp_path.iterdir()] == ["file"]


def test_a_card_that_fails_leaves_the_old_file(tmp_path, monkeypatch):
    path = tmp_path / "file"
    path.write_bytes(b"old")

    def fsync(_descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(manifests.os, "fsync", fsync)
    with pytest.raises(OSError, match="No space"):
        write_atomically(path, b"new")
    assert path.read_bytes() == b"old"


# --- the archive ---------------------------------------------------------------------------------------------------


COLUMNS = [
    Column("boost", "psi"),
    Column("map", "kPa", {"unit": "mV", "time": "map_read_ns", "scale": 1.25, "offset": 0.0}),
    Column("lambda", "lambda", {"unit": "lambda", "time": "lambda_read_ns"}),
]


def rows(first_ns, boost, map_codes):
    count, good = len(boost), np.zeros(len(boost), np.uint8)
    times = first_ns + np.arange(count, dtype=np.int64) * 20_000_000
    codes = np.ma.masked_array(map_codes, mask=[c < 0 for c in map_codes], dtype=np.int64)
    read = {"map_read_ns": np.ma.masked_array(times - 1000), "lambda_read_ns": np.ma.masked_array(times, mask=True)}
    numbers = {"boost": np.array(boost), "map": np.full(count, 111.5), "lambda": np.full(count, np.nan)}
    qualities = {"boost": good + Quality.SATURATED_HIGH, "map": good, "lambda": good + Quality.ABSENT}
    doubts = {name: np.full(count, 0.25) for name in numbers}
    return Rows(times, numbers, qualities, doubts, {"map": codes, "lambda": np.full(count, np.nan)}, read)


@pytest.fixture
def archive(tmp_path):
    path = tmp_path / "drive.parquet"
    writer = SampleWriter(path, COLUMNS, {"drive": "d", "stage": "sensors only"})
    writer.add(rows(5_000_000_000, [1.5, np.nan], [2000, -1]))
    writer.add(rows(5_040_000_000, [8.0], [2001]))
    assert list(tmp_path.glob("*.parquet")) == []
    writer.close()
    return path


def test_another_program_reads_the_samples(archive):
    table = pl.read_parquet(archive)
    assert table["time_s"].to_list() == pytest.approx([0.0, 0.02, 0.04])
    assert table["tick_ns"].to_list() == [5_000_000_000, 5_020_000_000, 5_040_000_000]
    assert table["boost"].to_list() == [1.5, None, 8.0]
    assert table["boost_quality"].cast(pl.String).to_list() == ["saturated high"] * 3
    assert table["boost_uncertainty"].to_list() == [0.25] * 3
    assert table["map_raw"].to_list() == [2000, None, 2001]
    assert table["map_read_ns"].to_list() == [4_999_999_000, 5_019_999_000, 5_039_999_000]
    assert table["lambda_read_ns"].null_count() == 3
    assert "boost_raw" not in table.columns


def test_seconds_are_those_of_the_nearest_millisecond_and_nanoseconds_are_kept(tmp_path):
    ticks = np.array([5_000_000_000, 5_020_499_999, 5_040_500_000])
    columns = dict.fromkeys(["boost"], np.zeros(3)), dict.fromkeys(["boost"], np.zeros(3, np.uint8))
    for exact, seconds in ((False, [0.0, 0.02, 0.041]), (True, [0.0, 0.020499999, 0.0405])):
        path = tmp_path / f"{exact}.parquet"
        writer = SampleWriter(path, COLUMNS[:1], {}, exact=exact)
        writer.add(Rows(ticks, *columns, columns[0]))
        writer.close()
        table = pl.read_parquet(path)
        assert (table["time_s"].to_list(), table["tick_ns"].to_list()) == (seconds, ticks.tolist())


@pytest.mark.parametrize("count", [1, 999, 1000, 1001, 2500])
@pytest.mark.parametrize("number", [0.25, np.nan])
@pytest.mark.parametrize("there", [True, False])
def test_a_number_that_lasts_is_written_as_often_as_it_was(tmp_path, count, number, there):
    gathered = Gathered(10)
    for some in (count, 7):
        whole = np.ma.masked_array(np.full(some, 8, np.int64), mask=np.full(some, not there))
        gathered.add(
            Rows(
                np.arange(len(gathered), len(gathered) + some, dtype=np.int64) * 20_000_000,
                {"map": np.full(some, number)},
                {"map": np.full(some, Quality.STUCK, np.uint8)},
                {"map": np.full(some, 0.5)},
                {"map": whole},
                {"map_read_ns": whole * 3},
            )
        )
    writer = SampleWriter(tmp_path / "drive.parquet", COLUMNS[1:2], {})
    writer.add(gathered.rows())
    writer.close()
    table = pl.read_parquet(tmp_path / "drive.parquet")
    assert len(table) == count + 7
    told = {
        "map": None if np.isnan(number) else number,
        "map_quality": "stuck",
        "map_uncertainty": 0.5,
        "map_raw": 8 if there else None,
        "map_read_ns": 24 if there else None,
    }
    for name, one in told.items():
        assert table[name].cast(pl.String if name == "map_quality" else table[name].dtype).to_list() == [one] * len(
            table
        )


def test_units_and_settings_travel_in_the_file(archive):
    schema = pq.read_schema(archive)
    assert schema.field("boost").metadata[b"unit"] == b"psi"
    # The kernel's ABI: millivolts are (code + offset) * scale.
    about_raw = {k.decode(): v.decode() for k, v in schema.field("map_raw").metadata.items()}
    assert (about_raw["unit"], about_raw["scale"], about_raw["offset"]) == ("mV", "1.25", "0.0")
    about = json.loads(schema.metadata[b"cabcanary"])
    assert about["stage"] == "sensors only"
    assert {n: about["units"][n] for n in ("time_s", "boost", "map", "map_uncertainty", "map_raw")} == {
        "time_s": "s",
        "boost": "psi",
        "map": "kPa",
        "map_uncertainty": "kPa",
        "map_raw": "mV",
    }
    assert about["raw"]["map"] == {"unit": "mV", "time": "map_read_ns", "scale": 1.25, "offset": 0.0}


def test_a_drive_without_a_single_sample_is_a_file_all_the_same(tmp_path):
    SampleWriter(tmp_path / "empty.parquet", COLUMNS, {}).close()
    table = pl.read_parquet(tmp_path / "empty.parquet")
    assert (len(table), "map_raw" in table.columns) == (0, True)


def test_a_file_that_was_not_finished_leaves_nothing_behind(tmp_path):
    writer = SampleWriter(tmp_path / "drive.parquet", COLUMNS, {})
    writer.add(rows(0, [1.0], [1]))
    writer.discard()
    assert list(tmp_path.iterdir()) == []


def test_the_numbers_of_qualities_never_change():
    # They stand in journals that are already on cards.
    assert [(q.name, int(q)) for q in Quality] == [
        ("GOOD", 0),
        ("SATURATED_HIGH", 1),
        ("SATURATED_LOW", 2),
        ("WARMING", 3),
        ("OUT_OF_RANGE", 4),
        ("STUCK", 5),
        ("IMPLAUSIBLE", 6),
        ("STALE", 7),
        ("ABSENT", 8),
        ("WITHIN", 9),
    ]
