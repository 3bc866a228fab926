"""What the broker refuses: told in one line for each kind, tried again later, and told again when it is taken."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

from cabcanary.processes.status import Backoff

if TYPE_CHECKING:
    from collections.abc import Callable, Container

    from cabcanary.processes.status import Status

#: A topic that is refused is tried again after this, and ever more seldom, real seconds.
REFUSED_S, _LONGEST_REFUSED_S = 30.0, 600.0


class Refusals:
    """Those of one broker. `good` is its standing when it refuses nothing."""

    def __init__(self, status: Status, good: str, now_s: Callable[[], float] = time.monotonic) -> None:
        self._status, self._good, self._now_s = status, good, now_s
        #: By topic: the line that tells of it, and until when it is not tried.
        self._open: dict[str, tuple[str, float]] = {}
        self._wait = Backoff(REFUSED_S, _LONGEST_REFUSED_S)

    def forget(self) -> None:
        """A new connection: the broker may accept a refused topic now."""
        self._open.clear()

    def refused(self, topic: str, line: str) -> None:
        """The broker has refused something at this topic; the same line is told once for as long as it is so."""
        until = self._now_s() + self._wait.next_s(1.0)
        told = any(line == other for other, _ in self._open.values())
        self._open[topic] = line, until
        if not told:
            self._status.bad(line)

    def taken(self, topic: str) -> None:
        """The broker has taken something at this topic."""
        if self._open.pop(topic, None) is not None:
            self._settle()

    def none_waits(self, but: Container[str]) -> None:
        """Nothing waits any more, except for the topics in `but`: the other refusals are over."""
        gone = [topic for topic in self._open if topic not in but]
        for topic in gone:
            del self._open[topic]
        if gone:
            self._settle()

    def _settle(self) -> None:
        self._wait.reset()
        if not self._open:
            self._status.good(self._good)
            return
        left = dict.fromkeys(line for line, _ in self._open.values())
        if self._status.words not in left:
            self._status.bad(next(iter(left)))

    @property
    def any(self) -> bool:
        """Whether something is refused."""
        return bool(self._open)

    def resting(self) -> frozenset[str]:
        """The topics that are not to be tried now."""
        now = self._now_s()
        return frozenset(topic for topic, (_, until) in self._open.items() if until > now)
