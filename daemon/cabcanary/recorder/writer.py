"""The journal's writer: a thread of its own behind a bounded queue.

The tick leaves its readings in the queue and goes on; a card that stalls, fills up or fails costs records,
counted and told, and never a warning.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import queue
import threading
import time
from typing import TYPE_CHECKING, Any, NamedTuple

from cabcanary.store.journal import BlockKind, encode_block, encode_events, encode_json
from cabcanary.store.manifest import JOURNAL, sync_folder
from cabcanary.store.samples import SampleEncoder

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from pathlib import Path

    from cabcanary.store.samples import Steps, Tick

#: A block every half second of clock time: a killed process loses less than a second.
BLOCK_S = 0.5
#: Synced to the card with every second block, about once a second.
_BLOCKS_PER_SYNC = 2
#: While ticks of more than a block wait, a slow card is synced less often: each sync then covers more of them.
_TICKS_WAITING = 30
_MOST_BLOCKS_PER_SYNC = 60
#: But written data never waits for its sync longer than this, real seconds.
_LONGEST_UNSYNCED_S = 1.0
#: The header is written again behind the first samples and then with every so many of their blocks, ten minutes: what
#: hits one place of the card must not take the meaning from all the others.
_BLOCKS_PER_HEADER = 1200
#: A sync that takes longer than this, real seconds, is worth a word: a power cut would cost as much.
_SLOW_SYNC_S = 2.0
#: For how long a slow sync is remembered, real seconds.
_SLOWEST_OF_S = 60.0
#: What waits for a stalled card, in ticks: a minute at 50 Hz. More is lost and counted.
LONGEST_QUEUE = 3000
#: Blocks of samples that wait for a card that fails: a minute of them. Older ones are lost and counted.
_MOST_SAMPLES_WAITING = 120
#: Events are few and say what mattered: they outlast the samples. So many wait for a card that fails.
MOST_EVENTS_WAITING = 20_000


class JournalWriter:
    """Writes one drive at a time. All methods return at once; the work is done in the thread.

    `tell(words, ok)` is called from the thread whenever writing begins to fail or works again.
    """

    def __init__(
        self,
        folder: Path,
        tell: Callable[[str, bool], None],
        steps: Mapping[tuple[str, str], Steps] | None = None,
    ) -> None:
        self._folder = folder / JOURNAL
        self._tell = tell
        self._steps = {} if steps is None else steps
        self._queue: queue.SimpleQueue[tuple[str, Any]] = queue.SimpleQueue()
        self.lost_ticks = 0
        self.lost_events = 0
        self._failing = ""
        self._losing = False
        self._lost_untold = 0
        self._slow = False
        self._syncs = _Syncs()
        self._thread = threading.Thread(target=self._work, name="journal", daemon=True)
        self._thread.start()

    def open(self, drive: str, header: dict[str, Any]) -> None:
        """Begin a drive."""
        self._queue.put(("open", (drive, header)))

    def tick(self, tick: Tick) -> None:
        """Add a tick; dropped and counted when the card is a minute behind."""
        if self._queue.qsize() >= LONGEST_QUEUE:
            self.lost_ticks += 1
            self._lost_untold += 1
            if not self._losing:
                self._losing = True
                self._tell("the card does not keep up: records are being lost", False)
            return
        if self._losing and self._queue.qsize() < LONGEST_QUEUE // 2:
            # Not at the first gap: a slow card would go back and forth with every block.
            self._losing = False
            self._tell(f"the card keeps up again; {_lost(self._lost_untold, self.lost_events)}", True)
            self._lost_untold = 0
        self._queue.put(("tick", tick))

    def event(self, event: dict[str, Any]) -> None:
        """Add an event; the queue has room for these beyond what ticks may fill. More is lost and counted."""
        if self._queue.qsize() < 2 * LONGEST_QUEUE:
            self._queue.put(("event", event))
        else:
            self.lost_events += 1

    def close(self, end: dict[str, Any]) -> threading.Event:
        """End the drive; the event returned is set once all of it is written, or cannot be."""
        done = threading.Event()
        lost = {"lost_ticks": self.lost_ticks, "lost_events": self.lost_events}
        self._queue.put(("close", ({**end, **lost}, done)))
        self.lost_ticks = self.lost_events = 0
        return done

    @property
    def able(self) -> bool:
        """False from when it has told that it cannot write, or loses records, until it has told that it can again."""
        return not (self._failing or self._losing)

    @property
    def write_latency_s(self) -> float:
        """The longest that the card took to sync during the last minute; one that is under way counts so far."""
        return self._syncs.slowest_s(time.monotonic())

    def stop(self, longest_s: float) -> bool:
        """Stop the thread; False if it did not finish within `longest_s` real seconds."""
        self._queue.put(("stop", None))
        self._thread.join(longest_s)
        return not self._thread.is_alive()

    # --- in the thread --------------------------------------------------------------------------------

    def _work(self) -> None:
        drive: _DriveFile | None = None
        while True:
            what, content = self._queue.get()
            if what == "open":
                drive = self._begin(*content)
            if drive is not None:
                self._try(drive, what, content)
            if what == "close":
                if drive is not None:
                    drive.leave()
                drive = None
                content[1].set()
            if what == "stop":
                return

    def _keeps_up(self) -> bool:
        return self._queue.qsize() < _TICKS_WAITING

    def _begin(self, drive: str, header: dict[str, Any]) -> _DriveFile | None:
        try:
            return _DriveFile(self._folder, drive, header, self._steps, self._keeps_up, self._syncs)
        except Exception as error:  # noqa: BLE001 - the thread must live for the next drive
            self._failing = f"this drive cannot be recorded: {error}"
            self._tell(self._failing, False)
            return None

    def _try(self, drive: _DriveFile, what: str, content: Any) -> None:
        """Let the file take one piece; a failing card is told of once, and once more when it works again."""
        try:
            drive.take(what, content)
        except Exception as error:  # noqa: BLE001 - the thread must live, whatever one piece does to it
            words = f"cannot record: {getattr(error, 'strerror', None) or error}"
            if words != self._failing:
                self._failing = words
                self._tell(words, False)
        else:
            if self._failing and not drive.behind:
                self._failing = ""
                some = drive.lost_ticks or drive.lost_events
                lost = f"; of this drive {_lost(drive.lost_ticks, drive.lost_events)}" if some else ""
                self._tell(f"recording again{lost}", True)
        self._watch_speed(drive.sync_s)
        if what == "close" and drive.behind:
            lost = _lost(drive.waiting(BlockKind.SAMPLES), drive.waiting(BlockKind.EVENTS))
            self._tell(f"the end of a drive could not be recorded: {lost}", False)

    def _watch_speed(self, sync_s: float) -> None:
        if sync_s > _SLOW_SYNC_S and not self._slow:
            self._slow = True
            self._tell(f"the card is slow: it took {sync_s:.1f} s to sync; a power cut now would cost as much", False)
        elif self._slow and sync_s < _SLOW_SYNC_S / 2:
            self._slow = False
            self._tell("the card is as fast as it should be again", True)


def _lost(ticks: int, events: int) -> str:
    return f"{ticks} ticks" + (f" and {events} events" if events else "") + " were lost"


class _Syncs:
    """How long syncs took. Written by the journal's thread, read by any."""

    def __init__(self) -> None:
        #: When each slowest one of late ended, and how long it took; the newest last, each shorter than the one before.
        self._took: tuple[tuple[float, float], ...] = ()
        self._since: float | None = None

    def begin(self) -> float:
        self._since = began = time.monotonic()
        return began

    def end(self) -> float:
        """How long it took, s."""
        ended, began = time.monotonic(), self._since
        self._since = None
        took = 0.0 if began is None else ended - began
        kept = [one for one in self._took if ended - one[0] < _SLOWEST_OF_S and one[1] > took]
        self._took = (*kept, (ended, took))
        return took

    def slowest_s(self, now: float) -> float:
        """The longest of the last minute."""
        since = self._since
        late = [took for ended, took in self._took if now - ended < _SLOWEST_OF_S]
        return max([*late, 0.0 if since is None else now - since], default=0.0)


class _Piece(NamedTuple):
    """The content of one block, and the number of its ticks or events."""

    kind: BlockKind
    payload: bytes
    items: int = 0


class _DriveFile:
    """The file of one drive: blocks go in whole or are cut off again."""

    def __init__(
        self,
        folder: Path,
        drive: str,
        header: dict[str, Any],
        steps: Mapping[tuple[str, str], Steps],
        keeps_up: Callable[[], bool],
        syncs: _Syncs,
    ) -> None:
        self._syncs = syncs
        self._encoder = SampleEncoder([(source, item) for _, source, item in header["channels"]], steps)
        self._path = folder / f"{drive}.ccj"
        self._header = header
        self._descriptor: int | None = None
        self._good_end = 0
        self._torn = False
        self._sequence = 0
        self._keeps_up = keeps_up
        # The pieces written since the last successful sync, and the file position at its end.
        self._unsynced: list[_Piece] = []
        self._synced = (0, 0)
        self._synced_at = time.monotonic()
        #: How long the last sync took, real seconds.
        self.sync_s = 0.0
        self._ticks: list[Tick] = []
        self._events: list[dict[str, Any]] = []
        self._pending: list[_Piece] = [_Piece(BlockKind.HEADER, encode_json(header))]
        self._sample_blocks = 0
        self.lost_ticks = self.lost_events = 0

    @property
    def behind(self) -> bool:
        """Something that should be on disk is not."""
        return bool(self._pending)

    def waiting(self, kind: BlockKind) -> int:
        """Ticks, or events, that are not on disk yet."""
        new = len(self._ticks) if kind is BlockKind.SAMPLES else len(self._events)
        return new + sum(piece.items for piece in self._pending if piece.kind is kind)

    def take(self, what: str, content: Any) -> None:
        """Take one piece and write the pieces collected; on OSError they are kept for the next time."""
        if what == "tick":
            self._ticks.append(content)
            if content[0] - self._ticks[0][0] >= BLOCK_S * 1e9:
                self._collect()
                self._write_pending()
        elif what == "event":
            self._events.append(content)
        elif what == "open":
            self._write_pending(sync=True)
        else:
            self._collect()
            if what == "close":
                told = content[0]
                end = {
                    **told,
                    "lost_ticks": told["lost_ticks"] + self.lost_ticks,
                    "lost_events": told["lost_events"] + self.lost_events,
                }
                self._pending.append(_Piece(BlockKind.END, encode_json(end)))
            self._write_pending(sync=True)

    def _collect(self) -> None:
        if self._ticks:
            self._pending.append(_Piece(BlockKind.SAMPLES, self._encoder.encode(self._ticks), len(self._ticks)))
            self._ticks = []
            self._repeat_header()
        if self._events:
            self._pending.append(_Piece(BlockKind.EVENTS, encode_events(self._events), len(self._events)))
            self._events = []
        if len(self._pending) > _MOST_SAMPLES_WAITING:
            self._let_go()

    def _repeat_header(self) -> None:
        due = self._sample_blocks % _BLOCKS_PER_HEADER == 0
        self._sample_blocks += 1
        if due and not any(piece.kind is BlockKind.HEADER for piece in self._pending):
            self._pending.append(_Piece(BlockKind.HEADER, encode_json(self._header)))

    def _let_go(self) -> None:
        """Of what waits too long for a card that fails, the oldest; never the header, which gives all a meaning."""
        samples = [piece for piece in self._pending if piece.kind is BlockKind.SAMPLES]
        for piece in samples[: max(0, len(samples) - _MOST_SAMPLES_WAITING)]:
            self._pending.remove(piece)
            self.lost_ticks += piece.items
        while self.waiting(BlockKind.EVENTS) > MOST_EVENTS_WAITING:
            oldest = next(piece for piece in self._pending if piece.kind is BlockKind.EVENTS)
            self._pending.remove(oldest)
            self.lost_events += oldest.items

    def _write_pending(self, *, sync: bool = False) -> None:
        if self._descriptor is None:
            self._descriptor = self._create()
        while self._pending:
            kind, payload, _ = self._pending[0]
            block = encode_block(self._sequence, kind, payload)
            self._write_whole(self._descriptor, block)
            self._unsynced.append(self._pending.pop(0))
            self._sequence += 1
        waiting = len(self._unsynced)
        late = waiting >= _MOST_BLOCKS_PER_SYNC or time.monotonic() - self._synced_at > _LONGEST_UNSYNCED_S
        if sync or (waiting >= _BLOCKS_PER_SYNC and (late or self._keeps_up())):
            self._sync(self._descriptor)

    def _sync(self, descriptor: int) -> None:
        self._syncs.begin()
        try:
            os.fsync(descriptor)
        except OSError:
            self._syncs.end()
            # A kernel may forget what it could not write: the next sync would succeed without it. It is written again.
            self._pending = self._unsynced + self._pending
            self._unsynced = []
            self._good_end, self._sequence = self._synced
            self._torn = True
            raise
        self.sync_s = self._syncs.end()
        self._synced_at = time.monotonic()
        self._unsynced.clear()
        self._synced = (self._good_end, self._sequence)

    def _create(self) -> int:
        self._path.parent.mkdir(parents=True, exist_ok=True)
        flags = os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC
        descriptor = os.open(self._path, flags, 0o644)
        try:
            # Held as long as this process lives: the archiver leaves a locked journal alone.
            fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            sync_folder(self._path.parent)
        except OSError:
            # Leave nothing behind, so that the next try can begin anew.
            os.close(descriptor)
            self._path.unlink(missing_ok=True)
            raise
        return descriptor

    def _write_whole(self, descriptor: int, block: bytes) -> None:
        if self._torn:
            # What an earlier try left behind goes first, so that this one begins where that one did.
            os.ftruncate(descriptor, self._good_end)
        os.lseek(descriptor, self._good_end, os.SEEK_SET)
        self._torn = True
        written = 0
        try:
            while written < len(block):
                written += os.write(descriptor, block[written:])
        except OSError:
            with contextlib.suppress(OSError):
                os.ftruncate(descriptor, self._good_end)
                self._torn = False
            raise
        self._torn = False
        self._good_end += len(block)

    def leave(self) -> None:
        """Close the file and with it give up the lock."""
        if self._descriptor is not None:
            with contextlib.suppress(OSError):
                os.close(self._descriptor)
            self._descriptor = None
