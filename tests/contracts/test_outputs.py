"""Every output in the cab passes the same contract, each with its own kind of far end."""

from __future__ import annotations

import asyncio
import contextlib
import os
import shutil
import signal
import time
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from gpiozero import Device
from gpiozero.pins.mock import MockFactory, MockPWMPin
from harness import children
from output_contract import OutputContract, OutputRig, until

from cabcanary.alerts import patterns
from cabcanary.alerts.buzzer import ActiveBuzzer, PinLamp, PwmBuzzer
from cabcanary.alerts.console import Console
from cabcanary.alerts.render import RATE
from cabcanary.alerts.sound_card import SoundCardPlayer
from cabcanary.alerts.sounds import ADVISORY, CANNOT_SEE, CAUTION, START_UP, WARNING, Sound
from cabcanary.alerts.terminal import TerminalBell
from cabcanary.processes.helper import _MOST_UNREAD
from cabcanary.processes.status import Status
from cabcanary.settings.outputs import SoundCard

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

pytestmark = pytest.mark.waits


# --- pins -----------------------------------------------------------------------------------------------------------


@pytest.fixture
def pins() -> Iterator[Any]:
    before, Device.pin_factory = Device.pin_factory, MockFactory(pin_class=MockPWMPin)
    yield Device.pin_factory
    Device.pin_factory.reset()
    Device.pin_factory = before


class PinRig(OutputRig):
    """A pin. What is slow about it is the loop: it comes late to its next step."""

    def __init__(self, folder: Path, pins: Any) -> None:
        super().__init__(folder)
        self.pins = pins
        self._set: Any = None

    @property
    def pin(self) -> Any:
        return self.pins.pin(18)

    def hold(self) -> None:
        time.sleep(0.3)

    def die(self) -> None:
        def gone(*_: object) -> None:
            raise OSError("pin gone")

        self._set, self.player._set = self.player._set, gone

    def revive(self) -> None:
        self.player._set = self._set

    async def close(self) -> None:
        with contextlib.suppress(Exception):
            self.player.close()


class PiezoRig(PinRig):
    async def open(self) -> None:
        self.player = PwmBuzzer(18, self.clock)

    def heard(self) -> str | None:
        return {1600: "warning", 700: "caution"}.get(self.pin.frequency or 0) if self.pin.state else None


class ActiveRig(PinRig):
    async def open(self) -> None:
        self.pins.pin(18).clear_states()
        self.player = ActiveBuzzer(18, self.clock)

    def heard(self) -> str | None:
        # One pitch: the gap between the last two pulses tells. 0.11 s in a warning, 0.3 s and more in a caution.
        changes = [(s.timestamp, bool(s.state)) for s in self.pin.states]
        if not self.pin.state:
            return None
        gaps = [s for s, on in changes if on]
        if len(gaps) < 2:
            return None
        return "warning" if gaps[-1] < 0.19 else "caution"


class Lamp:
    """The lamp as an output of sounds, so that it meets the same contract."""

    def __init__(self, lamp: PinLamp) -> None:
        self._lamp = lamp
        self.close = lamp.close

    @property
    def _set(self) -> Any:
        return self._lamp._set

    @_set.setter
    def _set(self, value: Any) -> None:
        self._lamp._set = value

    def play(self, sound: Any, words: str) -> None:
        self._lamp.show({"warning": patterns.WARNING, "caution": patterns.CAUTION}[sound.name])

    def silence(self) -> None:
        self._lamp.silence()


class LampRig(PinRig):
    async def open(self) -> None:
        self.pins.pin(18).clear_states()
        self.player = Lamp(PinLamp(18, self.clock))

    def heard(self) -> str | None:
        if not self.pin.state:
            return None
        # Dark for 0.9 s comes only in a caution.
        dark = [s.timestamp for s in self.pin.states if s.state][-2:]
        return "caution" if any(0.5 < d < 2.0 for d in dark) else "warning"


class TestPiezo(OutputContract):
    @pytest.fixture
    def rig(self, tmp_path: Path, pins: Any) -> OutputRig:
        return PiezoRig(tmp_path, pins)


class TestActiveBuzzer(OutputContract):
    @pytest.fixture
    def rig(self, tmp_path: Path, pins: Any) -> OutputRig:
        return ActiveRig(tmp_path, pins)


class TestLamp(OutputContract):
    @pytest.fixture
    def rig(self, tmp_path: Path, pins: Any) -> OutputRig:
        return LampRig(tmp_path, pins)


async def test_a_loop_that_comes_late_makes_no_burst_of_steps(pins: Any, tmp_path: Path) -> None:
    rig = ActiveRig(tmp_path, pins)
    await rig.open()
    rig.player.play(WARNING, "")
    time.sleep(1.0)  # three rounds of the pattern
    before = len(rig.pin.states)
    await asyncio.sleep(0.03)
    assert len(rig.pin.states) - before <= 1
    await rig.close()


# --- the terminal ---------------------------------------------------------------------------------------------------


class TerminalRig(OutputRig):
    """A pipe for a terminal, read by the test."""

    most_held = 1000  # lines, the console's bound

    async def open(self) -> None:
        self.reading, writing = os.pipe()
        os.set_blocking(self.reading, False)
        self.stream = os.fdopen(writing, "w")
        self.console = Console(self.stream)
        self.player = TerminalBell(self.console, self.clock)
        self.text, self.last = "", 0.0
        self.holding = self.closed = False

    def _read(self) -> None:
        if self.holding or self.closed:
            return
        with contextlib.suppress(BlockingIOError):
            while data := os.read(self.reading, 1 << 16):
                self.text += data.decode()
                self.last = time.monotonic()

    def heard(self) -> str | None:
        self._read()
        if time.monotonic() - self.last > 1.0:
            return None
        return self.text.rpartition("♪ ")[2].split("\n")[0].split(":")[0] or None

    def hold(self) -> None:
        self.holding = True

    def release(self) -> None:
        self.holding = False

    def held(self) -> int:
        return self.console._queue.qsize()

    def die(self) -> None:
        # A terminal that goes stays gone for this console; what comes back is a new one.
        os.close(self.reading)
        self.closed = True

    def revive(self) -> None:
        self.reading, writing = os.pipe()
        os.set_blocking(self.reading, False)
        with contextlib.suppress(OSError, ValueError):
            self.stream.close()
        self.stream = os.fdopen(writing, "w")
        self.console._stream, self.closed = self.stream, False

    async def close(self) -> None:
        if self.closed:
            return
        await super().close()
        self._read()
        await asyncio.to_thread(self.console.close, 5.0)
        self.stream.close()
        os.close(self.reading)
        self.closed = True


class TestTerminalBell(OutputContract):
    @pytest.fixture
    def rig(self, tmp_path: Path) -> OutputRig:
        return TerminalRig(tmp_path)


# --- the sound card -------------------------------------------------------------------------------------------------

#: ALSA's own file output in place of a card: everything but the loudspeaker is real.
_ALSA = """
pcm.cab {{ type file slave.pcm {{ type null }} file "{file}" format raw }}
pcm.!default {{ type file slave.pcm {{ type null }} file "{file}" format raw }}
"""


class CardRig(OutputRig):
    most_held = 2 * _MOST_UNREAD

    def __init__(self, folder: Path, **spec: Any) -> None:
        super().__init__(folder)
        self.raw = folder / "heard.raw"
        (folder / "asound.conf").write_text(_ALSA.format(file=self.raw))
        os.environ["ALSA_CONFIG_PATH"] = str(folder / "asound.conf")
        self.spec = SoundCard(device="cab", **spec)
        self.told: list[tuple[bool, str]] = []
        self.task: asyncio.Task[None] | None = None

    async def open(self) -> None:
        status = Status("sound_card", lambda _n, ok, words: self.told.append((ok, words)))
        self.told.clear()
        self.player = SoundCardPlayer(self.spec, status)
        self.task = asyncio.ensure_future(self.player.run())
        await until(lambda: (True, "sound card 'cab' plays") in self.told, "the card")

    async def close(self) -> None:
        self.player.close()
        if self.task is not None:
            self.task.cancel()
            await asyncio.gather(self.task, return_exceptions=True)
            self.task = None

    def heard(self) -> str | None:
        """By the strongest frequency of the last tenth of a second, if that was not long ago."""
        try:
            data = self.raw.read_bytes()[-RATE // 10 * 2 // 2 * 2 :]
            age = time.time() - self.raw.stat().st_mtime
        except OSError:
            return None
        wave = np.frombuffer(data[: len(data) // 2 * 2], dtype="<i2").astype(float)
        # What ALSA's file output writes lags by what is buffered; a caution is silent for 2.5 s.
        if age > 0.5 or len(wave) < RATE // 20 or np.max(np.abs(wave)) < 100:
            return None
        # A caution's third harmonic is its strongest.
        pitch = np.argmax(np.abs(np.fft.rfft(wave))) * RATE / len(wave)
        return next((n for n, f in (("warning", 1600), ("caution", 2100)) if abs(pitch - f) < 30), None)

    @property
    def process(self) -> int:
        return next(pid for pid, words in children(os.getpid()).items() if "card_player" in words)

    def hold(self) -> None:
        os.kill(self.process, signal.SIGSTOP)

    def release(self) -> None:
        with contextlib.suppress(StopIteration, ProcessLookupError):
            os.kill(self.process, signal.SIGCONT)

    def held(self) -> int:
        process = self.player._helper.process
        return process.stdin.transport.get_write_buffer_size() if process else 0

    def die(self) -> None:
        os.kill(self.process, signal.SIGKILL)

    def left(self) -> list[str]:
        return super().left() + [words for words in children(os.getpid()).values() if "card_player" in words]


@pytest.fixture
def alsa(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("ALSA_CONFIG_PATH", "")


class TestSoundCard(OutputContract):
    @pytest.fixture
    def rig(self, tmp_path: Path, alsa: None) -> OutputRig:
        return CardRig(tmp_path)


async def test_a_card_that_is_not_there_is_one_clear_line_and_found_when_it_comes(tmp_path: Path, alsa: None) -> None:
    rig = CardRig(tmp_path)
    config = tmp_path / "asound.conf"
    there = config.read_text()
    config.write_text("pcm.!default { type null }\n")
    status = Status("sound_card", lambda _n, ok, words: rig.told.append((ok, words)))
    rig.player = SoundCardPlayer(rig.spec, status)
    rig.task = asyncio.ensure_future(rig.player.run())
    rig.player.play(WARNING, "")
    await until(lambda: rig.told, "a word")
    await asyncio.sleep(2.0)  # several tries
    ((ok, words),) = rig.told
    assert not ok
    assert words.startswith("sound card 'cab': ")
    assert words.endswith("; tried again, other outputs go on")
    config.write_text(there)
    # What was to sound meanwhile sounds now.
    await until(lambda: rig.heard() == "warning", "the warning")
    await rig.close()


async def test_a_sound_that_is_played_once_is_not_begun_anew_by_a_restart(
    tmp_path: Path, alsa: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cabcanary.alerts.sound_card._GRACE_S", 0.0)
    rig = CardRig(tmp_path)
    await rig.open()
    rig.player.play(START_UP, "")
    await until(lambda: rig.raw.exists() and rig.raw.stat().st_size > 0.3 * RATE * 2, "the sound")
    await asyncio.sleep(0.5)
    rig.die()
    rig.raw.unlink()
    await until(lambda: len(rig.told) == 3, "the card again")
    await asyncio.sleep(0.3)
    assert not rig.raw.exists() or rig.raw.stat().st_size == 0 or not np.any(np.frombuffer(rig.raw.read_bytes(), "<i2"))
    await rig.close()


@pytest.mark.skipif(shutil.which("espeak-ng") is None, reason="needs espeak-ng")
@pytest.mark.parametrize("sound", [WARNING, CANNOT_SEE, CAUTION, ADVISORY], ids=lambda s: s.name)
async def test_what_to_do_is_said_within_a_second_and_a_half_and_the_sound_goes_on(
    tmp_path: Path, alsa: None, sound: Sound
) -> None:
    rig = CardRig(tmp_path, speech=True)
    await rig.open()
    rig.player.play(sound, "Lift off gently. Lean under boost.")
    seconds = 15.0 if sound is ADVISORY else 6.0
    await until(lambda: rig.raw.exists() and rig.raw.stat().st_size > seconds * RATE * 2, "that much sound")
    await rig.close()
    heard = np.frombuffer(rig.raw.read_bytes()[: int(seconds) * RATE * 2], dtype="<i2").astype(float)
    tenths = heard[: len(heard) // (RATE // 10) * (RATE // 10)].reshape(-1, RATE // 10)
    power = np.abs(np.fft.rfft(tenths * np.hanning(RATE // 10), axis=1)) ** 2
    hertz = np.arange(power.shape[1]) * RATE / (RATE // 10)
    # Speech is what has most of its power beside the tones and their multiples.
    bases = {tone.frequency for tone in sound.tones if tone.frequency}
    beside = np.all([np.abs((hertz + base / 2) % base - base / 2) > 60 for base in bases], axis=0)
    loud = np.abs(tenths).max(axis=1) > 500
    spoken = np.flatnonzero(loud & (power[:, beside].sum(axis=1) > 0.5 * power.sum(axis=1)))
    # The sound comes first; then more than half a second of words; then the sound again.
    assert 0.5 <= spoken[0] * 0.1 <= 1.5
    assert len(spoken) >= 6
    assert np.any(loud[spoken[-1] + 2 :])
