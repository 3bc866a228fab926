"""Settings -> the outputs in the cab: what sounds, and the lamp. One that is not there is said, and costs no other."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cabcanary.alerts.buzzer import ActiveBuzzer, BuzzerError, PinLamp, PwmBuzzer
from cabcanary.alerts.sound_card import SoundCardPlayer
from cabcanary.alerts.sounds import Loudness
from cabcanary.alerts.terminal import TerminalBell
from cabcanary.processes.status import Status

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.alerts.annunciator import Player
    from cabcanary.alerts.console import Console
    from cabcanary.clock import Clock
    from cabcanary.settings.outputs import Watcher
    from cabcanary.settings.schema import Settings


class Outputs:
    """All outputs of one vehicle. `names` say by what sounds are played; the sound card must be run."""

    def __init__(self, settings: Settings, clock: Clock, console: Console, status: Callable[[str], Status]) -> None:
        self._console = console
        #: The pins come first: they are set when `play` returns.
        self.players: list[Player] = []
        self.names: list[str] = []
        self._closing: list[PwmBuzzer | ActiveBuzzer | PinLamp | TerminalBell | SoundCardPlayer] = []
        self.lamp: PinLamp | None = None
        self.sound_card: SoundCardPlayer | None = None
        self._statuses: dict[str, Status] = {}
        self._open_pins(settings, clock, status)
        if settings.sound_card is not None:
            card = self._statuses["sound card"] = status("sound_card")
            self.sound_card = SoundCardPlayer(settings.sound_card, card)
            self._add("sound card", self.sound_card)
        if settings.terminal is not None and settings.terminal.bell:
            self._add("terminal bell", TerminalBell(console, clock))
        if not self.players and settings.buzzer is None:
            console.line("no buzzer is set up: alerts are only shown here")

    @property
    def lost(self) -> dict[str, str]:
        """The outputs that do not work just now, each with the reason in words."""
        return {name: status.words for name, status in self._statuses.items() if status.ok is False}

    @property
    def deaf(self) -> bool:
        """Whether sounds were set up and nothing sounds any more."""
        there = {*self.names, *(n for n in self._statuses if n != "lamp")}
        return bool(there) and there <= set(self.lost)

    def _open_pins(self, settings: Settings, clock: Clock, status: Callable[[str], Status]) -> None:
        buzzer, lamp = settings.buzzer, settings.lamp
        if buzzer is not None:
            standing = self._statuses["buzzer"] = status("buzzer")
            try:
                kind = PwmBuzzer if buzzer.kind == "piezo" else ActiveBuzzer
                self._add("buzzer", kind(buzzer.pin, clock, standing))
            except BuzzerError as error:
                standing.bad(str(error))
                self._console.line(f"NO BUZZER: {error}. Nothing will be heard from it until this is mended.")
        if lamp is not None:
            standing = self._statuses["lamp"] = status("lamp")
            try:
                self.lamp = PinLamp(lamp.pin, clock, standing)
                self._closing.append(self.lamp)
            except BuzzerError as error:
                standing.bad(str(error))
                self._console.line(f"NO LAMP: {error}.")

    def _add(self, name: str, player: PwmBuzzer | ActiveBuzzer | TerminalBell | SoundCardPlayer) -> None:
        self.players.append(player)
        self.names.append(name)
        self._closing.append(player)

    def close(self) -> None:
        """All silent and dark, and every pin given back. May be called twice."""
        closing, self._closing = self._closing, []
        for output in closing:
            try:
                output.close()
            except Exception as error:  # noqa: BLE001 - one that is dead must not keep the others from closing
                self._console.line(f"an output cannot be closed: {type(error).__name__}: {error}")


def loudness_of(settings: Settings) -> Loudness:
    """How loud the settings want it."""
    return Loudness(settings.sounds.volume, settings.sounds.night_volume)


def watcher_output(spec: Watcher, clock: Clock, console: Console) -> PwmBuzzer | ActiveBuzzer | TerminalBell:
    """The watcher's own output line; the terminal's bell where there is none, or none that works."""
    if spec.pin is not None:
        status = Status("output line", lambda name, _ok, words: console.line(f"the {name} {words}"))
        try:
            return (PwmBuzzer if spec.kind == "piezo" else ActiveBuzzer)(spec.pin, clock, status)
        except BuzzerError as error:
            console.line(f"NO OUTPUT LINE: {error}. A stopped monitor is only shown here until this is mended.")
    return TerminalBell(console, clock)
