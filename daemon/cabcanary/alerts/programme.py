"""What a sound card plays, block by block: an attention sound, then the words, then the pattern goes on.

A tone first and the voice after it is how cockpits tell alerts: the tone makes one listen, the voice says what for
(FAA AC 25.1322-1, from memory). Here words begin within 1.5 s of their alert, also in a flood:

- The attention sound is the beginning of the pattern, 0.6 s to its next gap or change of tone.
- Of several lines the first unsaid one comes next; who tells them puts the highest priority first, then the newest.
- A line of a higher priority interrupts at once. One of the same priority lets the first sentence, the action, be
  said to its end if there is time for that, and interrupts later sentences: in a storm each action is heard whole.
  What was interrupted is said afterwards.
- A line that is no longer told (acknowledged, ended) stops in mid-word.

Time is counted in samples that were played. Nothing here waits or reads a clock.
"""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.alerts.render import RATE, samples
from cabcanary.alerts.speech import sentences

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from cabcanary.alerts.sounds import Sound
    from cabcanary.alerts.speech import Speech
    from cabcanary.alerts.words import Line

#: Samples that are played at a time: a new sound begins no later than this, and what the card holds.
BLOCK = RATE // 100
#: So long an alert sounds before its words. Two pulses of a caution take 0.74 s; shorter is no rhythm, longer is late.
ATTENTION_S = 0.6
#: So long the pattern is heard again between the words of two alerts.
BETWEEN_S = 0.3
#: And so long where a newer alert had to let an action be said: to the end of the first pulse.
_HURRIED_S = 0.15
#: Words that wait must begin within this, with a little to spare for the card: 1.5 s are promised.
_LATEST_S = 1.44
#: Between two sentences, samples.
_PAUSE = round(0.12 * RATE)
#: So long the second sentence is waited for, if it is not made yet, samples.
_MOST_WAITED = round(0.5 * RATE)
_NOTHING = np.zeros(0, dtype=np.int16)


@lru_cache(maxsize=32)
def _pieces(sound: Sound) -> tuple[tuple[NDArray[np.int16], bool], ...]:
    """The pattern's tones, and whether each is a rest."""
    whole, at, pieces = samples(sound), 0, []
    for tone in sound.tones:
        count = round(tone.seconds * RATE)
        pieces.append((whole[at : at + count], not tone.frequency))
        at += count
    return tuple(pieces)


class _Pattern:
    """A sound from its beginning, over and over if it repeats."""

    def __init__(self, sound: Sound) -> None:
        self._pieces = _pieces(sound)
        self._repeats = sound.repeats
        self._piece = self._at = 0
        self.over = False

    @property
    def may_break(self) -> bool:
        """Whether words may begin here: between two tones, in a rest, after the end."""
        return self.over or self._at == 0 or self._pieces[self._piece][1]

    def break_after(self, least: int) -> int:
        """How many samples from the beginning on words may begin for the first time, not before `least`."""
        at = 0
        for piece, rest in self._pieces:
            if rest and at + len(piece) >= least:
                return max(at, least)
            at += len(piece)
            if at >= least:
                break
        return at

    def block(self) -> NDArray[np.int16]:
        """The next samples; silence after the end."""
        if self.over:
            return np.zeros(BLOCK, dtype=np.int16)
        piece, _ = self._pieces[self._piece]
        block = piece[self._at : self._at + BLOCK]
        self._at += len(block)
        if self._at >= len(piece):
            self._at, self._piece = 0, (self._piece + 1) % len(self._pieces)
            self.over = self._piece == 0 and not self._repeats
        return block


class Programme:
    """Follows what it is told; `block` gives what is to be heard next."""

    def __init__(self, speech: Speech | None) -> None:
        self._speech = speech
        self._sound: Sound | None = None
        self._pattern: _Pattern | None = None
        self._begun: int | None = None
        self._lines: tuple[Line, ...] = ()
        self._said: set[int] = set()
        #: Samples of the pattern since the alert began or the last words ended, and how many there must be.
        self._heard = self._needed = 0
        self._line: Line | None = None
        self._words: Iterator[NDArray[np.int16]] = iter(())
        #: Whether the action is being said, how many samples of it are left, whether a newer line waits for its end.
        self._action = self._give_way = False
        self._left = 0

    def tell(self, sound: Sound | None, begun: int, lines: Sequence[Line]) -> None:
        """What is to sound, and what to say, the first unsaid line first. Another `begun` begins the sound anew."""
        waited = self._next_rank()
        self._lines = tuple(lines) if self._speech is not None and sound is not None else ()
        self._said &= {line.number for line in self._lines}
        self._keep_or_stop()
        if self._speech is not None:
            self._speech.want(line.words for line in self._lines if line.number not in self._said)
        if sound is None:
            self._sound = self._pattern = None
        elif begun != self._begun or self._sound is None:
            self._sound, self._pattern = sound, _Pattern(sound)
            # Where an alert of this priority waits for its words already, another must not keep it waiting.
            if self._line is None and self._next_rank() != waited:
                self._heard, self._needed = 0, round(ATTENTION_S * RATE)
        self._begun = begun

    def _next_rank(self) -> int:
        line = self._next_line()
        return -1 if line is None else line.rank

    def _next_line(self) -> Line | None:
        return next((line for line in self._lines if line.number not in self._said and line is not self._line), None)

    def _keep_or_stop(self) -> None:
        """What becomes of the words that are being said, now that there are other lines."""
        now = self._line
        if now is None:
            return
        # The same alert raised again while its words are said: they are its words.
        now = next((line for line in self._lines if line.words == now.words and line.number not in self._said), None)
        self._line = now
        if now is None:
            self._stop_words()
            return
        new = self._next_line()
        if new is None or self._lines.index(new) > self._lines.index(now):
            self._give_way = False
        elif new.rank > now.rank or not self._action or self._left > self._patience():
            self._stop_words()
        else:
            self._give_way = True

    def _patience(self) -> int:
        """What may be left of an action, samples, so that the next words are still in time."""
        pattern = self._pattern
        return round(_LATEST_S * RATE) - (0 if pattern is None else pattern.break_after(round(_HURRIED_S * RATE)))

    def _stop_words(self) -> None:
        self._line, self._words, self._give_way = None, iter(()), False
        self._heard, self._needed = 0, round(BETWEEN_S * RATE)

    def block(self) -> NDArray[np.int16] | None:
        """The next samples, at most `BLOCK`, mono, 16 bits; None while there is nothing to play."""
        if self._pattern is None:
            return None
        if self._line is None and self._heard >= self._needed and self._pattern.may_break:
            self._begin_words()
        if self._line is not None:
            block = next(self._words, None)
            if block is not None:
                return block
            self._words_end(self._line)
        if self._pattern.over and self._next_line() is None:
            return None
        block = self._pattern.block()
        self._heard += len(block)
        return block

    def _words_end(self, line: Line) -> None:
        gave_way = self._give_way
        self._stop_words()
        if not gave_way:
            self._said |= {other.number for other in self._lines if other.words == line.words}
        elif self._sound is not None:
            self._pattern, self._needed = _Pattern(self._sound), round(_HURRIED_S * RATE)

    def _begin_words(self) -> None:
        line = self._next_line()
        if line is None or self._speech is None:
            return
        parts = sentences(line.words)
        first = self._speech.clip(parts[0]) if parts else _NOTHING
        if first is None:
            return
        if len(first) == 0:
            self._said.add(line.number)
            return
        self._line, self._words, self._give_way = line, self._say(parts, self._speech), False

    def _say(self, parts: Sequence[str], speech: Speech) -> Iterator[NDArray[np.int16]]:
        loud = max(tone.level for tone in self._sound.tones) if self._sound is not None else 1.0
        for n, part in enumerate(parts):
            self._action = n == 0
            if self._give_way and n:
                return
            waited = 0
            while (clip := speech.clip(part)) is None and waited < _MOST_WAITED:
                waited += BLOCK
                yield np.zeros(BLOCK, dtype=np.int16)
            spoken = _NOTHING if clip is None else clip if loud >= 1.0 else (clip * loud).astype(np.int16)
            for at in range(0, len(spoken), BLOCK):
                self._left = len(spoken) - at - BLOCK
                yield spoken[at : at + BLOCK]
            if self._give_way:
                return
            yield np.zeros(_PAUSE, dtype=np.int16)
