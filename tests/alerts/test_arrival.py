"""At key-on the last drive is told: of this vehicle, in the order in which they were made, whatever the clock said."""

import pytest

from cabcanary.alerts import arrival
from cabcanary.alerts.arrival import last_drive, summary
from cabcanary.store.manifest import Manifest, drive_folder, manifest_json


@pytest.fixture
def drive(tmp_path):
    def make(name, start, *, vehicle="Bench van", **more):
        facts = {"stage": "s", "length_s": 90.0, "ticks": 1, "recovered": False, "lost_blocks": 0, "lost_ticks": 0}
        manifest = Manifest(drive=name, vehicle=vehicle, start=start, software="0", **facts, **more)
        folder = drive_folder(tmp_path, vehicle, start)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{name}.manifest.json").write_bytes(manifest_json(manifest))

    return make


def test_it_is_this_vehicles_own_and_no_log_of_another_program_and_none_converted_again(drive, tmp_path):
    drive("20250301T101500Z-aaaaaaaa", "2025-03-01T10:15:00.000Z")
    drive("20250401T101500Z-bbbbbbbb", "2025-04-01T10:15:00.000Z", vehicle="Other van")
    drive("20250402T101500Z-cccccccc", "2025-04-02T10:15:00.000Z", vehicle="bench-van")
    drive("20250501T101500Z-dddddddd", "2025-05-01T10:15:00.000Z", made_from="log.csv")
    drive("20250301T101500Z-aaaaaaaa-r1", "2025-03-01T10:15:00.000Z", made_from="20250301T101500Z-aaaaaaaa")
    assert last_drive(tmp_path, "Bench van") == "20250301T101500Z-aaaaaaaa"


def test_it_goes_by_when_a_drive_was_and_not_by_what_the_clock_showed_then(drive, tmp_path):
    # Dated afterwards: its name is of a clock that had not been set.
    drive("19700101T000020Z-aaaaaaaa", "2025-03-02T10:15:00.000Z", clock="dated afterwards")
    drive("20250301T101500Z-bbbbbbbb", "2025-03-01T10:15:00.000Z")
    assert last_drive(tmp_path, "Bench van") == "19700101T000020Z-aaaaaaaa"


def test_while_nobody_knows_the_time_this_start_of_the_machine_is_the_last(drive, tmp_path, monkeypatch):
    monkeypatch.setattr(arrival, "boot_id", lambda: "this")
    drive("20250301T101500Z-aaaaaaaa", "2025-03-01T10:15:00.000Z", boot="earlier", first_ns=9_000)
    drive("19700101T000020Z-cccccccc", "1970-01-01T00:00:20.000Z", boot="this", first_ns=200)
    drive("19700101T000020Z-bbbbbbbb", "1970-01-01T00:00:20.000Z", boot="this", first_ns=700)
    assert last_drive(tmp_path, "Bench van") == "19700101T000020Z-bbbbbbbb"
    monkeypatch.setattr(arrival, "boot_id", lambda: "")
    assert last_drive(tmp_path, "Bench van") == "20250301T101500Z-aaaaaaaa"


def test_a_torn_manifest_hides_no_other_and_none_is_none(drive, tmp_path):
    assert last_drive(tmp_path, "Bench van") is None
    drive("20250301T101500Z-aaaaaaaa", "2025-03-01T10:15:00.000Z")
    month = drive_folder(tmp_path, "Bench van", "2025-03")
    (month / "20250302T101500Z-bbbbbbbb.manifest.json").write_bytes(b'{"drive": ')
    assert last_drive(tmp_path, "Bench van") == "20250301T101500Z-aaaaaaaa"
    found = summary(tmp_path, "20250301T101500Z-aaaaaaaa")
    assert found is not None
    assert (found["minutes"], found["blind_s"]) == (1.5, 0.0)
    assert summary(tmp_path, "20250302T101500Z-bbbbbbbb") is None
