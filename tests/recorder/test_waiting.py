"""Drives that wait to be archived: none keeps another waiting, and what was done of one is not done again."""

import fcntl
import os
import signal
import subprocess
import sys
from datetime import UTC, datetime

import numpy as np
import pytest
from live_drive import Live

from cabcanary.recorder import journal_drive, parts
from cabcanary.recorder.archiver import archive_all, keep_house
from cabcanary.recorder.parts import Parts
from cabcanary.recorder.retention import make_room
from cabcanary.recorder.waiting import in_turn, remove_left_parts, room_taken, waiting_drives, waiting_lines
from cabcanary.settings.schema import Archive
from cabcanary.store.manifest import read_manifests
from cabcanary.store.rows import Gathered, Rows


@pytest.fixture
def live(plan, tmp_path, wires):
    return Live(plan, tmp_path, wires(1))


@pytest.fixture
def journal(live, tmp_path, monkeypatch):
    """A drive of 21 blocks, of which an archive makes five parts and a bit."""
    live.run(130, running=False)
    live.run(400, running=True)
    live.finish()
    monkeypatch.setattr(journal_drive, "BLOCKS_PER_PIECE", 4)
    (path,) = (tmp_path / "journal").glob("*.ccj")
    return path


def files(folder):
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def fail(*_):
    raise OSError(5, "Input/output error")


class CutError(BaseException):
    """The power goes."""


def test_parts_that_are_done_are_not_done_again_and_the_drive_is_the_same(journal, tmp_path, monkeypatch):
    content = journal.read_bytes()
    archive_all(tmp_path)
    whole = files(tmp_path / "drives")
    for path in whole:
        (tmp_path / "drives" / path).unlink()
    journal.write_bytes(content)
    made = []
    real = parts.SampleWriter.add

    def cut_at(number):
        def add(writer, rows):
            if len(made) == number:
                raise CutError
            real(writer, rows)
            made.append(len(rows.tick_ns))

        return add

    for number in (2, 3, 5):
        monkeypatch.setattr(parts.SampleWriter, "add", cut_at(number))
        with pytest.raises(CutError):
            archive_all(tmp_path)
        assert len(list(journal.with_suffix(".parts").glob("*.part"))) == number
        assert waiting_drives(tmp_path)[0]["parts"] == number
    monkeypatch.setattr(parts.SampleWriter, "add", cut_at(99))
    archive_all(tmp_path)
    assert files(tmp_path / "drives") == whole
    assert len(made) == 6
    assert list((tmp_path / "journal").iterdir()) == []


def test_a_part_that_the_card_has_spoilt_or_that_is_of_another_journal_is_made_anew(journal, tmp_path, monkeypatch):
    content = journal.read_bytes()
    archive_all(tmp_path)
    whole = files(tmp_path / "drives")
    journal.write_bytes(content)
    real = Parts.join
    monkeypatch.setattr(Parts, "join", fail)
    archive_all(tmp_path)
    folder = journal.with_suffix(".parts")
    made = sorted(folder.glob("*.part"))
    made[1].write_bytes(made[1].read_bytes()[:-20])
    # Not the first ones of this journal, whatever they hold.
    made[3].write_bytes(b"")
    monkeypatch.setattr(Parts, "join", real)
    archive_all(tmp_path)
    assert files(tmp_path / "drives") == whole


def test_a_part_whose_content_has_changed_on_the_card_is_noticed(journal, tmp_path, monkeypatch):
    content = journal.read_bytes()
    archive_all(tmp_path)
    whole = files(tmp_path / "drives")
    journal.write_bytes(content)
    real = Parts.join
    monkeypatch.setattr(Parts, "join", fail)
    archive_all(tmp_path)
    monkeypatch.setattr(Parts, "join", real)
    part = sorted(journal.with_suffix(".parts").glob("*.part"))[2]
    spoilt = bytearray(part.read_bytes())
    spoilt[200] ^= 4
    part.write_bytes(spoilt)
    archive_all(tmp_path)
    archive_all(tmp_path)
    assert files(tmp_path / "drives") == whole


@pytest.mark.waits
def test_an_archiver_that_is_killed_again_and_again_comes_to_an_end(journal, tmp_path):
    # As the power does it: a process that is ended the moment it has finished another part.
    code = (
        "import os, sys, signal\nfrom pathlib import Path\n"
        "from cabcanary.recorder import journal_drive, parts, archiver\n"
        "journal_drive.BLOCKS_PER_PIECE = 4\n"
        "real = parts.SampleWriter.close\n"
        "def close(writer):\n"
        "    real(writer)\n"
        "    os.kill(os.getpid(), signal.SIGKILL)\n"
        "parts.SampleWriter.close = close\n"
        "archiver.archive_all(Path(sys.argv[1]))\n"
    )
    codes = []
    for _ in range(8):
        codes.append(subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False).returncode)
        if codes[-1] == 0:
            break
    assert codes == [-signal.SIGKILL] * 6 + [0]
    assert read_manifests(tmp_path)[0][0][1].ticks > 400


def test_the_newest_comes_first_and_a_long_one_after_all_short_ones(tmp_path):
    folder = tmp_path / "journal"
    folder.mkdir()
    for name, size in (("20250101-a", 10), ("20250102-b", 5_000_000), ("20250103-c", 10), ("20250104-d", 9_000_000)):
        with (folder / f"{name}.ccj").open("wb") as file:
            file.truncate(size)
    assert [p.stem[-1] for p in in_turn(tmp_path)] == ["c", "a", "d", "b"]


def test_parts_of_a_drive_that_is_archived_go_at_the_next_start(journal, tmp_path):
    left = journal.with_name("gone.parts")
    left.mkdir()
    (left / "0000.part").write_bytes(b"x")
    waits = journal.with_suffix(".parts")
    waits.mkdir()
    remove_left_parts(tmp_path)
    assert (left.exists(), waits.exists()) == (False, True)


def test_each_drive_is_told_as_soon_as_it_is_archived(journal, tmp_path):
    journal.with_name("0.ccj").write_bytes(b"")
    for report in keep_house(tmp_path, {}):
        if "archived" in report:
            assert (tmp_path / "journal" / "0.ccj").exists()
            break
    else:
        pytest.fail("nothing was archived")


def test_what_is_known_of_a_waiting_drive(journal, tmp_path):
    (known,) = waiting_drives(tmp_path)
    drive = journal_drive.Drive(journal.read_bytes())
    begun, end = drive.ticks[0][0], drive.ticks[-1][0]
    assert (known["drive"], known["vehicle"], known["stage"]) == (journal.stem, "Test van", "low boost")
    assert known["length_s"] == pytest.approx((end - begun) / 1e9, abs=0.6)
    begun_at = datetime.strptime(journal.stem[:16], "%Y%m%dT%H%M%SZ").replace(tzinfo=UTC)
    assert abs((datetime.fromisoformat(known["start"]) - begun_at).total_seconds()) < 60
    assert known["under_way"] is False
    (line,) = waiting_lines([known])
    assert line.startswith("not yet archived: ")
    assert journal.stem in line
    with journal.open("rb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        assert waiting_drives(tmp_path)[0]["under_way"] is True


def test_of_a_journal_that_says_nothing_its_size_is_known(tmp_path):
    (tmp_path / "journal").mkdir()
    (tmp_path / "journal" / "x.ccj").write_bytes(b"CCJ1" + bytes(500))
    (known,) = waiting_drives(tmp_path)
    assert (known["drive"], known["bytes"], known["length_s"], known["start"]) == ("x", 504, None, "")
    assert "nobody knows when" in waiting_lines([known])[0]


def test_retention_counts_what_waits(journal, tmp_path):
    content = journal.read_bytes()
    archive_all(tmp_path)
    archived = sum(len(c) for c in files(tmp_path / "drives").values())
    limit = Archive(largest_gb=(archived + 1000) / 1e9, free_gb=0)
    assert make_room(tmp_path, limit, None) == []
    journal.write_bytes(content)
    assert room_taken(tmp_path) == len(content)
    reports = make_room(tmp_path, limit, None)
    assert [next(iter(r)) for r in reports] == ["removed"]
    assert list((tmp_path / "journal").iterdir()) == [journal]


#: Archives a folder, and says how much memory that has taken at most, kB.
PEAK = """
import sys
from pathlib import Path
from cabcanary.recorder.archiver import archive_all
archive_all(Path(sys.argv[1]))
print(next(l.split()[1] for l in open("/proc/self/status") if l.startswith("VmHWM")))
"""


@pytest.mark.waits
def test_a_long_journal_takes_no_more_memory_than_a_short_one(journal, tmp_path):
    peaks_mb = []
    content = journal.read_bytes()
    for more in (0, 100_000_000):
        journal.write_bytes(content)
        # Nothing in it, but it has to be looked through all the same.
        os.truncate(journal, len(content) + more)
        done = subprocess.run([sys.executable, "-c", PEAK, str(tmp_path)], capture_output=True, check=True, text=True)
        peaks_mb.append(int(done.stdout) / 1024)
        assert not journal.exists()
    assert peaks_mb[1] - peaks_mb[0] < 10
    assert next(m.ticks for _, m in read_manifests(tmp_path)[0]) > 400


@pytest.mark.parametrize("before", [0.5, np.nan])
@pytest.mark.parametrize("after", [0.5, 0.25, np.nan])
@pytest.mark.parametrize("there", [(True, True), (True, False), (False, True), (False, False)])
def test_a_number_that_lasts_may_change_at_any_time(before, after, there):
    gathered = Gathered(2)
    n, wanted = 0, []
    for number, some in ((before, 2), (before, 1), (after, 3), (after, 1), (before, 2)):
        mask = np.full(some, not there[number is after])
        ticks = np.arange(n, n := n + some)
        masked = np.ma.masked_array(np.full(some, 7), mask=mask)
        gathered.add(Rows(ticks, {"a": np.full(some, number)}, {}, {}, {"a": masked}))
        wanted += [(number, there[number is after])] * some
    found = gathered.rows()
    assert np.array_equal(found.values["a"], [number for number, _ in wanted], equal_nan=True)
    assert found.raw["a"].tolist() == [7 if known else None for _, known in wanted]


@pytest.mark.parametrize("number", [0.5, np.nan])
def test_a_number_that_lasts_takes_the_memory_of_one(number):
    gathered = Gathered()
    for first in (0, 1000):
        ticks = np.arange(first, first + 1000)
        gathered.add(Rows(ticks, {"a": np.full(1000, number)}, {}, {}))
    assert gathered.rows().values["a"].strides == (0,)


def test_a_number_that_lasts_and_is_missing_in_between_is_missing_there():
    gathered = Gathered()
    masked = np.ma.masked_array(np.full(3, 7), mask=[False, True, False])
    gathered.add(Rows(np.arange(3), {}, {}, {}, {"a": masked}))
    assert gathered.rows().raw["a"].tolist() == [7, None, 7]


@pytest.mark.parametrize("expected", [1, 3, 100])
def test_rows_are_put_one_behind_the_other_whatever_room_was_expected(expected):
    def rows(first, count):
        n = np.arange(first, first + count)
        masked = np.ma.masked_array(n.astype(np.int32), mask=n % 3 == 0)
        return Rows(n, {"a": n / 7}, {"a": n.astype(np.uint8)}, {"a": n * 0.5}, {"a": masked}, {"t": masked * 2}, {})

    gathered = Gathered(expected)
    for first, count in ((0, 5), (5, 0), (5, 1), (6, 30)):
        gathered.add(rows(first, count))
    assert len(gathered) == 36
    found, wanted = gathered.rows(), rows(0, 36)
    assert found.tick_ns.tolist() == wanted.tick_ns.tolist()
    for kind in ("values", "qualities", "uncertainties", "raw", "read_ns", "later_ns"):
        got, due = getattr(found, kind), getattr(wanted, kind)
        assert {k: v.tolist() for k, v in got.items()} == {k: v.tolist() for k, v in due.items()}
        assert {k: v.dtype for k, v in got.items()} == {k: v.dtype for k, v in due.items()}
