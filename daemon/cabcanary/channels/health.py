"""When a number in range is not to be believed: stuck, faster than anything real, noisy like a loose contact.

Each test looks at one channel's readings, one at a time, and remembers no more than its verdict needs.
"""

from __future__ import annotations

import itertools
from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from cabcanary.model import Quality
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from cabcanary.settings.sensors import Health, Measures

Verdict = tuple[Quality, str] | None

#: What suits each kind of channel where the settings say nothing: stuck after (s), fastest (per second, in the
#: named unit), noisiest. The pressures and the mixture of a running engine never stand still to the last digit
#: of a converter; what an engine computer sends is coarse and may. Common practice, no source.
_STUCK_S: dict[str, float] = {"lambda": 10.0, "manifold_pressure": 10.0}
#: What another computer sends is coarser, but a mixture that an engine burns never stands still for this long.
_STUCK_SENT_S: dict[str, float] = {"lambda": 20.0}
#: A manifold of a few litres fills in some 20 ms at the very fastest: 100 kPa in 20 ms.
_FASTEST_KPA_S = 6000.0
#: A lead-acid battery and its alternator: load dumps are faster, and are no reading either.
_FASTEST_V_S = 150.0
#: Heat moves slowly through any sensor's body.
_FASTEST_C_S = 120.0
#: The sample interval of a slow converter at the usual rate: no jump is told over less.
SHORTEST_S = 0.02
#: Scatter is taken over this many readings.
SCATTER_READINGS = 25
#: Scatter estimated from so few readings wanders: a noisy channel is quiet again below this share of the limit.
_QUIET_SHARE = 0.5


@dataclass(frozen=True, slots=True)
class Limits:
    """The tests of one channel, with everything decided; None: not tested."""

    stuck_ns: int | None
    fastest: float | None
    noisiest: float | None


def limits_for(spec: Health, measures: Measures, *, from_converter: bool, per_kpa: float) -> Limits:
    """The tests that the settings ask for, or that suit the kind of channel.

    `from_converter` is true for a live voltage, false for numbers that another computer sends; `per_kpa` says
    how many of the channel's unit are one kPa (only for pressures).
    """
    stuck_s = spec.stuck_after
    if stuck_s is None:
        stuck_s = (_STUCK_S if from_converter else _STUCK_SENT_S).get(measures)
    fastest = spec.fastest
    if fastest is None and from_converter:
        fastest = {
            "manifold_pressure": _FASTEST_KPA_S * per_kpa,
            "pressure": _FASTEST_KPA_S * per_kpa,
            "barometric_pressure": _FASTEST_KPA_S * per_kpa,
            "supply_voltage": _FASTEST_V_S,
            "temperature": _FASTEST_C_S,
        }.get(measures)
    return Limits(None if stuck_s is None else int(stuck_s * 1e9), fastest, spec.noisiest)


class HealthTests:
    """Judges the readings of one channel, in order."""

    def __init__(self, limits: Limits, unit: str) -> None:
        self.limits, self._unit = limits, unit
        self._last: tuple[int, float, float] | None = None  # time, raw, value
        self._same_since = 0
        self._steps: deque[float] = deque(maxlen=SCATTER_READINGS)
        self._noisy = False

    def judge(self, raw: float, value: float, quality: Quality, time_ns: int) -> Verdict:
        """A verdict against a reading whose curve gave `quality`, or None; called once per reading."""
        last, self._last = self._last, (time_ns, raw, value)
        if last is None or time_ns <= last[0]:
            self._same_since = time_ns
            return None
        if raw != last[1]:
            self._same_since = time_ns
        step, seconds = value - last[2], (time_ns - last[0]) / 1e9
        self._steps.append(step)
        return self._jump(step, seconds) or self._stuck(quality, time_ns) or self._noise()

    def _jump(self, step: float, seconds: float) -> Verdict:
        fastest = self.limits.fastest
        # Two looks in quick succession may have a whole sample of the converter between them.
        if fastest is None or abs(step) <= fastest * max(seconds, SHORTEST_S):
            return None
        return Quality.IMPLAUSIBLE, self.jump_words(step, seconds)

    def jump_words(self, step: float, seconds: float) -> str:
        """What is said of a change that nothing real makes."""
        return f"jumped by {spelt(step, 3, '+')} {self._unit} in {seconds * 1000:.0f} ms"

    def _stuck(self, quality: Quality, time_ns: int) -> Verdict:
        after = self.limits.stuck_ns
        # At an end of its range a reading may stand still with good reason.
        if after is None or quality is not Quality.GOOD or time_ns - self._same_since < after:
            return None
        return Quality.STUCK, self.stuck_words(time_ns - self._same_since)

    @staticmethod
    def stuck_words(since_ns: int) -> str:
        """What is said of a number that has stood still for so long."""
        return f"not the last digit has moved for {since_ns / 1e9:.0f} s"

    def _noise(self) -> Verdict:
        noisiest = self.limits.noisiest
        if noisiest is None or len(self._steps) < SCATTER_READINGS:
            return None
        # Scatter from the changes of the change, so that a ramp, however steep, is no noise: for independent
        # readings their variance is six times the reading's.
        steps = list(self._steps)
        curls = [b - a for a, b in itertools.pairwise(steps)]
        scatter = (sum(c * c for c in curls) / len(curls) / 6.0) ** 0.5
        self._noisy = scatter > noisiest * (_QUIET_SHARE if self._noisy else 1.0)
        if not self._noisy:
            return None
        return Quality.IMPLAUSIBLE, f"scatters by {spelt(scatter, 3)} {self._unit}: loose contact or interference"

    def state(self) -> dict[str, Any]:
        """All that later verdicts depend on."""
        return {
            "last": self._last and list(self._last),
            "same": self._same_since,
            "steps": list(self._steps),
            "noisy": self._noisy,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        last = state["last"]
        self._last = (int(last[0]), float(last[1]), float(last[2])) if last else None
        self._same_since = int(state["same"])
        self._steps = deque(state["steps"], maxlen=SCATTER_READINGS)
        self._noisy = bool(state.get("noisy"))
