"""The sounds, as data: pattern, pitch, harmonics, envelope, repeat.

A warning follows the published finding for urgent sounds in cabs (Singer, Lerner, Baldwin and Traube, ESV
paper 15-0455): base frequency of 1000 Hz or more, at least three harmonics, full level for at least 0.7 of
the pulse, gaps of at most 125 ms. The others stay clearly outside it.

Within 1.5 s any two differ in rhythm alone, because an active buzzer has one pitch: endless pulses (warning), no gap
(cannot see), two beeps (caution), one long (advisory), long short long (monitor stopped), short short long (start-up),
one chirp (acknowledged). Pitches come on top of it, where there are any.

Road noise is loud below 500 Hz, so the energy lies between 1 and 5 kHz whatever the base is: on a sound card by the
third harmonic, on a piezo by those that fall on its resonance. The noise and the levels stand in config/sounds.md.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache

from cabcanary.model import Priority


@dataclass(frozen=True, slots=True)
class Tone:
    """One step of a sound: a frequency in Hz (0: silence) for some seconds, at a level of 0 to 1."""

    frequency: float
    seconds: float
    level: float = 1.0


@dataclass(frozen=True, slots=True)
class Sound:
    """A row of tones; `repeats` until it is stopped, or it is played once.

    `harmonics` gives the amplitudes of the base and its multiples, `attack_s` and `release_s` the ramps of each
    pulse, as a sound card plays them; a piezo's square wave has its own harmonics and no ramps. An `urgent`
    sound is never made quieter at night.
    """

    name: str
    tones: tuple[Tone, ...]
    repeats: bool = True
    harmonics: tuple[float, ...] = (1.0, 0.5, 0.33)
    attack_s: float = 0.005
    release_s: float = 0.005
    urgent: bool = False

    @property
    def seconds(self) -> float:
        """How long the pattern takes, once."""
        return sum(tone.seconds for tone in self.tones)

    def once(self) -> Sound:
        """The same sound, not repeated."""
        return replace(self, repeats=False)


#: Full at once: the ramps only keep a loudspeaker from clicking. The third harmonic, too, lies below 5 kHz.
WARNING = Sound(
    "warning",
    (Tone(1600, 0.26), Tone(0, 0.11)),
    harmonics=(1.0, 0.7, 0.5, 0.35, 0.25),
    attack_s=0.01,
    release_s=0.015,
    urgent=True,
)
#: Two soft pulses and a long rest. The third harmonic is stronger than the base: that one gets through road noise.
CAUTION = Sound(
    "caution",
    (Tone(700, 0.22), Tone(0, 0.3), Tone(700, 0.22), Tone(0, 2.5)),
    harmonics=(0.5, 0.3, 1.0),
    attack_s=0.07,
    release_s=0.09,
)
#: One soft long tone, seldom.
ADVISORY = Sound("advisory", (Tone(550, 0.5), Tone(0, 12.0)), harmonics=(0.6, 0.0, 1.0), attack_s=0.1, release_s=0.15)
#: Two pitches in turn without a gap: unlike any of the others even through road noise.
CANNOT_SEE = Sound("cannot_see", (Tone(1500, 0.18), Tone(1150, 0.18)), harmonics=(1.0, 0.6, 0.4, 0.25), urgent=True)
#: Three falling steps and a rest, the start-up sound turned round: what began then has ended.
MONITOR_STOPPED = Sound(
    "monitor_stopped",
    (Tone(1320, 0.5), Tone(0, 0.25), Tone(990, 0.15), Tone(0, 0.25), Tone(660, 0.35), Tone(0, 0.9)),
    harmonics=(1.0, 0.6, 0.4, 0.25),
    urgent=True,
)
START_UP = Sound(
    "start_up", (Tone(660, 0.1), Tone(0, 0.08), Tone(990, 0.1), Tone(0, 0.08), Tone(1320, 0.6)), repeats=False
)
ACKNOWLEDGED = Sound("acknowledged", (Tone(880, 0.06),), repeats=False, harmonics=(0.6, 0.3, 1.0))

ALL = (WARNING, CAUTION, ADVISORY, CANNOT_SEE, MONITOR_STOPPED, START_UP, ACKNOWLEDGED)
BY_NAME = {sound.name: sound for sound in ALL}

_BY_PRIORITY = {Priority.WARNING: WARNING, Priority.CAUTION: CAUTION, Priority.ADVISORY: ADVISORY}


def sound_for(priority: Priority, *, blind: bool) -> Sound:
    """The sound of an alert. Blindness that matters like a warning has a sound of its own."""
    if blind and priority is Priority.WARNING:
        return CANNOT_SEE
    return _BY_PRIORITY[priority]


@dataclass(slots=True)
class Loudness:
    """How loud sounds are: the owner's volume for all, and at night less for those that are not urgent."""

    volume: float = 1.0
    night_volume: float = 1.0
    night: bool = False

    def of(self, sound: Sound) -> Sound:
        """The sound as loud as it is to be now."""
        level = self.volume if sound.urgent or not self.night else self.volume * self.night_volume
        return sound if level == 1.0 else _at(sound, level)


@lru_cache(maxsize=64)
def _at(sound: Sound, level: float) -> Sound:
    return replace(sound, tones=tuple(replace(tone, level=tone.level * level) for tone in sound.tones))
