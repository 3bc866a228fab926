"""Points and curves that are no calibration, each with the reason."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cabcanary.calibration.causes import causes
from cabcanary.calibration.fit import Result, Unfit, bend, fit
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.calibration.points import Point, Session
    from cabcanary.calibration.sensor import Sensor

#: A slope takes points this share of the range apart: an error between them grows fivefold towards the range's ends.
_APART = 0.2
#: A wire that scatters by more than this share of the range, at rest, is loose or open.
_NOISIEST = 0.01
#: Where nobody said how finely the reference was read, it must not move by more than this share of the range.
_STILL = 0.002
#: Of this few healthy sessions in a hundred the points scatter more than what was stated allows.
_CHANCE = 0.01
#: A slope or an offset beyond these is another sensor, or a slip of the pen: sensors of the trade keep within a tenth.
_SLOPE, _OFFSET = 0.3, 0.1
#: A wire that changes by less than this share of what the reference did is not connected to it.
_FOLLOWS = 0.2
#: One that changes by more than this many times as much is in another unit: 2.04 is from inHg to psi, the nearest pair.
_OUTRUNS = 2.0
#: As many points as parameters go through a slip too. No thermistor bends otherwise than another one by more than this.
_BENT = 0.02
#: A curve that may be off by this share of the range says nothing.
_WIDEST = 0.1


def calibrated(session: Session, sensor: Sensor, *, other_sensor: bool = False) -> Result:
    """The fit of a session that is fit to be one; `other_sensor`: the settings' curve is another sensor's.

    Raises:
        Unfit: with every reason.
    """
    reasons = [reason for n, point in enumerate(session.points, 1) for reason in of_point(point, sensor, f"point {n}")]
    if not session.points:
        reasons.append("there are no points")
    reasons += _apart(session, sensor)
    if reasons:
        raise Unfit(reasons)
    result = fit(session, sensor)
    reasons = list(_of_result(result, session, sensor, other_sensor=other_sensor))
    if reasons:
        # A wire that is wrong enough makes a curve that is refused: the cure is the wire.
        raise Unfit(reasons + [cause.words for cause in causes(session, sensor, result)])
    return result


def of_point(point: Point, sensor: Sensor, name: str) -> Iterator[str]:
    """What is wrong with one point by itself."""
    reads, unit = point.readings, sensor.wire_unit
    low, high = sensor.ends
    if not low <= point.reference <= high:
        yield (
            f"{name}: {spelt(point.reference, 5)} {sensor.unit} is outside the sensor's range, {spelt(low, 5)} to "
            f"{spelt(high, 5)} {sensor.unit}: typed in another unit, or a slip of the pen?"
        )
    if not np.isfinite(reads.mean) or sensor.is_at_end(reads.mean) or _on_rail(reads.mean, sensor):
        ends = f"{spelt(sensor.wire_ends[0], 4)} to {spelt(sensor.wire_ends[1], 4)} {unit}"
        yield f"{name}: {spelt(reads.mean, 5)} {unit} is at a rail or at the curve's end ({ends}): it says nothing"
        return
    slope = abs(sensor.slope(reads.mean))
    noisiest = sensor.spec.health.noisiest or _NOISIEST * sensor.range
    if reads.noise * slope > min(noisiest, _NOISIEST * sensor.range):
        yield (
            f"{name}: the readings scatter by {spelt(reads.noise, 3)} {unit}, which is {spelt(reads.noise * slope, 3)} "
            f"{sensor.unit}: an open or loose wire, or a pressure that pulses"
        )
    allowed = point.reading or _STILL * sensor.range
    if reads.moves and abs(reads.drift) * slope > allowed:
        yield (
            f"{name}: the reading moved by {spelt(reads.drift, 3)} {unit}, which is {spelt(reads.drift * slope, 3)} "
            f"{sensor.unit}: a leak, or not settled yet; mend it or wait, and take the point again"
        )


def _on_rail(wire: float, sensor: Sensor) -> bool:
    """Rails are in volts where the curve is over a resistance: there the curve's own ends stand for them."""
    rails = sensor.spec.rails
    return rails is not None and sensor.spec.pull_up is None and not rails[0] <= wire <= rails[1]


def _apart(session: Session, sensor: Sensor) -> Iterator[str]:
    values = [p.reference for p in session.points]
    if len(set(values)) < 2:
        return
    spread = max(values) - min(values)
    shown = [sensor.old(p.readings.mean) for p in session.points]
    if max(shown) - min(shown) < _FOLLOWS * spread:
        yield (
            f"the wire does not follow the reference: it changed by {spelt(max(shown) - min(shown), 2)} {sensor.unit} "
            f"where that changed by {spelt(spread, 4)}; the wire or the hose is off, or it is another channel's"
        )
    if max(shown) - min(shown) > _OUTRUNS * spread:
        yield (
            f"the wire changed by {spelt(max(shown) - min(shown), 3)} {sensor.unit} where the reference changed by "
            f"{spelt(spread, 3)}: is the reference in another unit?"
        )
    if spread < _APART * sensor.range:
        yield (
            f"the points lie {spelt(spread, 3)} {sensor.unit} apart, too close together: a slope takes "
            f"{spelt(_APART * sensor.range, 3)} {sensor.unit}; spread them, or take one point for the offset alone"
        )


def _of_result(result: Result, session: Session, sensor: Sensor, *, other_sensor: bool) -> Iterator[str]:
    if result.chance is not None and result.chance < _CHANCE:
        worst = int(np.argmax(np.abs(result.deviations) / result.unexplained))
        yield (
            f"the points scatter by {spelt(result.scatter, 3)} {sensor.unit} about the curve, more than what was "
            f"stated of them allows (chi-square {spelt(result.chi_square, 3)}, degrees of freedom "
            f"{result.solution.degrees}; by chance in {spelt(100 * result.chance, 2)} % of such sessions); "
            f"furthest off is point {worst + 1}, by "
            f"{spelt(result.deviations[worst], 3)} {sensor.unit}: a slip of the pen, a leak, or swapped points"
        )
    new = type(sensor)(sensor.name, result.channel, sensor.source_unit)
    values = new.over(sensor.looks())
    if not (np.all(np.diff(values) > 0) or np.all(np.diff(values) < 0)):
        yield "the curve would turn round within its range, so that a reading could mean two things"
        return
    yield from _against_old(result, session, sensor, new, other_sensor=other_sensor)
    plausible = sensor.spec.plausible
    if plausible is not None and not (plausible[0] <= new.ends[0] and new.ends[1] <= plausible[1]):
        yield (
            f"the curve would reach from {spelt(new.ends[0], 4)} to {spelt(new.ends[1], 4)} {sensor.unit}, beyond what "
            f"the settings call plausible ({spelt(plausible[0], 4)} to {spelt(plausible[1], 4)})"
        )
    if result.within > _WIDEST * sensor.range:
        yield (
            f"these points leave the curve uncertain by plus or minus {spelt(result.within, 3)} {sensor.unit}: take "
            "more of them, further apart, or a better reference"
        )


def _against_old(result: Result, session: Session, sensor: Sensor, new: Sensor, *, other_sensor: bool) -> Iterator[str]:
    """What no sensor of the same kind would differ by."""
    looks = sensor.looks()
    wires = [p.readings.mean for p in session.points]
    low, high = min(wires), max(wires)
    if not result.form.only_offset and high > low:
        ratio = (new.old(high) - new.old(low)) / (sensor.old(high) - sensor.old(low))
        if ratio <= 0:
            yield "the value would fall where it must rise: two points are swapped, or two wires"
            return
        if abs(ratio - 1.0) > _SLOPE and not other_sensor:
            yield (
                f"the slope is {spelt(100 * abs(ratio - 1), 3)} % {'above' if ratio > 1 else 'below'} the old curve's: "
                "a wrong unit or a slip of the pen; if it is another sensor than the settings say, --other-sensor"
            )
            return
    if not result.solution.degrees and len(wires) > 2 and not other_sensor:
        bent = bend(session, sensor)
        if bent > _BENT * sensor.range:
            yield (
                f"the points bend otherwise than the old curve, by {spelt(bent, 3)} {sensor.unit}, and are too few to "
                "show a slip of the pen: take one more; if it is another sensor than the settings say, --other-sensor"
            )
    off = float(np.max(np.abs(new.over(looks) - sensor.over(looks))))
    if off > _OFFSET * sensor.range and not other_sensor:
        gauge = ", or a gauge's reading, which is above the air, for an absolute sensor"
        yield (
            f"the new curve is up to {spelt(off, 3)} {sensor.unit} off the old one: a wrong unit, a slip of the pen or "
            f"swapped points{gauge if sensor.is_absolute_pressure else ''}; "
            "if it is another sensor than the settings say, --other-sensor"
        )
