"""A measured channel over many ticks at once, to the last bit what `Measured.step` gives tick by tick.

Most channels make their value from a reading's number alone, and a converter has few numbers: each is converted once,
by the live code. Only what looks at the readings before (jumps, standing still) and at the time is done in arrays.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.channels.health import SCATTER_READINGS, SHORTEST_S
from cabcanary.model import Quality, Value
from cabcanary.store.sample_columns import NONE_NS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.channels.measured import Measured, OfNumber
    from cabcanary.store.sample_columns import Columns


class MeasuredColumns:
    """One channel; `step` goes on where the one before ended, in turn with `Measured.step` if need be."""

    def __init__(self, measured: Measured, channel: int) -> None:
        self._measured, self._channel = measured, channel
        self._known = _Table.empty()

    def step(self, columns: Columns) -> Stepped:
        """The values of all ticks; the channel's own state goes on with them.

        Raises:
            ArithmeticError: a number cannot be converted. Nothing has changed then.
        """
        measured, c = self._measured, self._channel
        state = measured.state()
        times = columns.read_ns[c]
        there = np.flatnonzero(times != NONE_NS)
        last_ns = np.int64(state["last_ns"])
        seen = times[there]
        new = seen != np.concatenate(([last_ns], seen[:-1])) if len(seen) else np.zeros(0, dtype=bool)
        if len(new) and state["last"] is None:
            new[0] = True
        made = _Made(columns, c, there[new], self._of)
        made.judge(measured, state["health"])
        stepped = Stepped(measured, columns, c, made, state["last"], (there, np.cumsum(new) - 1))
        if len(made):
            last = made.value(len(made) - 1)
            measured.restore({**state, "last": list(last), "last_ns": last.time_ns, "health": made.health})
        return stepped

    def _of(self, numbers: NDArray[np.float64]) -> tuple[_Table, NDArray[Any]]:
        """What all different numbers so far mean, and which of them stands where; by bits, for 0.0 is -0.0."""
        bits, inverse = np.unique(numbers.view(np.int64), return_inverse=True)
        new = bits[~np.isin(bits, self._known.bits, assume_unique=True)]
        if len(new):
            self._known = self._known.and_also(
                new, [self._measured.of_number(n) for n in new.view(np.float64).tolist()]
            )
        return self._known, np.searchsorted(self._known.bits, bits)[inverse]


class _Table(NamedTuple):
    """What different numbers mean, in the order of their bits: `OfNumber` in arrays, since a converter has thousands of
    numbers. `has_value` and `looked` say where a value, and what the health tests see, is a number at all."""

    bits: NDArray[np.int64]
    values: NDArray[np.float64]
    has_value: NDArray[np.bool_]
    doubts: NDArray[np.float64]
    qualities: NDArray[np.uint8]
    seen: NDArray[np.float64]
    looked: NDArray[np.bool_]
    curve_good: NDArray[np.bool_]
    firm: NDArray[np.bool_]
    #: The words beside the value, by bits, where there are any.
    words: dict[int, str]

    @classmethod
    def empty(cls) -> _Table:
        return cls._of(np.zeros(0, dtype=np.int64), [])

    @classmethod
    def _of(cls, bits: NDArray[np.int64], found: list[OfNumber]) -> _Table:
        values = [o.value for o in found]
        return cls(
            bits,
            np.array([np.nan if v.value is None else v.value for v in values], dtype=float),
            np.array([v.value is not None for v in values], dtype=bool),
            np.array([v.uncertainty for v in values], dtype=float),
            np.array([v.quality for v in values], dtype=np.uint8),
            np.array([np.nan if o.seen is None else o.seen for o in found], dtype=float),
            np.array([o.seen is not None for o in found], dtype=bool),
            np.array([o.curve_quality is Quality.GOOD for o in found], dtype=bool),
            np.array([o.firm for o in found], dtype=bool),
            {bit: v.reason for bit, v in zip(bits.tolist(), values, strict=True) if v.reason},
        )

    def and_also(self, bits: NDArray[np.int64], found: list[OfNumber]) -> _Table:
        """A table with other numbers as well; this one stays as it is."""
        *new, words = _Table._of(bits, found)
        *old, known = self
        order = np.argsort(np.concatenate((self.bits, bits)))
        both = [np.concatenate(pair)[order] for pair in zip(old, new, strict=True)]
        return _Table._make([*both, {**known, **words}])


class _Made:
    """The values that new readings make, and with which words."""

    def __init__(self, columns: Columns, channel: int, at: NDArray[Any], of: Any) -> None:
        self._columns, self._channel, self._at = columns, channel, at
        self.times = columns.read_ns[channel, at]
        self.qualities = columns.qualities[channel, at].copy()
        self._with = np.flatnonzero(self.qualities == Quality.GOOD)
        self._raw = columns.numbers[channel, at[self._with]]
        table, inverse = of(self._raw)
        self.numbers = np.full(len(at), np.nan)
        self.doubts = np.zeros(len(at))
        self._which = np.full(len(at), -1)
        self._which[self._with] = inverse
        self._table: _Table = table
        self.numbers[self._with] = table.values[inverse]
        self.doubts[self._with] = table.doubts[inverse]
        self.qualities[self._with] = table.qualities[inverse]
        self.health: dict[str, Any] = {}
        #: Step, seconds, and for how long the same, of each reading that jumped or stuck.
        self._told: dict[int, tuple[float, float, int]] = {}

    def __len__(self) -> int:
        return len(self._at)

    def judge(self, measured: Measured, health: dict[str, Any]) -> None:
        """The health tests of all readings, as `HealthTests.judge` makes them one by one."""
        self._health_words = measured.health
        self.health = health
        table, which = self._table, self._which[self._with]
        looked = table.looked[which]
        at = self._with[looked]
        if not len(at):
            return
        which, raw = which[looked], self._raw[looked]
        values = table.seen[which]
        times, before = self.times[at], health["last"]
        if before is not None:
            times, raw, values = (np.concatenate(([b], a)) for b, a in zip(before, (times, raw, values), strict=True))
            times = times.astype(np.int64)
        else:
            at = at[1:]
            which = which[1:]
        gaps = np.diff(times)
        later = gaps > 0
        anew = ~later | (raw[1:] != raw[:-1])
        same = _since(anew, times, health["same"] if before is not None else int(times[0]))
        steps, seconds = np.diff(values), gaps / 1e9
        limits = measured.health.limits
        jumped = np.zeros(len(steps), dtype=bool)
        if limits.fastest is not None:
            jumped = later & ~(np.abs(steps) <= limits.fastest * np.maximum(seconds, SHORTEST_S))
        stuck = np.zeros(len(steps), dtype=bool)
        if limits.stuck_ns is not None:
            good = table.curve_good[which]
            stuck = later & ~jumped & good & (times[1:] - same >= limits.stuck_ns)
        weak = ~table.firm[which]
        told = np.flatnonzero((jumped | stuck) & weak)
        self.qualities[at[told]] = np.where(jumped[told], Quality.IMPLAUSIBLE, Quality.STUCK)
        still = np.where(jumped, -1, times[1:] - same)
        numbers = (steps[told].tolist(), seconds[told].tolist(), still[told].tolist())
        self._told = dict(zip(at[told].tolist(), zip(*numbers, strict=True), strict=True))
        self.health = {
            **health,
            "last": [int(times[-1]), float(raw[-1]), float(values[-1])],
            "same": int(same[-1]) if len(same) else int(times[0]),
            "steps": [*health["steps"], *steps[later][-SCATTER_READINGS:].tolist()][-SCATTER_READINGS:],
        }

    def value(self, k: int) -> Value:
        """The value of the k-th new reading, with its words."""
        which = int(self._which[k])
        number = float(self.numbers[k]) if which >= 0 and self._table.has_value[which] else None
        return Value(
            number,
            Quality(int(self.qualities[k])),
            int(self.times[k]),
            float(self.doubts[k]),
            self._reason(k, which),
        )

    def _reason(self, k: int, which: int) -> str:
        if which < 0:
            return self._columns.reason(self._channel, int(self._at[k]))
        told = self._told.get(k)
        if told is None:
            words = self._table.words
            return words.get(int(self._table.bits[which]), "") if words else ""
        step, seconds, still = told
        if still < 0:
            return self._health_words.jump_words(step, seconds)
        return self._health_words.stuck_words(still)


def _since(anew: NDArray[np.bool_], times: NDArray[np.int64], begun: int) -> NDArray[np.int64]:
    """Since when the number has been the same, at each reading but the first."""
    places = np.maximum.accumulate(np.where(anew, np.arange(len(anew)), -1))
    return np.where(places >= 0, times[1:][places], np.int64(begun))


class Stepped:
    """A channel's values at every tick, as arrays and, where somebody asks, one by one."""

    def __init__(
        self,
        measured: Measured,
        columns: Columns,
        channel: int,
        made: _Made,
        last: list[Any] | None,
        which: tuple[NDArray[Any], NDArray[Any]],
    ) -> None:
        self._measured, self._columns, self._channel, self._made = measured, columns, channel, made
        self._before = None if last is None else Value(last[0], Quality(last[1]), *last[2:])
        count = len(columns)
        there, of = which
        #: Which new reading a tick shows; -1: the one before all of these, -2: none.
        self._which = np.full(count, -2)
        self._which[there] = of
        before = self._before or Value(None, Quality.ABSENT, 0)
        self.values = self._spread(made.numbers, np.nan if before.value is None else before.value, np.nan)
        self.qualities = self._spread(made.qualities, int(before.quality), int(Quality.ABSENT)).astype(np.uint8)
        self.doubts = self._spread(made.doubts, before.uncertainty, 0.0)
        self._stale = (columns.tick_ns - columns.read_ns[channel] > measured.stale_ns) & (self._which >= -1)
        self.qualities[self._stale] = Quality.STALE

    def _spread(self, made: NDArray[Any], before: float, none: float) -> NDArray[Any]:
        """From new readings to ticks."""
        spread: NDArray[Any] = np.concatenate((made, [none, before]))[self._which]
        return spread

    def value(self, tick: int) -> Value:
        """The value at a tick, given by its number."""
        which = int(self._which[tick])
        if which == -2:
            return self._measured.not_yet()
        last = self._before if which == -1 else self._made.value(which)
        assert last is not None
        if not self._stale[tick]:
            return last
        return self._measured.stale(last, self._columns.reason(self._channel, tick))
