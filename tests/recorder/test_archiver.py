"""Journals become archives: finished ones, those that were cut off, and those of which little is left."""

import fcntl
import itertools
import json
import re
import struct
from pathlib import Path

import duckdb
import polars as pl
import pytest
from live_drive import TICK_NS, Live

from cabcanary import store
from cabcanary.model import Reading
from cabcanary.recorder import archiver, journal_drive
from cabcanary.recorder.archived_drive import ArchivedDrive
from cabcanary.recorder.archiver import archive_all
from cabcanary.recorder.dating import AFTERWARDS, SATELLITES, SYNCHRONISED, UNKNOWN
from cabcanary.recorder.journal_drive import Drive
from cabcanary.store.journal import BlockKind, encode_block, encode_events, encode_json, read_blocks
from cabcanary.store.manifest import read_manifests
from cabcanary.store.samples import SampleEncoder

#: 1 March 2025, 10:15:00 UTC, in nanoseconds since 1970 (date -d "2025-03-01T10:15:00Z" +%s).
WALL_NS = 1_740_824_100 * 1_000_000_000


def journals(folder):
    return sorted((folder / "journal").iterdir())


def drive_of(folder):
    (path,) = journals(folder)
    return Drive(path.read_bytes())


@pytest.fixture
def live(plan, tmp_path, wires, request):
    return Live(plan, tmp_path, wires(getattr(request, "param", 1)))


# --- the formats as they are described -----------------------------------------------------------------------------


def test_every_key_of_a_journals_header_is_described(live, tmp_path):
    live.run(230, running=True)
    live.finish()
    described = (Path(store.__file__).parent / "JOURNAL.md").read_text()
    missing = [key for key in drive_of(tmp_path).header if f"`{key}`" not in described]
    assert missing == []


@pytest.mark.parametrize("quality", [SYNCHRONISED, SATELLITES, AFTERWARDS, UNKNOWN, "imported"])
def test_every_way_in_which_a_start_is_known_is_described(quality):
    described = " ".join((Path(store.__file__).parent / "ARCHIVE.md").read_text().split())
    assert f"*{quality}*" in described


# --- what ran live is what is archived ---------------------------------------------------------------------------


@pytest.mark.parametrize("live", range(6), indirect=True)
def test_the_frames_computed_again_are_the_live_frames(live, tmp_path):
    live.run(230, running=False)
    live.run(400, running=True)
    live.key_off(60)
    live.finish()
    drive = drive_of(tmp_path)
    again = drive.frames(drive.plan())
    assert len(again) > 500
    assert again == [f for f in live.frames if again[0].time_ns <= f.time_ns <= again[-1].time_ns]


@pytest.mark.parametrize("live", range(6), indirect=True)
def test_the_alerts_computed_again_are_the_live_alerts(live, tmp_path):
    live.run(230, running=False)
    live.run(600, running=True)
    live.finish()
    drive = drive_of(tmp_path)
    plan = drive.plan()
    engine = plan.engine()
    engine.restore(drive.header["rules_state"])
    frames = drive.frames(plan)
    changes = [c for f in frames for c in engine.step(f)]
    assert changes
    assert changes == [c for c in live.changes if c.time_ns >= frames[0].time_ns]


def test_the_states_kept_are_those_before_the_first_sample(live, tmp_path):
    # Something goes on before the start: the key is on, and the pressure stands high.
    for n in range(300):
        live.now_ns += TICK_NS
        live.wires.put("adc", "voltage0", 3500.0 + n, live.now_ns)
        live.wires.put("adc", "voltage1", 3100.0, live.now_ns)
        live.wires.put("wideband", "lambda", 0.8 + n / 1000, live.now_ns)
        live.step()
    live.run(50, running=True)
    live.finish()
    drive = drive_of(tmp_path)
    kept = live.states[drive.header["begun"]]
    assert drive.ticks[0][0] == drive.header["begun"]
    assert [drive.header["channels_state"], drive.header["rules_state"]] == json.loads(json.dumps(kept))


def test_the_seconds_before_the_start_are_in_the_drive(live, tmp_path):
    live.run(300, running=False)
    started_ns = live.now_ns + TICK_NS
    live.run(100, running=True)
    live.finish()
    first_ns = drive_of(tmp_path).ticks[0][0]
    # Two seconds are kept, in steps of the second in which the state is saved.
    assert 2.0 <= (started_ns - first_ns) / 1e9 <= 3.1


def test_one_drive_is_one_journal_and_ends_with_the_engine(live, tmp_path):
    live.run(150, running=False)
    live.run(200, running=True)
    live.idle(75)
    live.key_off(200)
    assert live.recorder.drive is None
    live.run(200, running=True)
    live.finish()
    assert len(journals(tmp_path)) == 2


def test_an_archive_holds_the_live_values(live, tmp_path):
    live.run(150, running=False)
    live.run(300, running=True)
    live.finish()
    (report,) = archive_all(tmp_path)
    (parquet,) = tmp_path.glob("drives/vehicle=test-van/month=*/*.parquet")
    assert report["archived"] == parquet.stem
    assert journals(tmp_path) == []
    table = pl.read_parquet(parquet)
    frames = live.frames[-len(table) :]
    for name in ("lambda", "map", "boost", "engine_running"):
        assert table[name].to_list() == [f.values[name].value for f in frames], name
        assert table[f"{name}_quality"].cast(pl.String).to_list() == [f.values[name].quality.words for f in frames]
    ((most,),) = duckdb.sql(f"select max(boost) from '{parquet}' where boost_quality = 'good'").fetchall()
    ((_, manifest),), _ = read_manifests(tmp_path)
    assert manifest.peak_boost == pytest.approx(most, abs=0.001)
    assert (manifest.vehicle, manifest.stage, manifest.ticks) == ("Test van", "low boost", len(table))


@pytest.mark.parametrize("live", range(3), indirect=True)
def test_an_archived_drive_plays_again_as_its_journal_does(live, tmp_path, monkeypatch):
    # Several row groups, and a wire that is silent across the border of two.
    monkeypatch.setattr(journal_drive, "BLOCKS_PER_PIECE", 4)
    live.run(230, running=False)
    live.run(300, running=True)
    live.key_off(60)
    live.finish()
    journal = drive_of(tmp_path)
    ticks, frames = journal.ticks, journal.frames(journal.plan())
    archive_all(tmp_path)
    (parquet,) = tmp_path.glob("drives/*/*/*.parquet")
    archived = ArchivedDrive(parquet)

    def without_words(reading):
        return reading and reading._replace(reason="")

    assert list(archived.walk()) == [(t, tuple(map(without_words, row))) for t, row in ticks]
    kept = ["begun", "channels_state", "rules_state", "channels", "settings", "rules", "clock"]
    assert {k: archived.header[k] for k in kept} == {k: journal.header[k] for k in kept}
    again = [frame for _, frame in archived.walk_frames(archived.plan())]
    plain = [{n: v._replace(reason="") for n, v in f.values.items()} for f in frames]
    assert [f.time_ns for f in again] == [f.time_ns for f in frames]
    assert [{n: v._replace(reason="") for n, v in f.values.items()} for f in again] == plain
    # As computed at the closing: values, qualities and uncertainties to the last bit.
    kept_frames = list(archived.kept_frames())
    assert [f.time_ns for f in kept_frames] == [f.time_ns for f in frames]
    found = [{n: v[:2] + v[3:4] for n, v in f.values.items()} for f in kept_frames]
    assert found == [{n: v[:2] + v[3:4] for n, v in f.values.items()} for f in frames]
    assert archived.events == sorted(journal.events, key=lambda e: e["t"])


# --- journals made by hand ------------------------------------------------------------------------------------------


@pytest.fixture
def journal(plan, tmp_path, plain_ticks):
    """Writes a journal of five blocks; `without` leaves blocks out, `header` changes the header."""

    def write(drive="d", without=(), header=None, junk=b""):
        measured = plan.pipeline().measured
        content = {
            "drive": drive,
            "vehicle": "Test van",
            "stage": "low boost",
            "software": "0.1.0",
            "settings": plan.settings_text,
            "rules": plan.rule_texts,
            "channels": [[m.name, *m.key] for m in measured],
            "begun": 0,
            "channels_state": {},
            "rules_state": {},
            "clock": [0, WALL_NS],
            "speed": 1.0,
            "boot": "",
            **(header or {}),
        }
        encode_samples = SampleEncoder([m.key for m in measured]).encode
        raised = {"t": 500_000_000, "kind": "alert", "what": "over_boost", "raised": True, "priority": "caution"}
        blocks = [
            (BlockKind.HEADER, encode_json(content)),
            (BlockKind.SAMPLES, encode_samples(plain_ticks(26))),
            (BlockKind.EVENTS, encode_events([raised, {"t": 100, "kind": "clock", "what": "wall"}])),
            (BlockKind.SAMPLES, encode_samples(plain_ticks(26, first=26))),
            (BlockKind.END, encode_json({"ended": 1, "lost_ticks": 3})),
        ]
        pieces = [encode_block(n, *b) for n, b in enumerate(blocks) if n not in without]
        folder = tmp_path / "journal"
        folder.mkdir(exist_ok=True)
        path = folder / f"{drive}.ccj"
        path.write_bytes(b"".join(pieces) + junk)
        return path

    return write


def only_manifest(folder):
    ((_, manifest),), faults = read_manifests(folder)
    assert not faults
    return manifest


def test_a_drive_that_was_closed_in_order_is_not_called_recovered(journal, tmp_path):
    journal()
    (report,) = archive_all(tmp_path)
    manifest = only_manifest(tmp_path)
    assert report["recovered"] is manifest.recovered is False
    assert (manifest.ticks, manifest.lost_blocks, manifest.lost_ticks, manifest.note) == (52, 0, 3, "")
    assert manifest.length_s == pytest.approx(51 * 0.02)
    assert manifest.start == "2025-03-01T10:15:00.000Z"
    assert [(a.alert, a.count, a.first_s) for a in manifest.alerts] == [("over_boost", 1, 0.5)]


def test_a_drive_that_was_cut_off_is_called_recovered(journal, tmp_path):
    journal(without=(4,), junk=b"CCJ1\x10\x00\x00\x00torn")
    archive_all(tmp_path)
    manifest = only_manifest(tmp_path)
    assert (manifest.recovered, manifest.ticks, manifest.lost_blocks) == (True, 52, 0)


def test_a_block_that_was_lost_is_counted_and_the_rest_is_kept(journal, tmp_path):
    journal(without=(1,))
    archive_all(tmp_path)
    manifest = only_manifest(tmp_path)
    assert (manifest.ticks, manifest.lost_blocks) == (26, 1)


def test_a_journal_whose_header_is_gone_is_kept_under_another_name(journal, tmp_path):
    path = journal(without=(0,))
    content = path.read_bytes()
    (report,) = archive_all(tmp_path)
    assert report["failed"] == "d"
    assert "d.unreadable" in report["text"]
    assert [p.name for p in journals(tmp_path)] == ["d.unreadable"]
    assert path.with_suffix(".unreadable").read_bytes() == content
    assert archive_all(tmp_path) == []


def test_a_journal_of_a_newer_version_is_left_as_it_is_and_says_so(journal, tmp_path):
    path = journal(header={"format": 3, "software": "9.0"})
    content = path.read_bytes()
    (report,) = archive_all(tmp_path)
    assert "newer version of the program (9.0)" in report["text"]
    assert path.read_bytes() == content


def test_a_journal_of_the_first_format_is_still_archived(journal, tmp_path):
    # Three channels, one tick at 1000 ns: as JOURNAL.md describes kind 2.
    old = struct.pack("<IHq", 1, 3, 1000) + 3 * (struct.pack("<dq", 2500.0, -10) + bytes([0])) + b"[]"
    path = journal(without=(1, 2, 3, 4))
    path.write_bytes(path.read_bytes() + encode_block(1, BlockKind.OLD_SAMPLES, old))
    archive_all(tmp_path)
    (parquet,) = tmp_path.glob("drives/*/*/d.parquet")
    table = pl.read_parquet(parquet)
    assert (table["tick_ns"].to_list(), table["map_raw"].to_list()) == ([1000], [2500.0])


def test_last_blocks_that_the_card_wrote_in_another_order_are_put_in_order(journal, tmp_path):
    path = journal()
    whole = path.read_bytes()
    starts = [b.at for b in read_blocks(whole)] + [len(whole)]
    pieces = [whole[a:b] for a, b in itertools.pairwise(starts)]
    path.write_bytes(b"".join(pieces[n] for n in (0, 4, 3, 2, 1)))
    archive_all(tmp_path)
    manifest = only_manifest(tmp_path)
    assert (manifest.ticks, manifest.lost_blocks, manifest.recovered) == (52, 0, False)


def test_an_empty_journal_hinders_nothing(journal, tmp_path):
    journal("a").write_bytes(b"")
    journal("b")
    assert [r.get("failed") or r.get("archived") for r in archive_all(tmp_path)] == ["b", "a"]
    assert only_manifest(tmp_path).drive == "b"


def test_a_journal_that_a_daemon_holds_is_left_alone(journal, tmp_path):
    held, free = journal("held"), journal("free")
    content = held.read_bytes()
    with held.open("rb") as file:
        fcntl.flock(file, fcntl.LOCK_EX)
        assert [r["archived"] for r in archive_all(tmp_path)] == ["free"]
        assert (held.read_bytes(), free.exists()) == (content, False)
    assert [r["archived"] for r in archive_all(tmp_path)] == ["held"]


@pytest.mark.parametrize("settings", ["no [[ toml", '[vehicle]\nname = "van"\n'])
def test_settings_that_cannot_be_read_any_more_leave_the_raw_readings(journal, tmp_path, settings):
    journal(header={"settings": settings})
    (report,) = archive_all(tmp_path)
    assert report["archived"] == "d"
    manifest = only_manifest(tmp_path)
    assert manifest.note.startswith("values could not be computed")
    (parquet,) = tmp_path.glob("drives/*/*/d.parquet")
    table = pl.read_parquet(parquet)
    assert table["map_raw"].to_list() == list(range(52))
    assert table["map"].null_count() == 52
    assert "boost" not in table.columns


@pytest.mark.parametrize(("large", "step"), [(0.0, 1000), (3e9, 1000), (-3e9, 1), (2.0**31, 1)])
def test_codes_and_times_are_exact_however_large_or_odd_they_are(journal, tmp_path, plain_ticks, large, step):
    path = journal()
    blocks = list(read_blocks(path.read_bytes()))
    keys = [tuple(c[1:]) for c in json.loads(blocks[0].payload)["channels"]]
    ticks = [
        (
            t,
            tuple(
                Reading(*key, r.value + large * (n == 1), t - 3_000_000 + (17 * n + c) * step)
                for c, (key, r) in enumerate(zip(keys, row, strict=True))
                for n in [t // 20_000_000 % 26]
            ),
        )
        for t, row in plain_ticks(26, first=5)
    ]
    samples = encode_block(1, BlockKind.SAMPLES, SampleEncoder(keys).encode(ticks))
    path.write_bytes(encode_block(0, BlockKind.HEADER, blocks[0].payload) + samples)
    (report,) = archive_all(tmp_path)
    (parquet,) = tmp_path.glob("drives/*/*/d.parquet")
    assert list(ArchivedDrive(parquet).walk()) == ticks
    assert report["archived"] == "d"
    schema = pl.read_parquet_schema(parquet)
    first = json.loads(blocks[0].payload)["channels"][0][0]
    assert (f"{first}_read_us" in schema) is (step == 1000)
    assert schema[f"{first}_raw"] == (pl.Int64 if abs(large) > 2**31 - 1 else pl.Int32)


def test_events_come_out_in_the_order_of_time(journal, tmp_path):
    journal()
    archive_all(tmp_path)
    (path,) = tmp_path.glob("drives/*/*/d.events.jsonl")
    assert [json.loads(line)["t"] for line in path.read_text().splitlines()] == [100, 500_000_000]


def test_power_cut_while_archiving_costs_nothing(journal, tmp_path, monkeypatch):
    path = journal()
    with monkeypatch.context() as patch:

        def cut(*_):
            raise OSError(5, "Input/output error")

        patch.setattr(archiver, "manifest_json", cut)
        (report,) = archive_all(tmp_path)
        assert "Input/output error" in report["text"]
        assert path.exists()
        assert read_manifests(tmp_path) == ([], [])
    (report,) = archive_all(tmp_path)
    assert report["archived"] == "d"
    assert only_manifest(tmp_path).ticks == 52


class OddError(Exception):
    """No error of any kind that is expected."""


def test_whatever_one_journal_does_the_others_are_archived_and_the_reason_is_told(journal, tmp_path, monkeypatch):
    for name in ("a", "b", "c"):
        journal(name)
    real = archiver.write_drive

    def write(folder, drive, *more):
        if drive.header["drive"] == "b":
            raise OddError("frame 7")
        return real(folder, drive, *more)

    monkeypatch.setattr(archiver, "write_drive", write)
    reports = archive_all(tmp_path)
    assert [r.get("archived") or r["text"] for r in reports] == ["c", "b.ccj: OddError: frame 7", "a"]
    assert [p.name for p in journals(tmp_path)] == ["b.ccj"]


def test_a_step_that_fails_keeps_no_other_from_its_work(journal, tmp_path, monkeypatch):
    journal()

    def fail(*_):
        raise OddError("no room")

    monkeypatch.setattr(archiver, "make_room", fail)
    reports = list(archiver.keep_house(tmp_path, {}))
    assert [r["text"] for r in reports if "failed" in r] == ["the archive cannot be kept: OddError: no room"]
    assert only_manifest(tmp_path).drive == "d"


def test_another_drive_of_the_same_name_is_never_replaced(journal, tmp_path):
    journal(header={"boot": "first"})
    archive_all(tmp_path)
    before = {p: p.read_bytes() for p in (tmp_path / "drives").rglob("*") if p.is_file()}
    assert len(before) == 3
    # Another vehicle too: a name stands for one drive.
    for boot, vehicle, name in (("second", "Test van", "d-2"), ("third", "Other van", "d-3")):
        journal(header={"boot": boot, "vehicle": vehicle})
        (report,) = archive_all(tmp_path)
        assert report["archived"] == name
        assert "there was another drive d already" in report["text"]
    assert {p: p.read_bytes() for p in before} == before
    assert [(m.drive, m.boot) for _, m in read_manifests(tmp_path)[0]] == [
        ("d", "first"),
        ("d-2", "second"),
        ("d-3", "third"),
    ]


def test_the_same_drive_archived_again_after_a_power_cut_takes_its_own_place(journal, tmp_path):
    content = journal(header={"boot": "first"}).read_bytes()
    archive_all(tmp_path)
    (tmp_path / "journal" / "d.ccj").write_bytes(content)
    assert [r["archived"] for r in archive_all(tmp_path)] == ["d"]
    assert only_manifest(tmp_path).drive == "d"


def test_drives_that_begin_in_one_second_have_names_of_their_own(live, tmp_path):
    live.run(230, running=True)
    live.finish()
    # Second and 32 random bits.
    assert re.fullmatch(r"\d{8}T\d{6}Z-[0-9a-f]{8}", drive_of(tmp_path).header["drive"])


def test_the_leanest_moment_under_boost_is_not_one_of_overrun(live, tmp_path):
    # Cruise, boost at 0.84, a fuel cut, boost again while the gas of the cut still goes by, and then at 0.87.
    live.run(130, running=False)
    story = ((100.0, 1.0, 60), (150.0, 0.84, 60), (25.0, 1.4, 60), (150.0, 1.2, 10), (150.0, 0.87, 60))
    for kpa, mixture, ticks in story:
        for _ in range(ticks):
            live.now_ns += TICK_NS
            live.wires.put("adc", "voltage0", 500.0 + (kpa - 20.0) / 230.0 * 4000.0, live.now_ns)
            live.wires.put("adc", "voltage1", 3500.0, live.now_ns)
            live.wires.put("wideband", "lambda", mixture, live.now_ns)
            live.step()
    live.finish()
    archive_all(tmp_path)
    manifest = only_manifest(tmp_path)
    assert manifest.leanest_under_boost == pytest.approx(0.87)
    # 150 kPa over about 100 kPa with the key on is 7.25 psi (NIST SP 811: 6.894757 kPa each).
    assert manifest.leanest_at_boost == pytest.approx(7.25, abs=0.3)
