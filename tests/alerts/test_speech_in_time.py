"""The words of an alert begin within 1.5 s of it, also in a flood: a short sound, the words, the pattern again.

What is told to the sound card's helper goes through the daemon's own side, as JSON; what the card would play is taken
block by block. Speech is a stand-in as slow as a small computer; espeak-ng itself is measured where it is there.
"""

import dataclasses
import itertools
import json
import random
import shutil
import subprocess
import time

import numpy as np
import pytest
from scipy.signal import correlate, find_peaks

from cabcanary.alerts.annunciator import Annunciator
from cabcanary.alerts.card_player import sound_from
from cabcanary.alerts.programme import BLOCK, Programme
from cabcanary.alerts.render import RATE, samples
from cabcanary.alerts.sound_card import SoundCardPlayer
from cabcanary.alerts.sounds import ADVISORY, CANNOT_SEE, CAUTION, START_UP, WARNING
from cabcanary.alerts.speech import Speech, sentences
from cabcanary.alerts.words import Line, cab_words
from cabcanary.model import Priority
from cabcanary.plan.plan import load_plan
from cabcanary.processes.status import Status
from cabcanary.rules.engine import Change
from cabcanary.settings.outputs import SoundCard
from cabcanary_bench.paths import config_folder

PROMISED_S = 1.5
#: Half a second to make a sentence: several times what a small computer takes.
MAKING_S = 0.5
#: A spoken word, at the 175 words a minute that espeak-ng speaks by itself.
WORD_S = 60 / 175
BLOCK_S = BLOCK / RATE


class SlowSpeech:
    """Each sentence is ready some time after it is first wanted, one at a time; a clip is one level, its own."""

    def __init__(self, making_s=MAKING_S):
        self._making_s, self._done_s = making_s, 0.0
        self._wanted, self._making, self.texts = [], None, []

    def want(self, texts):
        self._wanted = [s for words in texts for s in sentences(words)]

    def pass_to(self, now_s):
        if self._making is not None and now_s >= self._done_s:
            self.texts.append(self._making)
            self._making = None
        if self._making is None:
            self._making = next((s for s in self._wanted if s not in self.texts), None)
            self._done_s = now_s + self._making_s

    def clip(self, sentence):
        if sentence not in self.texts:
            return None
        count = round(len(sentence.split()) * WORD_S * RATE)
        return np.full(count, -20_000 - self.texts.index(sentence), dtype=np.int16)


@dataclasses.dataclass
class Spoken:
    """One stretch of a sentence, as it came out of the card."""

    text: str
    start_s: float
    seconds: float

    @property
    def whole(self):
        return self.seconds >= len(self.text.split()) * WORD_S - 2 * BLOCK_S


class Cab:
    """The annunciator and a sound card, on a clock of samples; 50 ticks a second."""

    def __init__(self, making_s=MAKING_S):
        self.card = SoundCardPlayer(SoundCard(speech=True), Status("sound card", lambda *_: None))
        self.card._helper.tell = self._tell
        self.annunciator = Annunciator([self.card])
        self.speech = SlowSpeech(making_s)
        self.programme = Programme(self.speech)
        self.blocks = []

    def _tell(self, message):
        raw = json.loads(json.dumps(message))
        sound = sound_from(raw["play"]) if raw["play"] else None
        self.programme.tell(sound, raw["begun"], [Line(*line) for line in raw["say"]])

    def drive(self, changes, until_s):
        """`changes`: pairs of a time in s and a change. Returns what came out, samples."""
        due = sorted(changes, key=lambda c: c[0])
        count = sum(len(b) for b in self.blocks)
        while count < until_s * RATE:
            now_s = count / RATE
            self.speech.pass_to(now_s)
            now = [c for at, c in due if at <= now_s]
            due = due[len(now) :]
            if now:
                self.annunciator.update(now, round(now_s * 1e9))
            block = self.programme.block()
            self.blocks.append(np.zeros(BLOCK, dtype=np.int16) if block is None else block)
            count += len(self.blocks[-1])
        return np.concatenate(self.blocks)

    def spoken(self):
        heard = np.concatenate(self.blocks)
        edges = np.flatnonzero(np.diff(heard)) + 1
        found = []
        for start, stop in itertools.pairwise([0, *edges, len(heard)]):
            number = -20_000 - int(heard[start])
            if stop - start > RATE // 200 and 0 <= number < len(self.speech.texts):
                found.append(Spoken(self.speech.texts[number], start / RATE, (stop - start) / RATE))
        return found


def raised(alert, priority, at_s=0.0, *, do="Lift off gently", say=None, blind=False):
    say = say or f"Trouble with {alert}"
    at_ns = round(at_s * 1e9)
    return at_s, Change(at_ns, alert, "active, unacknowledged", True, False, priority, blind, say, do, "")


def acknowledged(change, at_s):
    _, raised_ = change
    return at_s, dataclasses.replace(
        raised_, acknowledged=True, state="active, acknowledged", time_ns=round(at_s * 1e9)
    )


def begins(cab, text):
    return [s.start_s for s in cab.spoken() if s.text == text]


PRIORITIES = [(p, False) for p in Priority] + [(Priority.WARNING, True)]


# --- one alert ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("priority", "blind"), PRIORITIES)
def test_the_words_begin_within_a_second_and_a_half_for_every_priority(priority, blind):
    cab = Cab()
    cab.drive([raised("a", priority, 1.0, blind=blind)], 6.0)
    action, name = cab.spoken()
    assert (action.text, name.text) == ("Lift off gently.", "Trouble with a.")
    assert action.start_s - 1.0 <= PROMISED_S
    assert action.whole
    assert name.whole


@pytest.mark.parametrize("sound", [WARNING, CANNOT_SEE, CAUTION, ADVISORY], ids=lambda s: s.name)
def test_first_comes_a_recognisable_beginning_of_the_sound_then_the_words_then_the_pattern_goes_on(sound):
    priority = {CAUTION: Priority.CAUTION, ADVISORY: Priority.ADVISORY}.get(sound, Priority.WARNING)
    cab = Cab()
    heard = cab.drive([raised("a", priority, blind=sound is CANNOT_SEE)], 30.0)
    action, name = cab.spoken()
    # What sounds before the words is the pattern from its start: two pulses or tones where it has more than one.
    before = heard[: round(action.start_s * RATE)]
    pattern = np.tile(samples(sound), 3)
    assert np.array_equal(before, pattern[: len(before)])
    pulses = np.flatnonzero(np.diff((np.abs(before) > 0).astype(int)) == 1)
    assert action.start_s >= (0.5 if sound is ADVISORY else 0.6)
    assert sound in (ADVISORY, CANNOT_SEE) or len(before) > round(sum(t.seconds for t in sound.tones[:3]) * RATE) - 1
    assert len(pulses) >= 1
    # Afterwards it is the pattern again, on and on; the words are said once.
    after = heard[round((name.start_s + name.seconds) * RATE) :]
    beginning = samples(sound)[: RATE // 10].astype(float)
    likeness = correlate(after.astype(float), beginning, "valid", "fft")
    times, _ = find_peaks(likeness, height=0.99 * np.sum(beginning**2), distance=RATE // 10)
    assert len(times) >= min(20.0, 25.0 / sound.seconds) - 1


def test_words_that_are_made_late_come_as_soon_as_they_are_made_and_the_pattern_fills_the_time():
    cab = Cab(making_s=3.0)
    heard = cab.drive([raised("a", Priority.WARNING)], 10.0)
    start = begins(cab, "Lift off gently.")[0]
    assert 3.0 <= start <= 3.0 + WARNING.seconds
    quiet = np.abs(heard[: round(start * RATE)].astype(int)) < 300
    gaps = [len(list(g)) / RATE for silent, g in itertools.groupby(quiet) if silent]
    assert max(gaps) <= 0.125


def test_a_sound_that_is_played_once_is_followed_by_its_words_too():
    cab = Cab()
    cab.programme.tell(START_UP.once(), 1, [Line(1, 1, "Watching.")])
    cab.drive([], 4.0)
    (word,) = cab.spoken()
    assert START_UP.seconds <= word.start_s <= PROMISED_S
    assert cab.programme.block() is None


# --- many alerts ----------------------------------------------------------------------------------------------------


def each_its_own(n):
    # Actions of four words, the longest there are: the worst case for whoever comes next.
    return f"Do thing number n{n}"


@pytest.mark.parametrize("apart_s", [0.0, 0.02, 0.1])
def test_in_a_flood_every_warnings_words_are_said_and_the_newest_within_a_second_and_a_half(apart_s):
    flood = [raised(f"a{n:02}", Priority.WARNING, n * apart_s, do=each_its_own(n)) for n in range(10)]
    cab = Cab(making_s=0.1)
    cab.drive(flood, 60.0)
    spoken = cab.spoken()
    for n in range(10):
        assert [s for s in spoken if s.text == f"{each_its_own(n)}." and s.whole], n
        assert [s for s in spoken if s.text == f"Trouble with a{n:02}." and s.whole], n
    assert begins(cab, f"{each_its_own(9)}.")[0] - 9 * apart_s <= PROMISED_S
    # After the newest the others, newer ones first.
    names = [s.text for s in spoken if s.text.startswith("Trouble") and s.whole]
    assert names == sorted(names, reverse=True)


@pytest.mark.parametrize("every_s", [0.02, 0.1, 0.3, 1.0])
def test_a_warning_that_is_raised_again_and_again_is_said_all_the_same(every_s):
    again = [raised("a", Priority.WARNING, n * every_s) for n in range(round(12 / every_s))]
    cab = Cab()
    cab.drive(again, 12.0)
    spoken = cab.spoken()
    assert spoken[0].start_s <= PROMISED_S
    # Raised again while it is said, it is not begun anew: it is said to its end, time after time.
    assert all(s.whole for s in spoken[:-1])
    assert [s.text for s in spoken[:4]] == ["Lift off gently.", "Trouble with a."] * 2


def test_two_warnings_that_are_raised_in_turn_are_both_said():
    again = [raised("ab"[n % 2], Priority.WARNING, n * 0.2, do=f"Do {'ab'[n % 2]}") for n in range(50)]
    cab = Cab(making_s=0.1)
    cab.drive(again, 10.0)
    whole = [s.text for s in cab.spoken() if s.whole]
    assert whole.count("Do a.") >= 2
    assert whole.count("Do b.") >= 2


@pytest.mark.parametrize("into_s", [0.3, 0.9, 1.4, 2.0, 3.0])
def test_a_new_warning_interrupts_the_words_of_a_caution(into_s):
    changes = [raised("low", Priority.CAUTION, 0.0, do="Watch it"), raised("bad", Priority.WARNING, into_s)]
    cab = Cab(making_s=0.1)
    heard = cab.drive(changes, 8.0)
    assert begins(cab, "Lift off gently.")[0] - into_s <= PROMISED_S
    later = [s for s in cab.spoken() if s.start_s + s.seconds > into_s + 0.02]
    assert {s.text for s in later} == {"Lift off gently.", "Trouble with bad."}
    # The warning's sound itself is there within two blocks.
    sound = heard[round((into_s + 0.02) * RATE) :][: RATE // 10]
    assert np.max(np.abs(sound.astype(int))) > 20_000


def test_words_of_a_lower_priority_wait_until_the_higher_have_gone():
    bad = raised("bad", Priority.WARNING, 0.0)
    changes = [bad, *(raised(f"low{n}", Priority.CAUTION, 0.5 + n, do="Watch it") for n in range(6))]
    cab = Cab()
    cab.drive([*changes, acknowledged(bad, 10.0)], 20.0)
    assert all(s.start_s >= 10.0 for s in cab.spoken() if "low" in s.text or "Watch" in s.text)
    assert begins(cab, "Watch it.")[0] - 10.0 <= PROMISED_S


def test_a_warning_is_said_through_a_flood_of_cautions():
    low = [raised(f"low{n}", Priority.CAUTION, n * 0.05, do=f"Watch n{n}") for n in range(40)]
    cab = Cab(making_s=0.1)
    cab.drive([*low, raised("bad", Priority.WARNING, 1.03)], 6.0)
    assert begins(cab, "Lift off gently.")[0] - 1.03 <= PROMISED_S


def test_what_is_acknowledged_or_ended_is_not_said_any_more():
    flood = [raised(f"a{n}", Priority.WARNING, 0.0, do=each_its_own(n)) for n in range(6)]
    cab = Cab(making_s=0.1)
    cab.drive([*flood, *(acknowledged(c, 3.0) for c in flood)], 10.0)
    assert max(s.start_s + s.seconds for s in cab.spoken()) <= 3.0 + 2 * BLOCK_S
    one = Cab(making_s=0.1)
    one.drive([*flood, acknowledged(flood[2], 0.5)], 30.0)
    assert begins(one, f"{each_its_own(2)}.") == []
    assert len([s for s in one.spoken() if s.text.startswith("Trouble") and s.whole]) == 5


@pytest.mark.parametrize("seed", range(12))
def test_in_any_storm_no_lower_words_begin_over_higher_ones_and_the_last_warning_is_in_time(seed):
    dice = random.Random(seed)
    changes, rank = [], {}
    for n in range(dice.randrange(5, 40)):
        priority, at_s = dice.choice(list(Priority)), dice.uniform(0.0, 3.0)
        changes.append(raised(f"a{n}", priority, at_s, do=f"Do n{n} now then"))
        rank[f"Do n{n} now then."] = rank[f"Trouble with a{n}."] = priority
    last = raised("last", Priority.WARNING, 3.2)
    cab = Cab(making_s=0.05)
    cab.drive([*changes, last], 15.0)
    assert begins(cab, "Lift off gently.")[0] - 3.2 <= PROMISED_S
    warned_s = min(at for at, c in [*changes, last] if c.priority is Priority.WARNING)
    # Nothing is acknowledged: from the first warning on all words are a warning's.
    rank |= {"Lift off gently.": Priority.WARNING, "Trouble with last.": Priority.WARNING}
    assert {rank[s.text] for s in cab.spoken() if s.start_s > warned_s + 0.03} == {Priority.WARNING}


# --- what the card's helper does with lines, whoever tells them -----------------------------------------------------


def test_a_line_of_a_higher_priority_cuts_an_action_off_at_once():
    cab = Cab(making_s=0.05)
    low, high = Line(1, Priority.CAUTION, "Watch the dial now."), Line(2, Priority.WARNING, "Lift off.")
    cab.programme.tell(CAUTION, 1, [low])
    cab.drive([], 1.0)
    cab.programme.tell(CAUTION, 1, [high, low])
    cab.drive([], 6.0)
    first, second, third = cab.spoken()
    assert (first.text, second.text, third.text) == ("Watch the dial now.", "Lift off.", "Watch the dial now.")
    assert first.start_s + first.seconds <= 1.0 + 2 * BLOCK_S
    assert third.whole


def test_between_the_words_of_two_alerts_the_sound_is_heard():
    cab = Cab(making_s=0.05)
    lines = [Line(n, Priority.WARNING, f"Do n{n}. Because of n{n}.") for n in range(3)]
    cab.programme.tell(WARNING, 1, lines)
    cab.drive([], 2.0)
    # The first ends in the middle of its words, the other two are said to their ends.
    cab.programme.tell(WARNING, 1, lines[1:])
    heard = cab.drive([], 8.0)
    spoken = cab.spoken()
    for one, next_one in itertools.pairwise(spoken):
        between = heard[round((one.start_s + one.seconds) * RATE) : round(next_one.start_s * RATE)]
        pulses = np.sum(np.diff((np.abs(between.astype(int)) > 0).reshape(-1).astype(int)) == 1)
        assert (pulses > 0) == next_one.text.startswith("Do"), (one, next_one)
    assert [s.text for s in spoken if s.start_s > 2.0] == ["Do n1.", "Because of n1.", "Do n2.", "Because of n2."]


# --- espeak-ng itself -----------------------------------------------------------------------------------------------


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="needs espeak-ng")
def test_every_warning_that_ships_begins_with_an_action_that_is_said_to_its_end_in_any_storm():
    speech = Speech("en", lambda text: pytest.fail(text))
    actions = set()
    for file in sorted(config_folder().glob("*.toml")):
        for rule in load_plan(file).rules.rules:
            if rule.priority is Priority.WARNING:
                _, change = raised(rule.id, Priority.WARNING, do=rule.do, say=rule.say)
                actions.add(sentences(cab_words(change))[0])
    longest = {action: len(speech._make(action)) / RATE for action in actions}
    assert len(longest) > 2
    assert min(longest.values()) > 0.2
    # The action that is said, then a warning's first pulse: then the next warning's words begin.
    assert max(longest.values()) + WARNING.tones[0].seconds <= PROMISED_S, longest


def test_speech_that_cannot_be_made_is_told_and_costs_no_sound(monkeypatch):
    told = []

    def missing(*_args, **_more):
        raise FileNotFoundError

    monkeypatch.setattr(subprocess, "run", missing)
    speech = Speech.__new__(Speech)
    speech._voice, speech._note = "en", told.append
    assert len(speech._make("Ready.")) == 0
    assert told == ["no speech: espeak-ng is not installed (apt install espeak-ng); sounds are played all the same"]


def test_what_could_not_be_made_once_is_tried_again_when_it_is_wanted_again(monkeypatch):
    asked = []

    def make(_self, sentence):
        asked.append(sentence)
        return np.ones(9 if asked.count(sentence) > 1 else 0, dtype=np.int16)

    monkeypatch.setattr(Speech, "_make", make)
    speech = Speech("en", lambda _text: None)
    for words in ("Lift off.", "", "Lift off."):
        speech.want([words])
        ends = time.monotonic() + 10.0
        while words and speech.clip(words) is None and time.monotonic() < ends:
            time.sleep(0.005)
    assert len(speech.clip("Lift off.")) == 9


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="needs espeak-ng")
def test_a_clip_has_no_silence_before_and_after_its_words():
    clip = np.abs(Speech("en", lambda text: pytest.fail(text))._make("Lift off gently.").astype(int))
    assert np.max(clip[: RATE // 50]) > 200
    assert np.max(clip[-RATE // 50 :]) > 200


def test_the_action_is_a_sentence_of_its_own():
    assert sentences("Stay off boost. Cannot see pressure: wire broken or shorted.") == [
        "Stay off boost.",
        "Cannot see pressure: wire broken or shorted.",
    ]
    assert sentences(" ") == []
