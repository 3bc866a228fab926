"""When to ask which PID, and when not to ask at all: pure, time passed in."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from cabcanary.clock import NS_PER_S
from cabcanary.sources.can.obd_pids import ITEMS, LENGTHS

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping


@dataclass(slots=True)
class _Turn:
    """One PID's place in the queue, ns."""

    period: int
    due: int


class Poller:
    """Which PIDs are due at a time, so that every wanted item comes at its rate, in Hz of the clock.

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

    def due(self, now_ns: int, most: int = 1) -> tuple[int, ...]:
        """Up to `most` PIDs to ask now in one request, the most overdue first; empty when nothing is due.

        At most one whose answer may have two lengths (a trim): two of them could be cut in two ways.
        """
        late = self.late(now_ns)
        group: list[int] = []
        vague = False
        for pid in sorted(late, key=late.__getitem__, reverse=True):
            two_lengths = len(LENGTHS[pid]) > 1
            if len(group) < most and not (vague and two_lengths):
                group.append(pid)
                vague = vague or two_lengths
        return tuple(group)

    def late(self, now_ns: int) -> dict[int, float]:
        """Every PID that is due, and how many of its own periods it has been so."""
        return {pid: (now_ns - turn.due) / turn.period for pid, turn in self._turns.items() if turn.due <= now_ns}

    def next_due_ns(self) -> int | None:
        """When the next PID is due; None when nothing is polled."""
        return min((turn.due for turn in self._turns.values()), default=None)

    def asked(self, pid: int, now_ns: int) -> None:
        """This PID's turn is taken; lost turns are not made up for."""
        turn = self._turns[pid]
        turn.due = max(turn.due + turn.period, now_ns)


# Seconds of the clock. Everything here ends within the 10 s that a vehicle may be asked for after its ignition
# went off, with room to spare.
_OFF_GRACE_S = 3.0  # an accessory feed goes away while the starter turns; engine speed must not go with it
_SILENT_S = 10.0
_PROBE_S = 10.0
# A bus that has never carried a frame unasked and an ignition that nobody reports: only asking can find out.
# Twice a minute leaves control units time to sleep in between (they take a few seconds to, common practice),
# and is how late the values may be at the next key-on.
_BLIND_PROBE_S = 30.0
_AWAKE_S = 2.0  # a running vehicle's broadcast frames come many times a second
# A stray frame does not make a bus one that talks whenever its vehicle is awake; only of such a bus does silence
# mean sleep.
_STEADY_S = 5.0


class Courtesy:
    """Whether a vehicle may be asked now: it must be able to sleep, and must not be missed when it wakes.

    - The ignition is known to be off: asking ends 3 s later, whatever answers.
    - It answers, or has done so within 10 s, or the ignition has just come on: asking is free.
    - It has been silent for 10 s: one probe every 10 s while others talk on the bus; none at all on a bus that
      has fallen silent, until it carries a frame again or the ignition comes on; one every 30 s where
      neither can ever be seen.

    While it sleeps, frames are heard and not asked for, and each time they begin again one probe is due: a door that
    opens costs one question, and a key that turns is seen at its first frame.
    """

    def __init__(self, now_ns: int) -> None:
        self.ignition: bool | None = None
        self._ignition_ns = self._fresh_ns = now_ns
        self._asked_ns = self._traffic_ns = self._talks_since_ns = now_ns - 1000 * NS_PER_S
        self._carries_traffic = self._owed = False

    def switched(self, on: bool, now_ns: int) -> None:
        """The ignition input says so; the same again changes nothing."""
        if on == self.ignition:
            return
        self.ignition, self._ignition_ns = on, now_ns
        if on:
            self._fresh_ns = now_ns

    def connected(self, now_ns: int) -> None:
        """An adapter has been opened: whatever is behind it is asked as if for the first time."""
        self._fresh_ns = now_ns

    def answered(self, now_ns: int) -> None:
        """The engine computer said something."""
        self._fresh_ns = now_ns

    def unwelcome(self, now_ns: int) -> None:
        """A probe brought errors on the bus instead of an answer: as if it had been silent for long."""
        self._fresh_ns = min(self._fresh_ns, now_ns - round(_SILENT_S * NS_PER_S))

    def asked(self, now_ns: int) -> None:
        """A request goes out."""
        self._asked_ns, self._owed = now_ns, False

    def heard(self, now_ns: int) -> None:
        """A frame came that nobody here has asked for."""
        if now_ns - self._traffic_ns >= _AWAKE_S * NS_PER_S:
            self._talks_since_ns, self._owed = now_ns, True
        self._traffic_ns = now_ns
        if now_ns - self._talks_since_ns >= _STEADY_S * NS_PER_S:
            self._carries_traffic = True

    def is_off(self, now_ns: int) -> bool:
        """The ignition is off, and has been for longer than a start takes."""
        return self.ignition is False and now_ns - self._ignition_ns >= _OFF_GRACE_S * NS_PER_S

    def is_silent(self, now_ns: int) -> bool:
        """Nothing was answered for so long that the vehicle may be asleep."""
        return now_ns - self._fresh_ns >= _SILENT_S * NS_PER_S

    def may_ask(self, now_ns: int) -> bool:
        """Whether a request may go out now."""
        if self.is_off(now_ns):
            return False
        if not self.is_silent(now_ns):
            return True
        if self._owed or now_ns - self._traffic_ns < _AWAKE_S * NS_PER_S:
            pause = _PROBE_S
        elif self._carries_traffic:
            return False
        else:
            pause = _BLIND_PROBE_S
        return now_ns - self._asked_ns >= pause * NS_PER_S
