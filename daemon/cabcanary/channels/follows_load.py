"""Does a wideband follow what the engine does? One that shows the same rich mixture at idle and in boost does not."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from cabcanary.channels.quiet import Quiet

if TYPE_CHECKING:
    from cabcanary.settings.checks import FollowsLoadCheck

#: A change that is no noise and is followed at once.
_STEP_LAMBDA = 0.05
#: At this and leaner the mixture sounds by itself in boost: only a rich one can hide a lean engine.
_HIDES_BELOW = 0.95
#: A warm engine is held near lambda 1 at light loads; a cold one may be as rich at idle as in boost. So this is asked
#: once closed loop has been seen for so long, or of a mixture that has stood longer than any engine takes to warm, ns.
_CLOSED_LOOP, _CLOSED_LOOP_NS = (0.95, 1.1), 3_000_000_000
_LONGEST_COLD_NS = 600_000_000_000
#: Free air, or a fuel cut: what was seen of closed loop may be of another drive.
_NO_FIRE = 1.3


class FollowsLoad:
    """Follows one mixture and the manifold beside it."""

    def __init__(self, spec: FollowsLoadCheck) -> None:
        self._spec = spec
        self._needed_ns = int(spec.for_longer_than * 1e9)
        self._mixture = Quiet(spec.within, _STEP_LAMBDA)
        self._spell_ns = 0
        self._load: bool | None = None  # light, loaded, or between
        self._load_since_ns = 0
        self._light = self._loaded = False
        self._loop_since_ns: int | None = None
        self._warm = False

    def step(self, mixture: float | None, kpa: float | None, now_ns: int) -> str | None:
        """One tick; what contradicts the mixture, empty where nothing does, None where it cannot be told."""
        if mixture is None or kpa is None:
            return None
        spell_ns = self._mixture.step(mixture, now_ns)
        if spell_ns <= self._spell_ns:
            # It has moved: what it was seen through counts no more, nor does the load that goes on just now.
            self._light = self._loaded = False
            self._load = None
        self._spell_ns = spell_ns
        self._follow_loop(mixture, kpa, now_ns)
        self._follow_load(kpa, now_ns)
        warm = self._warm or spell_ns >= _LONGEST_COLD_NS
        if not (self._light and self._loaded and warm) or mixture >= _HIDES_BELOW:
            return ""
        return f"stands at lambda {mixture:.2f} from light load to boost: stuck, or not in the exhaust gas"

    def _follow_load(self, kpa: float, now_ns: int) -> None:
        spec = self._spec
        load = False if kpa < spec.light_kpa else True if kpa > spec.loaded_kpa else None
        if load is not self._load:
            self._load, self._load_since_ns = load, now_ns
        if load is None or now_ns - self._load_since_ns < self._needed_ns:
            return
        self._light, self._loaded = self._light or not load, self._loaded or load

    def _follow_loop(self, mixture: float, kpa: float, now_ns: int) -> None:
        if mixture >= _NO_FIRE:
            self._warm = False
        if not _CLOSED_LOOP[0] <= mixture <= _CLOSED_LOOP[1] or kpa >= self._spec.light_kpa:
            self._loop_since_ns = None
            return
        self._loop_since_ns = now_ns if self._loop_since_ns is None else self._loop_since_ns
        self._warm = self._warm or now_ns - self._loop_since_ns >= _CLOSED_LOOP_NS

    def state(self) -> list[Any]:
        """All that later verdicts depend on; plain JSON."""
        load = [self._load, self._load_since_ns, self._light, self._loaded]
        return [self._mixture.state(), self._spell_ns, load, self._loop_since_ns, self._warm]

    def restore(self, state: list[Any]) -> None:
        """Go on from a saved state."""
        mixture, self._spell_ns, load, self._loop_since_ns, self._warm = state
        self._mixture.restore(mixture)
        self._load, self._load_since_ns, self._light, self._loaded = load
