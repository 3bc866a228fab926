"""The sounds, as data.

A warning follows the published finding for urgent sounds in cabs (Singer, Lerner, Baldwin and Traube, ESV
paper 15-0455): base frequency of 1000 Hz or more, at least three harmonics (a piezo's square wave has
them), full level for at least 0.7 of the pulse, gaps of at most 125 ms. The others stay clearly outside it.
"""

from __future__ import annotations

from dataclasses import dataclass

from cabcanary.model import Priority


@dataclass(frozen=True, slots=True)
class Tone:
    """One step of a sound: a frequency in Hz (0: silence) for some seconds."""

    frequency: float
    seconds: float


@dataclass(frozen=True, slots=True)
class Sound:
    """A row of tones; `repeats` until it is stopped, or it is played once."""

    name: str
    tones: tuple[Tone, ...]
    repeats: bool = True


WARNING = Sound("warning", (Tone(1900, 0.26), Tone(0, 0.08)))
CAUTION = Sound("caution", (Tone(750, 0.22), Tone(0, 0.3), Tone(750, 0.22), Tone(0, 2.5)))
ADVISORY = Sound("advisory", (Tone(520, 0.35), Tone(0, 12.0)))
#: Two pitches in turn without a gap: unlike any of the others even through road noise.
CANNOT_SEE = Sound("cannot_see", (Tone(1500, 0.18), Tone(1050, 0.18)))
START_UP = Sound("start_up", (Tone(660, 0.12), Tone(990, 0.12), Tone(1320, 0.16)), repeats=False)
ACKNOWLEDGED = Sound("acknowledged", (Tone(880, 0.06),), repeats=False)

ALL = (WARNING, CAUTION, ADVISORY, CANNOT_SEE, START_UP, ACKNOWLEDGED)

_BY_PRIORITY = {Priority.WARNING: WARNING, Priority.CAUTION: CAUTION, Priority.ADVISORY: ADVISORY}


def sound_for(priority: Priority, *, blind: bool) -> Sound:
    """The sound of an alert. Blindness that matters like a warning has a sound of its own."""
    if blind and priority is Priority.WARNING:
        return CANNOT_SEE
    return _BY_PRIORITY[priority]
