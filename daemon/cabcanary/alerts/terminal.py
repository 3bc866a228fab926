"""The bench terminal as an output: its bell rings in the sound's rhythm, and the words stand in a line."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from cabcanary.alerts.console import Console
    from cabcanary.alerts.sounds import Sound
    from cabcanary.clock import Clock

BELL = "\a"


class TerminalBell:
    """Rings once for each tone. The console's own thread writes, so a stopped terminal holds up nobody."""

    def __init__(self, console: Console, clock: Clock) -> None:
        self._console, self._clock = console, clock
        self._timer: asyncio.TimerHandle | None = None
        self._sound: Sound | None = None

    def play(self, sound: Sound, words: str = "") -> None:
        """Begin a sound."""
        self.silence()
        self._sound = sound
        self._step(0, f"♪ {sound.name.replace('_', ' ')}" + (f": {words}" if words else ""))

    def silence(self) -> None:
        """Stop ringing."""
        self._sound = None
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None

    def close(self) -> None:
        """Stop ringing. May be called twice."""
        self.silence()

    def _step(self, at: int, line: str = "") -> None:
        sound = self._sound
        if sound is None:
            return
        if at >= len(sound.tones):
            if not sound.repeats:
                self.silence()
                return
            at = 0
        tone = sound.tones[at]
        # A bell needs no line of its own: only the first says what sounds, or the first that finds room.
        if tone.frequency and self._console.write(BELL + (line + "\n" if line else "")):
            line = ""
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(self._clock.real_s(tone.seconds), self._step, at + 1, line)
