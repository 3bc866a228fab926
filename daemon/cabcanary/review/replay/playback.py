"""A replay for a person: its events as they come, with the sounds of the chosen output, and its result at the end."""

from __future__ import annotations

import asyncio
import os
import sys
import time
from typing import TYPE_CHECKING, Any

from cabcanary.alerts import words
from cabcanary.alerts.console import Console
from cabcanary.alerts.outputs import Outputs
from cabcanary.clock import Clock
from cabcanary.model import Event, EventKind
from cabcanary.processes.status import Status
from cabcanary.review.replay.replay import Replayed, Wanted, play
from cabcanary.settings.outputs import Buzzer, SoundCard, Terminal

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.plan.plan import Plan
    from cabcanary.review.replay.recording import Playable
    from cabcanary.settings.schema import Settings

#: The pins of the bench, as `cabcanary bench` has them.
_PIN_FACTORY = ("GPIOZERO_PIN_FACTORY", "cabcanary-bench")
_PROGRESS_S = 0.5
_CLOSE_S = 1.0


def outputs_of(settings: Settings, sound: str) -> Settings:
    """The settings with only the outputs that are wanted."""
    if sound == "configured":
        return settings
    chosen: dict[str, Any] = {"buzzer": None, "lamp": None, "sound_card": None, "terminal": None}
    if sound == "bell":
        chosen["terminal"] = Terminal(bell=True)
    elif sound == "card":
        chosen["sound_card"] = settings.sound_card or SoundCard()
    elif sound == "bench":
        chosen["buzzer"] = settings.buzzer or Buzzer()
    return settings.model_copy(update=chosen)


def replay(drive: Playable, plan: Plan, outputs: Settings, sound: str, wanted: Wanted, *, quiet: bool) -> Replayed:
    """Play a drive and let it be heard; `quiet` prints nothing."""
    return asyncio.run(_replay(drive, plan, outputs, sound, wanted, quiet=quiet))


async def _replay(
    drive: Playable, plan: Plan, settings: Settings, sound: str, wanted: Wanted, *, quiet: bool
) -> Replayed:
    tell = (lambda *_: None) if quiet else _print
    progress = _Progress(drive, shown=wanted.speed is None and not quiet and sys.stderr.isatty())
    if sound == "none":
        return await play(drive, plan, wanted, (), tell, progress.passed)
    if sound == "bench":
        os.environ.setdefault(*_PIN_FACTORY)
    console = Console(sys.stderr if quiet else sys.stdout)
    clock = Clock(wanted.speed or 1.0)
    outputs = Outputs(outputs_of(settings, sound), clock, console, lambda name: Status(name, _say_trouble(console)))
    card = outputs.sound_card
    running = asyncio.create_task(card.run()) if card is not None else None

    def to_console(event: Event, at_s: float) -> None:
        tell_line = _line(event, at_s)
        if tell_line and not quiet:
            console.line(tell_line)

    try:
        return await play(drive, plan, wanted, outputs.players, to_console, progress.passed)
    finally:
        outputs.close()
        if running is not None:
            running.cancel()
            await asyncio.gather(running, return_exceptions=True)
        await asyncio.to_thread(console.close, _CLOSE_S)


def _say_trouble(console: Console) -> Callable[[str, bool, str], None]:
    def say(name: str, ok: bool, text: str) -> None:
        if not ok:
            console.line(f"{name}: {text}")

    return say


def _line(event: Event, at_s: float) -> str:
    return "" if event.kind is EventKind.SOUND and event.what == "silence" else words.log_line(event, at_s)


def _print(event: Event, at_s: float) -> None:
    line = _line(event, at_s)
    if line:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()


class _Progress:
    """How far a replay is that goes as fast as it can."""

    def __init__(self, drive: Playable, *, shown: bool) -> None:
        self._shown, self._name = shown, drive.name
        self._next = time.monotonic() + _PROGRESS_S

    def passed(self, at_s: float) -> None:
        """This second has been played."""
        if not self._shown or time.monotonic() < self._next:
            return
        self._next = time.monotonic() + _PROGRESS_S
        sys.stderr.write(f"\r{self._name}: {int(at_s // 60)}:{at_s % 60:04.1f} played ")
        sys.stderr.flush()
