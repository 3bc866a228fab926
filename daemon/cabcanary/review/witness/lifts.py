"""Fuel cuts of a drive as the wideband saw them: how it ran to the lean end after a lift, and how it came back.

When fuel comes back the manifold says to a hundredth of a second: pressure rises with the throttle. When it goes
nobody says, since an engine's computer waits with the cut as long as it likes. So the way of the gas is read from
re-entries, and from lifts only how fast the reading ran.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.channels import gas_delay
from cabcanary.model import Quality
from cabcanary.review.figures.columns import spans

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.channels.gas_delay import Pipe
    from cabcanary.review.figures.columns import Columns

    Floats = NDArray[np.float64]

#: Leaner than this nothing burns; a cut's gas lasted so long, s, at a manifold below this, kPa.
_LEAN, _LEAST_CUT_S, _CUT_KPA = 1.25, 0.3, 50.0
#: Where pressure is looked for that rises ahead of the reading, s; by at least so much, kPa.
_AHEAD_S, _RISE_KPA = 1.6, 10.0
#: Two marks on the way up, kPa (or noises): with the first at 1 and the second at 4, a straight rise began a third of
#: their distance ahead of the first, one that grows with the square of time a whole distance; between both.
_MARK_KPA, _MARK_NOISES, _MARKS, _BEGAN = 1.5, 3.5, 4.0, 0.6
#: A throttle that opens so slowly that the marks are further apart, s, has no moment.
_SLOW_S = 0.3
#: Where the mixture after a re-entry is looked at, s behind leaving the lean side, and between what it may lie.
_AFTER_S, _BURNS, _STEADY = (0.8, 1.6), (0.75, 1.12), 0.05
#: Readings are taken between these shares of the way that is left: at the end it may be clipped, below it is noise.
_LEFT = (0.12, 0.94)
_MOST_DELAY_S = 1.6
#: Ticks without which there is no drive; and how far apart readings are where nobody has seen any, s.
_FEWEST, _SPACING_S = 50, 0.1


class GasSignals(NamedTuple):
    """One drive by ticks: s, lambda with its ends, kPa absolute, rpm (NaN: not seen)."""

    drive: str
    seconds: Floats
    mixture: Floats
    map_kpa: Floats
    rpm: Floats


@dataclass(frozen=True, slots=True)
class Reentry:
    """`times` since the manifold began to rise, s, and the readings then; what they came from and went to, in lambda.
    `cycle` is two turns, s, and `flow` the exhaust's volume flow on the way, m³/s; NaN: not known."""

    times: Floats
    readings: Floats
    edge: float
    target: float
    cycle: float
    flow: float


class Lifts(NamedTuple):
    """A drive's re-entries; of its lifts the time from a tenth to nine tenths of the way, s; spacing of readings, s.
    `pressure`: it is measured; `reached`: the reading was leaner than anything that burns for a while."""

    drive: str
    reentries: list[Reentry]
    rises: list[float]
    spacing: float
    pressure: bool = True
    reached: bool = True


def gas_signals(columns: Columns) -> GasSignals:
    """One recorded drive; a channel that it lacks is all NaN."""
    roles = columns.roles
    mixture = columns.good(roles.mixture, "", Quality.SATURATED_HIGH, Quality.SATURATED_LOW)
    speed = "engine_speed" if columns.has("engine_speed") else None
    pressure = columns.good(roles.pressure, "kPa")
    return GasSignals(columns.name, columns.seconds, mixture, pressure, columns.good(speed, "rpm"))


def lifts_of(signals: GasSignals, pipe: Pipe | None = None) -> Lifts:
    """Every fuel cut that ended by a throttle that opened, and how fast readings ran to the lean end."""
    t, mixture = signals.seconds, signals.mixture
    measured = bool(np.isfinite(signals.map_kpa).any())
    if len(t) < _FEWEST or not np.isfinite(mixture).any() or not measured:
        return Lifts(signals.drive, [], [], _SPACING_S, measured, reached=False)
    noise = _noise(signals.map_kpa)
    new = np.concatenate(([True], np.diff(mixture) != 0.0)) & np.isfinite(mixture)
    with np.errstate(invalid="ignore"):
        lean = spans(mixture > _LEAN)
    reentries, rises, gaps = [], [], []
    for first, last in lean:
        if last >= len(t) or t[last - 1] - t[first] < _LEAST_CUT_S or not np.isfinite(mixture[last]):
            continue
        edge = float(np.median(mixture[first:last]))
        began = _began(signals, first, last, noise)
        if began is None:
            continue
        found = _reentry(signals, new, last, edge, began, pipe)
        if found is not None:
            reentries.append(found)
            gaps += np.diff(found.times).tolist()
        rise = _rise(t, mixture, new, first, edge)
        if rise is not None:
            rises.append(rise)
    spacing = float(np.median(gaps)) if gaps else _SPACING_S
    return Lifts(signals.drive, reentries, rises, spacing, measured, bool(lean))


def _noise(kpa: Floats) -> float:
    steps = np.diff(kpa[np.isfinite(kpa)])
    return float(np.median(np.abs(steps)) / 0.6745 / np.sqrt(2.0)) if len(steps) else 0.0


def _began(signals: GasSignals, first: int, last: int, noise: float) -> float | None:
    """When the manifold began to rise at the end of this cut, s; None: it did not, or slowly."""
    t, kpa = signals.seconds, signals.map_kpa
    from_row = int(np.searchsorted(t, max(t[last] - _AHEAD_S, t[first] - 1.0)))
    to_row = min(len(t), int(np.searchsorted(t, t[last] + 0.05)))
    window = kpa[from_row:to_row]
    if len(window) < 10 or not np.isfinite(window).all():
        return None
    low = float(np.percentile(window, 20))
    low = float(np.median(window[window < low + 4.0 * max(noise, 0.5)]))
    mark = max(_MARK_KPA, _MARK_NOISES * noise)
    if low > _CUT_KPA or window.max() - low < max(_RISE_KPA, 1.5 * _MARKS * mark):
        return None
    second = _upward(t, kpa, from_row, to_row, low + _MARKS * mark)
    one = None if second is None else _upward(t, kpa, from_row, second[0] + 1, low + mark)
    if second is None or one is None or second[1] - one[1] > _SLOW_S:
        return None
    return one[1] - _BEGAN * (second[1] - one[1])


def _upward(t: Floats, kpa: Floats, first: int, last: int, level: float) -> tuple[int, float] | None:
    """The row, and the time between two rows, at which pressure last came above a level and stayed there."""
    below = np.flatnonzero(kpa[first:last] < level)
    if not len(below) or below[-1] + 1 >= last - first:
        return None
    row = first + int(below[-1]) + 1
    share = (level - kpa[row - 1]) / (kpa[row] - kpa[row - 1])
    return row, float(t[row - 1] + share * (t[row] - t[row - 1]))


def _reentry(
    signals: GasSignals, new: NDArray[np.bool_], last: int, edge: float, began: float, pipe: Pipe | None
) -> Reentry | None:
    t, mixture = signals.seconds, signals.mixture
    after = slice(*np.searchsorted(t, (t[last] + _AFTER_S[0], t[last] + _AFTER_S[1])).tolist())
    settled = mixture[after]
    if len(settled) < 4 or not np.isfinite(settled).all():
        return None
    target = float(np.median(settled))
    if not _BURNS[0] <= target <= _BURNS[1] or float(np.std(settled)) > _STEADY:
        return None
    rows = np.arange(max(0, last - 60), int(np.searchsorted(t, t[last] + 1.0)))
    rows = rows[new[rows] & (t[rows] > began)]
    left = (1 / target - 1 / mixture[rows]) / (1 / target - 1 / edge)
    gone = np.flatnonzero(left < _LEFT[0])
    rows, left = (rows[: gone[0]], left[: gone[0]]) if len(gone) else (rows, left)
    # What is still at the end, or came back to it, is not on the way.
    clipped = np.flatnonzero(left > _LEFT[1])
    rows = rows[clipped[-1] + 1 :] if len(clipped) else rows
    if not len(rows) or t[rows[0]] - began > _MOST_DELAY_S:
        return None
    cycle, flow = _cycle_and_flow(signals, began, float(t[rows[0]]), pipe)
    return Reentry(t[rows] - began, mixture[rows], edge, target, cycle, flow)


_SLOWEST_RPM = 400.0


def _cycle_and_flow(signals: GasSignals, began: float, arrived: float, pipe: Pipe | None) -> tuple[float, float]:
    """Two turns, s, and the exhaust's mean volume flow, m³/s, while the gas was on its way; NaN: not known.

    Plug flow: the way is over when the flow's integral is the pipe's volume. What leaves was taken in a cycle ago.
    """
    t, unknown = signals.seconds, float("nan")
    first, last = np.searchsorted(t, (began, arrived)).tolist()
    rpm = signals.rpm[first:last]
    if not len(rpm) or not np.isfinite(rpm).all() or rpm.min() < _SLOWEST_RPM:
        return unknown, unknown
    cycle = 120.0 / float(rpm.mean())
    if pipe is None:
        return cycle, unknown
    last = max(first + 2, int(np.searchsorted(t, arrived - cycle)))
    taken = zip(signals.rpm[first:last].tolist(), signals.map_kpa[first:last].tolist(), strict=True)
    return cycle, float(np.mean([gas_delay.volume_flow_m3_s(pipe, n, kpa * 1000.0) for n, kpa in taken]))


def _rise(t: Floats, mixture: Floats, new: NDArray[np.bool_], first: int, edge: float) -> float | None:
    """From the last reading before a tenth of the way to the lean end to the first behind nine tenths of it, s."""
    before = mixture[(t > t[first] - 1.5) & (t < t[first] - 0.6)]
    if len(before) < 4 or not np.isfinite(before).all() or float(np.std(before)) > _STEADY:
        return None
    start = float(np.median(before))
    rows = np.flatnonzero(new & (t > t[first] - 0.6) & (t < t[first] + 1.0))
    done = (1 / start - 1 / mixture[rows]) / (1 / start - 1 / edge)
    up = np.flatnonzero(done >= 0.9)
    low = np.flatnonzero(done[: up[0]] <= 0.1) if len(up) else up
    return float(t[rows[up[0]]] - t[rows[low[-1]]]) if len(low) else None
