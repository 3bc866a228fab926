"""One alert has the cab: the highest priority, then the most recent."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol, runtime_checkable

from cabcanary.alerts.sounds import ACKNOWLEDGED, CANNOT_SEE, START_UP, Loudness, Sound, sound_for
from cabcanary.alerts.words import Line, cab_words
from cabcanary.model import Event, EventKind, Priority

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from cabcanary.rules.engine import Change

#: So many alerts that want to be heard at once have one cause (a dead adapter, a lost supply): they are one sound and
#: a count. Fewer can still be told one after the other. A choice of ours, without a source.
FLOOD_FROM = 4


class Player(Protocol):
    """Something that can make a sound. Both methods return at once."""

    def play(self, sound: Sound, words: str) -> None:
        """Begin this sound now, in place of what sounds; `words` say what it is for, for those that can speak."""

    def silence(self) -> None:
        """Stop."""


@runtime_checkable
class Talker(Protocol):
    """A player that can say one thing after the other. Returns at once."""

    def say(self, lines: Sequence[Line], begin: Sound | None = None) -> None:
        """What is to be said now, in place of what was, each number once, the first first.

        The sound goes on, or `begin` begins in its place: in one call, so that nothing is cut off in between.
        """


class Annunciator:
    """Decides which alert is heard and drives the players; each decision is an event."""

    def __init__(self, players: Iterable[Player], loudness: Loudness | None = None) -> None:
        self._players = tuple(players)
        self.loudness = loudness or Loudness()
        self._wanting: dict[str, Change] = {}
        self._heard: Change | None = None
        self._sound: Sound | None = None
        self._insisted: Sound | None = None
        self._count = 0
        #: By alert: each raising has a number of its own, so that its words are said once.
        self._numbers: dict[str, int] = {}
        self._raisings = 0
        self._lines: tuple[Line, ...] = ()
        self._failure = ""
        self._failures: list[str] = []

    def start_up(self, now_ns: int) -> Event:
        """Prove at start that the players work."""
        self._play(START_UP, "")
        return Event(now_ns, EventKind.SOUND, START_UP.name, "start-up sound")

    def notice(self, sound: Sound, what: str, now_ns: int, words: str = "") -> Event | None:
        """Play a sound once for `what`, if no alert has the cab."""
        if self._heard is not None or self._insisted is not None:
            return None
        self._play(sound.once(), words)
        return Event(now_ns, EventKind.SOUND, sound.name, f"{sound.name} for {what}, once", {"alert": what})

    @property
    def wanting(self) -> frozenset[str]:
        """The alerts that ask for attention, as far as it has been told."""
        return frozenset(self._wanting)

    def update(self, changes: Iterable[Change], now_ns: int, *, broken: bool = False) -> list[Event]:
        """Take in changes of alert states; returns the decisions, and outputs that have failed since last time.

        While the monitor itself is `broken` in part, "cannot see" takes the cab from everything but a warning.
        """
        changes = tuple(changes)
        decided = self._decide(changes, now_ns, broken=broken)
        if changes or decided:
            self._say(self._to_say(self._heard))
        failed, self._failures = self._failures, []
        return decided + [Event(now_ns, EventKind.HELPER, "output", words, {"ok": False}) for words in failed]

    def _decide(self, changes: Iterable[Change], now_ns: int, *, broken: bool) -> list[Event]:
        new = []
        for change in changes:
            if change.sounds:
                self._wanting[change.alert] = change
                self._number(change)
                new.append(change)
            else:
                self._wanting.pop(change.alert, None)
                self._numbers.pop(change.alert, None)
        loudest = max(self._wanting.values(), key=lambda c: (c.priority, c.time_ns, c.alert), default=None)
        if broken and (loudest is None or loudest.priority < Priority.WARNING):
            event = self.insist(CANNOT_SEE, now_ns)
            return [] if event is None else [event]
        # The very same change goes on sounding, whatever else waits or ends.
        count = len(self._wanting)
        told = self._count if max(count, self._count) >= FLOOD_FROM else count
        if loudest is self._heard and self._insisted is None and count == told:
            self._count = count
            return []
        flooded = self._count >= FLOOD_FROM <= count
        self._count = count
        if loudest is None:
            self._heard = self._sound = self._insisted = None
            self._silence()
            return [Event(now_ns, EventKind.SOUND, "silence", "quiet again")]
        sound = sound_for(loudest.priority, blind=loudest.blind)
        # A new trip begins its sound again. In a flood, and where one that was heard before takes over, the sound
        # that is on goes on: an end or a fifth alert must not stutter.
        begins = any(c is loudest for c in new) and loudest is not self._heard and not flooded
        if begins or sound is not self._sound or self._insisted is not None:
            self._number(loudest)
            self._play(sound, cab_words(loudest), self._to_say(loudest))
        self._heard, self._sound, self._insisted = loudest, sound, None
        return [_decision(sound, loudest, count, now_ns)]

    def insist(self, sound: Sound, now_ns: int) -> Event | None:
        """Let this sound stand until an alert decides otherwise; called again it goes on without a break."""
        if self._insisted is sound:
            return None
        self._insisted, self._heard, self._sound = sound, None, None
        self._play(sound, "")
        return Event(now_ns, EventKind.SOUND, sound.name, f"{sound.name} for the monitor itself")

    def acknowledged(self, now_ns: int) -> Event | None:
        """A person has acknowledged: a short sound says that it was taken, if nothing else is to be heard."""
        if self._heard is not None or self._insisted is not None:
            return None
        self._play(ACKNOWLEDGED, "")
        return Event(now_ns, EventKind.SOUND, ACKNOWLEDGED.name, "acknowledged sound, once")

    def _number(self, change: Change) -> None:
        self._raisings += 1
        self._numbers[change.alert] = self._raisings

    def _to_say(self, heard: Change | None) -> tuple[Line, ...]:
        """What is to be said: every warning, and whatever has the cab; the newest first.

        Also in a flood, where the sound goes on: it is one sound for all of them, and the words tell which they are.
        """
        asking = () if heard is None else self._wanting.values()
        said = [change for change in asking if change is heard or change.priority is Priority.WARNING]
        said.sort(key=lambda c: (c.priority, c.time_ns, c.alert), reverse=True)
        return tuple(Line(self._numbers[c.alert], int(c.priority), cab_words(c)) for c in said)

    def _say(self, lines: tuple[Line, ...]) -> None:
        if lines == self._lines:
            return
        self._lines = lines
        for player in self._players:
            try:
                if isinstance(player, Talker):
                    player.say(lines)
            except Exception as error:  # noqa: BLE001 - one dead output must not silence the others
                self._failed(error)

    def _play(self, sound: Sound, words: str, lines: tuple[Line, ...] = ()) -> None:
        loud = self.loudness.of(sound)
        self._lines = lines
        for player in self._players:
            try:
                if lines and isinstance(player, Talker):
                    player.say(lines, loud)
                else:
                    player.play(loud, words)
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
        if words != self._failure:
            self._failure = words
            self._failures.append(words)


def _decision(sound: Sound, heard: Change, count: int, now_ns: int) -> Event:
    data: dict[str, Any] = {"alert": heard.alert}
    text = f"{sound.name} for {heard.alert}"
    if count >= FLOOD_FROM:
        data["count"] = count
        text = f"{sound.name} for {count} alerts at once, first of them {heard.alert}"
    return Event(now_ns, EventKind.SOUND, sound.name, text, data)
