"""The outbox: messages that the broker has not taken yet, on disk, bounded, in order.

One SQLite file. A message goes in before it is sent and out when the broker has acknowledged it, so a crash at any
moment sends some again and none is lost; the id that each carries tells the copies. When it is full the oldest goes,
and how many went is told.

States (retained: alerts, drive, arrival, coverage) go out before plain events, so that an alert of now does not wait
behind weeks of events. A topic is one or the other, so the order within it stays.
"""

from __future__ import annotations

import contextlib
import sqlite3
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Container, Iterable, Sequence
    from pathlib import Path

#: How many ids of messages are remembered, so that what the feed tells twice goes in once.
_REMEMBERED = 4096
#: Pages of 4 KiB that the file may have: 32 MiB. A message is about 0.5 KiB, so the largest outbox that the settings
#: allow fills half of them; where messages are longer the oldest go when the pages are full.
_MOST_PAGES = 8192
#: What part of the messages goes when they are.
_MAKES_ROOM = 50
_LARGEST_WAL = 1 << 20
#: Pages after which the write-ahead log is taken into the file: below the limit above.
_CHECKPOINT_PAGES = 200

_TABLES = """
CREATE TABLE IF NOT EXISTS message (
    n INTEGER PRIMARY KEY AUTOINCREMENT, topic TEXT NOT NULL, payload TEXT NOT NULL, retain INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS seen (n INTEGER PRIMARY KEY AUTOINCREMENT, id TEXT NOT NULL UNIQUE);
CREATE TABLE IF NOT EXISTS standing (topic TEXT PRIMARY KEY, payload TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS reached (
    one INTEGER PRIMARY KEY CHECK (one = 1), run TEXT NOT NULL, n INTEGER NOT NULL
);
CREATE TABLE IF NOT EXISTS lost (one INTEGER PRIMARY KEY CHECK (one = 1), count INTEGER NOT NULL);
INSERT OR IGNORE INTO lost VALUES (1, 0);
"""
#: In which order messages go out; without it each look would read the whole file.
_ORDER = "CREATE INDEX IF NOT EXISTS going_out ON message (retain DESC, n)"


class Waiting(NamedTuple):
    """One message that waits."""

    n: int
    topic: str
    payload: str
    retain: bool


class Number(NamedTuple):
    """An event's number in a run of the daemon."""

    run: str
    n: int


class OutboxMessage(NamedTuple):
    """One message to be kept. `stands` says whether the alert that it tells of still does; None is no alert. `number`
    is the event's number in the daemon's feed."""

    identity: str
    topic: str
    payload: str
    retain: bool
    stands: bool | None = None
    number: Number | None = None


class Outbox:
    """Keeps at most `most` messages, in memory only if there is no `path`. `note` gives the fault of the file, if
    it had to be set aside."""

    def __init__(self, path: Path | None, most: int) -> None:
        self._most = most
        self.note = ""
        if path is None:
            self._db = _open(":memory:")
            return
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = _open(str(path))
        except (OSError, sqlite3.Error) as error:
            self._db, self.note = self._without(path, error)

    def _without(self, path: Path, error: Exception) -> tuple[sqlite3.Connection, str]:
        """A damaged file is moved aside; where none can be written, messages are kept in memory only."""
        if isinstance(error, sqlite3.DatabaseError) and not isinstance(error, sqlite3.OperationalError):
            with contextlib.suppress(OSError, sqlite3.Error):
                path.replace(path.with_suffix(".damaged"))
                return _open(str(path)), f"the outbox was damaged ({error}); kept as {path.with_suffix('.damaged')}"
        return _open(":memory:"), f"{path}: {error}; messages are kept in memory only"

    def put(self, message: OutboxMessage, n: int | None = None) -> bool:
        """Take in a message, unless it has been in before; whether it was new. `n` is its number, if it has one.

        Raises:
            sqlite3.Error: the disk does not take it.
        """
        return self.put_all([(self.last_n() + 1 if n is None else n, message)]) == 1

    def put_all(self, letters: Sequence[tuple[int, OutboxMessage]], sent: Container[int] = ()) -> int:
        """Take in numbered messages, all or none; how many were new. Those that were `sent` are only remembered.

        Raises:
            sqlite3.Error: the disk does not take them.
        """
        while True:
            try:
                with self._db:
                    return sum(self._put(n, message, waits=n not in sent) for n, message in letters)
            except sqlite3.OperationalError as error:
                if error.sqlite_errorcode != sqlite3.SQLITE_FULL or not self._let_oldest_go():
                    raise

    def _put(self, n: int, message: OutboxMessage, *, waits: bool) -> bool:
        if message.number is not None:
            self._db.execute("INSERT OR REPLACE INTO reached VALUES (1, ?, ?)", message.number)
        if self._db.execute("INSERT OR IGNORE INTO seen (id) VALUES (?)", (message.identity,)).rowcount == 0:
            return False
        self._db.execute("DELETE FROM seen WHERE n <= (SELECT MAX(n) FROM seen) - ?", (_REMEMBERED,))
        if message.stands:
            self._db.execute("INSERT OR REPLACE INTO standing VALUES (?, ?)", (message.topic, message.payload))
        elif message.stands is False:
            self._db.execute("DELETE FROM standing WHERE topic = ?", (message.topic,))
        if waits:
            over = self.count() + 1 - self._most
            if over > 0:
                self._drop(over)
            self._db.execute(
                "INSERT INTO message (n, topic, payload, retain) VALUES (?, ?, ?, ?)",
                (n, message.topic, message.payload, int(message.retain)),
            )
        return True

    def _let_oldest_go(self) -> bool:
        """Make room where it is the file's own bound that was reached; False if it was not, or nothing is left."""
        (pages,) = self._db.execute("PRAGMA page_count").fetchone()
        (most,) = self._db.execute("PRAGMA max_page_count").fetchone()
        count = self.count()
        if pages < most or count == 0:
            return False
        with self._db:
            self._drop(count // _MAKES_ROOM + 1)
        return True

    def _drop(self, count: int) -> None:
        self._db.execute("DELETE FROM message WHERE n IN (SELECT n FROM message ORDER BY n LIMIT ?)", (count,))
        self._db.execute("UPDATE lost SET count = count + ?", (count,))

    def knows(self, identity: str) -> bool:
        """Whether a message with this id has been in."""
        return self._db.execute("SELECT 1 FROM seen WHERE id = ?", (identity,)).fetchone() is not None

    def last_n(self) -> int:
        """The highest number that any message has had."""
        row = self._db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'message'").fetchone()
        return int(row[0]) if row else 0

    def waiting(self, most: int, without: Container[str] = (), sent: Container[int] = ()) -> list[Waiting]:
        """The next messages, `most` of them, as they go out, whose topic is not among `without`, and their number not
        among `sent`."""
        found: list[Waiting] = []
        for n, topic in self._db.execute("SELECT n, topic FROM message ORDER BY retain DESC, n"):
            if topic in without or n in sent:
                continue
            payload, retain = self._db.execute("SELECT payload, retain FROM message WHERE n = ?", (n,)).fetchone()
            found.append(Waiting(n, topic, payload, bool(retain)))
            if len(found) == most:
                break
        return found

    def first(self, without: Container[str] = (), sent: Container[int] = ()) -> Waiting | None:
        """The first of them."""
        return next(iter(self.waiting(1, without, sent)), None)

    def sent(self, numbers: Iterable[int]) -> None:
        """The broker has these.

        Raises:
            sqlite3.Error: the disk does not take it.
        """
        with self._db:
            self._db.executemany("DELETE FROM message WHERE n = ?", [(n,) for n in numbers])

    def count(self) -> int:
        """How many wait."""
        (count,) = self._db.execute("SELECT COUNT(*) FROM message").fetchone()
        return int(count)

    def topics(self, sent: Container[int] = ()) -> set[str]:
        """The topics of those that wait, but for those whose number is among `sent`."""
        return {topic for n, topic in self._db.execute("SELECT n, topic FROM message") if n not in sent}

    def take_lost(self) -> int:
        """How many had to go since this was last asked."""
        (count,) = self._db.execute("SELECT count FROM lost").fetchone()
        if count:
            with self._db:
                self._db.execute("UPDATE lost SET count = 0")
        return int(count)

    def reached(self) -> Number:
        """The number of the last event of the feed that went in."""
        row = self._db.execute("SELECT run, n FROM reached").fetchone()
        return Number("", 0) if row is None else Number(*row)

    def standing(self) -> dict[str, str]:
        """Topics and last payloads of the alerts that were last said to stand."""
        return dict(self._db.execute("SELECT topic, payload FROM standing").fetchall())

    def close(self) -> None:
        """Close the file. May be called twice."""
        self._db.close()


def _open(path: str) -> sqlite3.Connection:
    # One thread at a time uses it: the loop hands it to a worker thread and waits.
    db = sqlite3.connect(path, check_same_thread=False, timeout=5.0)
    try:
        db.execute("PRAGMA journal_mode = WAL")
        # A committed message is on the disk: an event must survive the power cut that it tells of.
        db.execute("PRAGMA synchronous = FULL")
        db.execute(f"PRAGMA max_page_count = {_MOST_PAGES}")
        db.execute(f"PRAGMA journal_size_limit = {_LARGEST_WAL}")
        db.execute(f"PRAGMA wal_autocheckpoint = {_CHECKPOINT_PAGES}")
        db.executescript(_TABLES)
        # A file of before has no index, and may have no room for one: slow is better than none.
        with contextlib.suppress(sqlite3.OperationalError):
            db.execute(_ORDER)
    except sqlite3.Error:
        db.close()
        raise
    return db
