"""What one drive says: how lean, for how long above each boost step, boost by engine speed, idle, supply, and what was
not seen. The rules' own masks and alignment, for whoever shows it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

from cabcanary import units
from cabcanary.model import Quality
from cabcanary.plan.sensors import sensor_of
from cabcanary.recorder.mixture import SUSTAINED_NS, UNDER_BOOST_PA
from cabcanary.review.figures.columns import Columns, lasted
from cabcanary.review.figures.still import lowest_of, still_spells
from cabcanary.review.figures.wideband_figures import response_s, warm_up_s
from cabcanary.settings.sensors import MeasuredChannel
from cabcanary.sources.host.host_settings import HostSource

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cabcanary.review.figures.columns import Floats, Mask
    from cabcanary.review.list.recorded_drive import Recorded

_PSI = units.unit("psi")
#: Boost is looked at in bands of this, psi, from where it counts.
BAND_PSI, FROM_PSI = 2.0, round(_PSI.from_si(UNDER_BOOST_PA), 9)
#: Steps of boost as a person would count them, by the unit in which boost is shown.
STEPS = {"psi": 2.0, "kPa": 15.0, "bar": 0.15}
#: A mixture counts as sustained when it lasted as long as the recorder asks of it, s.
SUSTAINED_S = SUSTAINED_NS / 1e9
#: Cells with less than this say nothing, s; and an idle of less is none.
_LEAST_S, _LEAST_IDLE_S = 1.0, 15.0
_SPEED_STEP_RPM, _WIDE_PERCENT = 250.0, 80.0
#: Where neither speed nor throttle tells, an idle is no more than so far above the lowest still pressure, kPa.
_SAME_KPA = 4.0
_AIR = 1.25
_WARM_C, _IDLE_RPM, _SHUT_PERCENT = 70.0, 1400.0, 4.0
#: The alternator has taken over by then, s after the first sample.
STARTED_S = 30.0
#: Above this the manifold holds more than the air of any road, kPa.
_ANY_AIR_KPA = 120.0
_MOST_STEPS = 20
#: Steps so close together are one, psi.
_SAME_STEP_PSI = 0.05


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


@dataclass(frozen=True, slots=True)
class Leanest:
    """The leanest lambda that lasted under boost, and the boost then, psi."""

    mixture: float
    boost_psi: float
    at: Moment


@dataclass(frozen=True, slots=True)
class Above:
    """Seconds above a step of boost: by the likely value, for certain, and at most (two standard uncertainties)."""

    step_psi: float
    seconds: float
    sure_s: float
    at_most_s: float


@dataclass(frozen=True, slots=True)
class NotGood:
    """For how long one channel was not good, by the words of its quality, s; `boosted_s` of it with boost."""

    channel: str
    seconds: dict[str, float]
    boosted_s: float


@dataclass(slots=True)
class Figures:
    """One drive. `cells` are middles by what they depend on, each over at least a second."""

    drive: str
    start: str
    length_s: float = 0.0
    running_s: float = 0.0
    #: As the list has it: under boost for certain, by the rules' masks.
    leanest: Leanest | None = None
    above: list[Above] = field(default_factory=list)
    not_good: list[NotGood] = field(default_factory=list)
    bands: dict[int, Band] = field(default_factory=dict)
    #: Pressure ratio at a wide open throttle by engine speed, in steps.
    ratio: dict[int, float] = field(default_factory=dict)
    idle_kpa: float | None = None
    supply_lowest: float | None = None
    #: How a wideband ages, s, and the serial numbers of the parts that measured.
    response_s: float | None = None
    warm_up_s: float | None = None
    mixture_part: str = ""
    highest_psi: float | None = None
    highest_at: Moment | None = None
    #: Seconds in which there may have been boost, and of those the ones in which mixture or boost was not seen.
    boosted_s: float = 0.0
    blind_s: float = 0.0


def figures_of(drive: Recorded, start: str = "", step_unit: str = "psi") -> Figures:
    """All of one drive; time above steps is told for steps as they are counted in `step_unit`."""
    return figures_from(Columns(drive), start, step_unit)


def figures_from(columns: Columns, start: str = "", step_unit: str = "psi") -> Figures:
    """The same of columns that are there already."""
    found, running, roles = Figures(columns.name, start), columns.running(), columns.roles
    found.length_s = float(columns.seconds[-1]) if columns.rows else 0.0
    found.running_s = float(columns.steps[running].sum())
    boost = columns.good(roles.burnt, "psi", Quality.WITHIN) if roles.burnt else columns.good(None)
    mixture = columns.good(roles.mixture, "", Quality.SATURATED_HIGH, Quality.SATURATED_LOW)
    masked = columns.masked()
    _mixture(found, columns, boost, mixture, ~masked)
    found.leanest = _leanest(columns, ~masked)
    _highest(found, columns)
    found.above = _above(columns, step_unit)
    boosted = maybe_boosted(columns)
    seen = np.isfinite(boost) & np.isfinite(mixture)
    found.boosted_s = float(columns.steps[boosted].sum())
    found.blind_s = float(columns.steps[boosted & ~seen].sum())
    found.not_good = _not_good(columns, boosted)
    found.ratio = _ratio(columns, running)
    found.idle_kpa = _idle(columns, running, mixture)
    found.response_s, found.warm_up_s = response_s(columns), warm_up_s(columns)
    found.mixture_part = sensor_of(columns.drive.plan.settings, roles.mixture or "").name
    supply = columns.good("supply", "V")[running & (columns.seconds > STARTED_S)]
    supply = supply[np.isfinite(supply)]
    found.supply_lowest = float(np.percentile(supply, 0.5)) if supply.size > 500 else None
    return found


def maybe_boosted(columns: Columns) -> Mask:
    """Where there may have been boost: the manifold above any road's air, or boost above where it counts."""
    boost = columns.good(columns.roles.burnt, "psi", Quality.WITHIN) if columns.roles.burnt else columns.good(None)
    may: Mask = columns.good(columns.roles.pressure, "kPa", Quality.SATURATED_HIGH) > _ANY_AIR_KPA
    return may | (boost > FROM_PSI)


def _mixture(found: Figures, columns: Columns, boost: Floats, mixture: Floats, burning: Mask) -> None:
    number = np.floor((boost - FROM_PSI) / BAND_PSI)
    number = np.where(burning & np.isfinite(mixture), number, np.nan)
    for band in np.unique(number[number >= 0]):
        rows = number == band
        seconds = float(columns.steps[rows].sum())
        starts = rows & ~np.concatenate(([False], rows[:-1]))
        leanest, row = lasted(mixture, rows, columns.seconds, SUSTAINED_S)
        at = None if leanest is None else Moment(found.drive, round(float(columns.seconds[row]), 2))
        middle = float(np.median(np.log(mixture[rows])))
        found.bands[int(band)] = Band(round(seconds, 2), int(starts.sum()), leanest, at, middle)


def _leanest(columns: Columns, burning: Mask) -> Leanest | None:
    """As `recorder.mixture` finds it tick by tick: boost for certain, and "at most" proves nothing lean."""
    mixture = columns.good(columns.roles.mixture, "", Quality.SATURATED_HIGH)
    if columns.roles.burnt is None:
        return None
    sure = proved(columns, columns.roles.burnt)
    rows = burning & (sure >= FROM_PSI) & np.isfinite(mixture)
    leanest, row = lasted(mixture, rows, columns.seconds, SUSTAINED_S)
    if leanest is None:
        return None
    at = Moment(columns.name, round(float(columns.seconds[row]), 2))
    return Leanest(leanest, float(sure[row]), at)


def proved(columns: Columns, boost: str) -> Floats:
    """Boost in psi that is proved: of "at least" that much, of an interval its lower end."""
    within = columns.good(boost, "psi", Quality.WITHIN)
    good = columns.good(boost, "psi", Quality.SATURATED_HIGH)
    return np.where(np.isfinite(good), good, within - 2.0 * columns.doubt(boost, "psi"))


def _above(columns: Columns, step_unit: str) -> list[Above]:
    """Every step that may have been reached, and the one above: round ones, and those that the stage declares."""
    name = columns.roles.boost
    if name is None:
        return []
    likely = columns.good(name, "psi", Quality.WITHIN, Quality.SATURATED_HIGH)
    band, found = columns.band(name, "psi"), []
    step_psi = units.convert(STEPS[step_unit], step_unit, "psi")
    # A sensor with too wide a band would have steps without end.
    round_steps = [n * step_psi for n in range(1, _MOST_STEPS + 1)]
    declared = [s for s in _declared(columns) if min(abs(s - r) for r in round_steps) > _SAME_STEP_PSI]
    for bound in sorted(round_steps + declared):
        seconds, sure, most = (
            round(float(columns.steps[values > bound].sum()), 2) for values in (likely, band.low, band.high)
        )
        found.append(Above(bound, seconds, sure, most))
        if most == 0.0:
            break
    return found


def _declared(columns: Columns) -> list[float]:
    """The boost steps that the drive's stage declares, psi."""
    settings = columns.drive.plan.settings
    built = settings.built.get(settings.vehicle.stage)
    return [] if built is None else [_PSI.from_si(pa) for pa in built.boost_steps]


def _not_good(columns: Columns, boosted: Mask) -> list[NotGood]:
    """Every measured channel of the vehicle that was not good at some tick."""
    found, settings = [], columns.drive.plan.settings
    for name, spec in settings.channels.items():
        if not isinstance(spec, MeasuredChannel) or isinstance(settings.sources[spec.source], HostSource):
            continue
        qualities = columns.quality(name)
        bad = qualities != Quality.GOOD
        if bad.any():
            seconds = {
                Quality(int(q)).words: round(float(columns.steps[qualities == q].sum()), 2)
                for q in np.unique(qualities[bad])
            }
            found.append(NotGood(name, seconds, round(float(columns.steps[bad & boosted].sum()), 2)))
    return found


def _highest(found: Figures, columns: Columns) -> None:
    if columns.roles.boost is None:
        return
    boost = columns.good(columns.roles.boost, "psi", Quality.WITHIN, Quality.SATURATED_HIGH)
    known = np.isfinite(boost)
    highest, row = lasted(np.where(known, boost, -99.0), known, columns.seconds, SUSTAINED_S)
    if highest is not None:
        found.highest_psi = highest
        found.highest_at = Moment(found.drive, round(float(columns.seconds[row]), 2))


def _ratio(columns: Columns, running: Mask) -> dict[int, float]:
    if not (columns.has("throttle") and columns.has("engine_speed")):
        return {}
    ratio = columns.good("map", "kPa") / columns.good("air_pressure", "kPa", Quality.WITHIN)
    speed, throttle = columns.good("engine_speed", "rpm"), columns.good("throttle", "%")
    # Boost has come a moment after the throttle opens.
    wide = np.lib.stride_tricks.sliding_window_view(np.concatenate((np.full(49, np.nan), throttle)), 50).min(axis=1)
    rows = running & (wide > _WIDE_PERCENT) & np.isfinite(ratio) & np.isfinite(speed)
    return _cells(columns, rows, np.floor(speed / _SPEED_STEP_RPM), ratio)


def _cells(columns: Columns, rows: Mask, cell: Floats, values: Floats) -> dict[int, float]:
    return {
        int(c): float(np.median(values[rows & (cell == c)]))
        for c in np.unique(cell[rows])
        if columns.steps[rows & (cell == c)].sum() >= _LEAST_S
    }


def _idle(columns: Columns, running: Mask, mixture: Floats) -> float | None:
    """The manifold's middle at a warm idle; by its own stillness where nothing else tells."""
    kpa = columns.good(columns.roles.pressure, "kPa")
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
    field_of = {"idle": "idle_kpa", "supply": "supply_lowest", "response": "response_s", "warm up": "warm_up_s"}
    values = [getattr(d, field_of[kind]) for d in drives]
    return [{} if value is None else {0: value} for value in values]
