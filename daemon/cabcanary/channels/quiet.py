"""How long a signal has been still: what stands at the air's pressure is quiet, an engine that turns is not."""

from __future__ import annotations

import math
from typing import Any

#: Noise of a sensor and its converter is averaged over this, s; whatever an engine does is slower.
_SMOOTH_S = 0.25


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
        #: Whether it has ever left its band.
        self.moved = False

    def step(self, number: float | None, now_ns: int) -> int:
        """Take in a tick; returns for how long it has been still, in ns. Without a number the spell ends."""
        if number is None:
            self._spell = None
            return 0
        if self._spell is not None and abs(number - self._smooth) > self._step:
            self._spell, self.moved = None, True
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
        if high - low > self._band:
            since, low, high = now_ns, smooth, smooth
            self.moved = True
        self._spell = (since, low, high)
        return now_ns - since

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
        return [self._smooth, self._last_ns, self._spell and list(self._spell), self.moved]

    def restore(self, state: list[Any]) -> None:
        """Go on from a saved state."""
        smooth, last_ns, spell, moved = state
        self._smooth, self._last_ns, self.moved = float(smooth), int(last_ns), bool(moved)
        self._spell = (int(spell[0]), float(spell[1]), float(spell[2])) if spell else None
