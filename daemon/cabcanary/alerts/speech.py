"""Words as samples, by espeak-ng. For the helper that owns the sound card: it needs numpy and starts processes."""

from __future__ import annotations

import io
import re
import subprocess
import threading
import wave
from typing import TYPE_CHECKING

import numpy as np

from cabcanary.alerts.render import RATE

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

#: One sentence takes well under a second to make, also on a small computer; one that hangs must not keep the next back.
_LONGEST_MAKING_S = 3.0
#: Sentences that are kept. A drive has some dozens.
_MOST_KEPT = 200
#: Below this a sample is silence, 16 bits: what espeak-ng puts before and after a sentence is cut off.
_SILENT = 200
#: What is made at the start, so that programme and voice are in memory before the first alert.
_FIRST = "Ready."
#: Stands for a sentence that is not made yet.
_FULL = np.ones(1, dtype=np.int16)


def sentences(words: str) -> list[str]:
    """The sentences of a text, in order: the action stands alone, so that it can be said to its end."""
    return [part for part in re.split(r"(?<=[.!?])\s+", words.strip()) if part]


class Speech:
    """Makes sentences, one after the other in a thread of its own; those wanted first come first."""

    def __init__(self, voice: str, note: Callable[[str], None]) -> None:
        self._voice, self._note = voice, note
        self._made: dict[str, NDArray[np.int16]] = {}
        self._wanted: list[str] = [_FIRST]
        self._news = threading.Condition()
        threading.Thread(target=self._work, name="speech", daemon=True).start()

    def want(self, texts: Iterable[str]) -> None:
        """From now on these are wanted, the most urgent first. Returns at once."""
        with self._news:
            before, self._wanted = self._wanted, list(dict.fromkeys(s for words in texts for s in sentences(words)))
            # What could not be made once is tried again when it is wanted anew.
            for sentence in self._wanted:
                if sentence not in before and len(self._made.get(sentence, _FULL)) == 0:
                    del self._made[sentence]
            self._news.notify()

    def clip(self, sentence: str) -> NDArray[np.int16] | None:
        """A sentence at `RATE`, mono, 16 bits, once it is made; of no length if it cannot be said."""
        return self._made.get(sentence)

    def _work(self) -> None:
        while True:
            with self._news:
                while (sentence := next((s for s in self._wanted if s not in self._made), None)) is None:
                    self._news.wait()
                wanted = set(self._wanted)
            clip = self._make(sentence)
            for old in [s for s in self._made if s not in wanted][: max(0, len(self._made) - _MOST_KEPT)]:
                del self._made[old]
            self._made[sentence] = clip

    def _make(self, sentence: str) -> NDArray[np.int16]:
        command = ["espeak-ng", "-v", self._voice, "--stdout", "--", sentence]
        try:
            done = subprocess.run(command, capture_output=True, timeout=_LONGEST_MAKING_S, check=True)
            return _trimmed(_resampled(done.stdout))
        except FileNotFoundError:
            self._note("no speech: espeak-ng is not installed (apt install espeak-ng); sounds are played all the same")
        except (OSError, subprocess.SubprocessError, wave.Error, EOFError) as error:
            self._note(f"no speech: {error}")
        return np.zeros(0, dtype=np.int16)


def _resampled(wav: bytes) -> NDArray[np.int16]:
    # espeak-ng cannot know the length when it writes to a pipe: the header's length is bounded by the bytes received.
    with wave.open(io.BytesIO(wav)) as file:
        rate, raw = file.getframerate(), file.readframes(file.getframerate() * 60)
    spoken = np.frombuffer(raw[: len(raw) // 2 * 2], dtype="<i2").astype(np.float64)
    at = np.arange(int(len(spoken) * RATE / rate)) * rate / RATE
    resampled: NDArray[np.int16] = np.interp(at, np.arange(len(spoken)), spoken).astype(np.int16)
    return resampled


def _trimmed(spoken: NDArray[np.int16]) -> NDArray[np.int16]:
    loud = np.flatnonzero(np.abs(spoken.astype(np.int32)) > _SILENT)
    return spoken[loud[0] : loud[-1] + 1] if len(loud) else spoken[:0]
