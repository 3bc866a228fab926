"""What runs a source, so that a driver only reads: opening, trying again, losing, hanging, counting and telling.

Two forms: `Stream` for a wire that speaks by itself, in the event loop; `Polled` for what must be asked and may block,
in threads. A bus that takes a process of its own has its supervisor there (`processes.helper`).
"""

from __future__ import annotations

import asyncio
import random
import threading
from abc import abstractmethod
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from cabcanary.model import Quality, Reading
from cabcanary.processes.status import Backoff, Status

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Coroutine, Mapping, Sequence

    from cabcanary.clock import Clock
    from cabcanary.sources.slot import Slots

#: How often a supervising look is taken at the threads that read, in clock seconds; where a read may take long, a sixth
#: of that, so that a computer is not woken for nothing.
_WATCH_S, _WATCH_SHARE = 0.05, 1 / 6
#: Failures in a row after which a device is looked for anew: it may have come back under another number.
_MOST_FAILURES = 3
#: What is read within this of each other carries one time. It is the earlier one, so nothing looks newer than it is,
#: and a scan of many channels is kept with one time instead of many.
_ONE_TIME_NS = 1_000_000
_NOTHING_READ = -(1 << 62)


class Running:
    """A source at work: keeps the newest readings of its `items` in the slots."""

    def __init__(self, name: str, items: Collection[str], clock: Clock, slots: Slots, status: Status) -> None:
        self.name, self._items = name, tuple(items)
        self._clock, self._slots, self._status = clock, slots, status

    def begin(self) -> Callable[[], Coroutine[Any, Any, None]] | None:
        """Start; returns what must run in the event loop, if anything, for ever and until it is cancelled."""

    def stop(self) -> None:
        """Stop what has threads, without waiting; what runs in the loop is cancelled by whoever runs it."""

    def ignition(self, on: bool) -> None:
        """The ignition went on or off."""


class Stream(Running):
    """A wire that speaks by itself. A driver opens it and follows it until it is lost."""

    #: What `open` raises where the wire is not there.
    fails_with: tuple[type[Exception], ...] = (OSError, ValueError)

    def __init__(
        self,
        name: str,
        items: Collection[str],
        clock: Clock,
        slots: Slots,
        status: Status,
        backoff: Backoff | None = None,
    ) -> None:
        super().__init__(name, items, clock, slots, status)
        self._backoff = backoff or Backoff()

    @abstractmethod
    def open(self) -> Any:
        """The device, with a method `close`. May block: it is called in a thread."""

    @abstractmethod
    async def follow(self, device: Any) -> str:
        """Put readings into the slots until the device is lost; returns the words for that."""

    @abstractmethod
    def words(self, error: Exception | None) -> str:
        """How it stands once it is open, or why it cannot be opened."""

    def begin(self) -> Callable[[], Coroutine[Any, Any, None]]:
        """Nothing is started outside the loop."""
        return self.run

    async def run(self) -> None:
        """Open, follow until lost, wait, again; ends only by cancellation."""
        while True:
            try:
                device = await asyncio.to_thread(self.open)
            except self.fails_with as error:
                self._lost(self.words(error))
            else:
                self._backoff.reset()
                self._status.good(self.words(None))
                try:
                    lost = await self.follow(device)
                finally:
                    device.close()
                self._lost(lost)
            await asyncio.sleep(self._backoff.next_s(random.random()))  # noqa: S311 - spreads tries, no secret

    def _lost(self, words: str) -> None:
        self._status.bad(words)
        self._slots.lose(self.name, self._items, self._clock.now_ns(), words)


class LostError(OSError):
    """A read failed in a way that says that the whole device may be gone; the message says how."""


class Look(Protocol):
    """One item, and how it is read."""

    @property
    def item(self) -> str:
        """Its name."""

    def read(self) -> float:
        """The number, in the unit of the wire. May hang; raises with words for a person where there is none."""

    def close(self) -> None:
        """Let go of what it holds."""


@dataclass
class _Work:
    """What one thread is busy with; the watcher takes items away from a hung one."""

    looks: list[Look]
    busy: Look | None = None
    since_ns: int = 0
    read_ns: int = _NOTHING_READ
    gone: bool = False
    ended: threading.Event = field(default_factory=threading.Event)


class Polled(Running):
    """What must be asked, `rate_hz` times a clock second, and may block while it is.

    One thread reads all items in turn. When one read takes longer than `hung_after_s`, that item is left to the hung
    thread and a new one goes on with the others. With `apart` each item has a thread of its own from the start, and one
    that hangs is absent meanwhile.
    """

    apart = False

    def __init__(
        self,
        name: str,
        items: Collection[str],
        rate_hz: float,
        hung_after_s: float,
        clock: Clock,
        slots: Slots,
        status: Status,
        backoff: Backoff | None = None,
    ) -> None:
        super().__init__(name, items, clock, slots, status)
        self._period_ns, self._hung_ns = int(1e9 / rate_hz), int(hung_after_s * 1e9)
        self._watch_s = max(_WATCH_S, hung_after_s * _WATCH_SHARE)
        self._backoff = backoff or Backoff()
        self._stop = threading.Event()
        self._watcher: threading.Thread | None = None
        #: Why each item has no value, or nothing; and who may change that and tell of it.
        self._standing: dict[str, str] = {}
        self._telling = threading.Lock()

    # --- the driver's part ----------------------------------------------------------------------------

    @abstractmethod
    def find(self) -> Sequence[Look]:
        """Look for the device. Raises OSError or ValueError, with words for a person, while it is not there."""

    @abstractmethod
    def well(self) -> str:
        """How it stands while every item has a value."""

    def is_there(self) -> bool:
        """Whether the device that was found has not been taken away since."""
        return True

    def hung(self, _item: str) -> str:
        """The words for an item whose read hangs."""
        return "does not answer; the others go on"

    def ill(self, standing: Mapping[str, str]) -> str:
        """How it stands while some items have no value, by the reason of each."""
        by_reason: dict[str, list[str]] = {}
        for item in self._items:
            if standing.get(item):
                by_reason.setdefault(standing[item], []).append(item)
        return "; ".join(f"{', '.join(items)}: {reason}" for reason, items in by_reason.items())

    # --- the daemon's part ----------------------------------------------------------------------------

    def begin(self) -> None:
        """Begin reading; opening, too, happens in a thread."""
        self.start()

    def start(self) -> None:
        """Begin reading."""
        if not self._items:
            self._status.good("no channel reads it")
            return
        self._watcher = threading.Thread(target=self._watch, name=f"{self.name}-watch", daemon=True)
        self._watcher.start()

    def stop(self) -> None:
        """Stop without waiting: a hung thread is a daemon thread and dies with the process."""
        self._stop.set()

    def join(self, longest_s: float) -> bool:
        """After `stop`: wait for the threads, at most this long; False if they have not ended."""
        if self._watcher is None:
            return True
        self._watcher.join(longest_s)
        return not self._watcher.is_alive()

    # --- the watcher ----------------------------------------------------------------------------------

    def _watch(self) -> None:
        while not self._stop.is_set():
            try:
                looks = self.find()
            except (OSError, ValueError) as error:
                self._fail(dict.fromkeys(self._items, str(error)))
                wait_s = self._backoff.next_s(random.random())  # noqa: S311 - spreads tries, no secret
                self._clock.for_wires().wait(self._stop, wait_s)
                continue
            self._backoff.reset()
            with self._telling:
                # How it stood without the device is over; how it stands now is told once each item has been looked at.
                self._standing.clear()
            self._supervise(looks)

    def _supervise(self, looks: Sequence[Look]) -> None:
        """Run reading threads until the device is lost; split a hung one."""
        works = [self._launch([look]) for look in looks] if self.apart else [self._launch(looks)]
        while not self._clock.wait(self._stop, self._watch_s):
            if not self.is_there():
                # A descriptor that is still open may go on showing the last value of a device that was taken away.
                self._fail(dict.fromkeys(self._items, "the device is gone"))
                for work in works:
                    work.gone = True
                return
            for work in list(works):
                works += self._without_hung(work)
            if all(w.ended.is_set() for w in works):
                return
        for work in works:
            # A thread that does not hang ends within one read; the others die with the process.
            work.ended.wait(0.1)

    def _without_hung(self, work: _Work) -> list[_Work]:
        """If the work hangs, tell of it; its other items go on in a new thread."""
        busy = work.busy
        if busy is None or self._clock.now_ns() - work.since_ns <= self._hung_ns:
            return []
        words = {busy.item: self.hung(busy.item)}
        if self.apart:
            self._fail(words)
        others = [look for look in work.looks if look is not busy]
        if not others:
            return []
        work.looks = [busy]
        self._stand(words)
        return [self._launch(others)]

    def _launch(self, looks: Sequence[Look]) -> _Work:
        work = _Work(list(looks))
        threading.Thread(target=self._read_all, args=(work,), name=f"{self.name}-read", daemon=True).start()
        return work

    # --- a thread that reads --------------------------------------------------------------------------

    def _read_all(self, work: _Work) -> None:
        """Read the work's items at the wanted rate until the device is lost; then the watcher looks for it anew."""
        due = self._clock.now_ns()
        lost = 0
        try:
            while not (self._stop.is_set() or work.gone) and lost < _MOST_FAILURES:
                work.read_ns = _NOTHING_READ
                # An item may be taken away while this thread hangs in another: look at the list each time.
                for look in list(work.looks):
                    if look in work.looks and not work.gone:
                        lost = 0 if self._read_one(work, look) else lost + 1
                now = self._clock.now_ns()
                # Late, the next look is a whole period away: two in quick succession tell nothing more than one.
                due = due + self._period_ns if due + self._period_ns > now else now + self._period_ns
                self._clock.wait_until(self._stop, due)
        finally:
            for look in work.looks:
                look.close()
            work.ended.set()

    def _read_one(self, work: _Work, look: Look) -> bool:
        """Read one item; False when the device may be gone."""
        work.since_ns = self._clock.now_ns()
        work.busy = look
        try:
            value = look.read()
        except Exception as error:  # noqa: BLE001 - whatever a driver meets, its thread lives for the next look
            if isinstance(error, OSError):
                self._status.counters["errors"] = self._status.counters.get("errors", 0) + 1
            self._fail({look.item: _words(error)})
            return not isinstance(error, LostError)
        finally:
            work.busy = None
        self._stand({look.item: ""})
        now = self._clock.now_ns()
        if now - work.read_ns > _ONE_TIME_NS:
            work.read_ns = now
        self._slots.put(Reading(self.name, look.item, value, work.read_ns))
        return True

    # --- telling --------------------------------------------------------------------------------------

    def _stand(self, words: Mapping[str, str]) -> None:
        """How items stand: empty words for well. Told once per change, the first time when all have been looked at."""
        if all(self._standing.get(item) == said for item, said in words.items()):
            return
        with self._telling:
            self._standing.update(words)
            if len(self._standing) < len(self._items):
                return
            if any(self._standing.values()):
                self._status.bad(self.ill(self._standing))
            else:
                self._status.good(self.well())

    def _fail(self, words: Mapping[str, str]) -> None:
        self._stand(words)
        now = self._clock.now_ns()
        for item, said in words.items():
            self._slots.put(Reading(self.name, item, None, now, Quality.ABSENT, said))


def _words(error: Exception) -> str:
    if isinstance(error, OSError):
        words = error.strerror or str(error)
        return f"{error.filename}: {words}" if error.filename else words
    return str(error) or type(error).__name__
