"""What one drive says of a stage: mixture by boost, boost by engine speed, idle pressure, supply, what was not seen."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from cabcanary import units
from cabcanary.model import Quality
from cabcanary.review.still import lowest_of, still_spells

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

    from cabcanary.review.list.recorded_drive import Recorded

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

#: Boost is looked at in bands of this, psi, from where it counts.
BAND_PSI, FROM_PSI = 2.0, 2.0
#: A mixture counts as sustained when it lasted so long, s: shorter is a gear change or the gas of a moment.
SUSTAINED_S = 0.5
_LONGEST_TICK_S = 0.2
#: Cells with less than this say nothing, s; and an idle of less is none.
_LEAST_S, _LEAST_IDLE_S = 1.0, 15.0
_SPEED_STEP_RPM, _WIDE_PERCENT = 250.0, 80.0
#: Where neither speed nor throttle tells, an idle is no more than so far above the lowest still pressure, kPa.
_SAME_KPA = 4.0
_AIR = 1.25
_WARM_C, _IDLE_RPM, _SHUT_PERCENT = 70.0, 1400.0, 4.0


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant that can be looked at: a drive, and seconds from its first sample."""

    drive: str
    at_s: float


@dataclass(frozen=True, slots=True)
class Band:
    """What was seen in one band of boost."""

    seconds: float
    pulls: int
    #: The leanest lambda that lasted, and when; None: nothing lasted.
    leanest: float | None
    at: Moment | None
    #: The middle of its natural logarithm.
    middle: float


@dataclass(slots=True)
class Figures:
    """One drive. `cells` are middles by what they depend on, each over at least a second."""

    drive: str
    start: str
    bands: dict[int, Band] = field(default_factory=dict)
    #: Pressure ratio at a wide open throttle by engine speed, in steps.
    ratio: dict[int, float] = field(default_factory=dict)
    idle_kpa: float | None = None
    supply_lowest: float | None = None
    highest_psi: float | None = None
    highest_at: Moment | None = None
    #: Seconds in which there may have been boost, and of those the ones in which mixture or boost was not seen.
    boosted_s: float = 0.0
    blind_s: float = 0.0


class _Columns:
    """A drive's channels as numbers in one unit, NaN where they are not to be relied on."""

    def __init__(self, drive: Recorded) -> None:
        self._columns, self._units = drive.signals.columns, drive.plan.channel_units
        self.seconds = drive.seconds
        self.steps = np.minimum(np.diff(self.seconds, prepend=self.seconds[:1]), _LONGEST_TICK_S)
        self.rows = len(self.seconds)

    def has(self, name: str) -> bool:
        return name in self._columns

    def good(self, name: str, symbol: str = "", *more: Quality) -> Floats:
        """Numbers in `symbol` (its own unit without one); qualities other than good count where named."""
        if name not in self._columns:
            return np.full(self.rows, np.nan)
        column = self._columns[name]
        numbers = np.where(np.isin(column.qualities, (Quality.GOOD, *more)), column.values, np.nan)
        if not symbol:
            return numbers
        own, wanted = units.unit(self._units[name]), units.unit(symbol)
        scale = wanted.from_si(own.to_si(1.0)) - wanted.from_si(own.to_si(0.0))
        return numbers * scale + wanted.from_si(own.to_si(0.0))


def figures_of(drive: Recorded, start: str = "") -> Figures:
    """All of one drive."""
    columns, found = _Columns(drive), Figures(drive.path.stem, start)
    running = columns.good("engine_running") == 1.0
    boost = columns.good("boost_as_burnt", "psi", Quality.WITHIN)
    mixture = columns.good("lambda", "", Quality.SATURATED_HIGH, Quality.SATURATED_LOW)
    burning = columns.good("fuel_cut_gas") != 1.0
    _mixture(found, columns, boost, mixture, burning)
    _highest(found, columns)
    may = columns.good("map", "kPa", Quality.SATURATED_HIGH) > 120.0
    seen = np.isfinite(boost) & np.isfinite(mixture)
    found.boosted_s = float(columns.steps[may | (boost > FROM_PSI)].sum())
    found.blind_s = float(columns.steps[(may | (boost > FROM_PSI)) & ~seen].sum())
    found.ratio = _ratio(columns, running)
    found.idle_kpa = _idle(columns, running, mixture)
    supply = columns.good("supply", "V")[running & (columns.seconds > 30.0)]
    supply = supply[np.isfinite(supply)]
    found.supply_lowest = float(np.percentile(supply, 0.5)) if supply.size > 500 else None
    return found


def _mixture(found: Figures, columns: _Columns, boost: Floats, mixture: Floats, burning: Mask) -> None:
    number = np.floor((boost - FROM_PSI) / BAND_PSI)
    number = np.where(burning & np.isfinite(mixture), number, np.nan)
    for band in np.unique(number[number >= 0]):
        rows = number == band
        seconds = float(columns.steps[rows].sum())
        starts = rows & ~np.concatenate(([False], rows[:-1]))
        leanest, row = _lasted(mixture, rows, columns.seconds)
        at = None if leanest is None else Moment(found.drive, round(float(columns.seconds[row]), 2))
        middle = float(np.median(np.log(mixture[rows])))
        found.bands[int(band)] = Band(round(seconds, 2), int(starts.sum()), leanest, at, middle)


def _lasted(values: Floats, rows: Mask, seconds: Floats) -> tuple[float | None, int]:
    """The highest value that lasted, and the row at which it began."""
    best, best_row = None, 0
    edges = np.flatnonzero(np.diff(np.concatenate(([0], rows.astype(np.int8), [0]))))
    for first, last in zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True):
        if last - first < 2 or seconds[last - 1] - seconds[first] < SUSTAINED_S:
            continue
        step = float(np.median(np.diff(seconds[first:last])))
        width = max(2, round(SUSTAINED_S / step) + 1)
        if last - first < width:
            continue
        windows = np.lib.stride_tricks.sliding_window_view(values[first:last], width).min(axis=1)
        top = int(np.argmax(windows))
        if best is None or windows[top] > best:
            best, best_row = float(windows[top]), first + top
    return best, best_row


def _highest(found: Figures, columns: _Columns) -> None:
    boost = columns.good("boost", "psi", Quality.WITHIN)
    highest, row = _lasted(np.where(np.isfinite(boost), boost, -99.0), np.isfinite(boost), columns.seconds)
    if highest is not None:
        found.highest_psi = highest
        found.highest_at = Moment(found.drive, round(float(columns.seconds[row]), 2))


def _ratio(columns: _Columns, running: Mask) -> dict[int, float]:
    if not (columns.has("throttle") and columns.has("engine_speed")):
        return {}
    ratio = columns.good("map", "kPa") / columns.good("air_pressure", "kPa", Quality.WITHIN)
    speed, throttle = columns.good("engine_speed", "rpm"), columns.good("throttle", "%")
    # Boost has come a moment after the throttle opens.
    wide = np.lib.stride_tricks.sliding_window_view(np.concatenate((np.full(49, np.nan), throttle)), 50).min(axis=1)
    rows = running & (wide > _WIDE_PERCENT) & np.isfinite(ratio) & np.isfinite(speed)
    return _cells(columns, rows, np.floor(speed / _SPEED_STEP_RPM), ratio)


def _cells(columns: _Columns, rows: Mask, cell: Floats, values: Floats) -> dict[int, float]:
    return {
        int(c): float(np.median(values[rows & (cell == c)]))
        for c in np.unique(cell[rows])
        if columns.steps[rows & (cell == c)].sum() >= _LEAST_S
    }


def _idle(columns: _Columns, running: Mask, mixture: Floats) -> float | None:
    """The manifold's middle at a warm idle; by its own stillness where nothing else tells."""
    kpa = columns.good("map", "kPa")
    rows = running & np.isfinite(kpa) & ~(mixture > _AIR)
    if columns.has("vehicle_speed") and columns.has("throttle"):
        rows &= (columns.good("vehicle_speed", "km/h") < 1.0) & (columns.good("throttle", "%") < _SHUT_PERCENT)
        rows &= (columns.good("engine_speed", "rpm") < _IDLE_RPM) & ~(columns.good("coolant", "°C") < _WARM_C)
    else:
        idle = [spell.rows for spell in lowest_of(still_spells(columns.seconds, rows, kpa), _SAME_KPA)]
        rows = np.any(idle, axis=0) if idle else np.zeros(columns.rows, dtype=bool)
    if float(columns.steps[rows].sum()) < _LEAST_IDLE_S:
        return None
    return float(np.median(kpa[rows]))


def all_cells(drives: Iterable[Figures], kind: str) -> list[dict[int, float]]:
    """The cells of one kind of figure, a drive each."""
    drives = list(drives)
    if kind == "mixture":
        return [{n: b.middle for n, b in d.bands.items() if b.seconds >= _LEAST_S} for d in drives]
    if kind == "boost":
        return [{n: float(np.log(r)) for n, r in d.ratio.items()} for d in drives]
    values = [d.idle_kpa if kind == "idle" else d.supply_lowest for d in drives]
    return [{} if value is None else {0: value} for value in values]
