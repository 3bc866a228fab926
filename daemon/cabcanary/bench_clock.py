"""Time that a bench owns: one clock in shared memory, which stands still until everybody has done his work.

The bench makes a file and names it in the environment (`BENCH_CLOCK`). It holds the time, a line for each *waiter* (a
loop or thread that waits for a time) and a line for each wire. The bench sets the time forward only to the earliest
time that any waiter waits for, only while all of them wait, and only when every byte on a wire has been read. So a slow
machine makes a bench slow and never wrong, and a fast one runs as fast as it can. This is conservative
synchronisation of discrete events (Chandy and Misra, 1979) with the bench as its one scheduler.

`BenchClock` takes the place of `Clock`; nothing else of the program knows that it is on a bench.
"""

from __future__ import annotations

import asyncio
import contextlib
import fcntl
import mmap
import os
import select
import selectors
import threading
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cabcanary.clock import BENCH_CLOCK, NS_PER_S, STEP_NS, Clock

if TYPE_CHECKING:
    from collections.abc import Callable, Coroutine

#: Places in the file, in words of eight bytes: the time, then waiters (process, waits until), then wires
#: (bytes read by the host, bytes written by the host).
WAITERS, WIRES = 64, 16
FIRST_WAITER = 1
FIRST_WIRE = FIRST_WAITER + 2 * WAITERS
WORDS = FIRST_WIRE + 2 * WIRES
#: A waiter that works, and one that waits for no time at all.
WORKS, NO_TIME = 0, (1 << 63) - 1
#: How long one look takes that waits for an event without a descriptor, real seconds.
_LOOK_S = 0.05


class Page:
    """The shared file: whole numbers of 64 bits that every process on the bench sees."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        os.ftruncate(self.descriptor, WORDS * 8)
        self.words = memoryview(mmap.mmap(self.descriptor, WORDS * 8)).cast("q")

    def wire_names(self) -> list[str]:
        """The wires by the paths that the host opens; the place in the list is the wire's number."""
        names = self.path.with_suffix(".wires")
        return names.read_text(encoding="utf-8").splitlines() if names.exists() else []

    def pipe(self, name: object) -> int:
        """A named pipe beside the file, open at both ends so that neither side ever waits for the other."""
        path = self.path.with_suffix(f".{name}")
        with contextlib.suppress(FileExistsError):
            os.mkfifo(path, 0o600)
        return os.open(path, os.O_RDWR | os.O_NONBLOCK | os.O_CLOEXEC)


class Waiter:
    """One loop or thread that waits for times; its place is free again when the thread ends."""

    def __init__(self, page: Page, done: int) -> None:
        self._words, self._done = page.words, done
        fcntl.flock(page.descriptor, fcntl.LOCK_EX)
        try:
            free = (n for n in range(WAITERS) if self._words[FIRST_WAITER + 2 * n] == 0)
            self.number = next(free, -1)
            if self.number < 0:
                raise RuntimeError(f"the bench's clock has room for {WAITERS} waiters, and all are taken")
            self._place = FIRST_WAITER + 2 * self.number
            self._words[self._place + 1] = WORKS
            self._words[self._place] = os.getpid()
        finally:
            fcntl.flock(page.descriptor, fcntl.LOCK_UN)
        self.woken = page.pipe(self.number)

    def waits(self, until_ns: int) -> None:
        """From now on this one only waits; the bench is told."""
        self._words[self._place + 1] = until_ns
        with contextlib.suppress(BlockingIOError):
            os.write(self._done, b".")

    def works(self) -> None:
        """The time stands still until this one waits again."""
        self._words[self._place + 1] = WORKS

    def heard(self) -> None:
        """The bench's wake-up has been taken."""
        with contextlib.suppress(BlockingIOError):
            os.read(self.woken, 4096)

    def leave(self) -> None:
        """Give the place back."""
        if self.woken >= 0:
            self._words[self._place] = 0
            os.close(self.woken)
            self.woken = -1
            with contextlib.suppress(OSError):
                os.write(self._done, b".")

    def __del__(self) -> None:
        self.leave()


class BenchClock(Clock):
    """The bench's time, ns. A second of it is a second for everything that waits, whatever a person's watch says."""

    on_bench = True

    def __init__(self, path: Path) -> None:
        super().__init__(1.0)
        self._page = Page(path)
        self._words = self._page.words
        self._done = self._page.pipe("done")
        self._wires = {name: FIRST_WIRE + 2 * n for n, name in enumerate(self._page.wire_names())}
        self._own = threading.local()

    def now_ns(self) -> int:
        """The bench's time, ns."""
        return self._words[0]

    def for_wires(self) -> Clock:
        """What answers on a wire keeps the bench's time too."""
        return self

    def wait(self, event: threading.Event, seconds: float) -> bool:
        """Wait for an event, at most so many seconds of this clock; whether it came."""
        return self.wait_until(event, self.now_ns() + round(seconds * NS_PER_S))

    def wait_until(self, event: threading.Event, deadline_ns: int) -> bool:
        """Wait for an event until this clock shows a time; whether it came."""
        self._wait(deadline_ns, [], event.is_set)
        return event.is_set()

    def readable(self, descriptor: int, seconds: float) -> bool:
        """Wait until a descriptor can be read, at most so many seconds of this clock; whether it can."""
        if seconds <= 0:
            return bool(select.select([descriptor], [], [], 0)[0])
        return self._wait(self.now_ns() + round(seconds * NS_PER_S), [descriptor], lambda: False)

    def _wait(self, deadline_ns: int, descriptors: list[int], done: Callable[[], bool]) -> bool:
        """Whether a descriptor became readable before the deadline."""
        waiter = self.waiter()
        waiter.waits(in_steps(deadline_ns))
        try:
            while self.now_ns() < deadline_ns and not done():
                ready, _, _ = select.select([waiter.woken, *descriptors], [], [], _LOOK_S)
                waiter.heard()
                if len(ready) > (waiter.woken in ready):
                    return True
            return False
        finally:
            waiter.works()

    def waiter(self) -> Waiter:
        """This thread's place among those that wait."""
        found: Waiter | None = getattr(self._own, "waiter", None)
        if found is None:
            found = self._own.waiter = Waiter(self._page, self._done)
        return found

    def arrived(self, wire: str, count: int) -> None:
        """So many bytes of a wire have been read."""
        if wire in self._wires:
            self._words[self._wires[wire]] += count

    def sent(self, wire: str, count: int) -> None:
        """So many bytes have been put on a wire."""
        if wire in self._wires:
            self._words[self._wires[wire] + 1] += count

    def run(self, main: Coroutine[Any, Any, None]) -> None:
        """Run a program in a loop whose time is this clock's."""
        with asyncio.Runner(loop_factory=lambda: _Loop(self)) as runner:
            runner.run(main)


def in_steps(deadline_ns: int) -> int:
    """The clock goes in steps; a time between two of them has come at the later one."""
    return min(NO_TIME, -(-deadline_ns // STEP_NS) * STEP_NS)


class _Selector(selectors.EpollSelector):
    """Waits for descriptors, and for times of the bench's clock."""

    def __init__(self, clock: BenchClock) -> None:
        super().__init__()
        self._clock, self._waiter = clock, clock.waiter()
        self.register(self._waiter.woken, selectors.EVENT_READ)

    def select(self, timeout: float | None = None) -> list[tuple[selectors.SelectorKey, int]]:
        """The files that became ready within `timeout` seconds of the bench's clock."""
        if timeout is not None and timeout <= 0:
            return self._ready(0)
        deadline_ns = NO_TIME if timeout is None else self._clock.now_ns() + round(timeout * NS_PER_S)
        self._waiter.waits(in_steps(deadline_ns))
        try:
            while True:
                ready = self._ready(None)
                if ready or self._clock.now_ns() >= deadline_ns:
                    return ready
        finally:
            self._waiter.works()

    def _ready(self, timeout: float | None) -> list[tuple[selectors.SelectorKey, int]]:
        found = super().select(timeout)
        self._waiter.heard()
        return [(key, events) for key, events in found if key.fd != self._waiter.woken]


class _Loop(asyncio.SelectorEventLoop):
    """An event loop in the bench's time."""

    def __init__(self, clock: BenchClock) -> None:
        self._clock = clock
        super().__init__(_Selector(clock))

    def time(self) -> float:
        """The bench's time, s."""
        return self._clock.now_ns() / NS_PER_S


def bench_clock() -> BenchClock:
    """The clock that the environment names.

    Raises:
        KeyError: it names none.
    """
    return BenchClock(Path(os.environ[BENCH_CLOCK]))
