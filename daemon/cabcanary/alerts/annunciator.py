"""One alert has the cab: the highest priority, then the most recent."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from cabcanary.alerts.sounds import ACKNOWLEDGED, START_UP, Sound, sound_for
from cabcanary.model import Event, EventKind

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cabcanary.rules.engine import Change


class Player(Protocol):
    """Something that can make a sound. Both methods return at once."""

    def play(self, sound: Sound) -> None:
        """Begin this sound now, in place of what sounds."""

    def silence(self) -> None:
        """Stop."""


class Annunciator:
    """Decides which alert is heard and drives the players; each decision is an event."""

    def __init__(self, players: Iterable[Player]) -> None:
        self._players = tuple(players)
        self._standing: dict[str, Change] = {}
        self._heard: Change | None = None
        self._insisted: Sound | None = None
        #: What last went wrong with an output, and whether somebody has been told.
        self.failure, self.failure_told = "", True

    def start_up(self, now_ns: int) -> Event:
        """Prove at start that the players work."""
        self._play(START_UP)
        return Event(now_ns, EventKind.SOUND, START_UP.name, "start-up sound")

    def notice(self, sound: Sound, what: str, now_ns: int) -> Event | None:
        """Play a sound once for `what`, if no alert has the cab."""
        if self._heard is not None:
            return None
        self._play(Sound(sound.name, sound.tones, repeats=False))
        return Event(now_ns, EventKind.SOUND, sound.name, f"{sound.name} for {what}, once", {"alert": what})

    def update(self, changes: Iterable[Change], now_ns: int) -> list[Event]:
        """Take in changes of alert states; returns what was decided."""
        for change in changes:
            if change.sounds:
                self._standing[change.alert] = change
            else:
                self._standing.pop(change.alert, None)
        loudest = max(self._standing.values(), key=lambda c: (c.priority, c.time_ns, c.alert), default=None)
        # The very same change goes on sounding; a new trip of the same alert begins its sound again.
        if loudest is self._heard and self._insisted is None:
            return []
        self._insisted = None
        self._heard = loudest
        if loudest is None:
            self._silence()
            return [Event(now_ns, EventKind.SOUND, "silence", "quiet again")]
        sound = sound_for(loudest.priority, blind=loudest.blind)
        self._play(sound)
        return [
            Event(
                now_ns,
                EventKind.SOUND,
                sound.name,
                f"{sound.name} for {loudest.alert}",
                {"alert": loudest.alert},
            )
        ]

    def insist(self, sound: Sound) -> None:
        """Let this sound stand until an alert decides otherwise; called again it goes on without a break."""
        if self._insisted is not sound:
            self._insisted = sound
            self._heard = None
            self._play(sound)

    def acknowledged(self) -> None:
        """A person has acknowledged: a short sound says that it was taken."""
        if self._heard is None:
            self._play(ACKNOWLEDGED)

    def _play(self, sound: Sound) -> None:
        for player in self._players:
            try:
                player.play(sound)
            except Exception as error:  # noqa: BLE001 - one dead output must not silence the others
                self._failed(error)

    def _silence(self) -> None:
        for player in self._players:
            try:
                player.silence()
            except Exception as error:  # noqa: BLE001
                self._failed(error)

    def _failed(self, error: Exception) -> None:
        words = f"an output fails: {type(error).__name__}: {error}"
        if words != self.failure:
            self.failure = words
            self.failure_told = False
