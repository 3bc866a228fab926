"""Alerts of the monitor about its own parts: an output that is lost, a watcher that has died.

They are told as the rules' alerts are (sound, lamp, feed, broker), and belong to no rule: a replay of the drive, on
another machine with other outputs, does not have them.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from cabcanary.model import OUTPUT_LOST, WATCHER_LOST, Priority
from cabcanary.rules.states import AlertState, Change

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

#: A part that is started again within this is not told of, ns: a pin that fails once, a helper's restart.
_BORNE_NS = 1_000_000_000
_DO = "Have it looked at"


class _Words(NamedTuple):
    one: str
    several: str


_SAY = {
    OUTPUT_LOST: _Words("No {} any more", "{} are lost"),
    WATCHER_LOST: _Words("The watcher has stopped", "The watcher has stopped"),
}


@dataclass(slots=True)
class _Lost:
    """What is lost of one kind: since when each part, those that have been told, and where the alert stands."""

    since: dict[str, int] = field(default_factory=dict)
    told: tuple[str, ...] = ()
    alert: AlertState = field(default_factory=AlertState)
    figures: str = ""


class OwnAlerts:
    """Where the monitor's alerts about itself stand. Looks at what it is given and waits for nothing."""

    def __init__(self) -> None:
        self._kinds = {name: _Lost() for name in _SAY}

    def step(self, now_ns: int, lost: Mapping[str, Mapping[str, str]]) -> list[Change]:
        """One tick: for each alert the parts that are lost just now, with the reason in words."""
        changes: list[Change] = []
        for name, kind in self._kinds.items():
            parts = lost.get(name, {})
            if parts or kind.since:
                changes += self._follow(now_ns, name, kind, parts)
        return changes

    def _follow(self, now_ns: int, name: str, kind: _Lost, parts: Mapping[str, str]) -> Iterable[Change]:
        kind.since = {part: kind.since.get(part, now_ns) for part in parts}
        told = tuple(part for part, since in kind.since.items() if now_ns - since >= _BORNE_NS)
        if told == kind.told:
            return ()
        more = not set(told) <= set(kind.told)
        kind.told = told or kind.told
        if told:
            kind.figures = "; ".join(f"{part}: {parts[part]}" for part in told)
        if more or not told:
            kind.alert.active, kind.alert.acknowledged, kind.alert.since_ns = bool(told), not told, now_ns
        change = self._change(now_ns, name, kind)
        kind.told = told
        return (change,)

    def acknowledge(self, now_ns: int) -> list[Change]:
        """A person has taken note."""
        return [self._change(now_ns, n, k) for n, k in self._kinds.items() if k.alert.acknowledge(now_ns)]

    def asking(self, now_ns: int) -> list[Change]:
        """Every alert that asks for attention, as a change of now."""
        return [self._change(now_ns, n, k) for n, k in self._kinds.items() if k.alert.sounds]

    def _change(self, now_ns: int, name: str, kind: _Lost) -> Change:
        alert, parts = kind.alert, [part.replace("_", " ") for part in kind.told]
        words = _SAY[name]
        say = words.one.format(parts[0]) if len(parts) == 1 else words.several.format(" and ".join(parts))
        return Change(
            now_ns,
            name,
            alert.name,
            alert.active,
            alert.acknowledged,
            Priority.CAUTION,
            False,
            say[:1].upper() + say[1:],
            _DO,
            kind.figures if alert.active else "",
        )
