"""What is wrong with the wires rather than with the sensor, where that explains the points with fewer parameters.

A ground that stands higher adds the same voltage to all points; a wrong supply of a ratiometric sensor scales them all
by one factor. Each has one parameter where a new curve has two. It is named where its residuals are no worse than one
parameter more should make them: chi-square may grow by 3.84, which chance exceeds once in twenty times.

A sensor that is itself a little beyond its data sheet looks the same. So a small effect is told as one of two, which
these points cannot tell apart, with what to measure.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from cabcanary.calibration.fit import chi_square_of, places_of
from cabcanary.calibration.least_squares import UnsolvableError, chance_above, solve
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.calibration.fit import Result
    from cabcanary.calibration.least_squares import Array
    from cabcanary.calibration.points import Session
    from cabcanary.calibration.sensor import Sensor

#: What chi-square with one degree of freedom exceeds once in twenty times.
_ONE_MORE = 3.84
_LIKELY = 0.05
#: A sensor whose data sheet is not known may be off by this share of its range by itself (common practice: 1 to 2 %).
_OWN_ERROR = 0.02
_USUAL_SUPPLY_V = 5.0
#: A sensor that is beyond its data sheet is seldom so by more than these times its limits: by its gain, as a wrong
#: supply, or by its zero, as a ground. Found on simulated sensors with up to 3 % of gain and 30 mV of zero.
_OWN_GAIN, _OWN_ZERO = 1.8, 1.3
#: With fewer places any two errors make up a line, and so does one.
_LEAST_PLACES = 3


class Cause(NamedTuple):
    """`what` is "ground" or "supply", `volts` what would be measured there, `words` what to measure and why. Not
    `sure`: the sensor may as well be beyond its data sheet, and these points cannot tell."""

    what: str
    volts: float
    chi_square: float
    words: str
    sure: bool = True


def causes(session: Session, sensor: Sensor, result: Result) -> list[Cause]:
    """What of the wires explains the points as well as a new slope and offset, the better one first."""
    if not sensor.is_voltage or places_of(session.points, sensor) < 2:
        return []
    look = _Look(session, sensor, result)
    found = [cause for cause in (look.ground(), look.supply()) if cause is not None]
    return sorted(found, key=lambda c: c.chi_square)


class _Look:
    def __init__(self, session: Session, sensor: Sensor, result: Result) -> None:
        self.sensor, self.result, self.limits = sensor, result, session.limits
        self.places = places_of(session.points, sensor)
        self.x = np.array([p.readings.mean for p in session.points])
        self.off = np.array([p.reference for p in session.points]) - sensor.over(self.x)
        self.slopes = np.array([sensor.slope(float(w)) for w in self.x])
        self.uncertainties = np.maximum(result.unexplained, 1e-9 * sensor.range)
        self.to_volts = sensor.chain.shown.factor
        #: Off by less than this, a sensor is as its maker says.
        self.own = max(sensor.spec.accuracy, 0.0) or _OWN_ERROR * sensor.range

    def ground(self) -> Cause | None:
        """The same voltage at all points."""
        if "-" in self.sensor.spec.item:
            return None  # a differential input does not see it
        found = self._one(-self.slopes)
        if found is None:
            return None
        volts, chi_square = found[0] * self.to_volts, found[1]
        beside = self.sensor.spec.ground
        if beside.fixed:
            volts += beside.fixed
        if not self._sure(found[2], _OWN_ZERO):
            return self._unsure(
                Cause("ground", volts, chi_square, f"a ground offset of {spelt(volts, 3)} V"),
                "between the sensor's ground and the converter's, with everything on that is on while driving",
            )
        words = (
            f"a ground offset of {spelt(volts, 3)} V explains these points as well as a new slope and offset: measure "
            f"between the sensor's ground and the converter's, with everything on that is on while driving; "
            f"{spelt(volts, 3)} V there would explain them. If there is none, it is the sensor's own zero"
        )
        return Cause("ground", volts, chi_square, words)

    def supply(self) -> Cause | None:
        """One factor on all voltages."""
        nominal = self._nominal()
        found = None if nominal is None else self._one(self.slopes * self.x)
        if nominal is None or found is None:
            return None
        volts, chi_square = nominal / (1.0 + found[0]), found[1]
        if not self._sure(found[2], _OWN_GAIN):
            wrong = f"a supply of {spelt(volts, 4)} V in place of {spelt(nominal, 3)} V"
            return self._unsure(
                Cause("supply", volts, chi_square, wrong), f"{spelt(nominal, 3)} V at the sensor, plugged in"
            )
        words = (
            f"a supply of {spelt(volts, 4)} V in place of {spelt(nominal, 3)} V explains these points as well as a new "
            f"slope and offset: measure {spelt(nominal, 3)} V at the sensor, plugged in; {spelt(volts, 4)} V would "
            "explain these points. Mend the supply, or measure it (ratiometric), and calibrate again"
        )
        return Cause("supply", volts, chi_square, words)

    def _sure(self, effect: float, own: float) -> bool:
        """Whether a sensor by itself is seldom off by so much, in the channel's unit."""
        return effect > own * self.own and self.places >= _LEAST_PLACES

    def _unsure(self, cause: Cause, measure: str) -> Cause:
        """One of two that these points cannot tell apart."""
        sheet = f"{spelt(self.own, 2)} {self.sensor.unit}"
        words = (
            f"the sensor is beyond its data sheet (\N{PLUS-MINUS SIGN} {sheet}), or there is {cause.words}: these "
            f"points can't tell which. Measure {measure}; if that is well, it is the sensor, and the new curve holds"
        )
        return cause._replace(words=words, sure=False)

    def _nominal(self) -> float | None:
        """The supply that the output is a share of, V; None where it cannot be, or is measured."""
        spec = self.sensor.spec
        if spec.ratiometric is not None:
            return None if spec.ratiometric.measured else spec.ratiometric.nominal
        volts = max(self.sensor.wire_ends) * self.to_volts
        if spec.measures in ("supply_voltage", "voltage") or volts > _USUAL_SUPPLY_V:
            return None
        return _USUAL_SUPPLY_V

    def _one(self, column: Array) -> tuple[float, float, float] | None:
        """The one parameter that this column decides, chi-square with it, and what it does at the most; None where it
        explains nothing, or the sensor may be so by itself."""
        common = np.full(len(self.x), self.limits / math.sqrt(3.0))
        # An error of the reference that all points share is a second unknown, held near zero by what is known of it.
        design = np.column_stack([column, common])
        data, weights = np.append(self.off, 0.0), np.append(self.uncertainties, 1.0)
        design = np.vstack([design, [0.0, 1.0]]) if self.limits else design[:, :1]
        if not self.limits:
            data, weights = data[:-1], weights[:-1]
        try:
            solution = solve(design, data, weights)
        except UnsolvableError:
            return None
        parameter = float(solution.parameters[0])
        uncertainty = math.sqrt(float(solution.covariance(weights)[0, 0]))
        left = self.off - column * parameter
        chi_square = chi_square_of(left, self.uncertainties, self.limits)
        degrees = len(self.x) - 1
        explains = chi_square - self.result.chi_square <= _ONE_MORE and chance_above(chi_square, degrees) >= _LIKELY
        effect = float(np.max(np.abs(column * parameter)))
        if not explains or abs(parameter) <= 2.0 * uncertainty or effect <= self.own:
            return None
        return parameter, chi_square, effect
