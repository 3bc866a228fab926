"""The helper that owns the sound card: `python -m cabcanary.alerts.card_player`.

One line of JSON with its settings, then one for each sound, `{"play": sound or null, "say": words}`, on standard
input; `{"ok", "text"}` a line on standard output whenever its standing changes. It ends when its standard input ends.

PortAudio (Debian's libportaudio2, through the library sounddevice) talks to ALSA; espeak-ng speaks, if it is there
and wanted.
"""

from __future__ import annotations

import io
import json
import subprocess
import sys
import threading
import time
import wave
from typing import TYPE_CHECKING, Any

import numpy as np

from cabcanary.alerts.render import RATE, samples
from cabcanary.alerts.sounds import Sound, Tone
from cabcanary.processes.status import Backoff, Status

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

#: How much is written at a time: a new sound begins no later than this, and what the card holds.
_BLOCK = RATE // 100
#: How far ahead of real time it may write to a card that takes everything at once.
_AHEAD_S = 0.04
#: After so much silence the card is let go to sleep.
_IDLE_S = 1.0
#: The words come after the sound has been heard so often.
_SOUNDS_BEFORE_WORDS = 2
_LONGEST_SPEECH_S = 5.0


def sound_from(raw: dict[str, Any]) -> Sound:
    """A sound as the daemon sends it."""
    tones = tuple(Tone(**tone) for tone in raw["tones"])
    return Sound(**{**raw, "tones": tones, "harmonics": tuple(raw["harmonics"])})


class Speaker:
    """Words as samples, by espeak-ng; made once for each text, in a thread of its own."""

    def __init__(self, voice: str, note: Any) -> None:
        self._voice, self._note = voice, note
        self._made: dict[str, NDArray[np.int16] | None] = {}

    def prepare(self, words: str) -> None:
        """Have the words made, if they are new."""
        if words not in self._made:
            self._made[words] = None
            threading.Thread(target=self._make, args=(words,), daemon=True).start()

    def ready(self, words: str) -> NDArray[np.int16] | None:
        """The words, once they are made."""
        return self._made.get(words)

    def _make(self, words: str) -> None:
        command = ["espeak-ng", "-v", self._voice, "--stdout", words]
        try:
            done = subprocess.run(command, capture_output=True, timeout=_LONGEST_SPEECH_S, check=True)
            self._made[words] = _resampled(done.stdout)
        except FileNotFoundError:
            self._note("no speech: espeak-ng is not installed (apt install espeak-ng); sounds are played all the same")
        except (OSError, subprocess.SubprocessError, wave.Error, EOFError) as error:
            self._note(f"no speech: {error}")


def _resampled(wav: bytes) -> NDArray[np.int16]:
    # espeak-ng cannot know the length when it writes to a pipe: the header's length is bounded by the bytes received.
    with wave.open(io.BytesIO(wav)) as file:
        rate, raw = file.getframerate(), file.readframes(file.getframerate() * 60)
    spoken = np.frombuffer(raw[: len(raw) // 2 * 2], dtype="<i2").astype(np.float64)
    at = np.arange(int(len(spoken) * RATE / rate)) * rate / RATE
    resampled: NDArray[np.int16] = np.interp(at, np.arange(len(spoken)), spoken).astype(np.int16)
    return resampled


class CardPlayer:
    """Plays what it was told last. `tell` is called from another thread than `run`."""

    def __init__(self, settings: dict[str, Any], status: Status) -> None:
        self._device, self._status = str(settings["device"]), status
        self._speaker = Speaker(str(settings["voice"]), status.note) if settings["speech"] else None
        self._wanted: tuple[Sound, str] | None = None
        self._news = threading.Event()

    def tell(self, message: dict[str, Any]) -> None:
        """A new sound, or silence."""
        raw = message.get("play")
        words = str(message.get("say", ""))
        self._wanted = (sound_from(raw), words) if isinstance(raw, dict) else None
        if self._wanted and self._speaker and words:
            self._speaker.prepare(words)
        self._news.set()

    def run(self) -> None:
        """Play for ever; a card that goes is opened again when it is back."""
        backoff = Backoff(first_s=0.3, longest_s=10.0)
        while True:
            try:
                self._play_on(backoff)
            except Exception as error:  # noqa: BLE001 - the library raises many kinds
                text = f"sound card '{self._device}': {error}; tried again, other outputs go on"
                self._status.bad(text)
            time.sleep(backoff.next_s(0.5))

    def _play_on(self, backoff: Backoff) -> None:
        import sounddevice

        # Cards are looked for once when PortAudio starts: one that was plugged in since is only found anew.
        sounddevice._terminate()  # noqa: SLF001 - sounddevice's documented way to see new devices
        sounddevice._initialize()  # noqa: SLF001
        stream = sounddevice.RawOutputStream(
            samplerate=RATE, channels=1, dtype="int16", latency="low", device=self._device, blocksize=_BLOCK
        )
        with stream:
            self._status.good(f"sound card '{self._device}' plays")
            backoff.reset()
            while True:
                self._news.clear()
                wanted = self._wanted
                if wanted is None:
                    self._rest(stream)
                else:
                    self._sound(stream, *wanted)

    def _rest(self, stream: Any) -> None:
        if not self._news.wait(_IDLE_S):
            stream.stop()
            self._news.wait()
            stream.start()

    def _sound(self, stream: Any, sound: Sound, words: str) -> None:
        """Play until there is news."""
        began = time.monotonic()
        written = 0
        for block in self._blocks(sound, words):
            if self._news.is_set():
                return
            stream.write(block)
            written += len(block) // 2
            ahead = written / RATE - (time.monotonic() - began)
            if ahead > _AHEAD_S:
                self._news.wait(ahead - _AHEAD_S)
        self._news.wait()

    def _blocks(self, sound: Sound, words: str) -> Iterator[bytes]:
        pattern, heard, spoken = samples(sound), 0, False
        while True:
            yield from _cut(pattern)
            heard += 1
            if self._speaker and words and not spoken and heard >= min(_SOUNDS_BEFORE_WORDS, 1 + sound.repeats):
                speech = self._speaker.ready(words)
                if speech is not None:
                    spoken = True
                    loud = max(tone.level for tone in sound.tones)
                    yield from _cut(speech if loud >= 1.0 else (speech * loud).astype(np.int16))
            if not sound.repeats:
                return


def _cut(pattern: NDArray[np.int16]) -> Iterator[bytes]:
    for start in range(0, len(pattern), _BLOCK):
        yield pattern[start : start + _BLOCK].tobytes()


def main() -> int:
    """Play until standard input ends."""

    def tell(_name: str, ok: bool, words: str) -> None:
        sys.stdout.write(json.dumps({"ok": ok, "text": words}) + "\n")
        sys.stdout.flush()

    player = CardPlayer(json.loads(sys.stdin.readline()), Status("sound card", tell))
    threading.Thread(target=player.run, daemon=True).start()
    for line in sys.stdin:
        player.tell(json.loads(line))
    return 0


if __name__ == "__main__":
    sys.exit(main())
