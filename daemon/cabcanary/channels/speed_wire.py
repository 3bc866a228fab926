"""Whether a wire that shows no engine speed is believed: a coil's wire that is off looks like an engine that stands."""

from __future__ import annotations

from typing import Any

from cabcanary.channels.air import HIGHEST_KPA, LOWEST_KPA, QUIET_KPA, STEP_KPA
from cabcanary.channels.quiet import Quiet

#: A manifold fills within three seconds of the engine's last turn; one that shows a turning engine for longer beside no
#: speed denies the wire, ns.
_DENIES_NS = 3_500_000_000
#: It does so only while it moves: a line that is frozen shows for ever what it last showed, ns.
_MOVES_NS = 2_000_000_000
#: A manifold that has been quiet at an air's pressure for so long is that of an engine that stands after all, ns.
_STANDS_NS = 6_000_000_000


class SpeedWire:
    """Follows engine speed and manifold pressure; `denied` says that the speed of nothing is not to be believed.

    It is denied until it shows an engine that turns, or the manifold one that stands.
    """

    def __init__(self) -> None:
        self._quiet = Quiet(QUIET_KPA, STEP_KPA)
        self._since_ns: int | None = None
        self.denied = False

    def step(self, turns: bool | None, kpa: float | None, now_ns: int) -> None:
        """One tick: whether the wire shows a turning engine (None: it is silent), and the manifold, kPa absolute."""
        quiet_ns = self._quiet.step(kpa, now_ns)
        is_air = kpa is not None and LOWEST_KPA <= kpa <= HIGHEST_KPA
        if turns or (is_air and quiet_ns >= _STANDS_NS):
            self.denied = False
        if turns is not False or kpa is None or is_air or quiet_ns > _MOVES_NS:
            self._since_ns = None
            return
        if self._since_ns is None:
            self._since_ns = now_ns
        self.denied = self.denied or now_ns - self._since_ns >= _DENIES_NS

    def state(self) -> dict[str, Any]:
        """Plain JSON."""
        return {"quiet": self._quiet.state(), "since": self._since_ns, "denied": self.denied}

    def restore(self, state: dict[str, Any]) -> None:
        """Go on from a saved state."""
        self._quiet.restore(state["quiet"])
        self._since_ns, self.denied = state["since"], bool(state["denied"])
