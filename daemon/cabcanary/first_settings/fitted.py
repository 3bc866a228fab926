"""What can be built with the answers so far: a sensor is fitted when everything that its channel needs is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary import units

if TYPE_CHECKING:
    from cabcanary.first_settings.answers import Answers

#: Pipes are cylinders here; litres.
_LITRES_IN_M3 = 1000.0
_CIRCLE = 0.7853981633974483  # a quarter of pi: area of a circle over the square of its diameter


def si(text: str) -> float:
    """A quantity with its unit, in SI."""
    value, unit = units.parse_quantity(text)
    return unit.to_si(value)


class Fitted:
    """Which channels the answers make; each is False while one of its answers is missing."""

    def __init__(self, answers: Answers) -> None:
        self.answers = answers
        converter = answers.converter.device is not None
        w, p = answers.wideband, answers.manifold_pressure
        scaled = w.scale == "lambda" or (w.scale == "AFR" and w.afr_scale is not None)
        by_voltage = w.signal == "voltage" and converter and None not in (w.input, w.points)
        by_text = w.signal == "text" and None not in (w.port, w.baud, w.item, w.ends)
        self.wideband = scaled and (by_voltage or by_text)
        self.pressure = converter and None not in (p.input, p.points, p.unit, p.against)
        self.supply = converter and None not in (answers.supply.input, answers.supply.upper, answers.supply.lower)
        bus = answers.bus
        self.bus = None not in (bus.interface, bus.channel) and (
            bus.interface == "socketcan" or bus.bitrate is not None
        )
        s = answers.engine_speed
        self.speed_wire = converter and None not in (s.input, s.points)
        self.speed = self.bus or self.speed_wire
        t = answers.charge_temperature
        resistive = None not in (t.pull_up, t.r25, t.beta)
        self.charge_temperature = converter and t.input is not None and (t.points is not None or resistive)
        self.converter = self.pressure or self.supply or self.speed_wire or self.charge_temperature or by_voltage

    @property
    def pipe_litres(self) -> float | None:
        """The volume from the ports to the wideband, L; None while it is not known."""
        e = self.answers.exhaust
        if e.volume is not None:
            return si(e.volume) * _LITRES_IN_M3
        if e.length is None or e.bore is None:
            return None
        return si(e.length) * si(e.bore) ** 2 * _CIRCLE * _LITRES_IN_M3

    @property
    def gas_by_flow(self) -> bool:
        """Whether the gas's way to the wideband can be reckoned from volume over flow."""
        known = self.pipe_litres is not None and self.answers.vehicle.displacement is not None
        return known and self.speed and self.pressure

    @property
    def runs(self) -> bool:
        """Whether something tells that the engine runs: without it there is no drive."""
        return self.pressure or self.speed
