"""A drive's channels as arrays of numbers in one unit, NaN where they are not to be relied on."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary import units
from cabcanary.expressions.arrays import Evaluator
from cabcanary.model import Quality
from cabcanary.plan.roles import lean_rules, roles_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cabcanary.review.list.recorded_drive import Recorded

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

#: Between two ticks no more than this counts, s, so that a gap in the recording is not taken for time.
LONGEST_TICK_S = 0.2


class Band(NamedTuple):
    """Between what values a channel lies at each tick; NaN where nothing is known, infinite where an end is open."""

    low: Floats
    high: Floats


class Columns:
    """One drive's channels. `roles` says which plays which part; `steps` is the time that each tick stands for, s."""

    def __init__(self, drive: Recorded) -> None:
        self.drive, self.name = drive, drive.path.stem
        self._columns, self._units = drive.signals.columns, drive.plan.channel_units
        self.roles = roles_of(drive.plan.settings)
        self.seconds = drive.seconds
        self.rows = len(self.seconds)
        self.steps: Floats = np.minimum(np.diff(self.seconds, prepend=self.seconds[:1]), LONGEST_TICK_S)
        self._kept: dict[str, tuple[Floats, NDArray[np.uint8]]] = {}
        self._masked: Mask | None = None

    def has(self, name: str | None) -> bool:
        """Whether the vehicle has such a channel."""
        return name is not None and name in self._columns

    def unit(self, name: str) -> str:
        """A channel's own unit."""
        return self._units[name]

    def good(self, name: str | None, symbol: str = "", *more: Quality) -> Floats:
        """Numbers in `symbol` (its own unit without one); qualities other than good count where named."""
        if name is None or not self.has(name):
            return np.full(self.rows, np.nan)
        values, qualities = self._of(name)
        believed = qualities == Quality.GOOD
        for quality in more:
            believed |= qualities == quality
        return self._in(np.where(believed, values, np.nan), name, symbol)

    def quality(self, name: str) -> NDArray[np.uint8]:
        """A channel's qualities."""
        return self._of(name)[1]

    def doubt(self, name: str | None, symbol: str = "") -> Floats:
        """Standard uncertainties in `symbol`; 0 where nobody has stated one."""
        if name is None or not self.has(name):
            return np.zeros(self.rows)
        found = self._columns[name].uncertainties
        if found is None:
            return np.zeros(self.rows)
        own = self._units[name]
        return np.nan_to_num(found) * (units.difference(1.0, own, symbol) if symbol and symbol != own else 1.0)

    def band(self, name: str | None, symbol: str = "") -> Band:
        """Two standard uncertainties to each side; of "at least" the high end is open, of "at most" the low one."""
        values = self.good(name, symbol, Quality.WITHIN, Quality.SATURATED_HIGH, Quality.SATURATED_LOW)
        if name is None or not self.has(name):
            return Band(values, values)
        qualities, doubt = self.quality(name), 2.0 * self.doubt(name, symbol)
        low = np.where(qualities == Quality.SATURATED_LOW, -np.inf, values - doubt)
        high = np.where(qualities == Quality.SATURATED_HIGH, np.inf, values + doubt)
        known = np.isfinite(values)
        return Band(np.where(known, low, np.nan), np.where(known, high, np.nan))

    def running(self) -> Mask:
        """Where the engine is known to run."""
        runs: Mask = self.good(self.roles.running) == 1.0
        return runs

    def masked(self) -> Mask:
        """Where the rule for a lean mixture under boost does not judge: gas of a fuel cut, and whatever else suppresses
        that rule by its own condition."""
        if self._masked is None:
            self._masked = self._find_masked()
        return self._masked

    def _find_masked(self) -> Mask:
        cut: Mask = np.nan_to_num(self._values(self.roles.fuel_cut)) != 0.0
        evaluator = Evaluator(self.drive.signals)
        with np.errstate(all="ignore"):
            for rule in lean_rules(self.drive.plan):
                if rule.suppress_when is not None:
                    found = evaluator.condition(rule.suppress_when)
                    cut |= np.concatenate([found.at(block).true for block in self.drive.signals.blocks])
        return cut

    def _values(self, name: str | None) -> Floats:
        return np.full(self.rows, np.nan) if name is None or not self.has(name) else self._of(name)[0]

    def _of(self, name: str) -> tuple[Floats, NDArray[np.uint8]]:
        if name not in self._kept:
            column = self._columns[name]
            self._kept[name] = column.values, column.qualities
        return self._kept[name]

    def _in(self, numbers: Floats, name: str, symbol: str) -> Floats:
        own = self._units[name]
        if not symbol or symbol == own:
            return numbers
        zero = units.convert(0.0, own, symbol)
        return numbers * (units.convert(1.0, own, symbol) - zero) + zero


def spans(rows: Mask) -> list[tuple[int, int]]:
    """Runs of true: the first row of each and the one behind its last."""
    edges = np.flatnonzero(np.diff(np.concatenate(([0], rows.astype(np.int8), [0]))))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def lasted(values: Floats, rows: Mask, seconds: Floats, for_s: float) -> tuple[float | None, int]:
    """The highest value that lasted so long, and the row that has it: the last such one of those that lasted."""
    best, best_row = None, 0
    for first, last in spans(rows):
        if last - first < 2 or seconds[last - 1] - seconds[first] < for_s - 1e-6:
            continue
        step = float(np.median(np.diff(seconds[first:last])))
        width = max(2, round(for_s / step) + 1)
        if last - first < width:
            continue
        windows = np.lib.stride_tricks.sliding_window_view(values[first:last], width).min(axis=1)
        top = int(np.argmax(windows))
        if best is None or windows[top] > best:
            held = values[first + top : first + top + width]
            best, best_row = float(windows[top]), first + top + width - 1 - int(np.argmin(held[::-1]))
    return best, best_row
