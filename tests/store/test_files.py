"""Manifests and archives: whole or not at all, and readable by others."""

import json
import os

import numpy as np
import polars as pl
import pyarrow.parquet as pq
import pytest

from cabcanary.model import Quality
from cabcanary.store import manifest as manifests
from cabcanary.store.archive import Column, write_samples
from cabcanary.store.manifest import (
    AlertCount,
    Manifest,
    drive_folder,
    manifest_json,
    read_manifests,
    slug,
    write_atomically,
)

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
    path.write_text(json.dumps(json.loads(manifest_json(manifest)) | more))
    return path


def test_a_manifest_comes_back_as_it_went(tmp_path):
    path = keep(tmp_path)
    assert read_manifests(tmp_path) == ([(path, MANIFEST)], [])


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


@pytest.fixture
def archive(tmp_path):
    path = tmp_path / "drive.parquet"
    times = np.array([5_000_000_000, 5_020_000_000, 5_040_000_000], dtype=np.int64)
    columns = [
        Column(
            "boost",
            "psi",
            np.array([1.5, np.nan, 8.0]),
            np.array([Quality.GOOD, Quality.OUT_OF_RANGE, Quality.SATURATED_HIGH], np.uint8),
            None,
        ),
        Column("map", "kPa", np.array([111.0, 112.0, 156.0]), np.zeros(3, np.uint8), np.array([2.0, np.nan, 3.0]), "V"),
    ]
    write_samples(path, times, columns, {"drive": "d", "stage": "sensors only"})
    return path


def test_another_program_reads_the_samples(archive):
    table = pl.read_parquet(archive)
    assert table.columns == ["time_s", "boost", "boost_quality", "map", "map_quality", "map_raw"]
    assert table["time_s"].to_list() == pytest.approx([0.0, 0.02, 0.04])
    assert table["boost"].to_list() == [1.5, None, 8.0]
    assert table["boost_quality"].cast(pl.String).to_list() == ["good", "out of range", "saturated high"]
    assert table["map_raw"].to_list() == [2.0, None, 3.0]


def test_units_and_settings_travel_in_the_file(archive):
    schema = pq.read_schema(archive)
    assert schema.field("boost").metadata[b"unit"] == b"psi"
    assert schema.field("map_raw").metadata[b"unit"] == b"V"
    about = json.loads(schema.metadata[b"cabcanary"])
    assert about["stage"] == "sensors only"
    assert about["units"] == {"time_s": "s", "boost": "psi", "map": "kPa", "map_raw": "V"}


def test_a_drive_without_a_single_sample_is_a_file_all_the_same(tmp_path):
    write_samples(tmp_path / "empty.parquet", np.array([], dtype=np.int64), [], {})
    assert len(pl.read_parquet(tmp_path / "empty.parquet")) == 0


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
    ]
