"""The bench's hand on the clock: time goes on when everybody waits and every byte has been read, and not before."""

from __future__ import annotations

import contextlib
import os
import select
import time
from pathlib import Path
from typing import TYPE_CHECKING

from cabcanary.bench_clock import FIRST_WAITER, FIRST_WIRE, NO_TIME, WAITERS, WIRES, WORKS, Page
from cabcanary.clock import NS_PER_S, STEP_NS
from cabcanary_bench.rig.patience import Machine, Patience, wants_to_run

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cabcanary_bench.wiring.serial_pty import SerialPty

#: How long the time may be held up by one that works while nobody gets on with anything, real seconds; then it hangs,
#: and time goes on without it. One that wants a processor and gets none is waited for longer (`Patience`); where time
#: goes on without it all the same, the drive is not graded.
_PATIENCE_S = 5.0
#: How long bytes may be under way on a wire while nobody gets on with anything, real seconds; then nobody reads there,
#: or they are lost. The kernel's worker that hands them over waits for a processor like everybody else.
_WIRE_PATIENCE_S = 5.0
#: From when on somebody who works is looked at for being dead, real seconds.
_DEAD_AFTER_S = 0.05
_LOOK_S = 0.002
#: How much of a lateness may be made up for where a speed is asked for, real seconds.
_CATCH_UP_S = 0.05


class _Wire:
    """The bytes written to a wire and read from it, in both directions."""

    def __init__(self, port: SerialPty) -> None:
        self._port = port
        self._attended = False
        self._got = self._base = self._back = 0

    def quiet(self, host_read: int, host_wrote: int) -> bool:
        """Whether nothing is under way."""
        sent, taken = self._port.sent, self._port.taken
        if host_read != self._got:
            if not self._attended:
                self._base, self._back = sent - host_read, host_wrote - taken
            self._got, self._attended = host_read, True
        if not self._attended or not self._port.plugged:
            self._attended = self._attended and self._port.plugged
            return True
        # Read more than was thought to be there: some of it had been counted as lost.
        self._base = min(self._base, sent - host_read)
        return sent - self._base <= host_read and host_wrote - self._back <= taken

    def give_up(self) -> None:
        """Nobody reads there, or bytes were thrown away: until something is read again it counts as quiet."""
        self._attended = False


class Conductor:
    """Sets the time of the file at `path` forward. `wires` are those whose bytes must have been read."""

    def __init__(self, path: Path, wires: Sequence[SerialPty]) -> None:
        if len(wires) > WIRES:
            raise ValueError(f"the bench's clock has room for {WIRES} wires")
        path.with_suffix(".wires").write_text("".join(f"{w.link}\n" for w in wires), encoding="utf-8")
        self._page = Page(path)
        self._words = self._page.words
        now = time.monotonic_ns()
        self._words[0] = now - now % STEP_NS
        self._wires = [_Wire(w) for w in wires]
        self._done = self._page.pipe("done")
        self._pipes: dict[int, int] = {}
        self._woken: dict[int, int] = {}
        self._hanging: set[int] = set()
        self._not_before_s = 0.0
        #: What the time must not go beyond besides, ns; None: nothing.
        self.no_further: Callable[[], int | None] = lambda: None
        self.closed = False
        self.machine = Machine()

    @property
    def now_ns(self) -> int:
        """The bench's time, ns."""
        return self._words[0]

    def waits_for(self, pid: int) -> bool:
        """Whether a process has joined the clock."""
        return any(self._words[FIRST_WAITER + 2 * n] == pid for n in range(WAITERS))

    def until(self, to_ns: int, speed: float) -> None:
        """Let the time come to `to_ns`, at most `speed` times as fast as real time."""
        while self.now_ns < to_ns and not self.closed:
            earliest = self._settled()
            further = self.no_further()
            goal = min(to_ns, earliest, NO_TIME if further is None else further)
            if goal <= self.now_ns:
                time.sleep(_LOOK_S)
                continue
            self._pace((goal - self.now_ns) / NS_PER_S / (min(speed, 1.0) if self._hanging else speed))
            self._words[0] = goal
        self._settled()

    def _pace(self, real_s: float) -> None:
        now = time.monotonic()
        self._not_before_s = max(self._not_before_s, now - _CATCH_UP_S) + real_s
        if self._not_before_s > now:
            time.sleep(self._not_before_s - now)

    def _settled(self) -> int:
        """Wait until all wait and all wires are quiet; the earliest time that is waited for."""
        seen, held_since = b"", time.monotonic()
        hangs, loud_for = Patience(_PATIENCE_S), Patience(_WIRE_PATIENCE_S)
        while not self.closed:
            working, earliest = self._look()
            state = bytes(self._words[FIRST_WAITER:])
            if state != seen:
                # Somebody got on with something: however slow the machine is, nobody hangs.
                seen, held_since = state, time.monotonic()
                hangs.anew()
                loud_for.anew()
            loud = [w for n, w in enumerate(self._wires) if not self._quiet(n, w)]
            if not working and not loud:
                return earliest
            if time.monotonic() - held_since > _DEAD_AFTER_S:
                self._bury(working)
            if loud_for.spent() and not working:
                for wire in loud:
                    wire.give_up()
            if hangs.spent(self._processes(working)):
                self._leave_behind(working, hangs.waited_s)
            if select.select([self._done], [], [], _LOOK_S)[0]:
                with contextlib.suppress(BlockingIOError):
                    os.read(self._done, 4096)
        return NO_TIME

    def _processes(self, numbers: set[int]) -> set[int]:
        return {self._words[FIRST_WAITER + 2 * n] for n in numbers} - {0}

    def _leave_behind(self, working: set[int], waited_s: float) -> None:
        """Time goes on without these: they hang, or the machine has no time for them."""
        if any(wants_to_run(pid) for pid in self._processes(working)):
            self.machine.was_late(f"a part of the monitor waited {waited_s:.0f} s for a processor")
        self._hanging |= working

    def _quiet(self, number: int, wire: _Wire) -> bool:
        place = FIRST_WIRE + 2 * number
        return wire.quiet(self._words[place], self._words[place + 1])

    def _look(self) -> tuple[set[int], int]:
        """Who works or has something due, each woken once for it, and the earliest time that the others wait for."""
        now, working, earliest = self.now_ns, set(), NO_TIME
        for number in range(WAITERS):
            place = FIRST_WAITER + 2 * number
            if not self._words[place]:
                continue
            until = self._words[place + 1]
            if until > now:
                self._hanging.discard(number)
                earliest = min(earliest, until)
                continue
            if until != WORKS and self._woken.get(number) != until:
                self._woken[number] = until
                self._wake(number)
            if number not in self._hanging:
                working.add(number)
        return working, earliest

    def _wake(self, number: int) -> None:
        if number not in self._pipes:
            self._pipes[number] = self._page.pipe(number)
        with contextlib.suppress(BlockingIOError):
            os.write(self._pipes[number], b".")

    def _bury(self, working: set[int]) -> None:
        """Free the places of processes that are no more."""
        for number in working:
            place = FIRST_WAITER + 2 * number
            if self._words[place] and not _lives(self._words[place]):
                self._words[place] = 0

    def close(self) -> None:
        """Leave the time where it is. May be called twice."""
        self.closed = True


def _lives(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in ("Z", "X")
    except OSError:
        return False
