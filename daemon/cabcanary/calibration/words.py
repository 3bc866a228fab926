"""A calibration in sentences, for a person."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.calibration.settings_edit import fragment
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Iterator

    from cabcanary.calibration.causes import Cause
    from cabcanary.calibration.fit import Result
    from cabcanary.calibration.points import Readings, Session
    from cabcanary.calibration.sensor import Sensor

#: Said before anybody brings a sensor to a value.
SAFETY_HERE = (
    "Set up parked, the engine off unless a point needs it. A hand pump with a gauge for pressures: no compressed "
    "air on a sensor or its hose. Keep clear of hot parts and belts, keep fuel away from sparks and heat, ventilate."
)


def readings_line(readings: Readings, unit: str) -> str:
    """What the wire said: readings: 1.234 V ± 0.002 (noise), 50 of them."""
    noise = spelt(readings.noise, 2)
    moved = f", moved by {spelt(readings.drift, 2)} {unit}" if readings.moves else ""
    return f"readings: {spelt(readings.mean, 5)} {unit} ± {noise} (noise), {readings.number} of them{moved}"


def lines(session: Session, sensor: Sensor, result: Result, keys: dict[str, Any], named: list[Cause]) -> Iterator[str]:
    """The points, the curve, what it is worth, what the wires may have to do with it."""
    unit, new = sensor.unit, type(sensor)(sensor.name, result.channel, sensor.source_unit)
    against = f" against {session.reference}" if session.reference else ""
    limits = f" (± {spelt(session.limits, 3)} {unit} at all points alike)" if session.limits else ""
    number = len(session.points)
    yield f"{sensor.name}: {number} point{'s' if number != 1 else ''}{against}{limits}"
    head = (f"reads, {sensor.wire_unit}", f"reference, {unit}", "old curve", "new curve", "left")
    yield "  " + " ".join(f"{h:>16}" for h in head)
    for p in session.points:
        told, wire = (
            f"{spelt(p.reference, 5)} ± {spelt(p.reading, 2)}" if p.reading else spelt(p.reference, 5),
            p.readings,
        )
        row = (spelt(wire.mean, 5), told, spelt(sensor.old(wire.mean), 5), spelt(new.old(wire.mean), 5))
        yield "  " + " ".join(f"{c:>16}" for c in (*row, spelt(p.reference - new.old(wire.mean), 2, "+")))
    yield ""
    yield f"Fitted: {result.form.words}."
    yield from _worth(sensor, result, keys)
    for cause in named:
        yield ""
        yield f"{'LOOK AT THE WIRES FIRST' if cause.sure else 'ONE OF TWO'}: {cause.words}."
    yield ""
    yield "For drives already recorded (cabcanary reconvert DRIVE --curve FILE), and for the settings:"
    yield ""
    yield from fragment(sensor.name, keys).splitlines()


def interval_sentence(sensor: Sensor, result: Result) -> str:
    """How far the curve may be from the truth."""
    low, high = result.holds
    where = f"From {spelt(low, 4)} to {spelt(high, 4)} {sensor.unit}"
    text = f"{where} the curve is right within ± {spelt(result.within, 2)} {sensor.unit} (95 %)"
    if result.within_points < 0.95 * result.within:
        text += f", between the points within ± {spelt(result.within_points, 2)} {sensor.unit}"
    return text + "."


def _worth(sensor: Sensor, result: Result, keys: dict[str, Any]) -> Iterator[str]:
    unit = sensor.unit
    yield interval_sentence(sensor, result)
    if len(result.along) > 2:
        yield "  " + ", ".join(f"{spelt(a.value, 4)} ± {spelt(a.within, 2)}" for a in result.along) + f" {unit}"
    if result.holds[1] - result.holds[0] < 0.5 * sensor.range:
        yield "Further away nothing is known of it: one point, and no limits of error (accuracy) of the sensor."
    how = (
        f"from {result.degrees} degree{'s' if result.degrees != 1 else ''} of freedom "
        f"(Student's t = {spelt(result.coverage_factor, 3)})"
        if not result.stated
        else f"the larger of what the points show ({result.degrees} degrees of freedom) and what was stated of them"
        if result.degrees
        else "from what was stated of the points"
    )
    yield f"Left about the curve: {spelt(result.scatter, 2)} {unit}, {how}."
    yield (
        f"From now on {sensor.name} carries residual = {spelt(keys['residual'], 3)} {unit}, scatter and curve "
        "together: 'possible' and 'certain' in rules look two of them to each side."
    )
    if sensor.spec.accuracy:
        yield (
            f"accuracy = {spelt(sensor.spec.accuracy, 3)} {unit} still counts beside it: lower it to what the data "
            "sheet gives for heat and age alone, which no calibration takes away."
        )
