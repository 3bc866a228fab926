"""What people ask of the running daemon: acknowledge, put an alert aside, remember this moment.

Each is done at once and becomes an event in the drive's record, so that the drive can be played again as it was.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Protocol

from cabcanary.alerts import words
from cabcanary.alerts.own import OwnAlerts
from cabcanary.clock import NS_PER_S
from cabcanary.model import Event, EventKind
from cabcanary.processes.rate import RateLimit
from cabcanary.rules.states import ShelveError
from cabcanary.spelling import spelt
from cabcanary.validation.quantities import LONGEST_S

if TYPE_CHECKING:
    from collections.abc import Callable

    from cabcanary.alerts.annunciator import Annunciator
    from cabcanary.rules.engine import Engine
    from cabcanary.settings.outputs import Buttons

#: What a note says that comes from a button; and how long one may be that is written.
_REMEMBER, _LONGEST_NOTE = "remember this", 500
#: Names that a client of the feed may give as the acknowledging one.
_ASKERS = ("page", "mqtt")
#: How often each of them may ask for each thing: a person presses no faster for long. Each that is taken becomes an
#: event on the card, at the broker and in the cab. Buttons have their own bounce, and no limit.
_PER_S = 1.0
#: So many at once: fewer from the broker, where anybody may be, than from the daemon's own user.
_AT_ONCE = {"mqtt": 5, "page": 10, "feed": 10}
_LIMITED = ("acknowledge", "note", "shelve", "unshelve")


class Now(Protocol):
    """A clock, as far as it is asked here."""

    def now_ns(self) -> int:
        """The time."""


class Commands:
    """Carries out what buttons and the feed ask. `tell` shows, publishes and records an event."""

    def __init__(
        self,
        engine: Engine,
        annunciator: Annunciator,
        clock: Now,
        buttons: Buttons,
        tell: Callable[[Event], None],
        own: OwnAlerts | None = None,
        reload: Callable[[], bool] = lambda: False,
    ) -> None:
        self._reload = reload
        self._own = own or OwnAlerts()
        self._engine, self._annunciator, self._clock, self._tell = engine, annunciator, clock, tell
        self._buttons = buttons
        self._limits: dict[tuple[str, str], RateLimit] = {}

    def take_engine(self, engine: Engine) -> None:
        """Other rules are in force."""
        self._engine = engine

    def pressed(self, source: str, item: str) -> None:
        """A switch has turned on; the driver's buttons are some of them."""
        for button, act in (
            (self._buttons.acknowledge, self.acknowledge),
            (self._buttons.remember, self.remember),
        ):
            if button is not None and (source, item) == (button.source, button.item):
                act("button")

    def take(self, message: dict[str, Any]) -> dict[str, Any]:
        """One request of the feed; returns the answer."""
        by = message["by"] if message.get("by") in _ASKERS else "feed"
        do = message.get("do")
        if do in _LIMITED and not self._allows(do, by):
            return {"error": f"too many: at most {spelt(_PER_S)} {do} a second is taken; this one is dropped"}
        match do:
            case "acknowledge":
                return {"acknowledged": self.acknowledge(by)}
            case "note":
                text = str(message.get("text", "")).strip()[:_LONGEST_NOTE]
                return {"noted": self.remember("feed", text or _REMEMBER)}
            case "shelve":
                return self._shelve(message)
            case "reload":
                return {"reloading": self._reload()}
            case "unshelve":
                return self._unshelve(str(message.get("alert", "")))
            case other:
                return {"error": f"unknown command {other!r}; there are: acknowledge, shelve, unshelve, note, reload"}

    def _allows(self, do: str, by: str) -> bool:
        """Whether this one is taken. Those that are not are counted, and told once a minute."""
        now_ns = self._clock.now_ns()
        limit = self._limits.setdefault((do, by), RateLimit(_PER_S, _AT_ONCE[by]))
        allowed = limit.allows(now_ns)
        if dropped := limit.to_tell(now_ns):
            text = f"{dropped} × {do} by {by} dropped: at most {spelt(_PER_S)} a second is taken"
            self._tell(Event(now_ns, EventKind.HELPER, "commands", text, {"count": dropped}))
        return allowed

    def acknowledge(self, by: str) -> list[str]:
        """A person has taken note: the sound stops, the states stay."""
        now_ns = self._after_the_tick_ns()
        changes = self._engine.acknowledge(now_ns) + self._own.acknowledge(now_ns)
        text = f"{len(changes)} alert(s) acknowledged"
        self._tell(Event(now_ns, EventKind.ACKNOWLEDGE, by, text, {"alerts": [c.alert for c in changes]}))
        heard = self._annunciator.update(changes, now_ns)
        taken = self._annunciator.acknowledged(now_ns)
        for event in (*map(words.alert_event, changes), *heard, *([taken] if taken else [])):
            self._tell(event)
        return [c.alert for c in changes]

    def remember(self, by: str, text: str = _REMEMBER) -> str:
        """The driver wants this moment to be found again."""
        self._tell(Event(self._clock.now_ns(), EventKind.NOTE, by, text))
        return text

    def _shelve(self, message: dict[str, Any]) -> dict[str, Any]:
        """A person puts an alert aside for a time; it comes back by itself."""
        alert, now_ns = str(message.get("alert", "")), self._after_the_tick_ns()
        for_s, one_shot = message.get("seconds"), bool(message.get("one_shot"))
        if not isinstance(for_s, int | float) or isinstance(for_s, bool) or not 0 < for_s <= LONGEST_S:
            return {"error": "shelve takes seconds, such as 600"}
        try:
            changes = self._engine.shelve(alert, int(for_s * NS_PER_S), now_ns, one_shot=one_shot)
        except ShelveError as error:
            return {"error": str(error)}
        data = {"until": now_ns + int(for_s * NS_PER_S), "one_shot": one_shot}
        self._tell(Event(now_ns, EventKind.SHELVE, alert, f"{alert} put aside for {spelt(for_s / 60)} min", data))
        self._tell_changes(changes, now_ns)
        return {"shelved": [c.alert for c in changes]}

    def _unshelve(self, alert: str) -> dict[str, Any]:
        """Bring it back before its time."""
        now_ns = self._after_the_tick_ns()
        changes = self._engine.unshelve(alert, now_ns)
        if changes:
            self._tell(Event(now_ns, EventKind.SHELVE, alert, f"{alert} brought back", {"until": None}))
            self._tell_changes(changes, now_ns)
        return {"unshelved": [c.alert for c in changes]}

    def _after_the_tick_ns(self) -> int:
        """The time, later than the last tick even on a clock that stands meanwhile: a drive that is played again does
        what people did before the first tick at or after it."""
        return max(self._clock.now_ns(), (self._engine.last_ns or 0) + 1)

    def _tell_changes(self, changes: list[Any], now_ns: int) -> None:
        """What a person's doing changed: heard at once, shown and recorded."""
        for event in (*map(words.alert_event, changes), *self._annunciator.update(changes, now_ns)):
            self._tell(event)
