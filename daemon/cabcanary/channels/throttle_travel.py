"""Between which ends a throttle moves: pedal up and wide open are no 0 and 100 % on most vehicles, so both are learnt.

SAE J1979 scales PID 11 over the sensor's whole range, and a plate that is shut or quite open stops short of its ends:
10 to 20 % and about 80 % are common (common practice, no source).
"""

from __future__ import annotations

from typing import Any, NamedTuple

from cabcanary.model import Quality, Value

#: Shut is at or below the first, wide open at or above the second, %.
_HIGHEST_REST, _LOWEST_WIDE = 25.0, 60.0
#: A throttle that stays within this band, %, for so long is held: by its stop, or by a steady foot.
_BAND, _REST_NS, _WIDE_NS = 1.2, 1_000_000_000, 300_000_000
#: A foot stops anywhere, a stop always at the same place: so many pulls must have ended there.
_SAME_PULLS = 3
#: Two pulls are apart when the throttle was below this between them, %.
_APART = 45.0


class Travel(NamedTuple):
    """Where the throttle rests and where it is wide open, %; what is not known is 0 and 100."""

    rest: float
    wide: float


class ThrottleTravel:
    """Learns both ends from the readings, and turns a reading into an opening.

    Until an end is known the opening errs towards shut where the throttle is open, and towards open where it is shut: a
    rule for a wide open throttle, or for a shut one, then waits.
    """

    def __init__(self) -> None:
        self._rest: float | None = None
        self._wide: float | None = None
        self._pulls = 0
        self._apart = True
        self._held: tuple[int, float, float] | None = None  # since when, lowest, highest

    @property
    def travel(self) -> Travel:
        """Both ends as far as they are known."""
        known = self._wide is not None and self._pulls >= _SAME_PULLS
        return Travel(self._rest or 0.0, self._wide if known and self._wide is not None else 100.0)

    def step(self, value: Value) -> Value:
        """The opening, 0 to 100 %, of a throttle that reads `value`, a new reading in %."""
        if value.value is None or value.quality is not Quality.GOOD:
            self._held = None
            return value
        self._learn(value.value, value.time_ns)
        rest, wide = self.travel
        opening = 100.0 * (value.value - rest) / (wide - rest)
        reason = value.reason or ("" if self._rest is not None else "it was never seen shut: taken as it is")
        return value._replace(
            value=min(100.0, max(0.0, opening)), uncertainty=value.uncertainty * 100.0 / (wide - rest), reason=reason
        )

    def _learn(self, percent: float, time_ns: int) -> None:
        if percent < _APART:
            self._apart = True
        since, low, high = self._held or (time_ns, percent, percent)
        low, high = min(low, percent), max(high, percent)
        if high - low > _BAND:
            since, low, high = time_ns, percent, percent
        self._held = (since, low, high)
        held_ns = time_ns - since
        if held_ns >= _REST_NS and high <= _HIGHEST_REST:
            self._rest = (low + high) / 2 if self._rest is None else min(self._rest, (low + high) / 2)
        if held_ns >= _WIDE_NS and low >= _LOWEST_WIDE:
            self._count_pull((low + high) / 2)

    def _count_pull(self, percent: float) -> None:
        if self._wide is None or percent > self._wide + _BAND:
            self._wide, self._pulls, self._apart = percent, 1, False
        elif self._apart and percent >= self._wide - _BAND:
            self._pulls, self._apart = min(self._pulls + 1, _SAME_PULLS), False

    def remembered(self) -> Travel | None:
        """What the next start should know; None: nothing has been learnt."""
        return None if self._rest is None else self.travel

    def recall(self, rest: float, wide: float) -> None:
        """Begin with what was known when the last drive ended."""
        if 0.0 <= rest <= _HIGHEST_REST and _LOWEST_WIDE <= wide <= 100.0:
            self._rest = rest
            self._wide, self._pulls = (wide, _SAME_PULLS) if wide < 100.0 else (None, 0)

    def state(self) -> dict[str, Any]:
        """All that later openings depend on."""
        held = None if self._held is None else list(self._held)
        return {"rest": self._rest, "wide": self._wide, "pulls": self._pulls, "apart": self._apart, "held": held}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._rest, self._wide = state["rest"], state["wide"]
        self._pulls, self._apart = int(state["pulls"]), bool(state["apart"])
        held = state["held"]
        self._held = None if held is None else (int(held[0]), float(held[1]), float(held[2]))
