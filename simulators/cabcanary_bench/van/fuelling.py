"""The engine controller's fuel: commanded lambda, closed-loop trims, overrun fuel cut, wall film.

The tables are common practice for a carefully tuned small conversion, in the range of Heywood, ch. 7
(from memory); they are this van's, nobody's advice.
"""

from __future__ import annotations

import math

from cabcanary_bench.van.breathing import interpolate

#: Commanded lambda over boost, kPa: rich from 2 psi (13.8 kPa) on, a little richer at 6 psi (41.4 kPa).
_BOOST_KPA = [-15.0, 0.0, 13.8, 41.4, 80.0]
_BOOST_LAMBDA = [1.0, 0.95, 0.82, 0.80, 0.79]
#: Commanded lambda over coolant temperature, °C: fuel condenses on cold walls.
_COLD_C = [-20.0, 20.0, 50.0, 60.0]
_COLD_LAMBDA = [0.78, 0.88, 0.97, 1.0]

_CUT_ABOVE_RPM = 1300.0
_CUT_BELOW_RPM = 1100.0  # and resume here: the gap keeps it from hunting
_CUT_DELAY_S = 0.3
_FOOT_OFF = 0.005

# Closed loop: a relay on the lambda sensor's sign drives a ramp and a step; they make the ripple.
_RAMP_PER_S = 0.015
_STEP = 0.006
_LOOP_LAG_S = 0.10
_SHORT_LIMIT = 0.10
_LONG_LIMIT = 0.12
_LONG_TIME_S = 40.0
#: The injectors flow this share of what the controller thinks; the long trim has learnt it.
_INJECTOR_SHARE = 0.98

#: Wall film: the mixture's departure per relative rate of change of pressure, and its bound.
_FILM_S = 0.004
_FILM_LIMIT = 0.02
#: The same without the controller's enrichment: fuel stays on the wall while the pressure rises.
_UNCOVERED_S, _UNCOVERED_LIMIT = 0.15, 0.45

# Energy released per mass of air, against lambda 1: air limits it when rich (from memory).
_RICH_LAMBDA = [0.60, 0.80, 0.88, 1.0]
_RICH_ENERGY = [0.80, 1.0, 1.03, 1.0]
_LEAN_LIMIT, _NO_FIRE = 1.35, 1.6


def energy_factor(lambda_: float) -> float:
    """Energy per mass of air against that at lambda 1: less fuel above 1, misfire beyond the lean limit."""
    if lambda_ <= 1:
        return interpolate(lambda_, _RICH_LAMBDA, _RICH_ENERGY)
    if lambda_ >= _NO_FIRE:
        return 0.0
    fires = 1.0 if lambda_ <= _LEAN_LIMIT else (_NO_FIRE - lambda_) / (_NO_FIRE - _LEAN_LIMIT)
    return fires / lambda_


class Fuelling:
    """Commanded and burnt lambda, trims in shares of one, and whether fuel is cut."""

    def __init__(self) -> None:
        self.command = 1.0
        self.cylinder = math.inf
        self.cut = False
        self.short_trim = 0.0
        self.long_trim = 1 / _INJECTOR_SHARE - 1
        self._ramp = 0.0
        self._seen = [1.0, 1.0]
        self._shut_s = 0.0
        self._last_map = 0.0
        self._overrun = False
        self.closed = False  # loop

    def learn(self, stoichiometric_share: float) -> None:
        """The long trim that an ordinary blend of this share of gasoline's air-fuel ratio leads to."""
        self.long_trim = min(_LONG_LIMIT, 1 / (_INJECTOR_SHARE * stoichiometric_share) - 1)

    def step(
        self,
        dt_s: float,
        map_pa: float,
        baro_pa: float,
        coolant_c: float,
        fuel_share: float,
        port_share: float = 1.0,
        tip_in: float = 0.0,
        loop: bool = True,
    ) -> None:
        """Advance the mixture of a firing engine; `fuel_share` of the fuel meant arrives.

        The loop's own sensor sees 1/lambda times `port_share`: unburnt and added air look lean to it, too.
        `tip_in` is the share of the film of a rising pressure that the controller does not make up for. Without
        `loop` nothing is trimmed, as while air is blown in behind the valves.
        """
        boost_kpa = (map_pa - baro_pa) / 1000
        cold = 1.0 if coolant_c >= _COLD_C[-1] else interpolate(coolant_c, _COLD_C, _COLD_LAMBDA)
        self.command = min(cold, interpolate(boost_kpa, _BOOST_KPA, _BOOST_LAMBDA))
        self.closed = loop and self.command >= 1.0 and not self.cut
        self._trim(dt_s, closed=self.closed)
        rate = (map_pa - self._last_map) / (dt_s * max(map_pa, 1.0)) if self._last_map else 0.0
        self._last_map = map_pa
        film = min(_FILM_LIMIT, max(-_FILM_LIMIT, _FILM_S * rate))
        share = fuel_share * _INJECTOR_SHARE * (1 + self.long_trim) * (1 + self.short_trim)
        burnt = self.command / share + film
        if tip_in:
            burnt += min(_UNCOVERED_LIMIT, max(0.0, _UNCOVERED_S * rate)) * tip_in
        self.cylinder = math.inf if self.cut else burnt
        first, second = self._seen
        first += (min(burnt / port_share, 2.0) - first) * dt_s / _LOOP_LAG_S
        self._seen = [first, second + (first - second) * dt_s / _LOOP_LAG_S]

    def _trim(self, dt_s: float, closed: bool) -> None:
        if not closed:
            self._ramp *= 1 - dt_s
            self.short_trim = self._ramp
            return
        sign = 1.0 if self._seen[1] > 1.0 else -1.0
        self._ramp = min(_SHORT_LIMIT, max(-_SHORT_LIMIT, self._ramp + sign * _RAMP_PER_S * dt_s))
        self.short_trim = self._ramp + sign * _STEP
        learnt = self.long_trim + self._ramp * dt_s / _LONG_TIME_S
        self.long_trim = min(_LONG_LIMIT, max(-_LONG_LIMIT, learnt))

    def overrun(self, dt_s: float, pedal: float, rpm: float, forced: bool = False) -> None:
        """Decide on fuel cut: throttle shut for a moment and the engine well above idle; pedal 0 to 1.

        `forced`: something else wants it, such as a limiter.
        """
        if pedal > _FOOT_OFF or rpm < _CUT_BELOW_RPM:
            self._shut_s = 0.0
            self._overrun = False
        else:
            self._shut_s += dt_s
            if rpm > _CUT_ABOVE_RPM and self._shut_s >= _CUT_DELAY_S:
                self._overrun = True
        self.cut = self._overrun or forced

    def stopped(self) -> None:
        """Nothing burns: what leaves the engine is air."""
        self.cylinder = math.inf
        self.cut = self._overrun = self.closed = False
        self.short_trim = self._ramp = 0.0
        self._last_map = 0.0
