"""Whether sensors that have all gone dark may have gone with the key: by what the engine did when it was last seen."""

from __future__ import annotations

from typing import Any, NamedTuple

from cabcanary.channels.air import HIGHEST_KPA, LOWEST_KPA, QUIET_KPA, STEP_KPA
from cabcanary.channels.quiet import Quiet

#: Nobody turns the key within this of a load, ns. A feed that breaks down also takes a pressure through every value on
#: its way, and one reading of them looks like an idle.
_AFTER_LOAD_NS = 1_000_000_000
#: Gas of a fuel cut comes late and is gone by mixing; an idle that has burnt for this long after it is one, ns.
_AFTER_CUT_NS = 500_000_000
#: For so long after it was started an engine's exhaust still holds the air in which it stood, ns.
_CLEARED_NS = 2_000_000_000
#: An idling engine turns no faster, rpm, and its throttle is open no further, % (a stop at 20 % and some idle air).
_IDLE_RPM, _SHUT_PERCENT = 1500.0, 25.0
#: A throttle that reads this little, %, is shut, wherever it rests.
_QUITE_SHUT_PERCENT = 5.0
#: From an idle's vacuum to the air's pressure a manifold takes less than this once the engine stops; still for this
#: long at it, it has filled, ns.
_FILLS_NS, _FILLED_NS = 3_000_000_000, 1_000_000_000
#: A supply that stays within this, V, for so long, ns, beside nothing but dark sensors is a battery's: a vehicle that
#: is driven brakes, blinks and steers meanwhile.
_REST_VOLTS, _STEP_VOLTS, _REST_NS = 0.1, 0.3, 60_000_000_000


class Seen(NamedTuple):
    """What a tick says of the engine: None where it is not known. kPa absolute, rpm, %."""

    kpa: float | None
    rpm: float | None
    throttle: float | None
    #: The engine speed from which on the engine runs, rpm.
    running_rpm: float
    #: Free air in the exhaust while the manifold draws: fuel is cut, as it is where the vehicle drives the engine.
    cut: bool = False

    @property
    def anything(self) -> bool:
        """Whether any of it tells. A speed of nothing beside a dark pressure may be dark like everything else."""
        if self.kpa is None and self.rpm is not None and self.rpm < self.running_rpm:
            return False
        return any(x is not None for x in (self.kpa, self.rpm, self.throttle))


class KeyOff:
    """A feed that breaks down under load darkens the sensors just as the key does.

    So the key is believed only where the engine idled, or stood, for a moment before everything went dark: under boost,
    with an open throttle, at speed, in an overrun or with a manifold above an idle's pressure nobody turns it. What
    cannot have been the key is it all the same once supply and sensors have been at rest for a minute.
    """

    def __init__(self) -> None:
        self._manifold = Quiet(QUIET_KPA, STEP_KPA)
        self._supply = Quiet(_REST_VOLTS, _STEP_VOLTS)
        self._drew_ns: int | None = None
        self._shown_ns: int | None = None
        #: When the manifold was last emptied from the pressure at which the engine stood.
        self._started_ns: int | None = None
        self._seen_ns: int | None = None
        self._loaded_ns: int | None = None
        self._dark_ns: int | None = None
        #: At which pressure the manifold was filled, kPa, until it draws again or is filled more.
        self._filled_kpa: float | None = None
        self._rests = False

    def step(self, seen: Seen, *, dark: bool, volts: float | None, rests: bool, now_ns: int) -> None:
        """One tick. `dark`: no sensor shows anything; `volts` and whether they are too few for an alternator that
        charges (`rests`; also where no supply is fitted)."""
        quiet_ns = self._manifold.step(seen.kpa, now_ns)
        if seen.kpa is not None:
            if self._shown_ns is not None and now_ns - self._shown_ns > _FILLS_NS:
                # Nobody saw it fill: it is as new as at the first tick.
                self._drew_ns = self._filled_kpa = None
            self._shown_ns = now_ns
        if seen.kpa is not None and seen.kpa < LOWEST_KPA:
            self._started_ns = now_ns if self._filled_kpa is not None else self._started_ns
            self._drew_ns, self._filled_kpa = now_ns, None
        if seen.anything:
            self._seen_ns = now_ns
            if self._is_loaded(seen, quiet_ns, now_ns):
                self._loaded_ns = now_ns
            elif seen.cut and seen.rpm is None and not self._has_just_started(now_ns):
                # An engine speed tells it better: a wideband's wire that is pulled up shows free air for ever.
                self._loaded_ns = max(self._loaded_ns or 0, now_ns - (_AFTER_LOAD_NS - _AFTER_CUT_NS))
        if not dark:
            self._dark_ns = None
        elif self._dark_ns is None:
            self._dark_ns = now_ns
        still_ns = self._supply.step(volts, now_ns)
        dark_for_ns = 0 if self._dark_ns is None else now_ns - self._dark_ns
        self._rests = rests and dark_for_ns >= _REST_NS and (volts is None or still_ns >= _REST_NS)

    @property
    def possible(self) -> bool:
        """Whether everything being dark may be the key."""
        if self._loaded_ns is None or self._seen_ns is None or self._rests:
            return True
        return self._seen_ns - self._loaded_ns >= _AFTER_LOAD_NS

    def _has_just_started(self, now_ns: int) -> bool:
        return self._started_ns is not None and now_ns - self._started_ns < _CLEARED_NS

    def _is_loaded(self, seen: Seen, quiet_ns: int, now_ns: int) -> bool:
        stands = seen.kpa is not None and seen.kpa >= LOWEST_KPA and self._stands(seen.kpa, quiet_ns, now_ns)
        if seen.kpa is not None and seen.kpa > HIGHEST_KPA:
            return True
        if seen.rpm is not None and seen.rpm < seen.running_rpm:
            return False
        if seen.rpm is not None and seen.throttle is not None and seen.throttle <= _QUITE_SHUT_PERCENT:
            # With a hose or its line off an engine races at idle and its manifold has no vacuum: the foot tells.
            return False
        if (seen.rpm or 0.0) >= _IDLE_RPM or (seen.throttle or 0.0) > _SHUT_PERCENT:
            return True
        return seen.kpa is not None and seen.kpa >= LOWEST_KPA and not stands

    def _stands(self, kpa: float, quiet_ns: int, now_ns: int) -> bool:
        """The manifold of an engine that stands, or that the starter turns: it falls from the air's pressure."""
        if self._filled(quiet_ns, now_ns):
            self._filled_kpa = self._manifold.level
        elif self._filled_kpa is not None and kpa > self._filled_kpa + STEP_KPA:
            self._filled_kpa = None
        return self._filled_kpa is not None

    def _filled(self, quiet_ns: int, now_ns: int) -> bool:
        """Still at the air's pressure, and come to it at once from an idle's vacuum, or never seen to draw."""
        if quiet_ns < _FILLED_NS:
            return False
        return self._drew_ns is None or now_ns - quiet_ns - self._drew_ns <= _FILLS_NS

    def state(self) -> list[Any]:
        """All that later ticks depend on; plain JSON."""
        times = [self._drew_ns, self._seen_ns, self._loaded_ns, self._dark_ns]
        last = [self._filled_kpa, self._shown_ns, self._started_ns]
        return [self._manifold.state(), self._supply.state(), times, self._rests, *last]

    def restore(self, state: list[Any]) -> None:
        """Go on from a saved state; older versions had none of the last parts, or fewer."""
        manifold, supply, times, rests, *last = state
        self._manifold.restore(manifold)
        self._supply.restore(supply)
        self._drew_ns, self._seen_ns, self._loaded_ns, self._dark_ns = times
        self._rests = bool(rests)
        self._filled_kpa = last[0] if last else None
        self._shown_ns = last[1] if len(last) > 1 else None
        self._started_ns = last[2] if len(last) > 2 else None
