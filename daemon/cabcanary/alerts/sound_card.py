"""The sound card as an output: the daemon's end. What sounds is told to a helper process, which owns the card."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from cabcanary.processes.helper import Helper

if TYPE_CHECKING:
    from cabcanary.alerts.sounds import Sound
    from cabcanary.processes.status import Status
    from cabcanary.settings.outputs import SoundCard

_MODULE = "cabcanary.alerts.card_player"
#: How long after a sound that is played once a restarted helper no longer begins it anew, beside its own length.
_GRACE_S = 2.0


class SoundCardPlayer:
    """Tells the helper what to play. Never waits: one that does not read is ended, and a new one gets the newest."""

    def __init__(self, spec: SoundCard, status: Status) -> None:
        self._helper = Helper(_MODULE, spec.model_dump(mode="json"), status, self._take)
        self._status = status
        self._timer: asyncio.TimerHandle | None = None
        self.run = self._helper.run

    def play(self, sound: Sound, words: str = "") -> None:
        """Begin a sound."""
        self._tell({"play": asdict(sound), "say": words})
        if not sound.repeats:
            loop = asyncio.get_running_loop()
            self._timer = loop.call_later(sound.seconds + _GRACE_S, self.silence)

    def silence(self) -> None:
        """Stop."""
        self._tell({"play": None})

    def close(self) -> None:
        """Stop; the process goes with the task that runs it. May be called twice."""
        self.silence()

    def _tell(self, message: dict[str, Any]) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
        self._helper.tell(message)

    def _take(self, message: dict[str, Any]) -> None:
        (self._status.good if message.get("ok") else self._status.bad)(str(message.get("text", "")))
