"""The helper that owns the sound card: `python -m cabcanary.alerts.card_player`.

One line of JSON with its settings, then one for each change, on standard input: `{"play": sound or null, "begun":
number, "say": [[number, rank, words], …]}`. Another `begun` begins the sound anew; each `number` is said once, from the
first on (`programme.py`). `{"ok", "text"}` a line on standard output whenever its standing changes. It ends when its
standard input ends.

PortAudio (Debian's libportaudio2, through the library sounddevice) talks to ALSA; espeak-ng speaks, if it is there
and wanted.
"""

from __future__ import annotations

import json
import sys
import threading
import time
from typing import Any

from cabcanary.alerts.programme import BLOCK, Programme
from cabcanary.alerts.render import RATE
from cabcanary.alerts.sounds import Sound, Tone
from cabcanary.alerts.speech import Speech
from cabcanary.alerts.words import Line
from cabcanary.processes.status import Backoff, Status

#: How far ahead of real time it may write to a card that takes everything at once.
_AHEAD_S = 0.04
#: After so much silence the card is let go to sleep.
_IDLE_S = 1.0


def sound_from(raw: dict[str, Any]) -> Sound:
    """A sound as the daemon sends it."""
    tones = tuple(Tone(**tone) for tone in raw["tones"])
    return Sound(**{**raw, "tones": tones, "harmonics": tuple(raw["harmonics"])})


class CardPlayer:
    """Plays what it was told last. `tell` is called from another thread than `run`."""

    def __init__(self, settings: dict[str, Any], status: Status) -> None:
        self._device, self._status = str(settings["device"]), status
        self._programme = Programme(Speech(str(settings["voice"]), status.note) if settings["speech"] else None)
        self._wanted: tuple[Sound | None, int, list[Line]] = (None, 0, [])
        self._news = threading.Event()

    def tell(self, message: dict[str, Any]) -> None:
        """A new sound, other words, or silence."""
        raw = message.get("play")
        lines = [Line(*line) for line in message.get("say", ())]
        self._wanted = (sound_from(raw) if isinstance(raw, dict) else None, int(message.get("begun", 0)), lines)
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
            samplerate=RATE, channels=1, dtype="int16", latency="low", device=self._device, blocksize=BLOCK
        )
        with stream:
            self._status.good(f"sound card '{self._device}' plays")
            backoff.reset()
            # A card that was away plays what stands now.
            self._news.set()
            while True:
                self._follow()
                self._sound(stream)
                self._rest(stream)

    def _follow(self) -> None:
        if self._news.is_set():
            self._news.clear()
            self._programme.tell(*self._wanted)

    def _rest(self, stream: Any) -> None:
        if not self._news.wait(_IDLE_S):
            stream.stop()
            self._news.wait()
            stream.start()

    def _sound(self, stream: Any) -> None:
        """Play until there is nothing to play."""
        began = time.monotonic()
        written = 0
        while (block := self._programme.block()) is not None:
            stream.write(block.tobytes())
            written += len(block)
            ahead = written / RATE - (time.monotonic() - began)
            if ahead > _AHEAD_S:
                self._news.wait(ahead - _AHEAD_S)
            self._follow()


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
