"""The sound card as an output: the daemon's end. What sounds is told to a helper process, which owns the card."""

from __future__ import annotations

import asyncio
from dataclasses import asdict
from typing import TYPE_CHECKING, Any

from cabcanary.alerts.words import Line
from cabcanary.model import Priority
from cabcanary.processes.helper import Helper

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.alerts.sounds import Sound
    from cabcanary.processes.status import Status
    from cabcanary.settings.outputs import SoundCard

_MODULE = "cabcanary.alerts.card_player"
#: How long after a sound that is played once a restarted helper no longer begins it anew, beside its own length.
_GRACE_S = 2.0
#: And beside its words.
_WORDS_S = 8.0
#: Lines that are told at most, the first ones; saying so many takes over a minute.
_MOST_LINES = 32


class SoundCardPlayer:
    """Tells the helper what to play. Never waits: one that does not read is ended, and a new one gets the newest."""

    def __init__(self, spec: SoundCard, status: Status) -> None:
        self._helper = Helper(_MODULE, spec.model_dump(mode="json"), status, self._take)
        self._status = status
        self._timer: asyncio.TimerHandle | None = None
        self._sound: Sound | None = None
        self._begun = 0
        self.run = self._helper.run

    def play(self, sound: Sound, words: str = "") -> None:
        """Begin a sound; its words come soon after."""
        rank = Priority.WARNING if sound.urgent else Priority.ADVISORY
        # Negative: the numbers of whoever calls `say` are others.
        self.say([Line(-self._begun - 1, rank, words)] if words else [], sound)
        if not sound.repeats:
            loop = asyncio.get_running_loop()
            longest_s = sound.seconds + _GRACE_S + (_WORDS_S if words else 0.0)
            self._timer = loop.call_later(longest_s, self.silence)

    def say(self, lines: Sequence[Line], begin: Sound | None = None) -> None:
        """What is to be said now, in place of what was, the first first; the sound goes on, or `begin` begins."""
        if begin is not None:
            self._stop_timer()
            self._sound, self._begun = begin, self._begun + 1
        if self._sound is not None:
            self._tell(lines)

    def silence(self) -> None:
        """Stop."""
        self._stop_timer()
        self._sound = None
        self._tell([])

    def close(self) -> None:
        """Stop; the process goes with the task that runs it. May be called twice."""
        self.silence()

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def _tell(self, lines: Sequence[Line]) -> None:
        play = None if self._sound is None else asdict(self._sound)
        self._helper.tell({"play": play, "begun": self._begun, "say": lines[:_MOST_LINES]})

    def _take(self, message: dict[str, Any]) -> None:
        (self._status.good if message.get("ok") else self._status.bad)(str(message.get("text", "")))
