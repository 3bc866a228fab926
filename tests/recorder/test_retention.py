"""The archive stays within its limits: size, age, free space; what a person keeps stays, what has alerts goes last."""

import errno
import json
import os
import types
from datetime import UTC, datetime, timedelta

import pytest

from cabcanary.recorder import archiver, retention
from cabcanary.recorder.archiver import keep_house
from cabcanary.recorder.dating import SYNCHRONISED, UNKNOWN
from cabcanary.recorder.retention import make_room
from cabcanary.recorder.tidying import tidy
from cabcanary.settings.schema import Archive
from cabcanary.store.manifest import AlertCount, Manifest, drive_folder, manifest_json, read_manifests

NOW = datetime(2025, 6, 30, tzinfo=UTC)
SIZE = 100_000
ALERT = AlertCount(alert="over_boost", priority="warning", count=1, first_s=1.0)


@pytest.fixture
def drive(tmp_path):
    """Makes an archived drive of 100 kB beside its manifest."""

    def make(name, start, *, clock=SYNCHRONISED, **more):
        manifest = Manifest(
            drive=name,
            vehicle="van",
            stage="s",
            start=f"{start}T10:00:00.000Z",
            length_s=1.0,
            ticks=1,
            recovered=False,
            lost_blocks=0,
            lost_ticks=0,
            software="0",
            clock=clock,
            **more,
        )
        folder = drive_folder(tmp_path, "van", manifest.start)
        folder.mkdir(parents=True, exist_ok=True)
        (folder / f"{name}.parquet").write_bytes(bytes(SIZE))
        (folder / f"{name}.events.jsonl").write_bytes(b"")
        (folder / f"{name}.manifest.json").write_bytes(manifest_json(manifest))

    return make


@pytest.fixture
def card(monkeypatch, tmp_path):
    """A card with so many bytes for drives: what they leave of it is free."""

    def of(total):
        def usage(folder):
            used = sum(p.stat().st_size for p in folder.rglob("*.parquet"))
            return types.SimpleNamespace(free=total - used)

        monkeypatch.setattr(retention.shutil, "disk_usage", usage)

    return of


def left(folder):
    return [m.drive for _, m in read_manifests(folder)[0]]


def files(folder):
    return sorted(p.name for p in (folder / "drives").rglob("*") if p.is_file())


def test_without_need_nothing_goes(tmp_path, drive):
    drive("a", "2020-01-01")
    assert make_room(tmp_path, Archive(free_gb=0), NOW) == []
    assert left(tmp_path) == ["a"]


def test_the_oldest_go_first_with_all_their_files_and_each_is_told(tmp_path, drive):
    for name, start in (("c", "2025-03-01"), ("a", "2025-01-01"), ("b", "2025-02-01")):
        drive(name, start)
    reports = make_room(tmp_path, Archive(largest_gb=0.00015, free_gb=0), NOW)
    assert [r["removed"] for r in reports] == ["a", "b"]
    assert reports[0]["text"] == "drive a of 2025-01-01 removed: the archive is over 0.00015 GB"
    assert files(tmp_path) == ["c.events.jsonl", "c.manifest.json", "c.parquet"]


def test_drives_with_alerts_go_after_those_without_and_kept_ones_stay(tmp_path, drive, card):
    drive("kept", "2025-01-01", kept=True)
    drive("alert", "2025-01-02", alerts=[ALERT])
    drive("plain", "2025-03-01")
    drive("newest", "2025-03-02")
    card(1_000_000_000 + int(2.5 * SIZE))
    assert [r["removed"] for r in make_room(tmp_path, Archive(), NOW)] == ["plain", "newest"]
    card(1_000_000_000 + int(1.5 * SIZE))
    assert [r["removed"] for r in make_room(tmp_path, Archive(), NOW)] == ["alert"]
    card(1_000_000_000)
    (report,) = make_room(tmp_path, Archive(), NOW)
    assert "only drives marked as kept are left" in report["text"]
    assert left(tmp_path) == ["kept"]


def test_a_card_that_others_fill_is_told_of(tmp_path, card):
    card(5)
    (report,) = make_room(tmp_path, Archive(), NOW)
    assert report["text"] == "less than 1 GB are free on the card; other files fill it"


def told(reports):
    return [r.get("removed", "failed") for r in reports]


@pytest.mark.parametrize("free", [500_000_000, 150_000_000])
def test_no_drive_is_given_up_for_room_that_all_of_them_would_not_make(tmp_path, drive, card, free):
    drive("a", "2025-01-01")
    drive("b", "2025-02-01")
    card(free)
    (report,) = make_room(tmp_path, Archive(), NOW)
    assert report == {
        "failed": "archive",
        "text": "less than 1 GB are free on the card, and all drives together would not make room: other files fill "
        "the card; no drive is given up for it",
    }
    assert left(tmp_path) == ["a", "b"]


@pytest.mark.parametrize("reserve", [200, 60])
def test_on_a_card_that_others_fill_the_oldest_go_so_far_that_recording_goes_on(tmp_path, drive, card, reserve):
    for name, start in (("a", "2025-01-01"), ("b", "2025-02-01"), ("c", "2025-03-01"), ("d", "2025-04-01")):
        drive(name, start)
    card(reserve * 1_000_000 + 2 * SIZE)
    reports = make_room(tmp_path, Archive(), NOW)
    assert told(reports) == ["a", "b", "failed"]
    assert reports[0]["text"] == f"drive a of 2025-01-01 removed: less than {reserve} MB are free on the card"
    assert left(tmp_path) == ["c", "d"]
    assert told(make_room(tmp_path, Archive(), NOW)) == ["failed"]


def test_where_even_one_drive_would_find_no_room_the_old_ones_stay_and_it_is_told(tmp_path, drive, card):
    drive("a", "2025-01-01")
    drive("b", "2025-02-01")
    # Beside the samples there are manifests of some hundred bytes.
    card(59_990_000)
    (report,) = make_room(tmp_path, Archive(), NOW)
    assert report["text"].endswith("other files fill the card; soon nothing can be recorded")
    assert left(tmp_path) == ["a", "b"]


def test_the_limit_itself_is_reached_where_it_can_be_if_every_drive_must_go_for_it(tmp_path, drive, card):
    drive("a", "2025-01-01")
    drive("b", "2025-02-01")
    card(1_000_000_000)
    assert told(make_room(tmp_path, Archive(), NOW)) == ["a", "b"]


def test_drives_marked_as_kept_that_fill_the_card_or_the_archive_are_named_and_the_others_stay(tmp_path, drive, card):
    for n in range(5):
        drive(f"kept{n}", "2025-01-01", kept=True)
    drive("a", "2025-02-01")
    card(1_000_000_000 + 2 * SIZE)
    why = "drives marked as kept fill it; take some away or give the archive more room"
    (report,) = make_room(tmp_path, Archive(), NOW)
    assert report["text"] == f"less than 1 GB are free on the card, and {why}"
    (report,) = make_room(tmp_path, Archive(free_gb=0, largest_gb=4.5 * SIZE / 1e9), NOW)
    assert report["text"] == f"the archive is over 0.00045 GB, and {why}"
    assert "a" in left(tmp_path)


def test_a_card_that_counts_what_has_gone_only_later_costs_no_more_drives(tmp_path, drive, monkeypatch):
    for name, start in (("a", "2025-01-01"), ("b", "2025-02-01"), ("c", "2025-03-01")):
        drive(name, start)
    usage = types.SimpleNamespace(free=1_000_000_000 - SIZE // 2)
    monkeypatch.setattr(retention.shutil, "disk_usage", lambda _: usage)
    assert told(make_room(tmp_path, Archive(), NOW)) == ["a"]


def test_what_nothing_could_be_made_of_goes_also_where_that_is_not_enough(tmp_path, drive, aside, card):
    drive("a", "2025-01-01")
    aside("first", NOW.timestamp() - 200)
    card(500_000_000)
    assert told(make_room(tmp_path, Archive(), NOW)) == ["first.unreadable", "failed"]


def test_age_counts_only_where_both_dates_are_known(tmp_path, drive):
    drive("old", "2025-01-01")
    drive("old with alert", "2025-01-01", alerts=[ALERT])
    drive("kept", "2025-01-01", kept=True)
    drive("undated", "1970-01-01", clock=UNKNOWN)
    drive("new", "2025-06-01")
    limits = Archive(oldest_days=90, free_gb=0)
    assert make_room(tmp_path, limits, None) == []
    assert [r["removed"] for r in make_room(tmp_path, limits, NOW)] == ["old", "old with alert"]
    assert left(tmp_path) == ["undated", "kept", "new"]


def test_a_power_cut_while_removing_leaves_no_drive_in_pieces(tmp_path, drive, monkeypatch):
    drive("a", "2025-01-01")
    unlinked = []
    real = type(tmp_path).unlink

    def unlink(path, missing_ok=False):
        if unlinked:
            raise OSError(errno.EIO, "Input/output error")
        unlinked.append(path.name)
        real(path)

    monkeypatch.setattr(type(tmp_path), "unlink", unlink)
    with pytest.raises(OSError, match="Input/output"):
        make_room(tmp_path, Archive(largest_gb=1e-9, free_gb=0), NOW)
    assert len(unlinked) == 1
    assert left(tmp_path) == []
    monkeypatch.undo()
    # The next start finishes it.
    list(tidy(tmp_path))
    assert files(tmp_path) == []


def test_a_read_only_card_is_told_of_and_ends_nothing(tmp_path, drive, monkeypatch):
    drive("a", "2025-01-01")

    def refuse(*_):
        raise OSError(errno.EROFS, "Read-only file system")

    monkeypatch.setattr(retention, "remove_drive", refuse)
    monkeypatch.setattr(archiver, "each_archived", lambda *_: [{"archived": "b", "text": "b"}])
    reports = list(keep_house(tmp_path, {"archive": {"largest_gb": 1e-9, "free_gb": 0}}))
    assert [r["text"] for r in reports] == ["the archive cannot be kept: [Errno 30] Read-only file system", "b"]


@pytest.fixture
def aside(tmp_path):
    """Puts a journal of 100 kB aside, at a time in seconds since 1970."""

    def put(name, since):
        path = tmp_path / "journal" / f"{name}.unreadable"
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(bytes(SIZE))
        os.utime(path, (since, since))
        return path

    return put


def test_a_journal_that_nothing_could_be_made_of_goes_after_30_days(tmp_path, aside):
    old, new = aside("old", NOW.timestamp() - 31 * 86_400), aside("new", NOW.timestamp() - 29 * 86_400)
    assert make_room(tmp_path, Archive(free_gb=0), None) == []
    (report,) = make_room(tmp_path, Archive(free_gb=0), NOW)
    assert report["text"] == "old.unreadable, of which nothing could be read, removed: put aside more than 30 days ago"
    assert (old.exists(), new.exists()) == (False, True)


def test_one_that_was_put_aside_while_nobody_knew_the_time_counts_from_when_somebody_does(tmp_path, aside):
    path = aside("a", 0)
    assert make_room(tmp_path, Archive(free_gb=0), NOW) == []
    assert path.stat().st_mtime == NOW.timestamp()
    assert len(make_room(tmp_path, Archive(free_gb=0), NOW + timedelta(days=31))) == 1


def test_what_nothing_could_be_made_of_counts_and_goes_before_any_drive_the_oldest_first(tmp_path, drive, aside):
    drive("a", "2025-01-01")
    aside("second", NOW.timestamp() - 100)
    aside("first", NOW.timestamp() - 200)
    reports = make_room(tmp_path, Archive(largest_gb=0.00021, free_gb=0), NOW)
    assert [r["removed"] for r in reports] == ["first.unreadable"]
    reports = make_room(tmp_path, Archive(largest_gb=0.00005, free_gb=0), NOW)
    assert [r["removed"] for r in reports] == ["second.unreadable", "a"]


def test_manifests_say_what_is_kept(tmp_path, drive):
    drive("a", "2025-01-01", kept=True, notes=["the first pull"])
    ((path, manifest),), _ = read_manifests(tmp_path)
    assert (manifest.kept, manifest.notes) == (True, ["the first pull"])
    assert json.loads(path.read_text())["kept"] is True
