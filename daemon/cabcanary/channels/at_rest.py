"""Whether an engine without a speed wire stands, by its manifold, its wideband and its supply."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.channels.air import HIGHEST_KPA, LOWEST_KPA, QUIET_KPA, STEP_KPA
from cabcanary.channels.quiet import Quiet
from cabcanary.channels.wideband import NOTHING_BURNS
from cabcanary.model import Quality

if TYPE_CHECKING:
    from cabcanary.model import Value

#: For how long all must be still before an engine is said to stand: longer than a foot holds a throttle, and a load the
#: engine, within a hundredth of an atmosphere; shorter than rules are patient, or each stop would be told as blindness.
_STANDS_NS = 6_000_000_000
#: An engine that has been quiet for less may just be turned evenly: it still counts as running if it was.
_RUNS_ON_NS = 3_000_000_000
#: From an idle's vacuum to the air's pressure a manifold takes less than this, ns, once the engine stops.
_FILLS_NS = 3_000_000_000
#: A feed and an engine that are switched off together show it within this, ns.
_TOGETHER_NS = 1_500_000_000
#: A mixture that burns is never this still when smoothed: the engine computer's own control moves it by 0.02.
_STILL_LAMBDA, _STEP_LAMBDA = 0.01, 0.05
#: How far two pressure readings of the same air may differ, kPa.
_AGREES_KPA = 1.5
#: An engine that stands shows this much about the pressure at which it was found to stand: a starter takes more, kPa.
_STANDING_KPA = 2.0
_DARK = (Quality.ABSENT, Quality.STALE, Quality.OUT_OF_RANGE)


class AtRest:
    """Follows manifold pressure and mixture; `runs` and `stands` say what the last tick came to.

    A manifold that is quiet at the air's pressure is no proof by itself: so is one whose line is off, and nearly so one
    behind an open throttle. Beside it the wideband must show free air. Or the manifold must have filled at once from an
    idle's vacuum and been quiet ever since, and what gas is left in the pipe must be as still; or the wideband be dark
    beside a supply that does not charge, or, where there is no supply, have gone dark just as the manifold filled.
    """

    def __init__(self) -> None:
        self._pressure, self._mixture = Quiet(QUIET_KPA, STEP_KPA), Quiet(_STILL_LAMBDA, _STEP_LAMBDA)
        self._drew_ns: int | None = None
        self._dark_ns: int | None = None
        self._ran = False
        #: The pressure at which the engine was found to stand, kPa, for as long as the manifold shows it.
        self._stood_kpa: float | None = None
        self.runs = self.stands = False

    def step(
        self,
        kpa: float | None,
        air_kpa: tuple[float, float] | None,
        mixture: Value | None,
        charges: bool | None,
        now_ns: int,
    ) -> None:
        """One tick: manifold and air, kPa, the latter as an interval; the wideband's value (None: there is none);
        whether the supply charges (None: nobody knows)."""
        turns = kpa is not None and not LOWEST_KPA <= kpa <= HIGHEST_KPA
        quiet_ns = self._pressure.step(None if turns else kpa, now_ns)
        still_ns = self._mixture.step(None if mixture is None else mixture.value, now_ns)
        if turns and kpa is not None and kpa < LOWEST_KPA:
            self._drew_ns = now_ns
        if mixture is None or mixture.quality not in _DARK:
            self._dark_ns = None
        elif self._dark_ns is None:
            self._dark_ns = now_ns
        if self._stood_kpa is not None and (kpa is None or abs(kpa - self._stood_kpa) > _STANDING_KPA):
            self._stood_kpa = None
        stood = self._stood_kpa is not None
        self._ran = turns or charges is True or (self._ran and kpa is not None and quiet_ns < _RUNS_ON_NS)
        self.runs = self._ran
        self.stands = (
            charges is not True
            and (stood or quiet_ns >= _STANDS_NS)
            and self._is_air(air_kpa)
            and self._witnessed(mixture, still_ns, charges, now_ns - quiet_ns)
        )
        if self.stands and not stood:
            self._stood_kpa = self._pressure.level

    def _is_air(self, air_kpa: tuple[float, float] | None) -> bool:
        level = self._pressure.level
        return air_kpa is None or air_kpa[0] - _AGREES_KPA <= level <= air_kpa[1] + _AGREES_KPA

    def _witnessed(self, mixture: Value | None, still_ns: int, charges: bool | None, since_ns: int) -> bool:
        if mixture is not None and mixture.value is not None and mixture.value >= NOTHING_BURNS:
            return mixture.quality in (Quality.GOOD, Quality.SATURATED_HIGH)
        # A sensor's noise ends a quiet spell now and then, and what came before it still holds.
        filled = self._stood_kpa is not None or (self._drew_ns is not None and since_ns - self._drew_ns <= _FILLS_NS)
        if mixture is None or mixture.quality in _DARK:
            return filled and (charges is False or (charges is None and self._went_together()))
        return filled and still_ns >= _STANDS_NS and mixture.quality is Quality.GOOD

    def _went_together(self) -> bool:
        """Start-stop and the key take a wideband's feed with the engine."""
        if self._drew_ns is None or self._dark_ns is None:
            return False
        return abs(self._dark_ns - self._drew_ns) <= _TOGETHER_NS

    def state(self) -> dict[str, Any]:
        """All that later ticks depend on; plain JSON."""
        return {
            "pressure": self._pressure.state(),
            "mixture": self._mixture.state(),
            "drew": self._drew_ns,
            "dark": self._dark_ns,
            "ran": self._ran,
            "stood": self._stood_kpa,
        }

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state; an older version had none."""
        if "pressure" in state:
            self._pressure.restore(state["pressure"])
            self._mixture.restore(state["mixture"])
            self._drew_ns, self._ran = state["drew"], bool(state["ran"])
            self._dark_ns, self._stood_kpa = state.get("dark"), state.get("stood")
