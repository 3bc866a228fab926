"""A piezo on a PWM pin, through gpiozero."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING, Any

from cabcanary.pins import pin_library

if TYPE_CHECKING:
    from cabcanary.alerts.sounds import Sound
    from cabcanary.clock import Clock

#: A square wave of half duty is a piezo's loudest and has all odd harmonics.
_LOUD = 0.5


class BuzzerError(RuntimeError):
    """There is no buzzer; the message says why and what to do."""


class PwmBuzzer:
    """Plays sounds on one pin. Changes of the pin are made at once, by the caller or by loop timers."""

    def __init__(self, pin: int | str, clock: Clock) -> None:
        self._clock = clock
        self._sound: Sound | None = None
        self._step = 0
        self._timer: asyncio.TimerHandle | None = None
        try:
            library = pin_library()
        except ImportError as error:
            raise BuzzerError(f"gpiozero cannot be loaded: {error}") from error
        try:
            self._device: Any = library.PWMOutputDevice(pin, initial_value=0, frequency=1000)
        except library.BadPinFactory as error:
            raise BuzzerError(
                "this machine has no GPIO pins that can be used; on a Pi, install lgpio and join the group gpio"
            ) from error
        except Exception as error:
            raise BuzzerError(f"pin {pin} cannot be a buzzer: {str(error) or type(error).__name__}") from error

    def play(self, sound: Sound) -> None:
        """Begin a sound; its first tone is on the pin when this returns."""
        self._stop_timer()
        self._sound, self._step = sound, 0
        self._next()

    def silence(self) -> None:
        """Pin off, now."""
        self._stop_timer()
        self._sound = None
        self._device.value = 0

    def close(self) -> None:
        """Silent, and the pin given back."""
        self.silence()
        self._device.close()

    def _next(self) -> None:
        sound = self._sound
        if sound is None:
            return
        if self._step >= len(sound.tones):
            if not sound.repeats:
                self.silence()
                return
            self._step = 0
        tone = sound.tones[self._step]
        self._step += 1
        if tone.frequency:
            self._device.frequency = tone.frequency
            self._device.value = _LOUD
        else:
            self._device.value = 0
        loop = asyncio.get_running_loop()
        self._timer = loop.call_later(self._clock.real_s(tone.seconds), self._next)

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None
