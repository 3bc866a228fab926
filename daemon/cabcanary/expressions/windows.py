"""What windows and times remember, tick by tick.

A window holds the ticks from `width` ago up to now, both ends included, as far back as there was a tick without a
gap. One unknown tick in it makes it unknown. Its state is the list of those ticks, so that the array evaluator can
go on from the same one.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from typing import TYPE_CHECKING, Any

from cabcanary.expressions.fixed_point import LARGEST, LONGEST_GAP_NS, scale_of

if TYPE_CHECKING:
    from cabcanary.expressions.tree import WindowKind
    from cabcanary.units import Dimension

_Interval = tuple[float, float] | None
_INFINITE = float("inf")


class HistoryState(ABC):
    """The ticks of a window, each (time, low, high), low and high None where nothing was known."""

    def __init__(self, width_ns: int) -> None:
        self.width_ns = width_ns
        self.ticks: deque[tuple[int, float | None, float | None]] = deque()
        self._unknown = 0
        self._last: tuple[int, _Interval] | None = None

    def step(self, now_ns: int, interval: _Interval) -> _Interval:
        """Take in one tick; returns the window's interval. Asked again for the same tick it says the same."""
        if self._last is not None and self._last[0] == now_ns:
            return self._last[1]
        result = self._step(now_ns, interval)
        self._last = (now_ns, result)
        return result

    def _step(self, now_ns: int, interval: _Interval) -> _Interval:
        ticks = self.ticks
        if ticks and now_ns - ticks[-1][0] > LONGEST_GAP_NS:
            self._clear()
        oldest = now_ns - self.width_ns
        while ticks and ticks[0][0] < oldest:
            self._drop(ticks.popleft())
        tick = (now_ns, None, None) if interval is None else (now_ns, *interval)
        ticks.append(tick)
        self._take(tick)
        return None if self._unknown else self._answer()

    def _take(self, tick: tuple[int, float | None, float | None]) -> None:
        self._unknown += tick[1] is None

    def _drop(self, tick: tuple[int, float | None, float | None]) -> None:
        self._unknown -= tick[1] is None

    def _clear(self) -> None:
        self.ticks.clear()
        self._unknown = 0

    @abstractmethod
    def _answer(self) -> _Interval:
        """What the ticks come to, all of them known."""

    def state(self) -> Any:
        """Plain JSON."""
        return [list(t) for t in self.ticks]

    def restore(self, state: Any) -> None:
        """Go on from a saved state."""
        self._clear()
        self._last = None
        for time_ns, low, high in state:
            tick = (int(time_ns), low, high)
            self.ticks.append(tick)
            self._take(tick)


class Rate(HistoryState):
    """Change per second between the oldest and the newest tick; unknown with a single one."""

    def _answer(self) -> _Interval:
        then, low_then, high_then = self.ticks[0]
        now, low, high = self.ticks[-1]
        if now == then or low is None or high is None or low_then is None or high_then is None:
            return None
        seconds = float(now - then) / 1e9
        return (low - high_then) / seconds, (high - low_then) / seconds


class Average(HistoryState):
    """Mean of the ticks, added up in fixed point."""

    def __init__(self, width_ns: int, scale: float) -> None:
        super().__init__(width_ns)
        self._scale = scale
        self._low = self._high = 0
        self._open_low = self._open_high = self._beyond = 0

    def _count(self, tick: tuple[int, float | None, float | None], sign: int) -> None:
        _, low, high = tick
        if low is None or high is None:
            return
        if low == -_INFINITE:
            self._open_low += sign
        elif abs(low * self._scale) <= LARGEST:
            self._low += sign * round(low * self._scale)
        else:
            self._beyond += sign
        if high == _INFINITE:
            self._open_high += sign
        elif abs(high * self._scale) <= LARGEST:
            self._high += sign * round(high * self._scale)
        else:
            self._beyond += sign

    def _take(self, tick: tuple[int, float | None, float | None]) -> None:
        super()._take(tick)
        self._count(tick, 1)

    def _drop(self, tick: tuple[int, float | None, float | None]) -> None:
        super()._drop(tick)
        self._count(tick, -1)

    def _clear(self) -> None:
        super()._clear()
        self._low = self._high = 0
        self._open_low = self._open_high = self._beyond = 0

    def _answer(self) -> _Interval:
        if self._beyond:
            return None
        count = float(len(self.ticks))
        low = -_INFINITE if self._open_low else float(self._low) / count / self._scale
        high = _INFINITE if self._open_high else float(self._high) / count / self._scale
        return low, high


class Extremum(HistoryState):
    """Lowest or highest of the ticks. Each end keeps only the ticks that may still become the answer."""

    def __init__(self, width_ns: int, sign: float) -> None:
        super().__init__(width_ns)
        #: 1 for the lowest, -1 for the highest: what is kept is the smallest of sign times the value.
        self._sign = sign
        self._ends: tuple[deque[tuple[int, float]], deque[tuple[int, float]]] = (deque(), deque())

    def _take(self, tick: tuple[int, float | None, float | None]) -> None:
        super()._take(tick)
        if tick[1] is None:
            return
        for end, value in zip(self._ends, tick[1:], strict=True):
            assert value is not None
            signed = self._sign * value
            while end and end[-1][1] >= signed:
                end.pop()
            end.append((tick[0], signed))

    def _drop(self, tick: tuple[int, float | None, float | None]) -> None:
        super()._drop(tick)
        for end in self._ends:
            if end and end[0][0] == tick[0]:
                end.popleft()

    def _clear(self) -> None:
        super()._clear()
        for end in self._ends:
            end.clear()

    def _answer(self) -> _Interval:
        low, high = self._ends
        return self._sign * low[0][1], self._sign * high[0][1]


class TimeInState:
    """For how long a condition has been true, in seconds. Unknown pauses it and only false resets it."""

    def __init__(self) -> None:
        self._elapsed_ns = 0
        self._truth: bool | None = False
        self._now_ns: int | None = None

    def step(self, now_ns: int, truth: bool | None) -> _Interval:
        """Take in one tick; returns the time, or None while the condition is not known."""
        if self._now_ns != now_ns:
            if truth is False:
                self._elapsed_ns = 0
            elif truth and self._truth and self._now_ns is not None:
                self._elapsed_ns += now_ns - self._now_ns
            self._truth, self._now_ns = truth, now_ns
        if truth is None:
            return None
        seconds = float(self._elapsed_ns) / 1e9
        return seconds, seconds

    def state(self) -> Any:
        """Plain JSON."""
        return [self._elapsed_ns, self._truth, self._now_ns]

    def restore(self, state: Any) -> None:
        """Go on from a saved state."""
        self._elapsed_ns, self._truth, self._now_ns = state


def make_window(kind: WindowKind, width_ns: int, dimension: Dimension) -> HistoryState:
    """An empty window over numbers of this dimension."""
    match kind:
        case "rate":
            return Rate(width_ns)
        case "average":
            return Average(width_ns, scale_of(dimension))
        case "lowest":
            return Extremum(width_ns, 1.0)
        case "highest":
            return Extremum(width_ns, -1.0)
