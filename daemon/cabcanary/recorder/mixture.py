"""How lean a drive was under boost, by the masks and the alignment of the rule that watches for it."""

from __future__ import annotations

from collections import Counter, deque
from typing import TYPE_CHECKING, Any

from cabcanary import units
from cabcanary.expressions.scalar import Program, Reader, Truth, compile_condition
from cabcanary.model import Quality
from cabcanary.plan.roles import lean_rules, roles_of

if TYPE_CHECKING:
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan

#: Boost begins to count at 2 psi: below it the manifold may just be full of air at a wide throttle.
UNDER_BOOST_PA = units.unit("psi").to_si(2.0)
#: Leaner for less than this is the edge of a transient; the rule's own delays are of this size.
SUSTAINED_NS = 300_000_000
#: So long without a tick and a window begins anew, as in conditions.
_GAP_NS = 600_000_000
_SHARE = 0.95
#: The percentile is counted in steps of this much lambda, finer than any wideband is accurate.
_STEP = 0.001


class MixtureUnderBoost:
    """Takes in every frame of a drive; `result` says how lean it was under boost.

    A tick counts where the boost that the gas was burnt under is 2 psi for certain, the gas is not that of a fuel cut,
    and the suppression of the rule that covers *lean under boost* does not hold.
    """

    def __init__(self, plan: Plan) -> None:
        channels, roles = plan.settings.channels, roles_of(plan.settings)
        self._mixture, self._mask, self._burnt = roles.mixture, roles.fuel_cut, roles.burnt
        self._under = UNDER_BOOST_PA / units.unit(channels[self._burnt].unit).factor if self._burnt else 0.0
        self._reader = Reader()
        self._suppressions: list[Program[Truth]] = [
            compile_condition(rule.suppress_when, self._reader)
            for rule in lean_rules(plan)
            if rule.suppress_when is not None
        ]
        #: The window's minimum first; behind it what may still become one: time (ns), lambda, boost.
        self._window: deque[tuple[int, float, float]] = deque()
        self._since_ns, self._last_ns = 0, 0
        self._leanest: tuple[float, float] | None = None
        self._counted: Counter[int] = Counter()

    def add(self, frame: Frame) -> None:
        """One frame."""
        if self._mixture is None or self._burnt is None:
            return
        # Conditions with a memory see every tick.
        known = self._reader.read(frame.values)
        suppressed = [p.run(known, frame.time_ns) is True for p in self._suppressions]
        cut = self._mask is not None and bool(frame.values[self._mask].value)
        burnt, mixture = proved(frame, self._burnt), frame.values[self._mixture]
        if any(suppressed) or cut or burnt is None or burnt < self._under or mixture.value is None:
            self._window.clear()
            return
        if mixture.quality in (Quality.GOOD, Quality.SATURATED_HIGH, Quality.SATURATED_LOW):
            self._counted[round(mixture.value / _STEP)] += 1
        if mixture.quality in (Quality.GOOD, Quality.SATURATED_HIGH):
            self._sustain(frame.time_ns, mixture.value, burnt)
        else:
            # "At most" proves nothing lean, and what is not known proves nothing at all.
            self._window.clear()

    def _sustain(self, now_ns: int, mixture: float, burnt: float) -> None:
        """The lowest of the last 0.3 s, and the highest of those: a minimum that slides takes constant time a tick."""
        window = self._window
        if not window or now_ns - self._last_ns > _GAP_NS:
            window.clear()
            self._since_ns = now_ns
        self._last_ns = now_ns
        while window and window[-1][1] >= mixture:
            window.pop()
        window.append((now_ns, mixture, burnt))
        while window[0][0] < now_ns - SUSTAINED_NS:
            window.popleft()
        if now_ns - self._since_ns >= SUSTAINED_NS and (self._leanest is None or window[0][1] > self._leanest[0]):
            self._leanest = window[0][1], window[0][2]

    def result(self) -> dict[str, Any]:
        """The manifest's figures: the leanest that lasted 0.3 s, its boost, and what 95 % of the ticks were below."""
        found: dict[str, Any] = {}
        if self._leanest is not None:
            lean, boost = self._leanest
            found |= {"leanest_under_boost": round(lean, 4), "leanest_at_boost": round(boost, 3)}
        if self._counted:
            found["lambda_95_under_boost"] = round(_percentile(self._counted) * _STEP, 3)
        return found


def _percentile(counted: Counter[int]) -> int:
    """By nearest rank: the lowest step that so many of the ticks are not above."""
    wanted, seen = _SHARE * counted.total(), 0
    for step in sorted(counted):
        seen += counted[step]
        if seen >= wanted:
            return step
    raise AssertionError("all of them are not above the highest")


def proved(frame: Frame, channel: str) -> float | None:
    """What is proved: of "at least" that much, of an interval its lower end."""
    value = frame.values[channel]
    if value.quality is Quality.WITHIN and value.value is not None:
        return value.interval()[0]
    return value.value if value.quality in (Quality.GOOD, Quality.SATURATED_HIGH) else None
