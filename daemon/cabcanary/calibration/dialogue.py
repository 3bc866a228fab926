"""Takes the points one after the other at a terminal."""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING

from cabcanary import units
from cabcanary.calibration.lean_end import LeanEnd, lean_end
from cabcanary.calibration.points import Point, Session
from cabcanary.calibration.refusals import of_point
from cabcanary.calibration.wires import NoReadingsError, reference_from
from cabcanary.calibration.words import readings_line
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.calibration.points_file import Subject
    from cabcanary.calibration.wires import Ear

_NUMBER = r"[-+]?\d+(?:[.,]\d+)?"
_TYPED = re.compile(rf"(?P<value>{_NUMBER})\s*(?:(?:±|\+-|\+/-)\s*(?P<within>{_NUMBER})\s*)?(?P<unit>[^\d\s±+-]\S*)?")


class StoppedError(Exception):
    """The person has had enough; nothing was changed."""


class TypedError(ValueError):
    """It cannot be read so; the message says how to write it."""


def typed(text: str, symbol: str) -> tuple[float, float | None]:
    """'14.7 psi', '101.3 ± 0.5', '101,3 +- 0,5 kPa' -> the value and its plus or minus, in this unit.

    Raises:
        TypedError: it is no number, or its unit measures something else.
    """
    match = _TYPED.fullmatch(text.strip())
    if match is None:
        raise TypedError(f"'{text.strip()}' is no number; write it as in '101.3', '14.7 psi' or '101.3 ± 0.5'")
    value = float(match["value"].replace(",", "."))
    within = float(match["within"].replace(",", ".")) if match["within"] else None
    given = match["unit"] or symbol
    try:
        size = units.difference(1.0, given, symbol)
        value = units.convert(value, given, symbol)
    except units.UnitError as error:
        raise TypedError(str(error)) from error
    if not math.isfinite(value) or (within is not None and within < 0):
        raise TypedError("plus or minus is a number above zero")
    return value, None if within is None else within * size


class Dialogue:
    """`ask` shows a prompt and returns a line (EOFError: the person stops); `tell` shows one."""

    def __init__(
        self, ask: Callable[[str], str], tell: Callable[[str], None], ear: Ear, subject: Subject, seconds: float
    ) -> None:
        self._ask, self._tell, self._ear, self._subject, self._seconds = ask, tell, ear, subject, seconds

    def hold(self) -> Session:
        """Ask what the reference is, then for one point after the other.

        Raises:
            StoppedError: the person stopped.
        """
        unit = self._subject.sensor.unit
        self._begin()
        reference = self._line("What is the reference (a trusted gauge, a meter, key-on air)?")
        limits = self._number(
            f"Its own limits of error, plus or minus, in {unit}, the same at all points (its data sheet):", needed=True
        )
        reading = self._number(
            f"How finely it is read, plus or minus, in {unit}, half of its smallest division (Enter: nobody knows):"
        )
        air, air_within = self._air()
        serial = self._line("The sensor's serial number (Enter: none):")
        points = self._points(reading, air)
        # What the air is uncertain by is the same at all points too; the sum is on the safe side.
        return Session(tuple(points), (limits or 0.0) + air_within, reference, serial)

    def hold_lean_end(self) -> LeanEnd:
        """A wideband hangs in free air.

        Raises:
            StoppedError: the person stopped.
            NoReadingsError: it says nothing.
        """
        self._begin()
        self._tell(
            "No curve is made for a wideband: its lean end is looked at. It is in free air, and hot: mind your hands."
        )
        self._line("Enter when it hangs in free air and has warmed up:")
        heard = self._ear.hear(self._seconds)
        self._tell(f"   {readings_line(heard, self._subject.sensor.wire_unit)}")
        return lean_end(heard, self._subject.sensor)

    def _begin(self) -> None:
        name, place = self._subject.sensor.name, self._ear.place
        self._tell(f"Readings of {name} come from {place}; nothing is sent. Ctrl-D stops, nothing is changed.")

    def _air(self) -> tuple[float, float]:
        """What is added to what a gauge shows, and its plus or minus, in the channel's unit."""
        sensor = self._subject.sensor
        if not sensor.is_absolute_pressure:
            return 0.0, 0.0
        while True:
            line = self._line(
                f"{sensor.name} is absolute. If the reference shows pressure above the air, as a hand pump's gauge "
                f"does: the air's pressure now, in {sensor.unit}, such as 101.3 ± 0.3 (Enter: it shows absolute ones):"
            )
            if not line:
                return 0.0, 0.0
            try:
                value, within = typed(line, sensor.unit)
            except TypedError as error:
                self._tell(f"   {error}")
            else:
                return value, within or 0.0

    def _points(self, reading: float | None, air: float) -> list[Point]:
        points: list[Point] = []
        self._tell("")
        while True:
            first = "first" if not points else "next"
            line = self._line(
                f"Point {len(points) + 1}: bring it to the {first} value, hold it, and type what the reference shows "
                "(or a channel's name; undo; done):"
            )
            if line == "done":
                return points
            if line == "undo":
                self._tell(
                    f"   taken back: {spelt(points.pop().reference, 5)}" if points else "   there is no point yet"
                )
                continue
            if line:
                point = self._one(line, reading, air, len(points) + 1)
                points += [point] if point is not None else []

    def _one(self, line: str, reading: float | None, air: float, number: int) -> Point | None:
        """The point of this line; None where it is none, which has been told."""
        sensor = self._subject.sensor
        try:
            if line in self._subject.units:
                heard = self._ear.hear(self._seconds)
                value, within = reference_from(self._ear, line, sensor.unit, self._subject.units), None
            else:
                value, within = typed(line, sensor.unit)
                value += air
                heard = self._ear.hear(self._seconds)
        except (TypedError, NoReadingsError) as error:
            self._tell(f"   {error}")
            return None
        self._tell(
            f"   {readings_line(heard, sensor.wire_unit)}: {spelt(sensor.old(heard.mean), 5)} {sensor.unit} by now"
        )
        point = Point(value, heard, reading if within is None else within)
        reasons = list(of_point(point, sensor, f"point {number}"))
        for reason in reasons:
            self._tell(f"   not taken: {reason}")
        return None if reasons else point

    def _number(self, prompt: str, *, needed: bool = False) -> float | None:
        while True:
            line = self._line(prompt)
            if not line and not needed:
                return None
            try:
                value, _ = typed(f"0 ± {line.removeprefix('±').strip()}", self._subject.sensor.unit)
                return abs(_) if _ is not None else abs(value)
            except TypedError:
                self._tell(f"   write a number, such as 0.5, in {self._subject.sensor.unit}")

    def _line(self, prompt: str) -> str:
        try:
            return self._ask(f"{prompt}\n> ").strip()
        except EOFError:
            raise StoppedError from None
