"""How long a signal has been still: what stands at the air's pressure is quiet, an engine that turns is not."""

from __future__ import annotations

import math
from typing import Any

#: Noise of a sensor and its converter is averaged over this, s; whatever an engine does is slower.
_SMOOTH_S = 0.25
#: A second spell begins this long after the first, ns. The first may have begun while the signal still came to rest:
#: when it leaves its band, the second says since when there has been rest all the same.
_LATER_NS = 500_000_000


class Quiet:
    """Follows one signal, smoothed; a spell begins anew when it leaves a band.

    `band` is how far it may move within a spell, and `step` a change that is no noise and followed at once; both in
    the signal's own unit.
    """

    def __init__(self, band: float, step: float) -> None:
        self._band, self._step = band, step
        self._smooth = 0.0
        self._last_ns = 0
        self._spell: tuple[int, float, float] | None = None  # since when, lowest, highest
        self._later: tuple[int, float, float] | None = None
        #: Whether it has ever left its band.
        self.moved = False

    def step(self, number: float | None, now_ns: int) -> int:
        """Take in a tick; returns for how long it has been still, in ns. Without a number the spell ends."""
        if number is None:
            self._spell = self._later = None
            return 0
        if self._spell is not None and abs(number - self._smooth) > self._step:
            self._spell, self._later, self.moved = None, None, True
        if self._spell is None:
            self._smooth = number
        else:
            # At first a plain mean: a single reading is as noisy as it happens to be.
            dt_ns, spell_ns = now_ns - self._last_ns, now_ns - self._spell[0]
            share = max(-math.expm1(-dt_ns / 1e9 / _SMOOTH_S), dt_ns / (spell_ns + dt_ns) if dt_ns else 0.0)
            self._smooth += (number - self._smooth) * share
        self._last_ns, smooth = now_ns, self._smooth
        since, low, high = self._spell or (now_ns, smooth, smooth)
        if now_ns - since < _SMOOTH_S * 1e9:
            low = high = smooth
        low, high = min(low, smooth), max(high, smooth)
        self._follow_later(since, now_ns)
        if high - low > self._band:
            since, low, high = self._later or (now_ns, smooth, smooth)
            self._later, self.moved = None, True
        self._spell = (since, low, high)
        return now_ns - since

    def _follow_later(self, since: int, now_ns: int) -> None:
        smooth = self._smooth
        if self._later is not None:
            begun, low, high = self._later
            low, high = min(low, smooth), max(high, smooth)
            self._later = (begun, low, high) if high - low <= self._band else (now_ns, smooth, smooth)
        elif now_ns - since >= _LATER_NS:
            self._later = (now_ns, smooth, smooth)

    @property
    def level(self) -> float:
        """The middle of the spell."""
        return 0.0 if self._spell is None else (self._spell[1] + self._spell[2]) / 2

    @property
    def spread(self) -> float:
        """Its highest less its lowest."""
        return 0.0 if self._spell is None else self._spell[2] - self._spell[1]

    def state(self) -> list[Any]:
        """Plain JSON."""
        spells = [spell and list(spell) for spell in (self._spell, self._later)]
        return [self._smooth, self._last_ns, spells[0], self.moved, spells[1]]

    def restore(self, state: list[Any]) -> None:
        """Go on from a saved state; an older version had no second spell."""
        smooth, last_ns, spell, moved, *later = state
        self._smooth, self._last_ns, self.moved = float(smooth), int(last_ns), bool(moved)
        self._spell, self._later = _spell_of(spell), _spell_of(later[0] if later else None)


def _spell_of(saved: list[Any] | None) -> tuple[int, float, float] | None:
    return (int(saved[0]), float(saved[1]), float(saved[2])) if saved else None
