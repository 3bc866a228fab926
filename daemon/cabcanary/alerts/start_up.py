"""The proof at the start: what sounds has sounded, the lamp is lit, and each sensor's state is told in one line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.alerts import words
from cabcanary.alerts.sounds import START_UP
from cabcanary.model import Event, EventKind
from cabcanary.settings.sensors import MeasuredChannel

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cabcanary.alerts.lamp import LampKeeper
    from cabcanary.alerts.outputs import Outputs
    from cabcanary.clock import Clock
    from cabcanary.model import Frame
    from cabcanary.plan.plan import Plan
    from cabcanary.processes.status import Status

#: The lamp's proof stands at least so long, clock seconds: the sound, and a moment more for a person to look.
_LIT_S = START_UP.seconds + 1.0
#: A source that has told nothing by now is told of as it is.
_LONGEST_S = 8.0


class StartUp:
    """Tells the proof once, when every source has told how it stands and has had a moment to be read."""

    def __init__(self, plan: Plan, clock: Clock, outputs: Outputs) -> None:
        self._outputs = outputs
        self._units = {
            name: plan.channel_units[name]
            for name, channel in plan.settings.channels.items()
            if isinstance(channel, MeasuredChannel)
        }
        self._sources = tuple(plan.settings.sources)
        self._has_lamp = plan.settings.lamp is not None
        self._began_ns = clock.now_ns()
        self._done = False

    def step(self, frame: Frame, statuses: Mapping[str, Status], lamp: LampKeeper) -> list[Event]:
        """The proof, at the tick when it is time for it."""
        if self._done:
            return []
        waited_s = (frame.time_ns - self._began_ns) / 1e9
        told = all(name in statuses and statuses[name].ok is not None for name in self._sources)
        if waited_s < _LIT_S or (not told and waited_s < _LONGEST_S):
            return []
        self._done = lamp.proved = True
        lost = self._outputs.lost
        lit = None if not self._has_lamp else "lamp" not in lost and self._outputs.lamp is not None
        heard_by = [name for name in self._outputs.names if name not in lost]
        text = words.proof_line(heard_by, lit, frame, self._units)
        states = {name: frame.values[name].quality.words for name in self._units}
        data = {"sounded_by": heard_by, "lamp": lit, "sensors": states}
        return [Event(frame.time_ns, EventKind.MONITOR, "start_up_proof", text, data)]
