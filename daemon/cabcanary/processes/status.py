"""How a source or a helper stands, told once per change, and how long to wait before the next try."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


class Status:
    """A source's or helper's standing, told once per change: `tell(ok, words)`."""

    def __init__(self, name: str, tell: Callable[[str, bool, str], None]) -> None:
        self.name = name
        self._tell = tell
        self.ok: bool | None = None
        self.words = "starting"
        self.losses = 0
        #: What a source counts: errors, malformed pieces, dropped readings.
        self.counters: dict[str, int] = {}

    def good(self, words: str) -> None:
        """The source works."""
        self._change(ok=True, words=words)

    def bad(self, words: str) -> None:
        """The source does not work; the same words are told once, not at every try."""
        self._change(ok=False, words=words)

    def note(self, words: str) -> None:
        """Something worth a line that changes nothing in how the source stands."""
        self._tell(self.name, self.ok is not False, words)

    def _change(self, *, ok: bool, words: str) -> None:
        if ok == self.ok and words == self.words:
            return
        if self.ok and not ok:
            self.losses += 1
        self.ok, self.words = ok, words
        self._tell(self.name, ok, words)


class Backoff:
    """Waits between tries: doubling from `first_s` to `longest_s`, so that a dead device costs nothing."""

    def __init__(self, first_s: float = 0.2, longest_s: float = 5.0) -> None:
        self._first, self._longest = first_s, longest_s
        self._next = first_s

    def next_s(self, jitter: float) -> float:
        """Seconds to wait before the next try; `jitter` in 0..1 spreads tries over the upper half of the wait."""
        wait = self._next
        self._next = min(self._next * 2, self._longest)
        return wait * (0.5 + 0.5 * jitter)

    def reset(self) -> None:
        """The last try worked."""
        self._next = self._first
