"""The outbox: in order, bounded, once for each id, and still there after a crash."""

from __future__ import annotations

import subprocess
import sys
from typing import TYPE_CHECKING

import pytest

from cabcanary.messenger.outbox import Outbox, OutboxMessage

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.waits


def put(outbox: Outbox, n: int, topic: str = "van/event") -> bool:
    return outbox.put(OutboxMessage(f"id{n}", topic, f'{{"n": {n}}}', retain=False))


def all_of(outbox: Outbox) -> list[str]:
    found = []
    while (waiting := outbox.first()) is not None:
        found.append(waiting.payload)
        outbox.sent([waiting.n])
    return found


def test_messages_come_out_as_they_went_in_once_they_have_been_sent(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.sqlite", 100)
    for n in range(50):
        assert put(outbox, n)
    first = outbox.first()
    assert first is not None
    # Not sent yet: it is still the first.
    assert outbox.first() == first
    assert all_of(outbox) == [f'{{"n": {n}}}' for n in range(50)]
    outbox.close()


def test_the_same_id_goes_in_once_also_after_it_was_sent_and_after_a_restart(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.sqlite", 100)
    assert put(outbox, 1)
    assert not put(outbox, 1)
    all_of(outbox)
    outbox.close()
    again = Outbox(tmp_path / "outbox.sqlite", 100)
    assert not put(again, 1)
    assert again.count() == 0
    again.close()


def test_full_it_lets_the_oldest_go_and_says_how_many(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.sqlite", 10)
    for n in range(25):
        put(outbox, n)
        assert outbox.count() <= 10
    assert all_of(outbox) == [f'{{"n": {n}}}' for n in range(15, 25)]
    assert outbox.take_lost() == 15
    assert outbox.take_lost() == 0
    outbox.close()


def test_when_its_file_has_all_the_pages_that_it_may_the_oldest_go_too(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # 60 pages of 4 KiB hold far fewer than the 1000 messages of 2 kB that would be allowed by number.
    monkeypatch.setattr("cabcanary.messenger.outbox._MOST_PAGES", 60)
    outbox = Outbox(tmp_path / "outbox.sqlite", 1000)
    for n in range(400):
        assert outbox.put(OutboxMessage(f"id{n}", "van/event", f"{n} {'x' * 2000}", retain=False))
    kept = [int(payload.split()[0]) for payload in all_of(outbox)]
    assert kept == list(range(kept[0], 400))
    assert 50 < len(kept) < 120
    assert outbox.take_lost() == 400 - len(kept)
    assert (tmp_path / "outbox.sqlite").stat().st_size <= 60 * 4096
    outbox.close()


def test_its_files_stay_within_their_bound_whatever_goes_through(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.sqlite", 1000)
    largest = 0
    for n in range(4000):
        outbox.put(OutboxMessage(f"id{n}", "van/event", "x" * 500, retain=False))
        if n % 500 == 0:
            largest = max(largest, sum(f.stat().st_size for f in tmp_path.iterdir()))
    # 1000 messages of about 600 bytes, 4096 ids of about 50, twice over for the write-ahead log and free pages.
    assert largest < 4_000_000
    outbox.close()


def test_a_refused_topic_holds_up_no_other_and_keeps_its_own_order(tmp_path: Path) -> None:
    outbox = Outbox(tmp_path / "outbox.sqlite", 100)
    for n in range(6):
        put(outbox, n, "van/a" if n % 2 else "van/b")
    waiting = outbox.first(("van/b",))
    assert waiting is not None
    assert (waiting.topic, waiting.payload) == ("van/a", '{"n": 1}')
    assert outbox.first(("van/a", "van/b")) is None
    outbox.close()


def test_what_was_put_in_is_there_after_a_kill(tmp_path: Path) -> None:
    code = (
        "import os, sys; from pathlib import Path; from cabcanary.messenger.outbox import OutboxMessage, Outbox\n"
        "box = Outbox(Path(sys.argv[1]), 100)\n"
        "for n in range(20): box.put(OutboxMessage(f'id{n}', 'van/event', str(n), retain=False))\n"
        "os.kill(os.getpid(), 9)"
    )
    done = subprocess.run([sys.executable, "-c", code, str(tmp_path / "outbox.sqlite")], timeout=60, check=False)
    assert done.returncode == -9
    outbox = Outbox(tmp_path / "outbox.sqlite", 100)
    assert all_of(outbox) == [str(n) for n in range(20)]
    outbox.close()


def test_a_damaged_file_is_moved_aside_and_said(tmp_path: Path) -> None:
    path = tmp_path / "outbox.sqlite"
    path.write_bytes(b"this is no database " * 500)
    outbox = Outbox(path, 100)
    assert put(outbox, 1)
    assert "the outbox was damaged" in outbox.note
    assert (tmp_path / "outbox.damaged").exists()
    outbox.close()


def test_where_nothing_can_be_written_messages_are_kept_in_memory_and_that_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    outbox = Outbox(tmp_path / "file" / "outbox.sqlite", 100)
    assert "kept in memory only" in outbox.note
    put(outbox, 1)
    assert outbox.count() == 1
    outbox.close()


@pytest.mark.parametrize("payload", ["ä λ °C", "x" * 10_000])
def test_any_text_comes_back_as_it_was(tmp_path: Path, payload: str) -> None:
    outbox = Outbox(tmp_path / "outbox.sqlite", 100)
    outbox.put(OutboxMessage("id", "van/event", payload, retain=True))
    waiting = outbox.first()
    assert waiting is not None
    assert (waiting.payload, waiting.retain) == (payload, True)
    outbox.close()
