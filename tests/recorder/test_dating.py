"""When a drive was: by a clock that somebody has set, at once or afterwards; no jump of it touches the data."""

import json
from dataclasses import replace

import pytest
from live_drive import START_NS, TICK_NS, Live

from cabcanary.clock import boot_id
from cabcanary.model import Reading
from cabcanary.recorder import dating, told_time
from cabcanary.recorder.archiver import archive_all
from cabcanary.recorder.dating import AFTERWARDS, SATELLITES, SYNCHRONISED, UNKNOWN, Fit, date_afterwards, dated
from cabcanary.recorder.journal_drive import Drive
from cabcanary.recorder.told_time import ToldTime
from cabcanary.review.list.drives import DriveError, find_drive, list_drives, table
from cabcanary.sources.serial.serial_settings import GpsTimeSource
from cabcanary.store.manifest import Manifest, drive_folder, manifest_json, read_manifests

S = 1_000_000_000
#: date -d "2025-03-01T10:15:00Z" +%s
WALL = 1_740_824_100 * S
#: Where a clock without a battery begins.
EPOCH = 86_400 * S


def header(mono, wall, boot="b"):
    return {"clock": [mono, wall], "speed": 1.0, "boot": boot}


def note(t, wall, *, synchronised):
    return {"t": t, "kind": "clock", "what": "wall", "wall": wall, "synchronised": synchronised}


def test_a_clock_that_was_right_all_the_time_dates_the_first_sample():
    notes = [note(t * S, WALL + t * S, synchronised=True) for t in range(100, 200, 10)]
    when = dated(header(100 * S, WALL + 100 * S), notes, 90 * S, None)
    assert (when.start, when.quality, when.within_s) == ("2025-03-01T10:16:30.000Z", SYNCHRONISED, 1.0)


def test_a_clock_that_learns_the_time_in_mid_drive_dates_its_beginning():
    notes = [note(t * S, EPOCH + t * S, synchronised=False) for t in range(100, 150, 10)]
    notes += [note(t * S, WALL + t * S, synchronised=True) for t in range(150, 200, 10)]
    when = dated(header(100 * S, EPOCH), notes, 90 * S, None)
    assert (when.start, when.quality) == ("2025-03-01T10:16:30.000Z", SYNCHRONISED)


def test_a_clock_that_is_set_by_two_seconds_says_how_far_it_may_be_off():
    notes = [note(t * S, WALL + (t + (2 if t > 150 else 0)) * S, synchronised=True) for t in range(100, 200, 10)]
    when = dated(header(100 * S, WALL), notes, 90 * S, None)
    assert when.within_s == pytest.approx(2.0)


def test_a_drive_before_the_first_sync_is_dated_by_what_the_same_start_of_the_machine_learns_later():
    notes = [note(100 * S, EPOCH, synchronised=False)]
    fit = Fit("b", 1000 * S, WALL + 1000 * S)
    assert dated(header(100 * S, EPOCH), notes, 90 * S, fit).start == "2025-03-01T10:16:30.000Z"
    assert dated(header(100 * S, EPOCH), notes, 90 * S, fit).quality == AFTERWARDS
    # Another start of the machine had another monotonic clock.
    other = dated(header(100 * S, EPOCH, boot="another"), notes, 90 * S, fit)
    assert (other.start, other.quality, other.within_s) == ("1970-01-01T23:59:50.000Z", UNKNOWN, None)


@pytest.fixture
def undated(tmp_path):
    manifest = Manifest(
        drive="d",
        vehicle="van",
        stage="s",
        start="1970-01-02T00:00:00.000Z",
        length_s=1.0,
        ticks=1,
        recovered=False,
        lost_blocks=0,
        lost_ticks=0,
        software="0",
        boot="b",
        first_ns=90 * S,
    )
    folder = drive_folder(tmp_path, "van", manifest.start)
    folder.mkdir(parents=True)
    (folder / "d.parquet").write_bytes(b"samples")
    (folder / "d.manifest.json").write_bytes(manifest_json(manifest))
    return folder


def test_an_archived_drive_moves_to_the_month_that_it_was_in(tmp_path, undated):
    (report,) = date_afterwards(tmp_path, Fit("b", 1000 * S, WALL + 1000 * S))
    assert report["text"] == "drive d is now known to be of 2025-03-01 10:16 UTC"
    ((path, manifest),), _ = read_manifests(tmp_path)
    assert path.parent.name == "month=2025-03"
    assert (manifest.start, manifest.clock) == ("2025-03-01T10:16:30.000Z", AFTERWARDS)
    assert (path.parent / "d.parquet").read_bytes() == b"samples"
    assert list(undated.iterdir()) == []
    # And once is enough.
    assert date_afterwards(tmp_path, Fit("b", 2000 * S, WALL + 2000 * S)) == []


@pytest.fixture
def named_by_the_epoch(plan, wires, tmp_path, monkeypatch):
    """A drive of a clock that nobody had set when it was archived; the names of all its files but their endings."""
    monkeypatch.setattr(told_time, "wall_ns", lambda: EPOCH + 7 * S)
    monkeypatch.setattr(told_time, "wall_is_synchronised", lambda: False)
    live = Live(plan, tmp_path / "van", wires(1))
    live.run(150, running=False)
    live.run(100, running=True)
    live.finish()
    archive_all(tmp_path / "van")
    ((_, manifest),), _ = read_manifests(tmp_path / "van")
    assert manifest.drive.startswith("19700102T000007Z-")
    return manifest.drive


def test_a_drive_with_another_date_in_its_name_says_why_and_is_found_by_both(named_by_the_epoch, tmp_path):
    folder, drive = tmp_path / "van", named_by_the_epoch
    # Nobody knows better yet: the date is doubted, and the name no more than that.
    _, line = table(list_drives(folder)[0])
    assert line[: len("1970-01-02 00:00:00?")].endswith("?")
    begun = START_NS + 150 * TICK_NS
    assert len(date_afterwards(folder, Fit(boot_id(), begun, WALL))) == 1
    _, line, why = table(list_drives(folder)[0])
    assert line.startswith("2025-03-01 10:14:5")
    assert line.endswith(drive)
    assert why == "    its name was given before the clock was set, which showed 1970-01-02 00:00"
    for name in (drive, "19700102", "20250301", "20250301T1014"):
        assert find_drive(folder, name)[1].drive == drive
    with pytest.raises(DriveError, match="no drive '20250302'"):
        find_drive(folder, "20250302")


def test_of_a_drive_that_is_named_as_it_is_dated_nothing_is_said(plan, wires, tmp_path, monkeypatch):
    monkeypatch.setattr(told_time, "wall_ns", lambda: WALL)
    monkeypatch.setattr(told_time, "wall_is_synchronised", lambda: True)
    live = Live(plan, tmp_path / "van", wires(1))
    live.run(150, running=False)
    live.run(100, running=True)
    live.finish()
    archive_all(tmp_path / "van")
    assert len(table(list_drives(tmp_path / "van")[0])) == 2


def test_of_another_start_of_the_machine_nothing_is_known(tmp_path, undated):
    assert date_afterwards(tmp_path, Fit("another", 1000 * S, WALL)) == []
    assert date_afterwards(tmp_path, None) == []
    assert (undated / "d.manifest.json").exists()


@pytest.mark.parametrize("step", range(4))
def test_power_cut_while_moving_leaves_the_drive_whole_and_is_made_good(tmp_path, undated, monkeypatch, step):
    calls = []

    def cut(real):
        def call(*args, **kwargs):
            calls.append(1)
            if len(calls) == step + 1:
                raise OSError(5, "Input/output error")
            return real(*args, **kwargs)

        return call

    with monkeypatch.context() as patch:
        patch.setattr(dating, "_have_also", cut(dating._have_also))
        patch.setattr(dating, "write_manifest", cut(dating.write_manifest))
        patch.setattr(type(tmp_path), "unlink", cut(type(tmp_path).unlink))
        with pytest.raises(OSError, match="Input/output"):
            date_afterwards(tmp_path, Fit("b", 1000 * S, WALL + 1000 * S))
    for path, manifest in read_manifests(tmp_path)[0]:
        assert (path.parent / f"{manifest.drive}.parquet").read_bytes() == b"samples"
    date_afterwards(tmp_path, Fit("b", 1000 * S, WALL + 1000 * S))
    found = [m.start for _, m in read_manifests(tmp_path)[0]]
    assert found == ["2025-03-01T10:16:30.000Z"]


# --- a clock that jumps ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("jump_s", [-86_400 * 400, 86_400 * 400, -3, 3])
def test_a_wall_clock_that_jumps_in_mid_drive_changes_nothing_in_the_data(plan, wires, tmp_path, monkeypatch, jump_s):
    wall = [WALL]

    def jump():
        wall[0] += jump_s * S

    def run(folder, act):
        wall[0] = WALL
        with monkeypatch.context() as patch:
            patch.setattr(told_time, "wall_ns", lambda: wall[0])
            live = Live(plan, tmp_path / folder, wires(1))
            live.run(200, running=True)
            act()
            live.run(700, running=True)
            live.finish()
        (journal,) = (tmp_path / folder / "journal").iterdir()
        return Drive(journal.read_bytes())

    def data(drive):
        events = [e for e in drive.events if e["kind"] != "clock"]
        return drive.ticks, json.dumps([{k: v for k, v in e.items() if k not in ("drive", "text")} for e in events])

    jumped, steady = run("a", jump), run("b", lambda: None)
    assert data(jumped) == data(steady)
    notes = [[e["wall"] for e in d.events if e["kind"] == "clock"] for d in (jumped, steady)]
    assert notes[0][0] == notes[1][0]
    assert notes[0][-1] - notes[1][-1] == jump_s * S


# --- a satellite receiver ---------------------------------------------------------------------------------------

#: date -d "2026-11-25T22:04:09Z" +%s
UTC_S = 1_795_644_249


def receiver(time_ns, utc=UTC_S):
    return {("satellites", "utc"): Reading("satellites", "utc", utc, time_ns)}


def with_receiver(settings):
    source = GpsTimeSource(kind="gps_time", port="/dev/ttyGPS")
    return settings.model_copy(update={"sources": {**settings.sources, "satellites": source}})


@pytest.fixture
def nobody_else(monkeypatch):
    monkeypatch.setattr(told_time, "wall_is_synchronised", lambda: False)
    monkeypatch.setattr(told_time, "wall_ns", lambda: EPOCH)
    monkeypatch.setattr(dating, "wall_is_synchronised", lambda: False)


def test_a_receiver_tells_the_time_where_nobody_else_does(nobody_else):
    time = ToldTime(("satellites",), 1.0)
    assert time.look(receiver(100 * S), 102 * S) == ((UTC_S + 2) * S, "gps")
    assert time.fit == (boot_id(), 102 * S, (UTC_S + 2) * S)
    # Silent for longer than its sentences are apart: not asked.
    assert time.look(receiver(100 * S), 106 * S) == (EPOCH, "")
    assert time.look(receiver(100 * S, None), 101 * S) == (EPOCH, "")


def test_a_clock_that_the_system_has_set_comes_before_a_receiver(monkeypatch):
    monkeypatch.setattr(told_time, "wall_is_synchronised", lambda: True)
    monkeypatch.setattr(told_time, "wall_ns", lambda: WALL)
    assert ToldTime(("satellites",), 1.0).look(receiver(100 * S), 100 * S) == (WALL, "system")


def test_on_a_bench_that_runs_faster_a_receivers_age_counts_in_real_seconds(nobody_else):
    assert ToldTime(("satellites",), 10.0).look(receiver(100 * S), 101 * S).wall_ns == UTC_S * S + S // 10


def test_a_drive_with_a_receiver_is_dated_by_it(plan, wires, tmp_path, nobody_else):
    plan = replace(plan, settings=with_receiver(plan.settings))
    live = Live(plan, tmp_path, wires(1))
    for n in range(60):
        live.wires.newest |= receiver(live.now_ns, UTC_S + n)
        live.run(50, running=True)
    live.finish()
    assert live.time_told
    (journal,) = (tmp_path / "journal").iterdir()
    drive = Drive(journal.read_bytes())
    when = dated(drive.header, drive.events, START_NS, None)
    assert (when.start[:17], when.quality, when.within_s) == ("2026-11-25T22:04:", SATELLITES, 1.0)
    assert {e["by"] for e in drive.events if e["kind"] == "clock"} == {"gps"}
    # And what an earlier drive of this start of the machine is dated by.
    fit = dating.known_time(1.0, live.recorder.time.fit)
    assert fit.wall_at(START_NS) == pytest.approx(UTC_S * S, abs=0.1 * S)


def test_a_drive_of_an_older_program_is_dated_as_it_was():
    notes = [note(t * S, WALL + t * S, synchronised=True) for t in range(100, 200, 10)]
    assert dated(header(100 * S, WALL + 100 * S), notes, 90 * S, None).quality == SYNCHRONISED
