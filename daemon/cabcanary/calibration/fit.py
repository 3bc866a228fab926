"""Points -> the curve that fits them best, what is left, and how far it may be from the truth.

Uncertainties go by the Guide to the Expression of Uncertainty in Measurement (JCGM 100:2008): a limit of error plus or
minus a is a rectangular distribution (4.3.7), so is a converter's step; noise is Student's t with the degrees of
freedom of its readings (G.3). They are carried through the fit to first order (5.1.2). The interval is taken from the
distribution that comes of them (JCGM 101:2008, propagation of distributions), since a rectangle that outweighs the
rest is no normal distribution. It holds for the whole curve at once: the largest deviation along the range counts.
"""

from __future__ import annotations

import math
from itertools import pairwise
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from cabcanary.calibration.forms import Form, form_for
from cabcanary.calibration.least_squares import Solution, UnsolvableError, chance_above, solve
from cabcanary.student import student_95

if TYPE_CHECKING:
    from cabcanary.calibration.least_squares import Array
    from cabcanary.calibration.points import Point, Session
    from cabcanary.calibration.sensor import Sensor
    from cabcanary.settings.sensors import MeasuredChannel

_SQRT_3 = math.sqrt(3.0)
#: So many draws leave 0.2 % of chance in a 95 % interval; the same seed makes the same interval of the same points.
_DRAWS, _SEED = 20_000, 1
_LEVEL = 0.95
#: Points nearer to each other than this share of the range are one place: the same value taken twice.
_ONE_PLACE = 0.02


class Unfit(Exception):  # noqa: N818 - it is the points that are unfit, not the program
    """The points make no calibration; `reasons` are sentences for a person."""

    def __init__(self, reasons: list[str]) -> None:
        self.reasons = reasons
        super().__init__("; ".join(reasons))


class At(NamedTuple):
    """The curve at one place: reading, value, and plus or minus what it may be off there (95 %)."""

    wire: float
    value: float
    within: float


class Result(NamedTuple):
    """A fitted curve. Values are in the channel's unit."""

    form: Form
    solution: Solution
    #: Standard deviation of the points about the curve, and its degrees of freedom; 0: it comes from what was stated.
    scatter: float
    degrees: int
    #: Half of the widest 95 % interval of a single place of the range: two of them are that interval.
    curve_uncertainty: float
    #: 95 %: nowhere in the range, and nowhere between the points, is the curve further off than this.
    within: float
    within_points: float
    #: Where the interval holds: the whole range, or around a single point.
    holds: tuple[float, float]
    along: tuple[At, ...]
    deviations: tuple[float, ...]
    #: How often healthy points scatter more than these; None where nothing is left over or no uncertainty was stated.
    chance: float | None
    chi_square: float
    #: Standard uncertainty of each point by itself, in the channel's unit: as stated, else as the points scatter.
    unexplained: Array
    #: Whether what a reference was read with was stated, or taken from the scatter.
    stated: bool
    #: What the settings say from now on, without `residual`.
    keys: dict[str, Any]
    channel: MeasuredChannel

    @property
    def residual(self) -> float:
        """What the channel carries from now on, so that two of it (the rules' widening) are 95 %: the scatter, times
        Student's t over 2 where nothing but few points has shown it, and the curve's own uncertainty."""
        return math.hypot(self.scatter * self.coverage_factor / 2.0, self.curve_uncertainty)

    @property
    def coverage_factor(self) -> float:
        """Student's t for 95 % with the degrees of freedom of the scatter; 2 where it was stated (JCGM 100:2008,
        G.6.4)."""
        return 2.0 if self.stated else student_95(self.degrees)


def places_of(points: tuple[Point, ...], sensor: Sensor) -> int:
    """How many different places of the range the points are at."""
    values = sorted(p.reference for p in points)
    gap = _ONE_PLACE * sensor.range
    return 1 + sum(b - a > gap for a, b in pairwise(values))


def fit(session: Session, sensor: Sensor) -> Result:
    """Fit the session's points.

    Raises:
        Unfit: they decide no curve, or one that cannot be.
    """
    points = session.points
    form = form_for(sensor, len(points), places_of(points, sensor))
    x = np.array([p.readings.mean for p in points])
    y = np.array([p.reference for p in points])
    slopes = np.array([sensor.slope(float(w)) for w in x])
    stated = all(p.reading is not None for p in points)
    single = _Single(points, sensor, slopes)
    z_slopes = form.z_slope(y)
    weights = single.uncertainties(stated) * np.abs(z_slopes)
    try:
        solution = solve(form.design(x), form.z(y) - form.base(x), weights)
    except UnsolvableError as error:
        raise Unfit([f"{error}: spread them over the range"]) from error
    if not stated and not solution.degrees:
        raise Unfit(
            ["how finely the reference was read was not said, and so few points do not show it: say it, or take more"]
        )
    keys = form.curve(solution.parameters)
    try:
        channel = sensor.changed(keys)
    except ValueError as error:
        if "Steinhart" in form.words:
            raise Unfit(["the points bend as no thermistor does: a slip of the pen, or one had not settled"]) from error
        raise Unfit([f"the points make no curve: {_first(error)}"]) from error
    deviations = solution.residuals / z_slopes
    unexplained = single.uncertainties(stated) * (1.0 if stated else solution.scale)
    chi_square = chi_square_of(deviations, unexplained, session.limits)
    scatter, degrees = _scatter(solution, single, deviations, stated=stated)
    draws = single.draws(session.limits, solution if not stated else None)
    spread = _Spread(form, solution, sensor, draws * z_slopes)
    spread.tilt(x, y, sensor)
    return _result(
        form, solution, sensor, channel, keys, spread, x, scatter, degrees, deviations, unexplained, chi_square,
        stated=stated,
    )  # fmt: skip


def bend(session: Session, sensor: Sensor) -> float:
    """How far the points lie, at worst, from the old curve with another offset and slope, in the channel's unit."""
    old = sensor.over(np.array([p.readings.mean for p in session.points]))
    values = np.array([p.reference for p in session.points])
    line = solve(np.column_stack([np.ones(len(old)), old]), values, np.ones(len(old)))
    return float(np.max(np.abs(line.residuals)))


def chi_square_of(deviations: Array, uncertainties: Array, limits: float) -> float:
    """Sum of squares of deviations over their uncertainties, where all share an error within plus or minus `limits`
    (the inverse of a diagonal matrix and a common part, by Sherman and Morrison's formula)."""
    weights = 1.0 / uncertainties**2
    common = limits**2 / 3.0
    shared = float(weights @ deviations)
    return float(weights @ deviations**2) - common * shared**2 / (1.0 + common * float(np.sum(weights)))


def _first(error: ValueError) -> str:
    """The sentence of an error that may be pydantic's."""
    errors = getattr(error, "errors", None)
    if errors is None:
        return str(error)
    first = errors(include_url=False)[0]
    return f"{first['loc'][-1]}: {first['msg']}"


class _Single:
    """What may be off at each point by itself, in the channel's unit."""

    def __init__(self, points: tuple[Point, ...], sensor: Sensor, slopes: Array) -> None:
        steps = np.array([sensor.step_at(p.readings.mean) for p in points])
        noise = np.array([p.readings.noise for p in points])
        # Noise that is larger than half a step makes the mean finer than the step, and holds it already.
        self.step = np.where(noise < 0.5 * steps, steps / 2, 0.0) * np.abs(slopes)
        self.noise = np.array([p.readings.of_mean for p in points]) * np.abs(slopes)
        self.counts = [p.readings.number for p in points]
        self.reading = np.array([p.reading or 0.0 for p in points])
        # Points that nothing is known of weigh the same: a thousandth of a thousandth of the range.
        self.least = 1e-6 * sensor.range

    def uncertainties(self, stated: bool) -> Array:
        """Standard uncertainties, for the weights."""
        squares = self.noise**2 + (self.step**2 + self.reading**2) / 3.0 + self.least**2
        if not stated:
            # The scatter is of the readings of the reference: noise and step are small beside it, or in it.
            return np.ones_like(self.noise)
        result: Array = np.sqrt(squares)
        return result

    def draws(self, limits: float, unstated: Solution | None) -> Array:
        """What may be off, drawn: an array (draws, points)."""
        random = np.random.default_rng(_SEED)
        shape = (_DRAWS, len(self.noise))
        common = limits * random.uniform(-1.0, 1.0, (_DRAWS, 1))
        if unstated is not None:
            # Scatter s with its degrees of freedom: one chi-square for all points (JCGM 100:2008, G.3.2).
            t = random.standard_normal(shape) / np.sqrt(
                random.chisquare(unstated.degrees, (_DRAWS, 1)) / unstated.degrees
            )
            return common + unstated.scale * t
        total = common + self.reading * random.uniform(-1.0, 1.0, shape) + self.step * random.uniform(-1.0, 1.0, shape)
        for n, count in enumerate(self.counts):
            if count > 1:
                total[:, n] += self.noise[n] * random.standard_t(count - 1, _DRAWS)
        return total


class _Spread:
    """How the curve moves with what may be off: an array (draws, looks), in the channel's unit."""

    def __init__(self, form: Form, solution: Solution, sensor: Sensor, z_draws: Array) -> None:
        self.wires = sensor.looks()
        self.values = np.clip(sensor.over(self.wires), *sensor.ends)
        moved = z_draws @ solution.of_data.T @ form.design(self.wires).T
        self.off = moved / form.z_slope(self.values)
        self.only_offset = form.only_offset
        self.known = sensor.spec.accuracy > 0
        self._form, self._solution = form, solution

    def tilt(self, x: Array, y: Array, sensor: Sensor) -> None:
        """One point says nothing of the slope: it stays as uncertain as the data sheet leaves it. Within its limits
        of error at both ends a line can turn by twice them over the range."""
        if not self.only_offset:
            return
        if not self.known:
            near = np.abs(self.values - float(np.mean(y))) <= _NEAR * sensor.range
            self.wires, self.values, self.off = self.wires[near], self.values[near], self.off[:, near]
            return
        limit = 2.0 * sensor.spec.accuracy / sensor.range
        turned = np.random.default_rng(_SEED + 1).uniform(-limit, limit, (_DRAWS, 1))
        self.off = self.off + turned * (self.values - float(np.mean(sensor.over(x))))


#: A single point of a sensor without limits of error speaks of this share of the range to each side, and no more.
_NEAR = 0.05
#: The curve is told at so many places.
_TOLD = 5


def _scatter(solution: Solution, single: _Single, deviations: Array, *, stated: bool) -> tuple[float, int]:
    """Standard deviation about the curve. It is not believed to be smaller than what was stated: two points of four
    degrees of freedom may well lie on the curve by chance."""
    degrees = solution.degrees
    seen = math.sqrt(float(np.sum(deviations**2)) / degrees) if degrees else 0.0
    if not stated:
        return seen, degrees
    expected = math.sqrt(float(np.mean(single.uncertainties(True) ** 2)))
    return max(seen, expected), degrees if seen > expected else 0


def _result(
    form: Form, solution: Solution, sensor: Sensor, channel: MeasuredChannel, keys: dict[str, Any], spread: _Spread,
    x: Array, scatter: float, degrees: int, deviations: Array, unexplained: Array,
    chi_square: float, *, stated: bool,
) -> Result:  # fmt: skip
    off = np.abs(spread.off)
    inside = (spread.wires >= np.min(x)) & (spread.wires <= np.max(x))
    new = type(sensor)(sensor.name, channel, sensor.source_unit)
    told = np.linspace(0, len(spread.wires) - 1, min(_TOLD, len(spread.wires))).round().astype(int)
    along = tuple(
        At(float(spread.wires[n]), new.old(float(spread.wires[n])), float(np.quantile(off[:, n], _LEVEL))) for n in told
    )
    return Result(
        form=form,
        solution=solution,
        scatter=scatter,
        degrees=degrees,
        curve_uncertainty=float(np.max(np.quantile(off, _LEVEL, axis=0))) / 2.0,
        within=float(np.quantile(np.max(off, axis=1), _LEVEL)),
        within_points=float(np.quantile(np.max(off[:, inside], axis=1), _LEVEL)) if np.any(inside) else along[0].within,
        holds=(float(np.min(spread.values)), float(np.max(spread.values))),
        along=along,
        deviations=tuple(float(d) for d in deviations),
        chance=chance_above(chi_square, solution.degrees) if stated and solution.degrees else None,
        chi_square=chi_square,
        unexplained=unexplained,
        stated=stated,
        keys=keys,
        channel=channel,
    )
