"""The state of an alert, and the change that is told. Words as OPC UA Part 9 and ISA-18.2 use them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

if TYPE_CHECKING:
    from cabcanary.model import Priority


@dataclass(slots=True)
class AlertState:
    """Where one alert stands. Times are monotonic, in nanoseconds."""

    active: bool = False
    acknowledged: bool = True
    #: It has gone, and stays until a person has taken note.
    latched: bool = False
    suppressed: bool = False
    #: Put aside by a person until this time.
    shelved_until_ns: int | None = None
    #: Put aside until it has gone once, if that is sooner.
    one_shot: bool = False
    out_of_service: bool = False
    since_ns: int = 0
    acknowledged_ns: int = 0
    re_alarms: int = 0

    @property
    def shelved(self) -> bool:
        """Whether a person has put it aside."""
        return self.shelved_until_ns is not None

    @property
    def sounds(self) -> bool:
        """Whether it asks for somebody's attention."""
        return (self.active or self.latched) and not self.acknowledged and not self.shelved and not self.out_of_service

    @property
    def name(self) -> str:
        """The state's name."""
        for there, word in (
            (self.out_of_service, "out of service"),
            (self.shelved, "shelved"),
            (self.suppressed, "suppressed"),
        ):
            if there:
                return word
        if not self.active and not self.latched:
            return "normal" if self.acknowledged else "returned to normal, unacknowledged"
        return f"{'active' if self.active else 'latched'}, {'acknowledged' if self.acknowledged else 'unacknowledged'}"

    def acknowledge(self, now_ns: int) -> bool:
        """A person acknowledges; returns whether that changed anything. An alert that is only latched is reset."""
        if self.latched and not self.active:
            self.latched, self.acknowledged = False, True
            return True
        if self.acknowledged:
            return False
        self.acknowledged, self.acknowledged_ns = True, now_ns
        return True


@dataclass(frozen=True, slots=True)
class Change:
    """One alert's change of state, with what a person should be told."""

    time_ns: int
    alert: str
    state: str
    active: bool
    acknowledged: bool
    priority: Priority
    blind: bool
    say: str
    do: str
    figures: str
    latched: bool = False
    shelved: bool = False
    #: Why it cannot be seen, in few words that are spoken behind `say`.
    reason: str = ""
    #: What `figures` says, as numbers with units (`measured.channel_seen`); plain JSON.
    measured: tuple[dict[str, Any], ...] = ()

    @property
    def sounds(self) -> bool:
        """Whether it asks for attention: it stands, nobody has taken note, and nobody has put it aside."""
        return (self.active or self.latched) and not self.acknowledged and not self.shelved


class Blame(NamedTuple):
    """Who keeps a rule from seeing; `unsure`: nothing is dead, only an interval is too wide to tell."""

    roots: list[str]
    unsure: bool = False


class ShelveError(ValueError):
    """This alert may not be put aside, or not for so long; the text says why."""
