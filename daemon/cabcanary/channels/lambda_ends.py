"""A wideband at the end of its range: truly lean (or rich), or a broken wire?

A fuel pump that dies under boost takes the mixture to the lean end through valid readings, at the pace
that the sensor's lag allows; a broken wire jumps there within one sample. The first must sound as lean,
the second as *cannot see*, and the first must never become the second. So the verdict "broken" needs
evidence: samples close enough together to have seen a ramp, no ramp in them, and a step that not even free
air could have made. What stays open sounds as lean at the lean end, and as *cannot see* at the rich end: a
wire without a live zero that is grounded looks rich, and rich would silence the rules for lean. For the same reason
the rich end is believed for some seconds only, however it was reached: no engine that drives is that rich for long.
"""

from __future__ import annotations

import math
from typing import Any

from cabcanary.model import Quality

#: A gas change moves a first-order sensor sampled three times per response time by at most 28 % of its
#: way per sample. A reading that has come this share of its range nearer to the end is part of a ramp,
#: and one that is this near to the end need not have jumped.
_RAMP_SHARE = 0.10
#: Readings older than this many response times say nothing about how the end was reached.
_HISTORY_RESPONSES = 5.0
#: Needed to tell a ramp from a jump at all (design rule: at least three samples per response time).
_SAMPLES_PER_RESPONSE = 3.0
#: How long the rich end is believed. Beyond it an engine misfires (common practice, no source); enrichment as the
#: throttle opens is over within a second or two.
_LONGEST_RICH_NS = 5_000_000_000
#: A reading this close to the rich end, as a share of the range, is no leaner than the end itself: 0.013 of a range of
#: 0.85. What misses it by a hair is doubted just as long.
_RICH_SHARE = 0.015
_TOO_RICH = "at the rich end for longer than an engine burns: sensor or wire"


class LambdaEnds:
    """Judges how one wideband came to an end of its range."""

    def __init__(self, low: float, high: float, response_s: float) -> None:
        self._low, self._high = low, high
        self._response_ns = int(response_s * 1e9)
        self._recent: list[tuple[int, float]] = []
        self._broken = False
        self._rich_since_ns: int | None = None

    def judge(self, value: float, quality: Quality, time_ns: int) -> tuple[Quality, str]:
        """Quality and reason for a new reading whose curve gave `quality`; called once per reading."""
        if quality is Quality.GOOD:
            self._broken = False
            self._remember(time_ns, value)
            if value > self._low + _RICH_SHARE * (self._high - self._low):
                self._rich_since_ns = None
            elif self._rich_too_long(time_ns):
                return Quality.OUT_OF_RANGE, _TOO_RICH
            return quality, ""
        if quality not in (Quality.SATURATED_HIGH, Quality.SATURATED_LOW):
            return quality, ""
        if quality is Quality.SATURATED_HIGH:
            self._rich_since_ns = None
        elif self._rich_too_long(time_ns):
            return Quality.OUT_OF_RANGE, _TOO_RICH
        side = "lean" if quality is Quality.SATURATED_HIGH else "rich"
        if not self._broken and self._at_end(value):
            self._remember(time_ns, value)
            return quality, f"at the {side} end of its range"
        self._forget(time_ns)
        if self._broken or self._jumped(value, quality, time_ns):
            self._broken = True
            return (
                Quality.OUT_OF_RANGE,
                f"jumped to the {side} end at once: wire broken, shorted or unplugged",
            )
        rich = quality is Quality.SATURATED_LOW
        reached = self._seen_ramp() or (rich and self._near(value))
        if rich and not reached:
            return Quality.OUT_OF_RANGE, "rich, or wire broken"
        self._remember(time_ns, value)
        return quality, f"ran to the {side} end of its range" if reached else "lean, or wire broken"

    def _rich_too_long(self, time_ns: int) -> bool:
        """Whether the rich end has been shown, and nothing else, for longer than it is believed."""
        if self._rich_since_ns is None:
            self._rich_since_ns = time_ns
        return time_ns - self._rich_since_ns > _LONGEST_RICH_NS

    def _at_end(self, end: float) -> bool:
        """The last reading was at this very end, and was believed."""
        return bool(self._recent) and self._recent[-1][1] == end

    def _jumped(self, end: float, quality: Quality, time_ns: int) -> bool:
        if not self._seen_ramp():
            return False
        last_ns, last = self._recent[-1]
        if self._near(end):
            return False
        # A pump cell is nearly linear in 1/lambda, where free air is 0: a first-order sensor in free air shows
        # lambda growing e-fold in each response time.
        in_free_air = last * math.exp((time_ns - last_ns) / self._response_ns)
        if quality is Quality.SATURATED_HIGH and in_free_air >= end:
            return False
        farthest = max(abs(end - v) for _, v in self._recent)
        return farthest - abs(end - last) < _RAMP_SHARE * (self._high - self._low)

    def _near(self, end: float) -> bool:
        """The last reading was so near to this end that it need not have jumped there."""
        return bool(self._recent) and abs(end - self._recent[-1][1]) <= 2 * _RAMP_SHARE * (self._high - self._low)

    def _seen_ramp(self) -> bool:
        """Whether the samples came densely enough for a ramp to have been seen."""
        if len(self._recent) < 3:
            return False
        spacing = (self._recent[-1][0] - self._recent[0][0]) / (len(self._recent) - 1)
        return spacing * _SAMPLES_PER_RESPONSE <= self._response_ns

    def _remember(self, time_ns: int, value: float) -> None:
        self._recent.append((time_ns, value))
        self._forget(time_ns)

    def _forget(self, time_ns: int) -> None:
        oldest = time_ns - int(_HISTORY_RESPONSES * self._response_ns)
        while self._recent and self._recent[0][0] < oldest:
            del self._recent[0]

    def state(self) -> dict[str, Any]:
        """All that the next verdict depends on."""
        return {"recent": [list(r) for r in self._recent], "broken": self._broken, "rich_since": self._rich_since_ns}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._recent = [(int(t), float(v)) for t, v in state["recent"]]
        self._broken = bool(state["broken"])
        self._rich_since_ns = state.get("rich_since")
