"""The lamp: whether the monitor watches, the worst alert that stands, and afterwards *stay out of boost*."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from cabcanary.alerts import patterns
from cabcanary.model import USABLE, Event, EventKind, Priority

if TYPE_CHECKING:
    from collections.abc import Iterable

    from cabcanary.alerts.patterns import Pattern
    from cabcanary.model import Frame
    from cabcanary.rules.engine import Change

#: How long everything must be seen before the lamp says so, and how long not, before it takes that back: a frame that
#: came late is no reason to flicker.
_SEEN_NS, _UNSEEN_NS = 500_000_000, 1_000_000_000
_BY_PRIORITY = {
    Priority.WARNING: patterns.WARNING,
    Priority.CAUTION: patterns.CAUTION,
    Priority.ADVISORY: patterns.ADVISORY,
}


class LampOutput(Protocol):
    """A lamp. `show` returns at once."""

    def show(self, pattern: Pattern) -> None:
        """Begin this pattern now."""


class LampKeeper:
    """Decides what the lamp shows; each decision is an event.

    `needed` are the channels that the rules read: while one of them cannot be used, the lamp does not say *watching*.
    After an alert of a rule in `after` has been raised it stays lit until `key_off`. `partly`: something is not watched
    for that an engine under boost must be.
    """

    def __init__(
        self, lamp: LampOutput | None, needed: Iterable[str], after: Iterable[str], *, partly: bool = False
    ) -> None:
        self._lamp = lamp
        self._sees_all = patterns.PARTLY_WATCHING if partly else patterns.WATCHING
        self._needed, self._after = tuple(needed), frozenset(after)
        self._standing: dict[str, Priority] = {}
        self.stay_out = False
        self._watching = False
        self._differs_since: int | None = None
        self.shown = patterns.PROOF
        if lamp is not None:
            lamp.show(patterns.PROOF)
        #: The proof has been seen: from now on the lamp tells.
        self.proved = False
        self._failure = ""

    def forget(self, ended: Iterable[Change]) -> None:
        """Alerts of rules that are in force no more."""
        for change in ended:
            self._standing.pop(change.alert, None)

    def look_for(self, needed: Iterable[str], *, partly: bool) -> None:
        """Other rules are in force, which need other channels."""
        self._needed = tuple(needed)
        self._sees_all = patterns.PARTLY_WATCHING if partly else patterns.WATCHING

    def update(self, frame: Frame, changes: Iterable[Change]) -> list[Event]:
        """Take in a tick; returns the decisions."""
        for change in changes:
            quiet = getattr(change, "shelved", False) or "suppressed" in change.state
            if (change.active or not change.acknowledged) and not quiet:
                self._standing[change.alert] = change.priority
            else:
                self._standing.pop(change.alert, None)
            if change.active and change.alert in self._after and not quiet:
                self.stay_out = True
        self._follow_sight(frame)
        return self._decide(frame.time_ns)

    def key_off(self, now_ns: int) -> list[Event]:
        """The key is off: *stay out of boost* ends with it."""
        self.stay_out = False
        return self._decide(now_ns)

    def _follow_sight(self, frame: Frame) -> None:
        sees = all(frame.values[name].quality in USABLE for name in self._needed)
        if sees == self._watching:
            self._differs_since = None
            return
        if self._differs_since is None:
            self._differs_since = frame.time_ns
        if frame.time_ns - self._differs_since >= (_SEEN_NS if sees else _UNSEEN_NS):
            self._watching, self._differs_since = sees, None

    def _decide(self, now_ns: int) -> list[Event]:
        wanted = self._wanted()
        if wanted is self.shown or not self.proved:
            return []
        self.shown = wanted
        shown = Event(now_ns, EventKind.LAMP, wanted.name, f"lamp: {wanted.name.replace('_', ' ')}")
        failure = self._show(wanted)
        return [shown, Event(now_ns, EventKind.HELPER, "lamp", failure, {"ok": False})] if failure else [shown]

    def _show(self, pattern: Pattern) -> str:
        """Show a pattern; returns the error's text if the error is new, else an empty text."""
        if self._lamp is None:
            return ""
        try:
            self._lamp.show(pattern)
        except Exception as error:  # noqa: BLE001 - a dead lamp must not end the watch
            before, self._failure = self._failure, f"the lamp fails: {type(error).__name__}: {error}"
            return "" if self._failure == before else self._failure
        return ""

    def _wanted(self) -> Pattern:
        worst = max(self._standing.values(), default=None)
        if worst is Priority.WARNING:
            return patterns.WARNING
        if self.stay_out:
            return patterns.STAY_OUT_OF_BOOST
        if worst is not None:
            return _BY_PRIORITY[worst]
        return self._sees_all if self._watching else patterns.NOT_YET_WATCHING
