"""What a start costs does not grow with the drives of the past: only what may matter now is read."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from cabcanary.alerts import arrival
from cabcanary.recorder import retention
from cabcanary.recorder.archiver import keep_house
from cabcanary.recorder.dating import Fit, date_afterwards
from cabcanary.settings.schema import Archive
from cabcanary.store import boots
from cabcanary.store import manifest as manifests
from cabcanary.store.manifest import Manifest, drive_folder, manifest_json, newest_first, read_manifests

VEHICLE = "Test van"


def lay(folder: Path, drive: str, start: str, **more: Any) -> Path:
    """A drive's three files of 100 bytes and its manifest."""
    given: dict[str, Any] = {"vehicle": VEHICLE, "stage": "low", "length_s": 600, "ticks": 30_000, "recovered": False}
    given |= {"lost_blocks": 0, "lost_ticks": 0, "software": "0.2", "clock": "synchronised", "boot": drive, **more}
    place = drive_folder(folder, given["vehicle"], start)
    place.mkdir(parents=True, exist_ok=True)
    (place / f"{drive}.parquet").write_bytes(b"x" * 100)
    (place / f"{drive}.events.jsonl").write_bytes(b"")
    path = place / f"{drive}.manifest.json"
    path.write_bytes(manifest_json(Manifest(drive=drive, start=start, **given)))
    return path


def many(folder: Path, count: int) -> None:
    for n in range(count):
        lay(folder, f"d{n:04d}", f"{2020 + n // 120}-{1 + n // 10 % 12:02d}-{1 + n % 10:02d}T10:00:00.000Z")


class Counter:
    def __init__(self) -> None:
        self.understood = self.looked = 0


@pytest.fixture
def counted(monkeypatch: pytest.MonkeyPatch) -> Counter:
    """How many manifests are understood, and how many folders are looked through."""
    counter = Counter()
    understand, look = Manifest.model_validate_json.__func__, os.scandir  # type: ignore[attr-defined]

    def understood(cls: type[Manifest], data: bytes) -> Manifest:
        counter.understood += 1
        found: Manifest = understand(cls, data)
        return found

    def looked(path: Any) -> Any:
        counter.looked += 1
        return look(path)

    monkeypatch.setattr(manifests.Manifest, "model_validate_json", classmethod(understood))
    monkeypatch.setattr(retention.os, "scandir", looked)
    return counter


def aged(folder: Path) -> None:
    """Months that lie still, as they do."""
    for month in folder.glob("drives/*/*"):
        os.utime(month, (1.6e9, 1.6e9))


@pytest.mark.parametrize("count", [20, 240])
def test_a_start_reads_no_more_manifests_than_a_month_has(
    tmp_path: Path, counted: Counter, count: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    many(tmp_path, count)
    aged(tmp_path)
    list(keep_house(tmp_path, {}))
    # A drive since the last start.
    lay(tmp_path, "e", f"{2020 + (count - 1) // 120}-{1 + (count - 1) // 10 % 12:02d}-28T10:00:00.000Z")
    read = []
    read_bytes = Path.read_bytes
    monkeypatch.setattr(Path, "read_bytes", lambda p: read.append(p.name) or read_bytes(p))  # type: ignore[func-returns-value]
    assert list(keep_house(tmp_path, {"told_time": ("this boot", 10**12, 1_795_588_200 * 10**9)})) == []
    # That month's eleven for the dating, for the index, and once more to see that none is damaged.
    assert len([n for n in read if n.endswith("manifest.json")]) == 33
    read.clear()
    assert arrival.last_drive(tmp_path, VEHICLE) == "e"
    assert len([n for n in read if n.endswith("manifest.json")]) == 22


def test_the_index_is_believed_only_for_months_that_lie_still(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    many(tmp_path, 30)
    aged(tmp_path)
    boots.keep_index(tmp_path)
    index = tmp_path / "boots.json"
    known = json.loads(index.read_bytes())
    assert len(known) == 3
    # A drive has come into one of them: it is found, and the month is not written down before it lies still.
    path = lay(tmp_path, "new", "2020-01-09T10:00:00.000Z", boot="now")
    assert [m.drive for _, m in boots.drives_of_boot(tmp_path, "now")] == ["new"]
    boots.keep_index(tmp_path)
    assert len(json.loads(index.read_bytes())) == 2
    aged(tmp_path)
    boots.keep_index(tmp_path)
    assert len(json.loads(index.read_bytes())) == 3
    assert [m.drive for _, m in boots.drives_of_boot(tmp_path, "now")] == ["new"]
    # Nothing has changed: nothing is written.
    before = index.stat().st_mtime_ns
    boots.keep_index(tmp_path)
    assert index.stat().st_mtime_ns == before
    path.unlink()
    assert boots.drives_of_boot(tmp_path, "now") == []
    for damage in (b"", b"[]", b"{", b'{"a": 1}', b'{"vehicle=test-van/month=2020-01": ["x", 3]}'):
        index.write_bytes(damage)
        assert [m.drive for _, m in boots.drives_of_boot(tmp_path, "d0003")] == ["d0003"], damage


@pytest.mark.parametrize("count", [20, 240])
def test_a_start_understands_no_more_manifests_than_a_month_has(tmp_path: Path, counted: Counter, count: int) -> None:
    many(tmp_path, count)
    fit = ("this boot", 10**12, 1_795_588_200 * 10**9)
    limits = {"largest_gb": 16.0, "oldest_days": 10_000.0}
    assert list(keep_house(tmp_path, {"told_time": fit, "archive": limits})) == []
    assert counted.understood == 0
    last = arrival.last_drive(tmp_path, VEHICLE)
    # Ten drives a month here.
    assert counted.understood == 10
    assert last == f"d{count - 1:04d}"


@pytest.mark.parametrize("count", [20, 240])
def test_the_size_of_the_archive_takes_one_look_into_each_folder(tmp_path: Path, counted: Counter, count: int) -> None:
    many(tmp_path, count)
    size = sum(p.stat().st_size for p in (tmp_path / "drives").rglob("*") if p.is_file())
    over = Archive(free_gb=0.0, largest_gb=(size - 1) / 1e9)
    counted.looked = 0
    reports = retention.make_room(tmp_path, over, datetime(2030, 1, 1, tzinfo=UTC))
    # One byte too many: the oldest goes, and with it enough.
    assert [r["removed"] for r in reports] == ["d0000"]
    glob_folders = count // 10
    assert counted.looked <= 4 * glob_folders + 20
    assert len(read_manifests(tmp_path)[0]) == count - 1
    assert retention.make_room(tmp_path, Archive(free_gb=0.0, largest_gb=size / 1e9), None) == []


def test_drives_of_this_start_of_the_machine_are_found_wherever_they_lie(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    many(tmp_path, 30)
    lay(tmp_path, "early", "1970-01-01T00:01:00.000Z", boot="now", clock="not synchronised", first_ns=5 * 10**9)
    lay(tmp_path, "later", "1970-01-01T00:02:00.000Z", boot="now", clock="not synchronised", first_ns=65 * 10**9)
    # Named by that start, and not of it.
    lay(tmp_path, "other", "1970-01-01T00:03:00.000Z", boot="then", clock="not synchronised", notes=["now"])
    monkeypatch.setattr(arrival, "boot_id", lambda: "now")
    assert arrival.last_drive(tmp_path, VEHICLE) == "later"
    monkeypatch.setattr(arrival, "boot_id", lambda: "")
    assert arrival.last_drive(tmp_path, VEHICLE) == "d0029"
    fit = Fit("now", 100 * 10**9, 1_795_588_200 * 10**9)
    assert [r["dated"] for r in date_afterwards(tmp_path, fit)] == ["early", "later"]
    assert [m.drive for _, m in newest_first(tmp_path, VEHICLE)][:3] == ["later", "early", "d0029"]


def test_imports_conversions_and_other_vehicles_are_nobodys_last_drive(tmp_path: Path) -> None:
    lay(tmp_path, "mine", "2026-01-05T10:00:00.000Z")
    lay(tmp_path, "log", "2026-02-05T10:00:00.000Z", made_from="log.csv")
    lay(tmp_path, "theirs", "2026-03-05T10:00:00.000Z", vehicle="Test Van")
    lay(tmp_path, "torn", "2026-04-05T10:00:00.000Z").write_bytes(b"{")
    assert arrival.last_drive(tmp_path, VEHICLE) == "mine"
    assert arrival.last_drive(tmp_path, "nobody's") is None
