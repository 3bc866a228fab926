"""What the pages have said of a drive lies over its manifest, and whoever reads it cannot be led astray."""

import json
import os
import stat
from pathlib import Path

import pytest

from cabcanary.cabview.archive import Archive
from cabcanary.review.list.drives import drop_drive, keep_drive, note_drive
from cabcanary.review.report.report import _manifest_of
from cabcanary.store.manifest import (
    Manifest,
    drive_folder,
    read_manifest,
    read_manifests,
    state_folder,
    write_manifest,
)
from cabcanary.store.remarks import MOST_BYTES, Remarks, read_remarks, write_remarks

NAME = "20260301T101500Z-ab12"


@pytest.fixture
def manifest_path(tmp_path: Path) -> Path:
    made = Manifest(
        drive=NAME, vehicle="Bench van", stage="s", start="2026-03-01T10:15:00.000Z", length_s=1.0, ticks=50,
        recovered=False, lost_blocks=0, lost_ticks=0, software="0", notes=["first"],
    )  # fmt: skip
    folder = drive_folder(tmp_path, made.vehicle, made.start)
    folder.mkdir(parents=True)
    (folder / f"{NAME}.parquet").touch()
    write_manifest(folder / f"{NAME}.manifest.json", made)
    (tmp_path / "remarks").mkdir()
    return folder / f"{NAME}.manifest.json"


@pytest.fixture
def pages(tmp_path: Path, manifest_path: Path, monkeypatch: pytest.MonkeyPatch) -> Archive:
    """The pages of an installed monitor: their user may not write where drives are. Root, as in CI, always may."""
    real = os.access
    monkeypatch.setattr(os, "access", lambda path, mode: path != manifest_path.parent and real(path, mode))
    return Archive(tmp_path)


def listed(folder: Path) -> Manifest:
    ((_, manifest),), faults = read_manifests(folder)
    assert faults == []
    return manifest


def test_notes_and_marks_of_the_pages_are_seen_everywhere_and_change_nothing_in_the_archive(
    pages: Archive, tmp_path: Path, manifest_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = {p: p.read_bytes() for p in manifest_path.parent.iterdir()}
    pages.note(NAME, "  second ")
    pages.note(NAME, "third")
    pages.keep(NAME, kept=True)
    assert {p: p.read_bytes() for p in manifest_path.parent.iterdir()} == before
    monkeypatch.chdir(manifest_path.parent)  # a report may be asked for by a bare name
    reported = _manifest_of(Path(f"{NAME}.parquet"))
    assert reported is not None
    for seen in (listed(tmp_path), pages.find(NAME)[1], reported):
        assert (seen.kept, seen.notes) == (True, ["first", "second", "third"])
    pages.keep(NAME, kept=False)
    assert not listed(tmp_path).kept
    # The daemon is in no group of the pages: it reads the file as others do, in a folder that is its own.
    assert stat.S_IMODE((tmp_path / "remarks" / f"{NAME}.json").stat().st_mode) == 0o644
    assert [p.name for p in (tmp_path / "remarks").iterdir()] == [f"{NAME}.json"]


def test_they_go_into_the_manifest_when_its_owner_writes_it(
    pages: Archive, tmp_path: Path, manifest_path: Path
) -> None:
    pages.note(NAME, "second")
    pages.keep(NAME, kept=True)
    note_drive(tmp_path, "last", "third")
    written = read_manifest(manifest_path)
    assert (written.kept, written.notes) == (True, ["first", "second", "third"])
    assert list((tmp_path / "remarks").iterdir()) == []
    pages.note(NAME, "fourth")
    keep_drive(tmp_path, "last", kept=False)
    assert (listed(tmp_path).kept, listed(tmp_path).notes) == (False, ["first", "second", "third", "fourth"])


def test_a_note_that_is_in_the_manifest_already_is_told_once(tmp_path: Path, manifest_path: Path) -> None:
    # What a power cut leaves between the two steps of writing it over.
    write_remarks(tmp_path, NAME, Remarks(notes=["first", "second"]))
    assert listed(tmp_path).notes == ["first", "second"]


def test_they_go_with_their_drive(pages: Archive, tmp_path: Path, manifest_path: Path) -> None:
    pages.note(NAME, "second")
    drop_drive(tmp_path, "last", sure=True)
    assert list((tmp_path / "remarks").iterdir()) == []


def test_a_drive_kept_by_the_pages_is_not_removed(pages: Archive, tmp_path: Path, manifest_path: Path) -> None:
    pages.keep(NAME, kept=True)
    with pytest.raises(ValueError, match="marked as kept"):
        drop_drive(tmp_path, "last", sure=True)


def test_no_link_is_followed_and_nothing_is_waited_for(tmp_path: Path, manifest_path: Path) -> None:
    place, elsewhere = tmp_path / "remarks" / f"{NAME}.json", tmp_path / "secret.json"
    elsewhere.write_text(json.dumps({"kept": True, "notes": ["of another file"]}))
    place.symlink_to(elsewhere)
    assert listed(tmp_path).notes == ["first"]
    write_remarks(tmp_path, NAME, Remarks(notes=["second"]))
    assert (place.is_symlink(), "of another file" in elsewhere.read_text()) == (False, True)
    place.unlink()
    os.mkfifo(place)  # a read of it would wait for ever
    assert listed(tmp_path).notes == ["first"]
    place.unlink()
    place.mkdir()
    assert listed(tmp_path).notes == ["first"]


@pytest.mark.parametrize("bad", [b"", b"{", b"[" * 100_000, b'{"notes": 3}', b"\xff\xfe", b" " * (MOST_BYTES + 1)])
def test_damaged_ones_say_nothing(tmp_path: Path, manifest_path: Path, bad: bytes) -> None:
    (tmp_path / "remarks" / f"{NAME}.json").write_bytes(bad)
    assert read_remarks(tmp_path, NAME) == Remarks()
    assert listed(tmp_path).notes == ["first"]


def test_too_many_are_refused_with_what_to_do_and_those_before_stay(tmp_path: Path, manifest_path: Path) -> None:
    write_remarks(tmp_path, NAME, Remarks(notes=["second"]))
    with pytest.raises(OSError, match="cabcanary drives note"):
        write_remarks(tmp_path, NAME, Remarks(notes=["x" * 1000] * 600))
    assert read_remarks(tmp_path, NAME).notes == ["second"]


def test_a_write_that_fails_leaves_nothing_half(
    tmp_path: Path, manifest_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_remarks(tmp_path, NAME, Remarks(notes=["second"]))

    def full(_file: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_remarks(tmp_path, NAME, Remarks(notes=["third"]))
    assert [p.name for p in (tmp_path / "remarks").iterdir()] == [f"{NAME}.json"]
    assert read_remarks(tmp_path, NAME).notes == ["second"]


def test_a_note_leaves_a_mark_as_it_is(pages: Archive, tmp_path: Path, manifest_path: Path) -> None:
    keep_drive(tmp_path, "last", kept=True)
    pages.note(NAME, "second")
    assert (listed(tmp_path).kept, listed(tmp_path).notes) == (True, ["first", "second"])


def test_a_file_that_lies_in_no_archive_has_no_remarks_and_no_error() -> None:
    assert state_folder(Path("/drive.parquet")) == Path("/")
