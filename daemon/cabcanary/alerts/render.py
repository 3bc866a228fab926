"""Sounds as samples, for a sound card and for WAV files. Needs numpy: never loaded by the daemon's own process."""

from __future__ import annotations

import math
import wave
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from pathlib import Path

    from numpy.typing import NDArray

    from cabcanary.alerts.sounds import Sound

#: Samples per second: every sound card takes it.
RATE = 48_000
#: A little below full scale, so that no resampler clips.
_PEAK = 0.9


def samples(sound: Sound) -> NDArray[np.int16]:
    """The pattern once, mono, 16 bits, at `RATE`. Tones that follow each other without a gap keep their full level."""
    # A pulse is the sound between two silences: only its two ends have ramps.
    pieces: list[NDArray[np.float64]] = []
    pulse: list[NDArray[np.float64]] = []
    for tone in sound.tones:
        count = round(tone.seconds * RATE)
        if tone.frequency:
            pulse.append(tone.level * _wave(tone.frequency, count, sound.harmonics))
            continue
        pieces += [*_ramped(pulse, sound), np.zeros(count)]
        pulse = []
    # A sound without any gap has no end to ramp at, unless it is played once.
    pieces += pulse if sound.repeats and not pieces else _ramped(pulse, sound)
    mixed = np.concatenate(pieces)
    return np.round(mixed * _PEAK * 32767).astype(np.int16)


def _wave(frequency: float, count: int, harmonics: tuple[float, ...]) -> NDArray[np.float64]:
    time = np.arange(count) / RATE
    total = sum(
        (
            level * np.sin(2 * math.pi * frequency * n * time)
            for n, level in enumerate(harmonics, 1)
            # Above half the rate a harmonic would come back as another pitch.
            if frequency * n < RATE / 2
        ),
        np.zeros(count),
    )
    peak = float(np.max(np.abs(total))) if count else 1.0
    return total / (peak or 1.0)


def _ramped(pulse: list[NDArray[np.float64]], sound: Sound) -> list[NDArray[np.float64]]:
    if not pulse:
        return []
    whole = np.concatenate(pulse)
    attack, release = round(sound.attack_s * RATE), round(sound.release_s * RATE)
    envelope = np.ones(len(whole))
    envelope[:attack] *= np.linspace(0.0, 1.0, attack, endpoint=False)
    envelope[len(whole) - release :] *= np.linspace(1.0, 0.0, release)
    return [whole * envelope]


def write_wav(sound: Sound, path: Path, seconds: float) -> None:
    """A WAV file of the sound: repeated for about `seconds` if it repeats, else once.

    Raises:
        OSError: the file cannot be written.
    """
    once = samples(sound)
    repeats = max(1, math.ceil(seconds * RATE / len(once))) if sound.repeats else 1
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(RATE)
        file.writeframes(np.tile(once, repeats).astype("<i2").tobytes())
