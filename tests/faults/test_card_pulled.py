"""A real file system pulled from under the recorder: what was synced is there, and the drive comes back.

An ext4 image on a loop device is shut down by the kernel (FS_IOC_SHUTDOWN without a flush of its log): from that
instant every access gives EIO, and what had not reached the image is gone, as when the card loses its power. Then the
image is mounted again, ext4 replays its own journal, and the archiver does its work. It needs root and a kernel with
loop devices and ext4; where there are none the test says so.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import random
import shutil
import struct
import subprocess
import threading
import time
import types
from typing import TYPE_CHECKING

import pytest
from recorded_hour import KEYS, STEPS, Signals

from cabcanary.model import Reading
from cabcanary.recorder import writer as writer_module
from cabcanary.recorder.archiver import archive_all
from cabcanary.recorder.journal_drive import Drive
from cabcanary.recorder.writer import JournalWriter

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.waits


#: _IOR('X', 125, __u32) and FS_SHUTDOWN_FLAGS_NOLOGFLUSH, from the kernel's fs/ext4/ext4.h.
_FS_IOC_SHUTDOWN, _NO_FLUSH = 0x8004587D, 2


class Card:
    """An ext4 image that can be pulled and put in again."""

    def __init__(self, folder: Path) -> None:
        self._image, self.mounted = folder / "image", folder / "card"
        self.mounted.mkdir()
        with self._image.open("wb") as file:
            file.truncate(32 << 20)
        subprocess.run(["mkfs.ext4", "-q", "-F", str(self._image)], check=True)
        self.put_in()

    def put_in(self) -> None:
        subprocess.run(["mount", "-o", "loop", str(self._image), str(self.mounted)], check=True)

    def pull(self) -> None:
        """From now on nothing reaches the image."""
        descriptor = os.open(self.mounted, os.O_RDONLY)
        try:
            fcntl.ioctl(descriptor, _FS_IOC_SHUTDOWN, struct.pack("I", _NO_FLUSH))
        finally:
            os.close(descriptor)

    def take_out(self) -> None:
        subprocess.run(["umount", str(self.mounted)], check=True)


@pytest.fixture
def card(tmp_path: Path) -> Iterator[Card]:
    if os.geteuid() != 0 or shutil.which("mkfs.ext4") is None:
        pytest.skip("mounting an image needs root and mkfs.ext4")
    try:
        card = Card(tmp_path)
    except subprocess.CalledProcessError:
        pytest.skip("this kernel mounts no ext4 image")
    yield card
    with contextlib.suppress(subprocess.CalledProcessError):
        card.take_out()


class Syncs:
    """The operating system as the writer sees it: remembers how much of each journal was surely on the card."""

    def __init__(self) -> None:
        self.sure: dict[int, int] = {}
        self.latest = 0

    def fsync(self, descriptor: int) -> None:
        size = os.fstat(descriptor).st_size
        os.fsync(descriptor)
        self.latest = size

    def as_os(self) -> types.SimpleNamespace:
        return types.SimpleNamespace(**{**vars(os), "fsync": self.fsync})


@pytest.mark.timeout(3600)
@pytest.mark.parametrize("pulls", [4, pytest.param(100, marks=pytest.mark.long)])
def test_a_card_pulled_at_any_moment_keeps_every_synced_second(
    card: Card, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], pulls: int
) -> None:
    chance = random.Random(pulls)
    signals = Signals()
    header = {
        "drive": "",
        "vehicle": "van",
        "stage": "s",
        "software": "0",
        "settings": "",
        "rules": {},
        "channels": [[f"c{c}", *key] for c, key in enumerate(KEYS)],
        "clock": [0, 0],
        "speed": 1.0,
        "begun": 0,
        "channels_state": {},
        "rules_state": {},
        "boot": "",
    }
    lost, before = [], {}
    for pull in range(pulls):
        syncs, told = Syncs(), []
        monkeypatch.setattr(writer_module, "os", syncs.as_os())
        writer = JournalWriter(card.mounted, lambda words, _ok, told=told: told.append(words), STEPS)
        writer.open(f"d{pull}", {**header, "drive": f"d{pull}"})
        stop = threading.Event()
        taken = _drive_on(writer, signals, stop)
        time.sleep(chance.uniform(0.02, 0.4))
        card.pull()
        sure = syncs.latest
        stop.set()
        taken.join(30)
        done = writer.close({})
        assert done.wait(30)
        assert writer.stop(30)
        assert told[:1] == [f"cannot record: {os.strerror(errno.EIO)}"]
        card.take_out()
        card.put_in()
        path = card.mounted / "journal" / f"d{pull}.ccj"
        if sure:
            data = path.read_bytes()
            drive = Drive(data)
            times = [t for t, _ in drive.walk()]
            assert times == sorted(set(times))
            # What the writer was told is on the card is on the card.
            assert len(data) >= sure
            assert len(times) >= len(list(Drive(data[:sure]).walk()))
            assert drive.lost_blocks == 0
            lost.append(len(data) - sure)
        reports = archive_all(card.mounted)
        assert [r.get("archived") for r in reports] == ([f"d{pull}"] if sure else [None] * len(reports))
        now = {p: p.read_bytes() for p in (card.mounted / "drives").rglob("*") if p.is_file()}
        assert {p: now[p] for p in before} == before
        before = now
        _make_room(card.mounted, before)
    with capsys.disabled():
        kept = sum(n > 0 for n in lost)
        print(f"\n  pulled {pulls} times, {len(lost)} after a first sync, {kept} with more on the card than was sure")
    assert lost


def _drive_on(writer: JournalWriter, signals: Signals, stop: threading.Event) -> threading.Thread:
    """Ticks at fifty times their rate, so that syncs follow each other closely."""

    def run() -> None:
        for tick_ns, scans, codes in signals.ticks(100_000):
            if stop.is_set():
                return
            numbers = enumerate(zip(KEYS, codes, strict=True))
            row = tuple(Reading(*k, (n + 0.0) * STEPS[k].scale, scans[c // 8]) for c, (k, n) in numbers)
            writer.tick((tick_ns, row))
            stop.wait(0.0004)

    thread = threading.Thread(target=run)
    thread.start()
    return thread


def _make_room(folder: Path, files: dict[Path, bytes]) -> None:
    """The card is small; what has been compared for long enough goes."""
    for manifest in sorted((folder / "drives").rglob("*.manifest.json"), key=lambda p: p.stat().st_mtime)[:-20]:
        for file in manifest.parent.glob(manifest.name.replace("manifest.json", "*")):
            file.unlink()
            files.pop(file, None)
