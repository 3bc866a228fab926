"""A foreign log as frames: with settings as the live code would have seen its wires, without them as it stands."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary import units
from cabcanary.model import Frame, Quality, Reading, Value
from cabcanary.store.packed import pack

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.channels.derive import Derived
    from cabcanary.channels.measured import Measured
    from cabcanary.plan.plan import Plan
    from cabcanary.review.exchange.log_series import Foreign, Series

#: Without settings a channel whose last value is older than this is stale: so many of its own usual intervals, but at
#: least a second.
_STALE_INTERVALS, _STALE_LEAST_S = 5.0, 1.0
#: The daemon's own tick: where a log is silent, the live code would have looked at its wires this often.
_TICK_NS = 20_000_000
#: Past this nothing in a silence changes any more, and a log of two days may have a night in it.
_LONGEST_FILLED_NS = 60_000_000_000


class LogFrames:
    """The log at its own rows, as frames; `tick_ns` are their times from the first row.

    With a plan each measured channel is judged by the live code's own tests (freshness, ends, rails, stuck, too fast,
    plausible), then come the cross checks and the derived channels; and where the log is silent for longer than a
    channel may be, ticks stand in the gap, as the live code would have made them. What the log says of its qualities
    itself, because this program wrote it, is taken as it is.
    """

    def __init__(self, log: Foreign, target_units: dict[str, str], plan: Plan | None) -> None:
        pipeline = plan.pipeline() if plan is not None else None
        told = {s.name for s in log.series if s.qualities is not None}
        judged = {m.name: m for m in pipeline.measured if m.name in target_units} if pipeline is not None else {}
        self._measured = [m for name, m in judged.items() if name not in told]
        for channel in self._measured:
            channel.take_logged()
        self.derived: list[Derived] = [d for d in pipeline.derived if d.name not in target_units] if pipeline else []
        # A log with verdicts of its own has those of the checks in them.
        self._checks = [c for c in pipeline.checks.values() if c.channel not in told] if pipeline is not None else []
        missing = set(plan.channel_units) - set(target_units) if plan is not None else set()
        self._missing = missing - {d.name for d in self.derived}
        rows_ns = np.round(log.rows_s * 1e9).astype(np.int64)
        longest_s = min((m.spec.stale_after for m in self._measured), default=None)
        self.tick_ns = rows_ns if longest_s is None else _filled(rows_ns, int(longest_s * 1e9))
        self.filled = len(self.tick_ns) - len(rows_ns)
        live = {m.name for m in self._measured}
        self._wires = {s.name: _Wire(s, target_units[s.name], self.tick_ns) for s in log.series if s.name in live}
        others = [s for s in log.series if s.name not in live]
        self._columns = [(s.name, *_column(s, target_units[s.name], self.tick_ns)) for s in others]
        self._readings: dict[str, Reading] = {}

    def read_at(self, log: Foreign) -> dict[str, str]:
        """At which rows each channel had a reading, packed: for whoever judges this log later, with settings."""
        return {s.name: pack(_fresh(s, self.tick_ns)) for s in log.series if s.qualities is None}

    def at(self, row: int) -> Frame:
        """The frame of a row; rows are asked for in their order."""
        time_ns = int(self.tick_ns[row])
        values = {n: Value(None, Quality.ABSENT, time_ns, reason="not in the file") for n in self._missing}
        for name, numbers, qualities, doubts in self._columns:
            quality = Quality(int(qualities[row]))
            number = None if quality is Quality.ABSENT or np.isnan(numbers[row]) else float(numbers[row])
            values[name] = Value(number, quality, time_ns, float(doubts[row]))
        for channel in self._measured:
            values[channel.name] = channel.step(self._reading(channel, row), values, time_ns)
        for check in self._checks:
            check.step(values, time_ns)
        for derived in self.derived:
            values[derived.name] = derived.step(values, time_ns)
        return Frame(time_ns, values)

    def _reading(self, channel: Measured, row: int) -> Reading | None:
        found = self._wires[channel.name].at(row)
        last = self._readings.get(channel.name)
        if found is None or (last is not None and last.time_ns == found[0]):
            return last
        self._readings[channel.name] = last = Reading(*channel.key, found[1], found[0])
        return last


class _Wire:
    """What one channel's wire said last, at each tick."""

    def __init__(self, series: Series, unit: str, tick_ns: NDArray[np.int64]) -> None:
        self._times = np.round(series.time_s * 1e9).astype(np.int64)
        self._values = _converted(series, unit)
        self._newest = np.searchsorted(self._times, tick_ns, side="right") - 1

    def at(self, row: int) -> tuple[int, float] | None:
        """Time (ns) and value of the newest reading; None: there is none yet."""
        newest = int(self._newest[row])
        return None if newest < 0 else (int(self._times[newest]), float(self._values[newest]))


def _filled(rows_ns: NDArray[np.int64], longest_ns: int) -> NDArray[np.int64]:
    """The rows, and ticks in every gap that is longer than the freshest channel may be silent."""
    parts = []
    for n in np.flatnonzero(np.diff(rows_ns) > longest_ns):
        end = min(int(rows_ns[n + 1]), int(rows_ns[n]) + _LONGEST_FILLED_NS)
        # The last one leaves the next row its own tick.
        parts.append(np.arange(int(rows_ns[n]) + _TICK_NS, end - _TICK_NS // 2, _TICK_NS, dtype=np.int64))
    return np.sort(np.concatenate([rows_ns, *parts])) if parts else rows_ns


def _fresh(series: Series, tick_ns: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Whether something new had come in by each tick."""
    newest = np.searchsorted(np.round(series.time_s * 1e9).astype(np.int64), tick_ns, side="right") - 1
    found: NDArray[np.bool_] = np.diff(newest, prepend=-1) > 0
    return found


def _converted(series: Series, unit: str) -> NDArray[np.float64]:
    source, target = units.unit(series.unit), units.unit(unit)
    if source.symbol == target.symbol:
        return series.values
    return np.array([units.convert(float(v), series.unit, unit) for v in series.values])


def _column(series: Series, unit: str, tick_ns: NDArray[np.int64]) -> tuple[Any, Any, Any]:
    """A channel's values, qualities and uncertainties at each tick, as the log has them."""
    times = np.round(series.time_s * 1e9).astype(np.int64)
    newest = np.searchsorted(times, tick_ns, side="right") - 1
    there, at = newest >= 0, np.maximum(newest, 0)
    if not len(times):
        none = np.full(len(tick_ns), int(Quality.ABSENT))
        return np.full(len(tick_ns), np.nan), none, np.zeros(len(tick_ns))
    values = _converted(series, unit)
    if series.qualities is not None and series.uncertainties is not None:
        # A difference has no zero point.
        scale = units.unit(series.unit).factor / units.unit(unit).factor
        doubts = series.uncertainties if scale == 1.0 else series.uncertainties * scale
        fresh = tick_ns - times[at] <= _STALE_LEAST_S * 1e9
        qualities = np.where(fresh, series.qualities[at], int(Quality.STALE))
        return values[at], np.where(there, qualities, int(Quality.ABSENT)), doubts[at]
    usual = float(np.median(np.diff(times))) if len(times) > 1 else 0.0
    fresh = tick_ns - times[at] <= max(_STALE_LEAST_S * 1e9, _STALE_INTERVALS * usual)
    qualities = np.where(there, np.where(fresh, int(Quality.GOOD), int(Quality.STALE)), int(Quality.ABSENT))
    return values[at], qualities, np.zeros(len(tick_ns))
