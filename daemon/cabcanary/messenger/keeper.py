"""Keeps the messages: in the outbox's file, and in memory beside it for as long as the disk takes nothing.

A full disk takes neither a new message nor the word that an old one has been sent. Both are remembered here, in the
numbers that they have or would have in the file, and written once there is room. So all goes on meanwhile: nothing is
sent again and again, and nothing is lost unless the power goes, or more comes than memory holds.
"""

from __future__ import annotations

import contextlib
import sqlite3
import time
from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeVar

from cabcanary.messenger.outbox import Outbox, Waiting

if TYPE_CHECKING:
    from collections.abc import Callable, Container, Iterable
    from pathlib import Path

    from cabcanary.messenger.outbox import Number, OutboxMessage

T = TypeVar("T")

#: Messages that memory holds for a disk that takes nothing: about half a megabyte.
MOST_HELD = 1000
#: How often such a disk is tried, real seconds.
TRY_AGAIN_S = 2.0


@dataclass(frozen=True, slots=True)
class _Either:
    """The numbers in one or the other, without putting them together each time."""

    one: Container[int]
    other: Container[int]

    def __contains__(self, n: object) -> bool:
        return n in self.one or n in self.other


class Keeper:
    """As `Outbox`, but no method fails. `note` is told when the disk takes nothing, and when it does again.

    Not for two threads at once.
    """

    def __init__(
        self, path: Path, most: int, note: Callable[[str], None], now_s: Callable[[], float] = time.monotonic
    ) -> None:
        self._most, self._note, self._now_s = most, note, now_s
        self._outbox = Outbox(path, most)
        if self._outbox.note:
            note(self._outbox.note)
        self._next_n = self._outbox.last_n() + 1
        #: By id, in order: what the disk did not take, with the number that it will have.
        self._held: dict[str, tuple[int, OutboxMessage]] = {}
        #: Numbers that the broker has, of which the file does not know; none but those in the file and those held.
        self._sent: set[int] = set()
        self._lost = 0
        self._failing = False
        self._next_try_s = 0.0

    @property
    def behind(self) -> bool:
        """Whether the file lacks something."""
        return bool(self._held or self._sent)

    def put(self, message: OutboxMessage) -> bool:
        """Take in a message, unless it has been in before; whether it was new."""
        if message.identity in self._held:
            return False
        n = self._next_n
        self._next_n += 1
        if self._catch_up():
            try:
                return self._outbox.put(message, n)
            except sqlite3.Error as error:
                self._fails(error)
        if self._read(lambda outbox: outbox.knows(message.identity)):
            return False
        self._held[message.identity] = n, message
        if len(self._held) > MOST_HELD:
            oldest, _ = self._held.pop(next(iter(self._held)))
            self._lost += oldest not in self._sent
            self._sent.discard(oldest)
        return True

    def waiting(self, most: int, without: Iterable[str] = (), under_way: Container[int] = frozenset()) -> list[Waiting]:
        """The next messages, `most` of them, that have not been sent, whose topic is not among `without`, and their
        number not among those that are `under_way`."""
        self._catch_up()
        refused = frozenset(without)
        passed = _Either(self._sent, under_way)
        found = self._read(lambda outbox: outbox.waiting(most, refused, passed))
        held = [
            Waiting(n, message.topic, message.payload, message.retain)
            for n, message in self._held.values()
            if n not in passed and message.topic not in refused
        ]
        return sorted(found + held, key=lambda waiting: (not waiting.retain, waiting.n))[:most] if held else found

    def first(self, without: Iterable[str] = ()) -> Waiting | None:
        """The first of them."""
        return next(iter(self.waiting(1, without)), None)

    def sent(self, *numbers: int) -> None:
        """The broker has these."""
        self._sent.update(numbers)
        self._catch_up()

    def take_lost(self) -> int:
        """How many had to go since this was last asked."""
        lost, self._lost = self._lost, 0
        if not self._failing:
            try:
                lost += self._outbox.take_lost()
            except sqlite3.Error as error:
                self._fails(error)
        return lost

    def reached(self) -> Number:
        """The number of the last event of the feed that is kept or has been."""
        held = [message.number for _, message in self._held.values() if message.number is not None]
        return held[-1] if held else self._read(lambda outbox: outbox.reached())

    def standing(self) -> dict[str, str]:
        """Topics and last payloads of the alerts that were last said to stand."""
        found = self._read(lambda outbox: outbox.standing())
        for _, message in self._held.values():
            if message.stands:
                found[message.topic] = message.payload
            elif message.stands is False:
                found.pop(message.topic, None)
        return found

    def settled(self) -> list[tuple[str, str]]:
        """As `standing`, without those of which something still waits: that will say it anyway, and in order."""
        waiting = self._read(lambda outbox: outbox.topics(self._sent))
        waiting |= {message.topic for n, message in self._held.values() if n not in self._sent}
        return [(topic, payload) for topic, payload in self.standing().items() if topic not in waiting]

    def close(self) -> None:
        """Write the waiting messages if possible, and close the file. May be called twice."""
        self._next_try_s = 0.0
        with contextlib.suppress(sqlite3.Error):
            self._catch_up()
        self._outbox.close()

    # --- a disk that takes nothing ----------------------------------------------------------------------------

    def _catch_up(self) -> bool:
        """Have the file know all; whether it does. A disk that takes nothing is tried only now and then."""
        if self._failing and self._now_s() < self._next_try_s:
            return False
        if not self.behind:
            return not self._failing or self._works()
        try:
            # Messages already sent are removed first: that makes room.
            if self._sent:
                self._outbox.sent(self._sent)
            if self._held:
                self._outbox.put_all(list(self._held.values()), self._sent)
        except sqlite3.Error as error:
            self._fails(error)
            return False
        self._sent.clear()
        self._held.clear()
        return self._works()

    def _works(self) -> bool:
        if self._failing:
            self._failing = False
            self._note("the outbox can be written again; it holds all that memory kept")
        return True

    def _fails(self, error: sqlite3.Error) -> None:
        self._next_try_s = self._now_s() + TRY_AGAIN_S
        if not self._failing:
            self._failing = True
            self._note(f"the outbox cannot be written ({error}); messages are kept in memory until it can; make room")

    def _read(self, question: Callable[[Outbox], T]) -> T:
        """Ask the file; one that cannot even be read is left aside until the next start."""
        try:
            return question(self._outbox)
        except sqlite3.Error as error:
            self._note(f"the outbox cannot be read ({error}); messages are kept in memory until the next start")
            with contextlib.suppress(sqlite3.Error):
                self._outbox.close()
            self._outbox = Outbox(None, min(self._most, MOST_HELD))
            return question(self._outbox)
