"""A warning sounds urgent, and what is not urgent does not.

C. Singer, N. Lerner, C. Baldwin and E. Traube, "Auditory Alerts in Vehicles: Effects of Alert Characteristics and
Ambient Noise Conditions on Perceived Meaning and Detectability", ESV conference, paper 15-0455: taken as urgent
with a base frequency of 1000 Hz or more, a gap of at most 125 ms, full level for 0.7 of the pulse or more, and at
least three harmonics. Here this is measured on the rendered sound, by SciPy, as somebody with a microphone would.
"""

import cmath
import itertools
import math
import wave
from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from scipy.ndimage import maximum_filter1d
from scipy.signal import find_peaks, welch

from cabcanary.alerts.buzzer import _LOUD, duty
from cabcanary.alerts.render import RATE, samples, write_wav
from cabcanary.alerts.sounds import (
    ADVISORY,
    ALL,
    CANNOT_SEE,
    CAUTION,
    MONITOR_STOPPED,
    WARNING,
    Loudness,
    sound_for,
)
from cabcanary.cli.main import main
from cabcanary.model import Priority

LOWEST_BASE_HZ = 1000
LONGEST_GAP_S = 0.125
LEAST_SHARE = 0.7
LEAST_HARMONICS = 3
#: What counts as a harmonic: no more than 20 dB below the strongest. The paper names no level.
HARMONIC_DB = 20.0
#: Full level is what is within 1 dB of the loudest; nothing is heard 20 dB below it. The paper names no levels.
FULL, HEARD = 10 ** (-1 / 20), 10 ** (-20 / 20)


@dataclass
class Measured:
    """What a sound is like, from its samples alone."""

    bases: list[float]
    harmonics: int
    longest_gap_s: float
    share: float
    pulses_s: list[float]
    gaps_s: list[float]
    length_s: float

    @property
    def urgent_marks(self):
        return [
            min(self.bases) >= LOWEST_BASE_HZ,
            self.longest_gap_s <= LONGEST_GAP_S,
            self.share >= LEAST_SHARE,
            self.harmonics >= LEAST_HARMONICS,
        ]


@cache
def measured(sound):
    once = samples(sound).astype(float)
    # Three rounds, so that the gap between one and the next is seen; a sound that is played once stands alone.
    heard = np.tile(once, 3) if sound.repeats else once
    heard /= np.max(np.abs(heard))
    # The envelope: the largest within two milliseconds, one period of the lowest tone.
    envelope = maximum_filter1d(np.abs(heard), round(0.002 * RATE))
    on = runs(envelope > HEARD)
    pulses = [(stop - start) / RATE for start, stop in on]
    gaps = [(b - a) / RATE for (_, a), (b, _) in itertools.pairwise(on)]
    # Sound that never ends is one pulse without a gap.
    full = min(np.mean(envelope[start:stop] >= FULL) for start, stop in on)
    bases, harmonics = pitches(sound)
    return Measured(bases, harmonics, max(gaps, default=0.0), full, pulses, gaps, len(once) / RATE)


def runs(mask):
    edges = np.flatnonzero(np.diff(np.concatenate([[0], mask.astype(int), [0]])))
    return list(zip(edges[::2], edges[1::2], strict=True))


def pitches(sound):
    """The base of each tone, low to high, and the fewest harmonics that one of them has (the base is the first)."""
    found, fewest, at = [], 99, 0
    whole = samples(sound).astype(float)
    for tone in sound.tones:
        piece = whole[at : at + round(tone.seconds * RATE)]
        at += round(tone.seconds * RATE)
        if not np.any(piece):
            continue
        density, power = (x for x in welch(piece, RATE, nperseg=min(len(piece), 4096)))
        level = 10 * np.log10(power + 1e-12)
        peaks, _ = find_peaks(level, height=level.max() - HARMONIC_DB, distance=4)
        base = density[peaks[0]]
        found.append(float(base))
        multiples = {round(density[p] / base) for p in peaks if abs(density[p] / base % 1 - 0.5) > 0.4}
        fewest = min(fewest, len(multiples))
    return sorted({round(b, -1) for b in found}), fewest


@pytest.mark.parametrize("sound", [WARNING, CANNOT_SEE], ids=lambda s: s.name)
def test_an_urgent_sound_meets_every_criterion(sound):
    assert measured(sound).urgent_marks == [True] * 4


@pytest.mark.parametrize("sound", [CAUTION, ADVISORY], ids=lambda s: s.name)
def test_a_sound_that_is_not_urgent_fails_two_criteria_at_least(sound):
    assert measured(sound).urgent_marks.count(False) >= 2


def features(sound):
    """What a listener may tell sounds apart by: pitch, how many pitches, pulse, gap, rhythm, colour."""
    m = measured(sound)
    return {
        "base": m.bases[0],
        "pitches": len(m.bases),
        "pulse": max(m.pulses_s),
        "gap": m.longest_gap_s,
        "harmonics": m.harmonics,
    }


def differ(name, a, b):
    """Counts differ by one; pitches by a minor third (6:5) at least; times by half as much again."""
    if name in ("pitches", "harmonics"):
        return a != b
    low, high = sorted((a, b))
    ratio = 1.2 if name == "base" else 1.5
    # A gap shorter than 10 ms is none.
    return high > 0.01 and (low < 0.01 or high / low >= ratio)


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(ALL, 2)), ids=lambda s: s.name)
def test_any_two_sounds_differ_in_two_features_at_least(one, other):
    a, b = features(one), features(other)
    different = [name for name in a if differ(name, a[name], b[name])]
    assert len(different) >= 2, different


def rhythm(sound):
    """What an active buzzer makes of it: on and off times, tones without a gap run together."""
    steps = [(bool(t.frequency), t.seconds) for t in sound.tones]
    joined = [(on, sum(s for _, s in group)) for on, group in itertools.groupby(steps, key=lambda s: s[0])]
    return [s for on, s in joined if on], [s for on, s in joined if not on], sound.repeats


@pytest.mark.parametrize(("one", "other"), list(itertools.combinations(ALL, 2)), ids=lambda s: s.name)
def test_a_buzzer_of_one_pitch_tells_any_two_sounds_apart_by_rhythm(one, other):
    (on_a, off_a, again_a), (on_b, off_b, again_b) = rhythm(one), rhythm(other)
    if again_a == again_b and len(off_a) == len(off_b):
        times = [(max(on_a), max(on_b)), (max(off_a, default=0.0), max(off_b, default=0.0))]
        assert any(max(a, b) >= 1.5 * min(a, b) and max(a, b) > 0 for a, b in times)


def test_the_pins_wave_has_three_harmonics_at_least():
    # Fourier series of a rectangle of this duty, by the definition of the series over one period.
    steps = 3600
    wave = [1.0 if n < steps * _LOUD else 0.0 for n in range(steps)]
    levels = [
        abs(sum(w * cmath.exp(-2j * cmath.pi * k * n / steps) for n, w in enumerate(wave))) / steps for k in range(1, 8)
    ]
    # Within 20 dB of the base: the third, fifth and seventh, which a square wave has at 1/3, 1/5 and 1/7.
    heard = [k for k, level in enumerate(levels, 1) if level >= levels[0] / 10]
    assert len([k for k in heard if k > 1]) >= 3
    assert heard[:4] == [1, 3, 5, 7]


def test_the_pins_pattern_of_a_warning_has_every_mark_of_time_and_pitch():
    # A pin knows no ramps: the pulse is at full level for all of it.
    for sound in (WARNING, CANNOT_SEE):
        assert min(t.frequency for t in sound.tones if t.frequency) >= LOWEST_BASE_HZ
        assert max((t.seconds for t in sound.tones if not t.frequency), default=0.0) <= LONGEST_GAP_S
    for sound in (CAUTION, ADVISORY):
        assert min(t.frequency for t in sound.tones if t.frequency) < LOWEST_BASE_HZ
        assert max(t.seconds for t in sound.tones if not t.frequency) > LONGEST_GAP_S


@pytest.mark.parametrize("level", [0.2, 0.5, 0.9, 1.0])
def test_the_duty_of_a_quieter_pin_gives_a_base_wave_of_that_share(level):
    # Base amplitude of a rectangle of duty d: (2/pi) sin(pi d); the loudest is at one half.
    assert math.sin(math.pi * duty(level)) == pytest.approx(level)
    assert duty(1.0) == 0.5


@pytest.mark.parametrize("sound", ALL, ids=lambda s: s.name)
def test_no_sound_is_a_step_of_nothing(sound):
    assert all(t.seconds > 0 for t in sound.tones)
    assert any(t.frequency for t in sound.tones)


def test_each_priority_has_its_sound_and_blindness_that_matters_its_own():
    assert [sound_for(p, blind=False) for p in (Priority.WARNING, Priority.CAUTION, Priority.ADVISORY)] == [
        WARNING,
        CAUTION,
        ADVISORY,
    ]
    assert sound_for(Priority.WARNING, blind=True) is CANNOT_SEE
    assert sound_for(Priority.CAUTION, blind=True) is CAUTION


# --- volume and night ---------------------------------------------------------------------------------------------


def level(sound):
    return max(t.level for t in sound.tones)


@pytest.mark.parametrize("sound", [WARNING, CANNOT_SEE, MONITOR_STOPPED], ids=lambda s: s.name)
@pytest.mark.parametrize("volume", [1.0, 0.5])
def test_night_never_lowers_what_is_urgent(sound, volume):
    day, night = Loudness(volume, 0.0), Loudness(volume, 0.0, night=True)
    assert level(night.of(sound)) == level(day.of(sound)) == volume


@pytest.mark.parametrize("sound", [CAUTION, ADVISORY], ids=lambda s: s.name)
def test_night_lowers_the_others(sound):
    assert level(Loudness(0.8, 0.5, night=True).of(sound)) == pytest.approx(0.4)
    assert level(Loudness(0.8, 0.5).of(sound)) == pytest.approx(0.8)


# --- files --------------------------------------------------------------------------------------------------------


def test_every_sound_is_written_as_a_wav_file_that_is_what_is_played(tmp_path, capsys):
    assert main(["sounds", "--wav", str(tmp_path / "wav")]) == 0
    written = sorted(p.name for p in (tmp_path / "wav").iterdir())
    assert written == sorted(f"{s.name}.wav" for s in ALL)
    assert sorted(line.rpartition("/")[2] for line in capsys.readouterr().out.split()) == written
    for sound in ALL:
        with wave.open(str(tmp_path / "wav" / f"{sound.name}.wav")) as file:
            assert (file.getnchannels(), file.getsampwidth(), file.getframerate()) == (1, 2, RATE)
            heard = np.frombuffer(file.readframes(file.getnframes()), dtype="<i2")
        assert np.array_equal(heard[: len(samples(sound))], samples(sound))
        assert (len(heard) / RATE >= 6.0) == sound.repeats


def test_a_folder_that_cannot_be_written_is_one_clear_line(tmp_path, capsys):
    (tmp_path / "file").write_text("in the way")
    assert main(["sounds", "--wav", str(tmp_path / "file" / "wav")]) == 1
    assert "Not a directory" in capsys.readouterr().err


def test_a_file_is_as_loud_as_it_can_be_and_never_clips(tmp_path):
    for sound in ALL:
        write_wav(sound, tmp_path / "x.wav", 1.0)
        peak = np.max(np.abs(samples(sound).astype(int)))
        assert 0.85 * 32767 < peak < 32767
