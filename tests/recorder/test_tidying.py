"""A manifest that is lost or damaged is made again as it was; what a power cut ended is finished at the next start."""

import contextlib
import json
import os
import shutil

import pytest
from live_drive import Live

from cabcanary.recorder import dating
from cabcanary.recorder.archiver import archive_all, keep_house
from cabcanary.recorder.dating import AFTERWARDS, UNKNOWN, Fit, date_afterwards
from cabcanary.recorder.retention import make_room
from cabcanary.recorder.tidying import tidy
from cabcanary.review.list.drives import keep_drive, note_drive
from cabcanary.settings.schema import Archive
from cabcanary.store.manifest import read_manifests


@pytest.fixture
def drives(plan, tmp_path, wires, monkeypatch):
    """The state folder with one archived drive that nobody could date."""
    monkeypatch.setattr("cabcanary.recorder.told_time.wall_is_synchronised", lambda: False)
    live = Live(plan, tmp_path, wires(3))
    live.run(130, running=False)
    live.run(500, running=True)
    live.finish()
    archive_all(tmp_path)
    shutil.rmtree(tmp_path / "journal")
    (tmp_path / "journal").mkdir()
    return tmp_path


def only(folder):
    ((path, manifest),), faults = read_manifests(folder)
    assert not faults
    return path, manifest


def files(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in (folder / "drives").rglob("*") if p.is_file()}


def test_a_lost_manifest_is_made_again_as_it_was(drives):
    path, manifest = only(drives)
    assert manifest.ticks > 500
    content = path.read_bytes()
    path.unlink()
    assert [r.get("rebuilt") for r in tidy(drives)] == [manifest.drive]
    assert path.read_bytes() == content
    assert list(tidy(drives)) == []


def test_every_changed_bit_of_a_manifest_is_noticed_and_mended(drives):
    path, _ = only(drives)
    content = path.read_bytes()
    for place in range(0, len(content), 7):
        spoilt = bytearray(content)
        spoilt[place] ^= 1 << place % 8
        path.write_bytes(spoilt)
        found, faults = read_manifests(drives)
        # White space and the spelling of a key that is left alone say nothing of the drive.
        assert faults or found[0][1] == json_of(content)
        list(tidy(drives))
        assert only(drives)[1] == json_of(content)


def json_of(content):
    from cabcanary.store.manifest import Manifest

    return Manifest.model_validate(json.loads(content))


def test_the_mark_and_the_notes_outlive_the_manifest(drives):
    keep_drive(drives, "last", kept=True)
    note_drive(drives, "last", "new hose")
    path, manifest = only(drives)
    path.write_bytes(b"{")
    list(tidy(drives))
    assert only(drives) == (path, manifest)
    assert (manifest.kept, manifest.notes) == (True, ["new hose"])


def test_a_date_that_was_learnt_later_outlives_the_manifest(drives):
    _, before = only(drives)
    assert before.clock == UNKNOWN
    date_afterwards(drives, fit_of(before))
    path, manifest = only(drives)
    assert (manifest.clock, manifest.start[:7]) == (AFTERWARDS, "2031-04")
    path.unlink()
    list(tidy(drives))
    assert only(drives) == (path, manifest)


def fit_of(manifest):
    return Fit(manifest.boot, manifest.first_ns, 1_934_000_000_000_000_000)


class CutError(BaseException):
    """The power goes, at a call to the file system."""


def cut_at(monkeypatch, number, before):
    """Every call that changes the card is counted; the one of that number does not happen, or just has."""
    count = [0]

    def wrap(real, *, writes=lambda *_a, **_k: True):
        def call(*arguments, **named):
            if not writes(*arguments, **named):
                return real(*arguments, **named)
            count[0] += 1
            if count[0] == number and before:
                raise CutError
            found = real(*arguments, **named)
            if count[0] == number:
                raise CutError
            return found

        return call

    for name in ("link", "replace", "rename", "unlink", "fsync", "mkdir"):
        monkeypatch.setattr(os, name, wrap(getattr(os, name)))
    return count


def whole(folder, wanted):
    """The archive is clean: every samples file has its events and manifest, and each drive is there once."""
    found, faults = read_manifests(folder)
    assert not faults
    assert sorted(m.drive for _, m in found) == wanted
    samples = sorted((folder / "drives").glob("*/*/*.parquet"))
    assert sorted(p.with_suffix(".manifest.json") for p in samples) == sorted(p for p, _ in found)
    events = sorted((folder / "drives").glob("*/*/*.events.jsonl"))
    assert [p.with_suffix("").with_suffix(".parquet") for p in events] == samples
    others = {p.name for p in (folder / "drives").rglob("*") if p.is_file() and not p.name.endswith(".new")}
    assert {name.split(".")[0] for name in others} == set(wanted)


def campaign(folder, tmp_path_factory, work, wanted, after):
    """End `work` before and behind each of its calls; the next start, which knows no time, ends clean."""
    points = 0
    for before in (True, False):
        number = 0
        while True:
            number += 1
            copy = tmp_path_factory.mktemp("cut") / "van"
            shutil.copytree(folder, copy)
            with pytest.MonkeyPatch.context() as patch:
                count = cut_at(patch, number, before)
                with contextlib.suppress(CutError):
                    work(copy)
            if count[0] < number:
                break
            points += 1
            list(keep_house(copy, {"archive": {"free_gb": 0}}))
            whole(copy, wanted(copy))
            after(copy)
            shutil.rmtree(copy)
    return points


def test_dating_may_end_at_any_call(drives, tmp_path_factory, monkeypatch):
    monkeypatch.setattr(dating, "wall_is_synchronised", lambda: False)
    _, manifest = only(drives)
    fit = fit_of(manifest)
    points = campaign(
        drives,
        tmp_path_factory,
        lambda folder: date_afterwards(folder, fit),
        lambda _: [manifest.drive],
        lambda folder: None,
    )
    assert points >= 20


def test_making_room_may_end_at_any_call(drives, tmp_path_factory):
    _, manifest = only(drives)

    def still_there(folder):
        return [m.drive for _, m in read_manifests(folder)[0]]

    points = campaign(
        drives,
        tmp_path_factory,
        lambda folder: make_room(folder, Archive(largest_gb=1e-9, free_gb=0), None),
        still_there,
        lambda folder: None,
    )
    assert points >= 8
    assert still_there(drives) == [manifest.drive]


def test_archiving_may_end_at_any_call(plan, tmp_path, wires, tmp_path_factory):
    live = Live(plan, tmp_path, wires(3))
    live.run(130, running=False)
    live.run(200, running=True)
    live.finish()
    (journal,) = (tmp_path / "journal").glob("*.ccj")
    for other in tmp_path.iterdir():
        if other.name != "journal":
            shutil.rmtree(other) if other.is_dir() else other.unlink()
    points = campaign(tmp_path, tmp_path_factory, archive_all, lambda _: [journal.stem], nothing_waits)
    assert points >= 20


def nothing_waits(folder):
    assert list((folder / "journal").iterdir()) == []
