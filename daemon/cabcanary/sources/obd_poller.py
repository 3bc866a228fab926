"""When to ask which PID, and how long to leave a silent vehicle alone: pure, time passed in."""

from __future__ import annotations

import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.clock import NS_PER_S
from cabcanary.sources.obd_pids import ITEMS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping


@dataclass(slots=True)
class _Turn:
    """One PID's place in the queue, ns."""

    period: int
    due: int


class Poller:
    """Which PID is due at a time, so that every wanted item comes at its rate, in Hz of the clock.

    A PID is asked at the highest rate that any of its items wants. The most overdue goes first, counted in
    its own periods: a control unit that is too slow for all of it slows everything by the same share.
    """

    def __init__(self, rates: Mapping[str, float]) -> None:
        self.wanted: dict[int, list[str]] = {}
        self._rates: dict[int, float] = {}
        for name, rate in rates.items():
            pid = ITEMS[name].pid
            self.wanted.setdefault(pid, []).append(name)
            self._rates[pid] = max(rate, self._rates.get(pid, 0.0))
        self._turns: dict[int, _Turn] = {}

    @property
    def active(self) -> tuple[int, ...]:
        """The PIDs that are being polled."""
        return tuple(self._turns)

    def start(self, supported: Collection[int], now_ns: int) -> list[str]:
        """Poll what the vehicle supports, from now on; returns the wanted items that it does not."""
        self._turns = {
            pid: _Turn(round(NS_PER_S / rate), now_ns) for pid, rate in self._rates.items() if pid in supported
        }
        return [name for pid, names in self.wanted.items() if pid not in self._turns for name in names]

    def drop(self, pid: int) -> None:
        """Poll this PID no more."""
        self._turns.pop(pid, None)

    def due(self, now_ns: int) -> int | None:
        """The PID to ask now, or None when nothing is due."""
        best, most = None, -1.0
        for pid, turn in self._turns.items():
            late = (now_ns - turn.due) / turn.period
            if late >= 0 and late > most:
                best, most = pid, late
        return best

    def next_due_ns(self) -> int | None:
        """When the next PID is due; None when nothing is polled."""
        return min((turn.due for turn in self._turns.values()), default=None)

    def asked(self, pid: int, now_ns: int) -> None:
        """This PID's turn is taken; lost turns are not made up for."""
        turn = self._turns[pid]
        turn.due = max(turn.due + turn.period, now_ns)


class Backoff:
    """Growing, capped, jittered waits between attempts, in real seconds."""

    def __init__(self, first_s: float, cap_s: float) -> None:
        self._first, self._cap = first_s, cap_s
        self._next = first_s

    def next_s(self) -> float:
        """The wait before the next attempt: never under the first, never over the cap."""
        wait, self._next = self._next, min(self._cap, self._next * 2)
        # Up to a third off, so that retries do not keep step with whatever fails at a rhythm of its own.
        return max(self._first, wait * random.uniform(0.67, 1.0))  # noqa: S311 - jitter, not a secret

    def reset(self) -> None:
        """It worked: start again from the first wait."""
        self._next = self._first
