"""Broadcast signals on their way from the bus to the daemon: decoded, thinned out, missed when they do not come."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from cabcanary.clock import NS_PER_S, Clock

if TYPE_CHECKING:
    from collections.abc import Iterable

    import can

    from cabcanary.sources.can.can_signals import Decoded, SignalTable

# Of the clock: twice the tick's usual 50 Hz. More costs the daemon time and tells it nothing.
_GAP_NS = NS_PER_S // 100
# How much earlier one may come, so that a frame sent every 10 ms is not thinned out for its jitter; the mean stays.
_JITTER_NS = NS_PER_S // 200
# Seconds of the clock. The slowest broadcast frames of engine computers come once a second (common practice).
_MISSING_S = 3.0
_COUNTS_S = 10.0
# Ids of diagnostic questions and answers (ISO 15765-4), which only come because somebody asks.
_DIAGNOSTIC = range(0x7DF, 0x7F0)
_DIAGNOSTIC_29 = (0x18DA, 0x18DB)


class Output(Protocol):
    """Where values go."""

    def value(self, time_ns: int, item: str, value: float) -> None:
        """A value."""

    def missing(self, time_ns: int, items: Iterable[str], why: str) -> None:
        """No value, and why."""

    def counts(self, counts: dict[str, int]) -> None:
        """How much has been seen and left out."""


def is_diagnostic(can_id: int, extended: bool) -> bool:
    """Whether frames with this id are questions of a tester or answers to one."""
    return can_id >> 16 in _DIAGNOSTIC_29 if extended else can_id in _DIAGNOSTIC


class Broadcast:
    """Watches every frame of a link; see `can_link.Watcher`. The newest of each signal is told, at most at 100 Hz."""

    def __init__(self, table: SignalTable, clock: Clock, output: Output) -> None:
        self._table, self._clock, self._output = table, clock, output
        self._next: dict[str, int] = {}  # when a signal's next value is due, were it told every 10 ms
        self._held: dict[str, tuple[int, Decoded]] = {}
        self._unseen: set[str] = set()
        self._unseen_due = self._counts_due = 0
        self._traffic = False
        #: Frames seen, values told, values left out because a newer one came within 10 ms.
        self.frames = self.told = self.thinned = 0
        self.restart()

    def restart(self) -> None:
        """A link has been opened: every signal is waited for anew."""
        now = self._clock.now_ns()
        self._held.clear()
        self._unseen = {signal.name for signal in self._table.signals}
        self._unseen_due = now + round(_MISSING_S * NS_PER_S)
        self._counts_due = now + round(_COUNTS_S * NS_PER_S)
        self._traffic = False

    @property
    def frames_wanted(self) -> list[tuple[int, bool]]:
        """The frames that carry anything wanted, as (id, whether it has 29 bits)."""
        return self._table.frames

    def take(self, message: can.Message) -> None:
        """One frame."""
        self.frames += 1
        can_id, extended = message.arbitration_id, message.is_extended_id
        signals = self._table.wanted(can_id, extended)
        if signals is None:
            self._traffic = self._traffic or not is_diagnostic(can_id, extended)
            return
        self._traffic = True
        now = self._clock.now_ns()
        for signal in signals:
            decoded = signal.decode(message.data)
            if decoded is None:
                continue
            name = signal.name
            self.thinned += name in self._held
            if now >= self._next.get(name, 0) - _JITTER_NS:
                self._tell(now, decoded, now)
            else:
                self._held[name] = (now, decoded)

    def heard_traffic(self) -> bool:
        """Whether a frame has come, since this was last asked, that no tester's question brought about."""
        heard, self._traffic = self._traffic, False
        return heard

    def tick(self) -> float:
        """Tell what is due; returns the real seconds until there is more to tell."""
        now = self._clock.now_ns()
        if self._held:
            for name in [n for n in self._held if now >= self._next[n] - _JITTER_NS]:
                time_ns, decoded = self._held[name]
                self._tell(time_ns, decoded, now)
        if self._unseen and now >= self._unseen_due:
            self._tell_unseen(now)
        if now >= self._counts_due:
            self._counts_due = now + round(_COUNTS_S * NS_PER_S)
            self._output.counts({"frames": self.frames, "told": self.told, "thinned": self.thinned})
        if not self._held:
            return float("inf")
        return self._clock.real_until(min(self._next[name] for name in self._held) - _JITTER_NS)

    def _tell(self, time_ns: int, decoded: Decoded, now: int) -> None:
        name = decoded.name
        self._held.pop(name, None)
        self._unseen.discard(name)
        self._next[name] = max(now, self._next.get(name, 0)) + _GAP_NS
        self.told += 1
        if decoded.value is None:
            self._output.missing(time_ns, (name,), decoded.reason)
        else:
            self._output.value(time_ns, name, decoded.value)

    def _tell_unseen(self, now: int) -> None:
        for signal in self._table.signals:
            if signal.name in self._unseen:
                self._output.missing(now, (signal.name,), f"frame {signal.frame} has not been seen on this bus")
        self._unseen = set()
