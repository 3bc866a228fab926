"""A warning sounds urgent, and what is not urgent does not.

C. Singer, N. Lerner, C. Baldwin and E. Traube, "Auditory Alerts in Vehicles: Effects of Alert Characteristics and
Ambient Noise Conditions on Perceived Meaning and Detectability", ESV conference, paper 15-0455: taken as urgent
with a base frequency of 1000 Hz or more, a gap of at most 125 ms, full level for 0.7 of the time or more, and at
least three harmonics.
"""

import cmath

import pytest

from cabcanary.alerts.buzzer import _LOUD
from cabcanary.alerts.sounds import ADVISORY, ALL, CANNOT_SEE, CAUTION, WARNING, sound_for
from cabcanary.model import Priority

LOWEST_BASE_HZ = 1000
LONGEST_GAP_S = 0.125
LEAST_SHARE = 0.7


def base(sound):
    return min(t.frequency for t in sound.tones if t.frequency)


def gap(sound):
    return max((t.seconds for t in sound.tones if not t.frequency), default=0.0)


def share(sound):
    return sum(t.seconds for t in sound.tones if t.frequency) / sum(t.seconds for t in sound.tones)


def urgent_marks(sound):
    return [base(sound) >= LOWEST_BASE_HZ, gap(sound) <= LONGEST_GAP_S, share(sound) >= LEAST_SHARE]


@pytest.mark.parametrize("sound", [WARNING, CANNOT_SEE], ids=lambda s: s.name)
def test_an_urgent_sound_has_every_mark_of_urgency(sound):
    assert urgent_marks(sound) == [True, True, True]


@pytest.mark.parametrize("sound", [CAUTION, ADVISORY], ids=lambda s: s.name)
def test_a_sound_that_is_not_urgent_lacks_two_marks_at_least(sound):
    assert urgent_marks(sound).count(False) >= 2


def test_the_pins_wave_has_three_harmonics_at_least():
    # Fourier series of a rectangle of this duty, by the definition of the series over one period.
    steps = 3600
    wave = [1.0 if n < steps * _LOUD else 0.0 for n in range(steps)]
    levels = [
        abs(sum(w * cmath.exp(-2j * cmath.pi * k * n / steps) for n, w in enumerate(wave))) / steps for k in range(1, 8)
    ]
    # Within 20 dB of the base: the third, fifth and seventh, which a square wave has at 1/3, 1/5 and 1/7.
    assert sum(level > levels[0] / 10 for level in levels) >= 3


def test_urgency_falls_with_priority():
    pitches = [base(sound_for(p, blind=False)) for p in (Priority.WARNING, Priority.CAUTION, Priority.ADVISORY)]
    assert pitches == sorted(pitches, reverse=True)
    gaps = [gap(sound_for(p, blind=False)) for p in (Priority.WARNING, Priority.CAUTION, Priority.ADVISORY)]
    assert gaps == sorted(gaps)


def test_no_two_sounds_are_alike():
    assert len({s.tones for s in ALL}) == len(ALL)
    assert len({s.name for s in ALL}) == len(ALL)


def test_there_are_no_more_urgent_sounds_than_can_be_told_apart():
    # Five or six immediate-action sounds at most (Patterson and Mayfield 1990, from memory).
    assert sum(all(urgent_marks(s)) and s.repeats for s in ALL) <= 5


def test_an_alert_repeats_until_it_is_stopped():
    assert all(sound_for(p, blind=b).repeats for p in Priority for b in (False, True))


def test_every_tone_can_be_made_by_a_piezo():
    for tone in (t for s in ALL for t in s.tones):
        assert tone.frequency == 0 or 300 <= tone.frequency <= 5000
        assert tone.seconds > 0
