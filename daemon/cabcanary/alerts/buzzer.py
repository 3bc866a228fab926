"""What hangs on pins: a piezo on PWM, an active buzzer, a lamp; through gpiozero."""

from __future__ import annotations

import asyncio
import math
from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Any

from cabcanary.pins import pin_library, pin_trouble

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cabcanary.alerts.patterns import Pattern
    from cabcanary.alerts.sounds import Sound
    from cabcanary.clock import Clock
    from cabcanary.processes.status import Status

#: A square wave of half duty is a piezo's loudest and has all odd harmonics.
_LOUD = 0.5


class BuzzerError(RuntimeError):
    """There is no such output; the message says why and what to do."""


def duty(level: float) -> float:
    """The duty cycle whose base wave has this share (0 to 1) of the loudest amplitude.

    The base of a rectangular wave of duty d has the amplitude sin(pi d) (Fourier series).
    """
    return math.asin(min(1.0, max(0.0, level))) / math.pi


def _open(make: str, pin: int | str, what: str, **options: Any) -> Any:
    try:
        return getattr(pin_library(), make)(pin, **options)
    except Exception as error:
        words = pin_trouble(error) or f"pin {pin} cannot be {what}: {str(error) or type(error).__name__}"
        raise BuzzerError(words) from error


class _Stepper(ABC):
    """Goes through steps by timers of the loop. The first step is set by the caller, before it gets control back.

    A pin that fails costs its step and no more; `status` tells of it once, and of its working again.
    """

    def __init__(self, clock: Clock, status: Status | None = None) -> None:
        self._clock, self._status = clock, status
        self._device: Any = None
        self._steps: Sequence[tuple[float, tuple[float, float]]] = ()
        self._repeats = False
        self._at = 0
        self._timer: asyncio.TimerHandle | None = None

    @abstractmethod
    def _set(self, frequency: float, level: float) -> None:
        """The output in this state, now; 0 Hz is silent or dark."""

    def _begin(self, steps: Sequence[tuple[float, tuple[float, float]]], *, repeats: bool) -> None:
        self._stop_timer()
        self._steps, self._repeats, self._at = steps, repeats, 0
        self._next()

    def silence(self) -> None:
        """Pin off, now."""
        self._stop_timer()
        self._steps = ()
        self._put(0.0, 0.0)

    def close(self) -> None:
        """Silent or dark, and the pin given back. May be called twice, and fails nobody."""
        self.silence()
        try:
            self._device.close()
        except Exception as error:  # noqa: BLE001 - a dead pin must not hold up the stop
            self._failed(error)

    def _put(self, frequency: float, level: float) -> None:
        try:
            self._set(frequency, level)
        except Exception as error:  # noqa: BLE001 - whatever the pin's driver raises, the next step comes
            self._failed(error)
        else:
            if self._status is not None and self._status.ok is False:
                self._status.good("works again")

    def _failed(self, error: Exception) -> None:
        if self._status is not None:
            self._status.bad(f"fails: {type(error).__name__}: {error}")

    def _next(self) -> None:
        if self._at >= len(self._steps):
            if not self._repeats or not self._steps:
                self.silence()
                return
            self._at = 0
        seconds, state = self._steps[self._at]
        self._at += 1
        # The timer first: a pin that fails once must not end the pattern.
        self._timer = asyncio.get_running_loop().call_later(self._clock.real_s(seconds), self._next)
        self._put(*state)

    def _stop_timer(self) -> None:
        if self._timer is not None:
            self._timer.cancel()
            self._timer = None


class _Sounder(_Stepper):
    def play(self, sound: Sound, words: str = "") -> None:  # noqa: ARG002 - a buzzer cannot speak
        """Begin a sound; its first tone is on the pin when this returns."""
        self._begin([(t.seconds, (t.frequency, t.level)) for t in sound.tones], repeats=sound.repeats)


class PwmBuzzer(_Sounder):
    """A piezo on a PWM pin. Changes of the pin are made at once, by the caller or by loop timers."""

    def __init__(self, pin: int | str, clock: Clock, status: Status | None = None) -> None:
        super().__init__(clock, status)
        self._device = _open("PWMOutputDevice", pin, "a buzzer", initial_value=0, frequency=1000)

    def _set(self, frequency: float, level: float) -> None:
        if frequency:
            self._device.frequency = frequency
            self._device.value = duty(level) if level < 1.0 else _LOUD
        else:
            self._device.value = 0


class ActiveBuzzer(_Sounder):
    """A buzzer with a pitch and a level of its own: it is on or off, so that only rhythms tell sounds apart."""

    def __init__(self, pin: int | str, clock: Clock, status: Status | None = None) -> None:
        super().__init__(clock, status)
        self._device = _open("DigitalOutputDevice", pin, "a buzzer", initial_value=False)

    def _set(self, frequency: float, level: float) -> None:
        self._device.value = 1 if frequency and level else 0


class PinLamp(_Stepper):
    """A lamp on a pin."""

    def __init__(self, pin: int | str, clock: Clock, status: Status | None = None) -> None:
        super().__init__(clock, status)
        self._device = _open("LED", pin, "a lamp", initial_value=False)

    def show(self, pattern: Pattern) -> None:
        """Begin a pattern; its first step is on the pin when this returns."""
        self._begin([(f.seconds, (float(f.lit), 1.0)) for f in pattern.flashes], repeats=True)

    def _set(self, frequency: float, level: float) -> None:
        self._device.value = 1 if frequency and level else 0
