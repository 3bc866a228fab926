"""What survives of a journal, whatever the card made of its end: cut, zeros, garbage, a torn sector, pages missing.

A power cut leaves everything up to the last sync as it was (that is what a sync is), and of what came after it any
part, in any order, beside zeros or old content. Each damage is made at a byte of a real journal whose syncs are known,
and the promise is checked: every tick synced before that byte is there, what is there is what was recorded, in order,
and recovery neither asks anybody nor touches another drive.
"""

from __future__ import annotations

import os
import random
import time
import types
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pytest
from recorded_hour import KEYS, STEPS, Signals, settings_text

from cabcanary.clock import Clock
from cabcanary.model import Reading
from cabcanary.plan.plan import load_plan
from cabcanary.recorder import journal_drive as recorded
from cabcanary.recorder import writer as writer_module
from cabcanary.recorder.archiver import archive_all
from cabcanary.recorder.journal_drive import Drive
from cabcanary.recorder.recorder import Recorder
from cabcanary.recorder.writer import JournalWriter
from cabcanary.store import sample_columns
from cabcanary.store.journal import BlockKind, decode_json, encode_block, encode_json, read_blocks

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from cabcanary.store.sample_columns import Columns

PAGE = 4096
#: Two blocks of half a second, of 26 or 27 ticks each, go between two syncs; a second and a tenth at most.
MOST_TICKS = 55


@dataclass
class Original:
    """A journal as it was written, its ticks, and the lengths at which it was synced."""

    data: bytes = b""
    ticks: list[int] = field(default_factory=list)
    synced: list[int] = field(default_factory=list)
    #: How many ticks a journal of each synced length holds.
    safe: dict[int, int] = field(default_factory=dict)

    def last_sync(self, at: int) -> int:
        return max((s for s in self.synced if s <= at), default=0)


def written(folder: Path, seconds: float, patch: pytest.MonkeyPatch) -> Original:
    """A drive of 24 channels, recorded by the live recorder and writer."""
    original = Original()

    def fsync(descriptor: int) -> None:
        original.synced.append(os.fstat(descriptor).st_size)
        os.fsync(descriptor)

    folder.mkdir()
    file = folder / "van.toml"
    file.write_text(settings_text())
    plan = load_plan(file)
    pipeline, engine = plan.pipeline(), plan.engine()
    with patch.context() as patched:
        patched.setattr(writer_module, "os", types.SimpleNamespace(**{**vars(os), "fsync": fsync}))
        # Faster than real time, but synced as in real time.
        patched.setattr(writer_module, "_TICKS_WAITING", 10**9)
        writer = JournalWriter(folder, lambda *_: None, STEPS)
        recorder = Recorder(plan, pipeline, engine, writer, Clock())
        for tick_ns, scans, codes in Signals().ticks(int(seconds * 50)):
            numbers = zip(KEYS, codes, strict=True)
            newest = {k: Reading(*k, (n + 0.0) * STEPS[k].scale, scans[c // 8]) for c, (k, n) in enumerate(numbers)}
            frame = pipeline.step(newest, tick_ns)
            recorder.step(frame, newest, recorder.states_before(tick_ns))
            while writer._queue.qsize() > 500:
                time.sleep(0.001)
        done = recorder.close(tick_ns).written
        assert done is not None
        assert done.wait(60)
        assert writer.stop(10)
    (path,) = (folder / "journal").glob("*.ccj")
    original.data = path.read_bytes()
    path.unlink()
    original.ticks = [t for t, _ in Drive(original.data).ticks]
    original.safe = {0: 0} | {s: len(Drive(original.data[:s]).ticks) for s in set(original.synced) if s}
    return original


# --- damages: the journal, the byte, the last synced length before it -> what is on the card -----------------------


def cut(original: Original, at: int, _chance: random.Random) -> bytes:
    return original.data[:at]


def zeroed(original: Original, at: int, _chance: random.Random) -> bytes:
    """The length of later writes is there, their content is not."""
    return original.data[:at] + bytes(min(len(original.data) - at, 3 * PAGE))


def garbage(original: Original, at: int, chance: random.Random) -> bytes:
    """Old content of the card where the new was not yet written."""
    return original.data[:at] + chance.randbytes(min(len(original.data) - at, 3 * PAGE))


def torn(original: Original, at: int, chance: random.Random) -> bytes:
    """A sector of what came after the sync is missing in the middle of what did arrive."""
    start = original.last_sync(at)
    hole = chance.randrange(start, at + 1)
    return original.data[:hole] + bytes(min(512, at - hole)) + original.data[hole + 512 : at]


def reordered(original: Original, at: int, chance: random.Random) -> bytes:
    """Of the pages after the sync some were written and some were not, whatever their order."""
    start = original.last_sync(at)
    found = bytearray(original.data[:start])
    for page in range(start, at, PAGE // 8):
        piece = original.data[page : min(page + PAGE // 8, at)]
        found += piece if chance.random() < 0.5 else bytes(len(piece))
    return bytes(found)


DAMAGES: dict[str, Callable[[Original, int, random.Random], bytes]] = {
    "cut": cut,
    "zeros behind": zeroed,
    "garbage behind": garbage,
    "torn": torn,
    "some pages missing": reordered,
}


def survivors(damaged: bytes) -> list[int]:
    """The tick times that recovery finds; none where not even the header is left."""
    try:
        drive = Drive(damaged)
    except ValueError:
        return []
    return [t for t, _ in drive.walk()]


def campaign(original: Original, places: dict[str, list[int]], seed: int) -> list[tuple[str, int, int, int]]:
    """Per damage: places, those where the drive came back, and the most ticks lost since the last sync."""
    chance = random.Random(seed)
    rows = []
    for name, where in places.items():
        back, most = 0, 0
        for at in where:
            damaged = DAMAGES[name](original, at, chance)
            found = survivors(damaged)
            kept = set(found)
            assert found == [t for t in original.ticks if t in kept], f"{name} at byte {at}: made up or out of order"
            start = original.last_sync(at)
            safe = original.safe[start]
            assert found[:safe] == original.ticks[:safe], f"{name} at byte {at}: synced ticks are gone"
            back += bool(found)
            later = [s for s in original.synced if s > at]
            taken = original.safe[min(later)] if later else len(original.ticks)
            most = max(most, taken - len(found))
        rows.append((name, len(where), back, most))
    return rows


def renamed(original: Original, drive: str) -> Original:
    """The same journal as that of another drive."""
    blocks = list(read_blocks(original.data))
    header = {**decode_json(blocks[0].payload), "drive": drive}
    first = encode_block(0, BlockKind.HEADER, encode_json(header))
    rest = original.data[blocks[1].at :]
    shift = len(first) - blocks[1].at
    return Original(first + rest, original.ticks, [s + shift for s in original.synced], {})


def show(title: str, rows: list[tuple[str, int, int, int]]) -> None:
    print(f"\n  {title}")
    print(f"  {'damage':<20} {'places':>7} {'drive came back':>16} {'most lost of what was under way':>33}")
    for name, places, back, most in rows:
        print(f"  {name:<20} {places:>7} {back:>16} {most:>26} ticks")


@pytest.fixture(autouse=True)
def each_block_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """The same block comes back at thousands of places: it is decoded once."""
    seen: dict[tuple[bytes, ...], Columns] = {}

    def decode(payloads: Sequence[bytes], keys: Sequence[tuple[str, str]]) -> Columns:
        whole = []
        for payload in payloads:
            if (payload,) not in seen:
                seen[(payload,)] = sample_columns.decode_columns([payload], keys)
            whole.append(seen[(payload,)])
        return sample_columns.joined(whole)

    monkeypatch.setattr(recorded, "decode_columns", decode)


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Original:
    """Looked at by many tests, and changed by none."""
    with pytest.MonkeyPatch.context() as patch:
        return written(tmp_path_factory.mktemp("short") / "drive", 4.0, patch)


#: So many bytes before and behind the beginning of each block: its header, and the checksum of the one before.
_NEAR = 40


def bytes_of(original: Original, every: int) -> list[int]:
    """Every so many bytes, and each one around an edge of a block or a sync."""
    length = len(original.data)
    edges = {0, length, *original.synced, *(block.at for block in read_blocks(original.data))}
    near = {at for edge in edges for at in range(edge - _NEAR, edge + _NEAR) if 0 <= at <= length}
    return sorted(near | set(range(0, length + 1, every)))


@pytest.mark.parametrize("every", [29, pytest.param(1, marks=pytest.mark.long)])
def test_a_short_drive_damaged_at_its_bytes(short: Original, capsys: pytest.CaptureFixture[str], every: int) -> None:
    at = bytes_of(short, every)
    places = {name: at if name == "cut" else at[:: 5 + n] for n, name in enumerate(DAMAGES)}
    rows = campaign(short, places, seed=1)
    with capsys.disabled():
        show(f"a drive of {len(short.ticks)} ticks, {len(short.data)} bytes, synced {len(short.synced)} times", rows)
    # The drive is lost only where its very first sync had not come; never more than the two blocks of a second are.
    begin = min(short.synced)
    assert rows[0][2] >= sum(place > short.synced[1] for place in at)
    assert begin < short.synced[1]
    assert max(most for *_, most in rows) <= MOST_TICKS


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("count", [60, pytest.param(5000, marks=pytest.mark.long)])
def test_a_long_drive_damaged_at_random_bytes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], count: int
) -> None:
    original = written(tmp_path / "long", 20.0 if count < 1000 else 300.0, monkeypatch)
    chance = random.Random(count)
    share = count // len(DAMAGES)
    places = {name: [chance.randrange(len(original.data) + 1) for _ in range(share)] for name in DAMAGES}
    rows = campaign(original, places, seed=2)
    with capsys.disabled():
        show(f"a drive of {len(original.ticks)} ticks, {len(original.data)} bytes", rows)
    assert max(most for *_, most in rows) <= MOST_TICKS


@pytest.mark.parametrize("name", DAMAGES)
def test_a_damaged_drive_is_archived_unasked_and_touches_no_other(tmp_path: Path, short: Original, name: str) -> None:
    folder = tmp_path / "van"
    journal = folder / "journal"
    journal.mkdir(parents=True)
    (journal / "whole.ccj").write_bytes(short.data)
    archive_all(folder)
    before = {p: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    assert len(before) == 3
    chance = random.Random(3)
    for n in range(6):
        at = chance.randrange(short.synced[2], len(short.data))
        # The same drive under a name of the same length, so that it is another one.
        damaged = DAMAGES[name](renamed(short, f"{n:021d}"), at, chance)
        (journal / "damaged.ccj").write_bytes(damaged)
        (report,) = archive_all(folder)
        assert report["recovered"] is True, report
        assert report["archived"] == f"{n:021d}"
    assert {p: p.read_bytes() for p in before} == before
    assert len(list(folder.rglob("*.manifest.json"))) == 7
    assert list(journal.iterdir()) == []
