"""Reads the small text files of a kernel tree (IIO, hwmon) by threads of their own, each file a channel.

A thread reads all channels of the device in turn. When one read hangs (a converter that holds its bus),
that channel is left to the hung thread and a new thread goes on with the others, so a blocked file costs
its own channel and nothing else.
"""

from __future__ import annotations

import errno
import os
import random
import threading
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from cabcanary.model import Quality, Reading
from cabcanary.processes.status import Backoff, Status
from cabcanary.store.samples import Steps

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from cabcanary.clock import Clock
    from cabcanary.sources.slot import Slots

#: A sysfs value is a short number; more than this is not one.
_LONGEST_VALUE = 32
#: How often a supervising look is taken at the reader threads, in clock seconds.
_WATCH_S = 0.05
#: Failures in a row after which a device is looked for anew: it may have come back under another number.
_MOST_FAILURES = 3
#: What is read within this of each other carries one time. It is the earlier one, so nothing looks newer than it is,
#: and a scan of many channels is kept with one time instead of many.
_ONE_TIME_NS = 1_000_000
_NOTHING_READ = -(1 << 62)
#: A busy converter (a buffer owns it) or a bus that timed out: the device is still there.
_PASSING = (errno.EBUSY, errno.EIO, errno.ETIMEDOUT, errno.EAGAIN, errno.EREMOTEIO, errno.ENODATA)


class TreeError(OSError):
    """The tree does not hold what the settings ask for; the message says what it does hold."""


@dataclass
class TreeChannel:
    """One file: reading = (number + offset) * scale, in the unit that the kernel's ABI names."""

    item: str
    path: Path
    scale: float = 1.0
    offset: float = 0.0
    descriptor: int | None = None


@dataclass
class _Work:
    """What one thread is busy with; the watcher takes channels away from a hung one."""

    channels: list[TreeChannel]
    busy: TreeChannel | None = None
    since_ns: int = 0
    read_ns: int = _NOTHING_READ
    gone: bool = False
    ended: threading.Event = field(default_factory=threading.Event)


def read_small(path: Path) -> str:
    """The text of a name, label or scale; never hangs.

    Raises:
        OSError: it cannot be read.
    """
    descriptor = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    try:
        return os.read(descriptor, 256).decode(errors="replace").strip()
    finally:
        os.close(descriptor)


def number_in(path: Path, otherwise: float) -> float:
    """The number in a small file, or another one where there is none."""
    try:
        return float(read_small(path))
    except (OSError, ValueError):
        return otherwise


class TreeReader:
    """Reads the channels that `find` gives into the slots, `rate_hz` times a clock second.

    `find` looks for the device and raises OSError, with words for a person, while it is not there.
    """

    def __init__(
        self,
        name: str,
        find: Callable[[], list[TreeChannel]],
        items: Sequence[str],
        rate_hz: float,
        hung_after_s: float,
        clock: Clock,
        slots: Slots,
        status: Status,
        backoff: Backoff | None = None,
    ) -> None:
        self.name, self._find, self._items = name, find, tuple(items)
        self._clock, self._slots, self._status = clock, slots, status
        self._stop = threading.Event()
        self._period_ns = int(1e9 / rate_hz)
        self._hung_ns = int(hung_after_s * 1e9)
        self._watcher: threading.Thread | None = None
        self._backoff = backoff or Backoff()
        self._device = ""
        self._standing: dict[str, str] = {}

    def start(self) -> None:
        """Begin reading; opening, too, happens in the thread."""
        self._watcher = threading.Thread(target=self._watch, name=f"{self.name}-watch", daemon=True)
        self._watcher.start()

    def stop(self) -> None:
        """Stop without waiting: a hung thread is a daemon thread and dies with the process."""
        self._stop.set()

    def join(self, longest_s: float) -> bool:
        """After `stop`: wait for the threads, at most this long; False if one hangs in a read."""
        if self._watcher is None:
            return True
        self._watcher.join(longest_s)
        return not self._watcher.is_alive()

    # --- the watcher ----------------------------------------------------------------------------------

    def _watch(self) -> None:
        backoff = self._backoff
        while not self._stop.is_set():
            try:
                channels = self._find()
            except (OSError, ValueError) as error:
                self._fail(str(error), self._items)
                self._stop.wait(backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret
                continue
            backoff.reset()
            self._device = channels[0].path.parent.name
            for channel in channels:
                self._slots.steps[self.name, channel.item] = Steps(channel.scale, channel.offset)
            self._standing.clear()
            self._say()
            self._supervise(channels)

    def _supervise(self, channels: list[TreeChannel]) -> None:
        """Run reader threads until the device is lost; split a hung one."""
        works = [self._launch(channels)]
        while not self._clock.wait(self._stop, _WATCH_S):
            now = self._clock.now_ns()
            if not all(c.path.exists() for c in channels):
                # A descriptor that is still open may go on showing the last value of a device that was taken away.
                self._fail("the device is gone", self._items)
                for work in works:
                    work.gone = True
                return
            for work in list(works):
                busy = work.busy
                if busy and now - work.since_ns > self._hung_ns and len(work.channels) > 1:
                    others = [c for c in work.channels if c is not busy]
                    work.channels = [busy]
                    works.append(self._launch(others))
                    self._stands(busy.item, f"{busy.item} does not answer; the other channels go on")
            if all(w.ended.is_set() for w in works):
                return
        for work in works:
            # A thread that does not hang ends within one read; the others die with the process.
            work.ended.wait(0.1)

    def _launch(self, channels: list[TreeChannel]) -> _Work:
        work = _Work(list(channels))
        threading.Thread(target=self._read_all, args=(work,), name=f"{self.name}-read", daemon=True).start()
        return work

    # --- a reader -------------------------------------------------------------------------------------

    def _read_all(self, work: _Work) -> None:
        """Read the work's channels at the wanted rate until the device is lost; then the watcher looks for it anew."""
        due = self._clock.now_ns()
        lost = 0
        try:
            while not (self._stop.is_set() or work.gone) and lost < _MOST_FAILURES:
                work.read_ns = _NOTHING_READ
                # A channel may be taken away while this thread hangs in another: look at the list each time.
                for channel in list(work.channels):
                    if channel in work.channels and not work.gone:
                        lost = 0 if self._read_one(work, channel) else lost + 1
                now = self._clock.now_ns()
                # Late, the next look is a whole period away: two in quick succession tell nothing more than one.
                due = due + self._period_ns if due + self._period_ns > now else now + self._period_ns
                self._clock.wait_until(self._stop, due)
        finally:
            for channel in work.channels:
                if channel.descriptor is not None:
                    os.close(channel.descriptor)
                    channel.descriptor = None
            work.ended.set()

    def _read_one(self, work: _Work, channel: TreeChannel) -> bool:
        """Read one channel; False when its file, and so perhaps the device, is gone."""
        work.since_ns = self._clock.now_ns()
        work.busy = channel
        try:
            if channel.descriptor is None:
                channel.descriptor = os.open(channel.path, os.O_RDONLY | os.O_CLOEXEC)
            raw = int(os.pread(channel.descriptor, _LONGEST_VALUE, 0))
        except OSError as error:
            self._status.counters["errors"] = self._status.counters.get("errors", 0) + 1
            self._fail(f"{channel.item}: {error.strerror or error}", [channel.item])
            if error.errno in _PASSING:
                return True
            if channel.descriptor is not None:
                os.close(channel.descriptor)
                channel.descriptor = None
            return False
        except ValueError:
            self._fail(f"{channel.item} gave no number", [channel.item])
            return True
        finally:
            work.busy = None
        self._stands(channel.item, "")
        value = (raw + channel.offset) * channel.scale
        now = self._clock.now_ns()
        if now - work.read_ns > _ONE_TIME_NS:
            work.read_ns = now
        self._slots.put(Reading(self.name, channel.item, value, work.read_ns))
        return True

    def _stands(self, item: str, words: str) -> None:
        """How an item stands: empty words for well. Told once per change, not at every read."""
        if self._standing.get(item, "") == words:
            return
        if words:
            self._standing[item] = words
        else:
            self._standing.pop(item, None)
        self._say()

    def _say(self) -> None:
        failing = sorted(set(self._standing.copy().values()))
        if failing:
            self._status.bad("; ".join(failing))
        else:
            self._status.good(f"reading {', '.join(self._items)} of {self._device}")

    def _fail(self, words: str, items: Sequence[str]) -> None:
        for item in items:
            self._stands(item, words)
        now = self._clock.now_ns()
        for item in items:
            self._slots.put(Reading(self.name, item, None, now, Quality.ABSENT, words))
