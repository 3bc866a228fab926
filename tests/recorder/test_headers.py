"""The header of a journal stands in it again and again: no single place of the card takes the meaning from a drive."""

import pytest
from live_drive import Live
from plain_journal import PlainJournal

from cabcanary.recorder import writer as writer_module
from cabcanary.recorder.archiver import archive_all
from cabcanary.recorder.journal_drive import Drive
from cabcanary.recorder.retention import make_room
from cabcanary.settings.schema import Archive
from cabcanary.store.journal import BlockKind, read_blocks
from cabcanary.store.manifest import read_manifests


@pytest.fixture
def journal(plan, tmp_path, wires, monkeypatch):
    monkeypatch.setattr(writer_module, "_BLOCKS_PER_HEADER", 10)
    live = Live(plan, tmp_path, wires(2))
    live.run(130, running=False)
    live.run(600, running=True)
    live.finish()
    (path,) = (tmp_path / "journal").glob("*.ccj")
    return path


def without(data, wanted):
    """The journal with those blocks spoilt for which `wanted(number, block)` is true."""
    spoilt = bytearray(data)
    for number, block in enumerate(read_blocks(data)):
        if wanted(number, block):
            spoilt[block.at + 20] ^= 0x55
    return bytes(spoilt)


def test_the_header_comes_first_and_behind_the_first_samples_and_then_now_and_again(journal):
    blocks = list(read_blocks(journal.read_bytes()))
    headers = [b for b in blocks if b.kind is BlockKind.HEADER]
    assert [b.sequence for b in headers[:2]] == [0, 2]
    assert len({b.payload for b in headers}) == 1
    samples = sum(b.kind is BlockKind.SAMPLES for b in blocks)
    assert len(headers) == 2 + (samples - 1) // 10


@pytest.mark.parametrize("number", [0, 1, 2])
def test_damage_to_one_block_costs_that_block_alone(journal, number):
    content = journal.read_bytes()
    whole, left = Drive(content), Drive(without(content, lambda n, _: n == number))
    assert left.header == whole.header
    assert left.lost_blocks == 1
    lost = [n for n, t in enumerate(whole.ticks) if t not in left.ticks]
    assert len(lost) == (26 if number == 1 else 0)


def test_any_one_of_the_headers_will_do(journal, tmp_path):
    content = journal.read_bytes()
    whole = Drive(content)
    count = sum(b.kind is BlockKind.HEADER for b in read_blocks(content))
    assert count > 3
    places = [n for n, b in enumerate(read_blocks(content)) if b.kind is BlockKind.HEADER]
    for kept in places:
        left = Drive(without(content, lambda n, b, kept=kept: b.kind is BlockKind.HEADER and n != kept))
        assert (left.header, left.ticks, left.events) == (whole.header, whole.ticks, whole.events)
    journal.write_bytes(without(content, lambda n, b: b.kind is BlockKind.HEADER and n != places[-1]))
    (report,) = archive_all(tmp_path)
    assert report["archived"] == whole.header["drive"]


def test_what_holds_a_whole_block_is_never_removed(journal, tmp_path):
    journal.write_bytes(without(journal.read_bytes(), lambda _, b: b.kind is BlockKind.HEADER))
    (report,) = archive_all(tmp_path)
    assert "some of it is whole" in report["text"]
    (aside,) = (tmp_path / "journal").iterdir()
    nothing = aside.with_name("nothing.unreadable")
    nothing.write_bytes(bytes(5000))
    reports = make_room(tmp_path, Archive(largest_gb=1e-9, free_gb=0), None)
    assert [r.get("removed") for r in reports] == ["nothing.unreadable", None]
    assert list((tmp_path / "journal").iterdir()) == [aside]


def test_a_block_that_is_there_twice_tells_nothing_twice(journal, tmp_path):
    content = journal.read_bytes()
    whole = Drive(content)
    twice = b""
    blocks = [*read_blocks(content)]
    ends = [*(b.at for b in blocks[1:]), len(content)]
    for block, end in zip(blocks, ends, strict=True):
        twice += content[block.at : end] * 2
    # And a page of the card that stands in two places.
    twice += content[blocks[3].at : ends[8]]
    found = Drive(twice)
    assert (found.events, found.ticks, found.lost_blocks) == (whole.events, whole.ticks, 0)
    archive_all(tmp_path)
    first = read_manifests(tmp_path)[0][0][1]
    journal.write_bytes(twice)
    archive_all(tmp_path)
    assert read_manifests(tmp_path)[0][0][1].alerts == first.alerts


def test_a_reader_made_from_the_document_alone_reads_the_same(journal):
    content = journal.read_bytes()
    for data in (content, without(content, lambda n, _: n in (0, 5, 7)), content[:-700]):
        plain, drive = PlainJournal(data), Drive(data)
        assert (plain.header, plain.events, plain.closed) == (drive.header, drive.events, drive.end is not None)
        wanted = [
            (t, [None if r is None else (r.time_ns, r.value, int(r.quality)) for r in row]) for t, row in drive.ticks
        ]
        assert plain.ticks == wanted
