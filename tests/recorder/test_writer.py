"""The journal's writer when the card stalls, fills up or fails: records are lost and counted, never waited for."""

import fcntl
import itertools
import os
import threading
import time
import types

import pytest

from cabcanary.recorder import writer as writer_module
from cabcanary.recorder.writer import LONGEST_QUEUE, JournalWriter
from cabcanary.store.journal import BlockKind, decode_events, decode_json, encode_block, read_blocks
from cabcanary.store.samples import decode_samples

pytestmark = pytest.mark.waits


LONGEST_S = 30.0
KEYS = [("s", f"i{c}") for c in range(3)]
CHANNELS = [[f"c{c}", *key] for c, key in enumerate(KEYS)]
FULL = OSError(28, "No space left on device")


class Card:
    """The operating system as the writer sees it, with failures to order."""

    def __init__(self) -> None:
        self.full = False
        self.stalled, self.go_on = threading.Event(), threading.Event()
        self.stalls = False
        self._writes, self._changed = 0, threading.Condition()

    def write(self, descriptor, data):
        with self._changed:
            self._writes += 1
            self._changed.notify_all()
        if self.full:
            # Some of it still fits: a torn block.
            os.write(descriptor, data[: len(data) // 2])
            raise FULL
        return os.write(descriptor, data)

    def wait_for_writes(self, count):
        """Until the writer has tried this often."""
        with self._changed:
            assert self._changed.wait_for(lambda: self._writes >= count, LONGEST_S), self._writes

    def fsync(self, descriptor):
        if self.stalls:
            self.stalled.set()
            assert self.go_on.wait(LONGEST_S)
        os.fsync(descriptor)

    def as_os(self):
        return types.SimpleNamespace(**{**vars(os), "write": self.write, "fsync": self.fsync})


class Told:
    """What the writer told, and when it was told something new."""

    def __init__(self) -> None:
        self.words: list[tuple[str, bool]] = []
        self._changed = threading.Condition()

    def __call__(self, words, ok):
        with self._changed:
            self.words.append((words, ok))
            self._changed.notify_all()

    def wait_for(self, count):
        with self._changed:
            assert self._changed.wait_for(lambda: len(self.words) >= count, LONGEST_S), self.words


@pytest.fixture
def card(monkeypatch):
    card = Card()
    monkeypatch.setattr(writer_module, "os", card.as_os())
    yield card
    card.go_on.set()


@pytest.fixture
def told():
    return Told()


@pytest.fixture
def writer(tmp_path, card, told):
    writer = JournalWriter(tmp_path, told)
    yield writer
    card.full, card.stalls = False, False
    card.go_on.set()
    assert writer.stop(LONGEST_S)


def finish(writer, end=None):
    assert writer.close(end or {}).wait(LONGEST_S)


def read(tmp_path, drive="d"):
    """A journal's ticks and its end, every block accounted for."""
    content = (tmp_path / "journal" / f"{drive}.ccj").read_bytes()
    blocks = list(read_blocks(content))
    # No torn block is left in between, nor a hole.
    assert content == b"".join(encode_block(b.sequence, b.kind, b.payload) for b in blocks)
    assert [b.sequence for b in blocks] == list(range(len(blocks)))
    assert blocks[0].kind is BlockKind.HEADER
    ticks = [t for b in blocks if b.kind is BlockKind.SAMPLES for t in decode_samples(b.payload, KEYS)]
    assert blocks[-1].kind is BlockKind.END
    return ticks, decode_json(blocks[-1].payload), blocks


def events_of(blocks):
    return [e for b in blocks if b.kind is BlockKind.EVENTS for e in decode_events(b.payload)]


def test_what_was_given_is_in_the_journal_in_order(tmp_path, writer, told, plain_ticks):
    ticks = plain_ticks(120)
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    for n, tick in enumerate(ticks):
        writer.tick(tick)
        if n % 50 == 0:
            writer.event({"t": n})
    finish(writer, {"ended": 5})
    read_ticks, end, blocks = read(tmp_path)
    assert read_ticks == ticks
    assert end == {"ended": 5, "lost_ticks": 0, "lost_events": 0}
    assert [e for b in blocks if b.kind is BlockKind.EVENTS for e in decode_events(b.payload)] == [
        {"t": 0},
        {"t": 50},
        {"t": 100},
    ]
    assert told.words == []


def test_a_block_goes_to_the_card_every_half_second(tmp_path, writer, plain_ticks):
    # A process that is killed loses less than a second.
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    for tick in plain_ticks(500):
        writer.tick(tick)
    finish(writer)
    _, _, blocks = read(tmp_path)
    spans = []
    for block in blocks:
        if block.kind is BlockKind.SAMPLES:
            ticks = decode_samples(block.payload, KEYS)
            spans.append((ticks[-1][0] - ticks[0][0]) / 1e9)
    assert max(spans) <= 0.5
    assert len(spans) >= 19


def test_a_card_that_was_full_for_a_while_costs_nothing_and_is_told_once_each_way(
    tmp_path, writer, card, told, plain_ticks
):
    ticks = plain_ticks(600)
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    for tick in ticks[:100]:
        writer.tick(tick)
    card.full = True
    for tick in ticks[100:400]:
        writer.tick(tick)
    told.wait_for(1)
    assert told.words == [("cannot record: No space left on device", False)]
    assert writer.able is False
    card.full = False
    for tick in ticks[400:]:
        writer.tick(tick)
    told.wait_for(2)
    finish(writer)
    read_ticks, end, _ = read(tmp_path)
    assert read_ticks == ticks
    assert end["lost_ticks"] == 0
    assert told.words == [("cannot record: No space left on device", False), ("recording again", True)]
    assert writer.able is True


def test_a_card_that_is_full_from_the_first_byte_on_is_tried_again(tmp_path, writer, card, told, plain_ticks):
    card.full = True
    ticks = plain_ticks(200)
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    told.wait_for(1)
    for tick in ticks[:100]:
        writer.tick(tick)
    card.full = False
    for tick in ticks[100:]:
        writer.tick(tick)
    finish(writer)
    assert read(tmp_path)[0] == ticks
    assert [ok for _, ok in told.words] == [False, True]


def test_a_folder_that_could_not_be_synced_once_is_tried_again(tmp_path, writer, told, plain_ticks, monkeypatch):
    real, tries = writer_module.sync_folder, []

    def sync_folder(folder):
        tries.append(folder)
        if len(tries) == 1:
            raise OSError(5, "Input/output error")
        real(folder)

    monkeypatch.setattr(writer_module, "sync_folder", sync_folder)
    ticks = plain_ticks(100)
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    for tick in ticks:
        writer.tick(tick)
    finish(writer)
    assert read(tmp_path)[0] == ticks
    assert [ok for _, ok in told.words] == [False, True]


def test_a_card_that_stays_full_loses_the_oldest_and_the_count_is_in_the_journal(
    tmp_path, writer, card, told, plain_ticks
):
    ticks = plain_ticks(5000)
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    card.full = True
    for n, tick in enumerate(ticks[:4900]):
        writer.tick(tick)
        # Never far ahead of the thread, which tries at every block of 26: the queue is not what is tested here.
        card.wait_for_writes(n // 26 - 10)
    card.full = False
    for tick in ticks[4900:]:
        writer.tick(tick)
    finish(writer)
    read_ticks, end, _ = read(tmp_path)
    assert end["lost_ticks"] > 0
    assert len(read_ticks) + end["lost_ticks"] == len(ticks)
    # What is kept is the latest, in order.
    assert read_ticks[-3000:] == ticks[-3000:]


def test_what_a_failed_sync_may_have_lost_is_written_again(tmp_path, writer, card, told, plain_ticks, monkeypatch):
    # Linux marks pages clean after a failed write-back: a later fsync succeeds without them (LWN, 2018).
    monkeypatch.setattr(writer_module, "_TICKS_WAITING", 10**9)
    ticks, fails = plain_ticks(300), [3, 4]
    syncs = []
    path = tmp_path / "journal" / "d.ccj"

    def fsync(descriptor):
        syncs.append(1)
        if len(syncs) in fails:
            # What was written since the last good sync is lost without a trace.
            with path.open("r+b") as file:
                file.seek(synced[0])
                file.write(bytes(path.stat().st_size - synced[0]))
            raise OSError(5, "Input/output error")
        os.fsync(descriptor)
        synced[0] = path.stat().st_size

    synced = [0]
    monkeypatch.setattr(card, "fsync", fsync)
    monkeypatch.setattr(writer_module, "os", card.as_os())
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    for tick in ticks:
        writer.tick(tick)
    finish(writer)
    assert read(tmp_path)[0] == ticks
    assert told.words == [("cannot record: Input/output error", False), ("recording again", True)]


def test_a_card_that_stalls_in_each_sync_is_synced_less_often_and_keeps_up(
    tmp_path, writer, card, told, plain_ticks, monkeypatch
):
    # A minute of drive is there at once, and no sync ends before it is.
    ticks = plain_ticks(2900)
    syncs = []
    real = card.fsync

    def fsync(descriptor):
        syncs.append(1)
        real(descriptor)

    monkeypatch.setattr(card, "fsync", fsync)
    monkeypatch.setattr(writer_module, "os", card.as_os())
    card.stalls = True
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    assert card.stalled.wait(LONGEST_S)
    for tick in ticks:
        writer.tick(tick)
    card.go_on.set()
    finish(writer)
    assert read(tmp_path)[0] == ticks
    # Not one for every second of the minute that waited.
    assert len(syncs) <= 6
    assert writer.lost_ticks == 0


def test_the_slowest_sync_of_the_last_minute_is_known_while_it_goes_on(tmp_path, writer, card, monkeypatch):
    assert writer.write_latency_s == 0.0
    may_end, began = threading.Event(), threading.Event()
    real = card.fsync

    def fsync(descriptor):
        began.set()
        assert may_end.wait(30)
        real(descriptor)

    monkeypatch.setattr(card, "fsync", fsync)
    monkeypatch.setattr(writer_module, "os", card.as_os())
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    assert began.wait(30)
    time.sleep(0.05)
    assert writer.write_latency_s >= 0.05
    may_end.set()
    assert writer.close({}).wait(30)
    assert writer.write_latency_s >= 0.05
    later = time.monotonic() + 61.0
    monkeypatch.setattr(writer_module.time, "monotonic", lambda: later)
    assert writer.write_latency_s == 0.0


def test_what_was_written_is_synced_within_a_second_however_far_the_card_is_behind(tmp_path, monkeypatch, plain_ticks):
    now, syncs = [0.0], []
    monkeypatch.setattr(writer_module, "time", types.SimpleNamespace(monotonic=lambda: now[0]))
    as_os = types.SimpleNamespace(**{**vars(os), "fsync": lambda _descriptor: syncs.append(now[0])})
    monkeypatch.setattr(writer_module, "os", as_os)
    file = writer_module._DriveFile(tmp_path, "d", {"channels": CHANNELS}, {}, lambda: False, writer_module._Syncs())
    file.take("open", None)
    assert syncs == [0.0]
    for n, tick in enumerate(plain_ticks(400)):
        now[0] = n * 0.005  # ticks that waited come four times as fast as they were made: a block every 0.125 s
        file.take("tick", tick)
    file.leave()
    # The first block that ends later than a second after the last sync, and not one sooner.
    gaps = [b - a for a, b in itertools.pairwise(syncs)]
    assert gaps
    assert all(1.0 < gap <= 1.0 + 0.13 for gap in gaps), gaps


def test_a_slow_sync_is_told_once_each_way(tmp_path, writer, told, plain_ticks, monkeypatch):
    monkeypatch.setattr(writer_module, "_TICKS_WAITING", 10**9)
    now = [0.0]
    clock = types.SimpleNamespace(monotonic=lambda: now[0])
    monkeypatch.setattr(writer_module, "time", clock)
    real, took = os.fsync, iter([0.1, 5.0, 5.0, 0.1] + [0.1] * 100)

    def fsync(descriptor):
        now[0] += next(took)
        real(descriptor)

    monkeypatch.setattr(writer_module.os, "fsync", fsync)
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    for tick in plain_ticks(400):
        writer.tick(tick)
    finish(writer)
    assert [ok for _, ok in told.words] == [False, True]
    assert told.words[0][0].startswith("the card is slow: it took 5.0 s")


def test_a_stalled_card_is_not_waited_for_and_what_does_not_fit_is_counted(tmp_path, writer, card, plain_ticks):
    ticks = plain_ticks(LONGEST_QUEUE + 500)
    card.stalls = True
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    assert card.stalled.wait(LONGEST_S)
    # The thread hangs in the header's sync. None of these may wait for it: the test would hang as well.
    for tick in ticks:
        writer.tick(tick)
    assert writer.lost_ticks == 500
    for n in range(3 * LONGEST_QUEUE):
        writer.event({"t": n})
    assert writer._queue.qsize() == 2 * LONGEST_QUEUE
    # The header's piece is being worked on, so it is not in the queue.
    assert writer.lost_events == 3 * LONGEST_QUEUE - (2 * LONGEST_QUEUE - LONGEST_QUEUE)
    done = writer.close({})
    assert not done.is_set()
    card.stalls = False
    card.go_on.set()
    assert done.wait(LONGEST_S)
    read_ticks, end, _ = read(tmp_path)
    assert read_ticks == ticks[:LONGEST_QUEUE]
    assert end["lost_ticks"] == 500
    assert end["lost_events"] == 2 * LONGEST_QUEUE


def drive_while_full(writer, card, told, ticks):
    """A drive with an event at every 25th tick, on a card that has room only when it has ended."""
    card.full = True
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    for n, tick in enumerate(ticks):
        writer.tick(tick)
        if n % 25 == 0:
            writer.event({"t": tick[0], "kind": "alert"})
        card.wait_for_writes(n // 26 - 10)
    told.wait_for(1)
    card.full = False
    finish(writer)


def test_a_card_that_stays_full_loses_samples_before_events(tmp_path, writer, card, told, plain_ticks):
    ticks = plain_ticks(150 * 50)
    drive_while_full(writer, card, told, ticks)
    read_ticks, end, blocks = read(tmp_path)
    events = events_of(blocks)
    # All 300 events of two and a half minutes, and the last minute of samples.
    assert [e["t"] for e in events] == [t[0] for t in ticks[::25]]
    assert end["lost_events"] == 0
    assert end["lost_ticks"] == len(ticks) - len(read_ticks)
    assert 55 * 50 < len(read_ticks) < 70 * 50


def test_more_events_than_can_wait_are_counted_too(tmp_path, writer, card, told, plain_ticks, monkeypatch):
    monkeypatch.setattr(writer_module, "MOST_EVENTS_WAITING", 100)
    ticks = plain_ticks(120 * 50)
    drive_while_full(writer, card, told, ticks)
    _, end, blocks = read(tmp_path)
    events = events_of(blocks)
    assert end["lost_events"] == 240 - len(events)
    assert 90 <= len(events) <= 115
    assert "events were lost" in told.words[-1][0]


def test_a_card_that_only_just_moves_is_told_of_once_and_once_more_when_it_keeps_up(writer, card, told, plain_ticks):
    def keeping_up(ticks):
        for tick in ticks:
            writer.tick(tick)
        return writer.able

    spare = iter(plain_ticks(2 * LONGEST_QUEUE))
    card.stalls = True
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    assert card.stalled.wait(LONGEST_S)
    assert keeping_up(itertools.islice(spare, LONGEST_QUEUE))
    assert not keeping_up(itertools.islice(spare, 1))
    for _ in range(20):
        # Room for one more, as when a slow card has taken a block: no reason to say that all is well.
        writer._queue.get()
        assert not keeping_up(itertools.islice(spare, 2))
    assert told.words == [("the card does not keep up: records are being lost", False)]
    card.stalls = False
    card.go_on.set()
    finish(writer)
    writer.open("e", {"drive": "e", "channels": CHANNELS})
    assert keeping_up(itertools.islice(spare, 1))
    # The first that did not fit, and one of two in each of the twenty rounds.
    assert told.words[1:] == [("the card keeps up again; 21 ticks were lost", True)]


def test_a_drive_that_cannot_be_begun_is_no_recording_until_one_can(writer, told, plain_ticks, monkeypatch):
    with monkeypatch.context() as patch:
        patch.setattr(writer_module, "_DriveFile", lambda *_: 1 // 0)
        writer.open("d", {"drive": "d", "channels": CHANNELS})
        finish(writer)
    assert writer.able is False
    writer.open("e", {"drive": "e", "channels": CHANNELS})
    finish(writer)
    assert writer.able is True
    assert [ok for _, ok in told.words] == [False, True]


def test_losses_are_counted_for_each_drive_by_itself(tmp_path, writer, card, plain_ticks):
    card.stalls = True
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    assert card.stalled.wait(LONGEST_S)
    for tick in plain_ticks(LONGEST_QUEUE + 7):
        writer.tick(tick)
    done = writer.close({})
    card.stalls = False
    card.go_on.set()
    assert done.wait(LONGEST_S)
    writer.open("e", {"drive": "e", "channels": CHANNELS})
    for tick in plain_ticks(50):
        writer.tick(tick)
    finish(writer)
    assert read(tmp_path)[1]["lost_ticks"] == 7
    assert read(tmp_path, "e")[1]["lost_ticks"] == 0


def test_a_drive_that_cannot_be_written_at_all_still_ends(tmp_path, writer, card, told):
    card.full = True
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    assert writer.close({}).wait(LONGEST_S)
    assert told.words == [
        ("cannot record: No space left on device", False),
        ("the end of a drive could not be recorded: 0 ticks were lost", False),
    ]
    # The torn block that did go out was cut off again.
    assert (tmp_path / "journal" / "d.ccj").read_bytes() == b""


def test_a_journal_under_way_is_locked_and_a_finished_one_is_not(tmp_path, writer, card, plain_ticks):
    card_file = tmp_path / "journal" / "d.ccj"
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    for tick in plain_ticks(60):
        writer.tick(tick)
    card.wait_for_writes(2)
    with card_file.open("rb") as file:
        with pytest.raises(BlockingIOError):
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        finish(writer)
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)


def test_stopping_is_bounded_even_when_the_card_hangs(tmp_path, card, told):
    writer = JournalWriter(tmp_path, told)
    card.stalls = True
    writer.open("d", {"drive": "d", "channels": CHANNELS})
    assert card.stalled.wait(LONGEST_S)
    assert writer.stop(0.01) is False
    card.stalls = False
    card.go_on.set()
    assert writer.stop(LONGEST_S) is True
