"""Who is at a Unix socket, and how many of whom: no user's programs can take every place.

Of all places some are kept for each of those that must get in: the daemon's own helpers, the pages, and the daemon's
own user with root. The others are for everybody, and another user gets a share of them.
"""

from __future__ import annotations

import os
import pwd
import socket
import struct
from collections import Counter
from enum import StrEnum
from typing import TYPE_CHECKING, NamedTuple, TypeVar

from cabcanary.processes.rate import RateLimit
from cabcanary.spelling import spelt

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

By = TypeVar("By")

#: Readers altogether: more than any sensible set-up has.
MOST = 32
#: Those of one other user: a few terminals and a logger.
MOST_OF_A_USER = 6
#: Connections of one other user: each is told the past, which costs the loop about a millisecond.
_COMERS_PER_S, _COMERS_AT_ONCE = 5.0, 20
#: Users of whom that is remembered.
_MOST_USERS = 64


class Kind(StrEnum):
    """Whose program it is."""

    HELPER = "the monitor's own helpers"
    PAGES = "the pages"
    OWN = "the monitor's own user and root"
    OTHER = "other users"


#: Places that nobody else gets. The messenger has two: a new one may come while its killed predecessor is still
#: being seen off.
_KEPT = {Kind.HELPER: 2, Kind.PAGES: 4, Kind.OWN: 8}


class Allowed(StrEnum):
    """Which commands a program may give."""

    ALL = "all"
    #: What silences a sound and changes nothing else.
    ACKNOWLEDGE = "acknowledge"
    NONE = "none"


class Peer(NamedTuple):
    """The process at the other end, as the kernel knows it."""

    pid: int
    user: int


def peer_of(connection: socket.socket) -> Peer:
    """Who has connected (SO_PEERCRED of unix(7)); nobody can claim to be somebody else."""
    credentials = connection.getsockopt(socket.SOL_SOCKET, socket.SO_PEERCRED, struct.calcsize("3i"))
    pid, user, _ = struct.unpack("3i", credentials)
    return Peer(pid, user)


def pages_user(named: str | None) -> str | None:
    """The user that serves the pages: of the settings, else of the unit ($CABCANARY_PAGES_USER)."""
    return named or os.environ.get("CABCANARY_PAGES_USER") or None


def user_number(name: str | None) -> int | None:
    """The number of a user of this machine; None for no name, or where there is no such user."""
    if name is None:
        return None
    try:
        return pwd.getpwnam(name).pw_uid
    except KeyError:
        return None


class FullError(Exception):
    """There is no place; the text says why and what to do."""


class Places:
    """The places of one socket. `pages` is the number of the user that serves the pages, if it is one of its own;
    `helpers` gives the process ids of the daemon's own helpers."""

    def __init__(self, pages: int | None = None, helpers: Callable[[], Collection[int]] = tuple) -> None:
        self._own = frozenset({0, os.getuid()})
        self._pages, self._helpers = None if pages in self._own else pages, helpers
        #: In kept places, by kind; in the others, by user.
        self._kept: Counter[Kind] = Counter()
        self._shared: Counter[int] = Counter()
        self._comers: dict[int, RateLimit] = {}

    def _kept_for(self, kind: Kind) -> int:
        # Where the pages have no user of their own, they are the daemon's.
        more = _KEPT[Kind.PAGES] if kind is Kind.OWN and self._pages is None else 0
        return _KEPT.get(kind, 0) + more

    def is_own(self, peer: Peer) -> bool:
        """Whether it is the daemon's own user, or root."""
        return peer.user in self._own

    def allowed(self, peer: Peer) -> Allowed:
        """Which commands it may give."""
        if self.is_own(peer):
            return Allowed.ALL
        return Allowed.ACKNOWLEDGE if self.kind(peer) is Kind.PAGES else Allowed.NONE

    def kind(self, peer: Peer) -> Kind:
        """Whose program it is."""
        if self.is_own(peer):
            return Kind.HELPER if peer.pid in self._helpers() else Kind.OWN
        return Kind.PAGES if peer.user == self._pages else Kind.OTHER

    def enter(self, peer: Peer, now_ns: int) -> Callable[[], None]:
        """Take a place; returns what gives it back. A helper that finds its own taken is its user's like any other.

        Raises:
            FullError: there is none for this one.
        """
        kind = self.kind(peer)
        if kind is Kind.OTHER:
            self._check_share(peer.user, now_ns)
        for mine in (kind, Kind.OWN) if kind is Kind.HELPER else (kind,):
            if self._kept[mine] < self._kept_for(mine):
                return _take(self._kept, mine)
        if self._shared.total() < MOST - sum(_KEPT.values()):
            return _take(self._shared, peer.user)
        raise FullError(f"the feed is full: {MOST} places, some of them kept for others; close a reader, and try again")

    def _check_share(self, user: int, now_ns: int) -> None:
        if self._shared[user] >= MOST_OF_A_USER:
            raise FullError(
                f"user {user} has {MOST_OF_A_USER} readers at the feed, which is all that one user gets; "
                "close one of them, and try again"
            )
        if len(self._comers) >= _MOST_USERS:
            self._comers.clear()
        if not self._comers.setdefault(user, RateLimit(_COMERS_PER_S, _COMERS_AT_ONCE)).allows(now_ns):
            raise FullError(
                f"user {user} connects too often: at most {spelt(_COMERS_PER_S)} "
                "times a second; wait a second, and keep "
                "the connection open"
            )


def _take(taken: Counter[By], by: By) -> Callable[[], None]:
    taken[by] += 1

    def leave() -> None:
        taken[by] -= 1
        if not taken[by]:
            del taken[by]

    return leave
